//! Two crews and their twelve weeks: who comes when, to which trees, and when they look.

use super::dice::Dice;
use super::trees::{HANGING, Tree};
use super::{as_of, at, date};
use chrono::{DateTime, Datelike, NaiveDate, TimeDelta, Utc};
use std::collections::BTreeSet;

/// A crew's half day or day at the grove.
pub struct Visit {
    /// Its date.
    pub date: NaiveDate,
    /// Which crew.
    pub crew: &'static str,
    /// The trees that it hangs, in order.
    pub trees: Vec<usize>,
    /// When it starts which of them.
    pub starts: Vec<DateTime<Utc>>,
    /// When it sets out on check rounds.
    pub rounds: Vec<DateTime<Utc>>,
    /// When it leaves.
    pub leaves: DateTime<Utc>,
    /// When somebody looks next morning, where wet bags stay overnight.
    pub morning: Option<DateTime<Utc>>,
}

/// Days between two draws on one tree, at least.
const REST_DAYS: i64 = 4;
/// Minutes from one bag to the next on a check round.
const STEP_MIN: i64 = 2;
/// Minutes for the last round before the crew leaves.
const LAST_ROUND_MIN: i64 = 26;

/// When a half day begins and ends, in minutes of the day, and how many trees it takes.
struct Plan {
    date: NaiveDate,
    first: i64,
    leaves: i64,
    trees: usize,
    stays: bool,
    crew: &'static str,
}

impl Visit {
    /// When the bag in this place of the order is looked at: on rounds, and before leaving.
    pub fn looks(&self, place: usize) -> Vec<DateTime<Utc>> {
        let walked = TimeDelta::minutes(STEP_MIN * place as i64);
        let last = self.leaves - TimeDelta::minutes(LAST_ROUND_MIN) + walked;
        let soonest = self.starts[place] + TimeDelta::minutes(8);
        let rounds = self.rounds.iter().map(|round| *round + walked);
        rounds.chain([last]).filter(|look| *look > soonest).collect()
    }
}

/// All visits of the season, in order. Mornings of rain are avoided.
pub fn visits(trees: &[Tree], rainy: &BTreeSet<NaiveDate>) -> Vec<Visit> {
    let mut dice = Dice::new(4);
    let mut plans: Vec<Plan> = (0..12).flat_map(|week| week_of(week, rainy, &mut dice)).collect();
    plans.push(over_the_clock_change());
    plans.extend(today());
    plans.sort_by_key(|plan| (plan.date, plan.first));
    let mut roster = Roster::new(trees, &mut dice);
    plans.into_iter().map(|plan| visit(&plan, &mut roster, &mut dice)).collect()
}

fn monday() -> NaiveDate {
    date(2025, 9, 29)
}

/// The afternoon before clocks went forward: some bags hung through a night of one hour less.
fn over_the_clock_change() -> Plan {
    let (first, leaves) = (13 * 60 + 50, 17 * 60 + 40);
    Plan { date: date(2025, 10, 4), first, leaves, trees: 7, stays: true, crew: "north" }
}

/// A morning, and late in the day the two bags that still hang.
fn today() -> [Plan; 2] {
    let date = as_of().with_timezone(&super::ZONE).date_naive();
    let morning = Plan { date, first: 485, leaves: 16 * 60, trees: 8, stays: false, crew: "north" };
    let (first, leaves) = (16 * 60 + 48, 17 * 60 + 58);
    [morning, Plan { date, first, leaves, trees: 2, stays: true, crew: "south" }]
}

fn week_of(week: i64, rainy: &BTreeSet<NaiveDate>, dice: &mut Dice) -> Vec<Plan> {
    let week_starts = monday() + TimeDelta::weeks(week);
    let mut dry: Vec<NaiveDate> = (0..5)
        .map(|day| week_starts + TimeDelta::days(day))
        .filter(|date| !rainy.contains(date))
        .collect();
    let wanted = dice.whole(2, 3) as usize;
    while dry.len() > wanted {
        dry.remove(dice.whole(0, dry.len() as i64 - 1) as usize);
    }
    dry.into_iter().map(|date| plan(date, dice)).collect()
}

fn plan(date: NaiveDate, dice: &mut Dice) -> Plan {
    let crew = if dice.chance(0.45) { "north" } else { "south" };
    if dice.chance(0.4) {
        let (first, leaves) = (dice.whole(800, 890), dice.whole(1020, 1085));
        let (trees, stays) = (dice.whole(6, 8) as usize, dice.chance(0.5));
        return Plan { date, first, leaves, trees, stays, crew };
    }
    let (first, leaves) = (dice.whole(475, 515), dice.whole(915, 1020));
    let trees = dice.whole(6, 10) as usize;
    Plan { date, first, leaves, trees, stays: false, crew }
}

fn visit(plan: &Plan, roster: &mut Roster, dice: &mut Dice) -> Visit {
    let trees = roster.next(plan, dice);
    let leaves = at(plan.date, plan.leaves);
    let mut starts = vec![at(plan.date, plan.first)];
    while starts.len() < trees.len() {
        starts.push(starts[starts.len() - 1] + TimeDelta::minutes(dice.whole(6, 12)));
    }
    let morning = at(plan.date.succ_opt().expect("a day follows"), dice.whole(460, 505));
    let morning = plan.stays.then_some(morning);
    let rounds = rounds(starts[0], leaves, dice);
    Visit { date: plan.date, crew: plan.crew, trees, starts, rounds, leaves, morning }
}

/// Check rounds every half hour to hour; now and then the crew is called away at first.
fn rounds(start: DateTime<Utc>, leaves: DateTime<Utc>, dice: &mut Dice) -> Vec<DateTime<Utc>> {
    let away = dice.chance(0.3);
    let first = if away { dice.whole(95, 140) } else { dice.whole(32, 60) };
    let mut rounds = Vec::new();
    let mut at = start + TimeDelta::minutes(first);
    while at < leaves - TimeDelta::minutes(2 * LAST_ROUND_MIN) {
        rounds.push(at);
        at += TimeDelta::minutes(dice.whole(30, 58));
    }
    rounds
}

/// Whose turn it is: every tree comes up once before any comes up again, more or less.
struct Roster<'t> {
    trees: &'t [Tree],
    queue: Vec<usize>,
    last: Vec<Option<NaiveDate>>,
}

impl<'t> Roster<'t> {
    fn new(trees: &'t [Tree], dice: &mut Dice) -> Self {
        let mut queue: Vec<usize> = (0..trees.len()).collect();
        for place in (1..queue.len()).rev() {
            queue.swap(place, dice.whole(0, place as i64) as usize);
        }
        Self { trees, queue, last: vec![None; trees.len()] }
    }

    /// The trees of a visit, in the order in which one walks past them.
    fn next(&mut self, plan: &Plan, dice: &mut Dice) -> Vec<usize> {
        let mut chosen: Vec<usize> = Vec::new();
        while chosen.len() < plan.trees {
            let free: Vec<usize> =
                self.queue.iter().copied().filter(|tree| self.may_be_hung(*tree, plan)).collect();
            let ahead = free.len().min(4);
            if ahead == 0 {
                break;
            }
            let tree = free[dice.whole(0, ahead as i64 - 1) as usize];
            self.queue.retain(|other| *other != tree);
            self.queue.push(tree);
            self.last[tree] = Some(plan.date);
            chosen.push(tree);
        }
        chosen.sort_unstable();
        chosen
    }

    /// Rested, in leaf, and kept free for this afternoon or hung in it.
    fn may_be_hung(&self, tree: usize, plan: &Plan) -> bool {
        let rested = self.last[tree].is_none_or(|last| (plan.date - last).num_days() >= REST_DAYS);
        let in_leaf = self.trees[tree].is_elm || plan.date >= date(2025, 10, 20);
        let kept = plan.date.ordinal() >= date(2025, 12, 15).ordinal()
            && HANGING.contains(&self.trees[tree].id.as_str());
        let is_late = plan.stays && plan.date == date(2025, 12, 22);
        rested && in_leaf && kept == is_late
    }
}
