//! From a desk to the plain problem of a day: people, kits, walks, closed spans, drawdowns.

use super::Asked;
use crate::app::ahead::{Ahead, Thirsts};
use crate::app::desk::{About, Desk, DeskError};
use crate::app::hanging::{Bag, hanging};
use crate::app::outlook::{HOT_C, Outlook, outlook};
use crate::app::overnight::{self, leave};
use crate::app::rests::counted;
use crate::app::times::{Turns, instant};
use crate::app::window::{barred, hang_of, listed};
use crate::belief::{Belief, Finish};
use crate::grove::{Hang, Tree as GroveTree};
use crate::plan::day::{Break, Closed, Draw, Hung, Kit, Knot, Person, Problem, Steps, Tree};
use crate::plan::overnight::Call;
use crate::units::Millilitres;
use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use rayon::prelude::*;
use std::collections::{HashMap, HashSet};

/// Distance of the starts that a drawdown is looked up at, min.
const KNOT_MIN: i32 = 15;
/// Starts are looked at from so long before the day, for what an earlier start would bring, min.
const BEFORE_MIN: i32 = 30;
/// Ports that a kit serves where nothing is said.
const ANY_PORTS: u32 = crate::grove::MOST_PORTS;

/// A day laid out.
pub struct Laid {
    /// The problem.
    pub problem: Problem,
    /// Where each of its kits stands on the whole list of kits, ascending.
    pub kit_places: Vec<usize>,
    /// Minute 0.
    pub base: DateTime<Utc>,
    /// The date.
    pub date: NaiveDate,
    /// One filling of each tree's bag; the charge is that of one filling.
    pub hangs: Vec<Hang>,
    /// How thirsty they are.
    pub thirsts: Thirsts,
    /// The weather.
    pub ahead: Ahead,
    /// Dusk and morning.
    pub turns: Turns,
    /// Hour by hour.
    pub outlook: Outlook,
    /// What to know of the list.
    pub notes: Vec<String>,
}

impl Laid {
    /// The instant of a minute.
    pub fn at(&self, minute: i32) -> DateTime<Utc> {
        self.base + TimeDelta::minutes(minute.into())
    }

    /// The kit at a place on the whole list; none where it is not among those of the problem.
    pub fn kit_at(&self, place: usize) -> Option<usize> {
        self.kit_places.binary_search(&place).ok()
    }

    /// The minute of an instant, rounded up.
    pub fn minute(&self, at: DateTime<Utc>) -> i32 {
        minute_of(self.base, at)
    }
}

/// The ids of the trees of a list.
pub(super) fn ids<'d>(desk: &'d Desk, hangs: &[Hang]) -> Vec<&'d String> {
    hangs.iter().map(|hang| &desk.grove.trees[hang.tree].id).collect()
}

fn minute_of(base: DateTime<Utc>, at: DateTime<Utc>) -> i32 {
    let seconds = (at - base).num_seconds();
    i32::try_from((seconds + 59).div_euclid(60)).unwrap_or(i32::MAX / 4)
}

/// Whole minutes: plans are made in them, never in the crew's favour.
fn whole(minutes: f64) -> i32 {
    (minutes - 1e-9).ceil().max(0.0) as i32
}

/// Lays out a date; `only` narrows the list.
///
/// # Errors
/// [`DeskError`] where nothing is on the list, or what was asked does not exist.
pub fn lay(desk: &Desk, date: NaiveDate, asked: &Asked) -> Result<Laid, DeskError> {
    let (outlook, ahead, turns) = outlook(desk, date)?;
    let settings = &desk.grove.settings;
    let base = turns.day_starts;
    let now = minute_of(base, desk.as_of).max(0);
    let (list, mut notes) = chosen(desk, date, asked)?;
    let hanging = hanging(desk)?.bags;
    let (still, off) = hanging_on(desk, date, turns.day_ends, hanging);
    if off > 0 {
        let words =
            format!("{} now, not counted for that day", counted(off, "bag hangs", "bags hang"));
        notes.push(words);
    }
    if list.is_empty() && still.is_empty() {
        let fact = "no tree is on the list: say hang = yes of trees that are to be hung, or name \
                    trees or blocks"
            .into();
        return Err(DeskError::Ask { fact, about: About::Trees });
    }
    let (list, done) = without_done(desk, date, list, &still);
    if done > 0 {
        let those = counted(done, "tree of the list was", "trees of the list were");
        notes.push(format!("{those} hung that day already, and left out"));
    }
    let mut hangs: Vec<Hang> = still.iter().map(|bag| bag.hang.clone()).collect();
    let mut fillings: Vec<u32> = vec![1; hangs.len()];
    for hang in list {
        let (one, count) = filling(desk, hang);
        hangs.push(one);
        fillings.push(count);
    }
    let thirsts = Thirsts::of(&desk.grove, &desk.model, &hangs);
    let people = people(desk, asked, now, minute_of(base, turns.day_ends), hangs.len());
    let kits = kits(desk, asked);
    numbered(&asked.gone, people.len(), "person", "people")?;
    numbered(&asked.broken, kits.len(), "kit", "kits")?;
    if kits.len() < still.len() {
        let fact = format!(
            "{} bags hang already, and there are {} kits: count all kits that are in use, those \
             hanging too",
            still.len(),
            kits.len()
        );
        return Err(DeskError::Ask { fact, about: About::Kits });
    }
    let kit_places = needed(&kits, &ids(desk, &hangs), asked);
    let done_by = settings
        .wishes
        .latest_done
        .map_or(turns.day_ends, |time| instant(date, time, settings.zone).min(turns.day_ends));
    let some_due = asked.is_typed() || desk.grove.trees.iter().any(|tree| tree.hang == Some(true));
    let mut laid = Laid {
        problem: Problem {
            people,
            kits: kit_places.iter().map(|&place| kits[place].clone()).collect(),
            trees: Vec::new(),
            breaks: breaks(desk, &outlook, date, base, &turns),
            closed: Vec::new(),
            steps: steps(desk, &hangs),
            walks_min: walks(desk, &hangs),
            done_by: minute_of(base, done_by),
        },
        kit_places,
        base,
        date,
        hangs,
        thirsts,
        ahead,
        turns,
        outlook,
        notes,
    };
    laid.problem.closed = closed(desk, &laid);
    laid.problem.trees = (0..laid.hangs.len())
        .into_par_iter()
        .map(|tree| planned_tree(desk, &laid, tree, fillings[tree], some_due))
        .collect();
    let staying = staying(desk, date, &still)?;
    let holders = holders(desk, &laid, asked, still.len());
    for (tree, (bag, holder)) in still.iter().zip(holders).enumerate() {
        let may_stay = staying.contains(&bag.hang.id);
        laid.problem.trees[tree].hung = Some(hung(desk, &laid, holder, bag, now, may_stay));
    }
    spread_late_strips(&mut laid.problem);
    Ok(laid)
}

/// The list: the trees named, those of the blocks named, else that of the date.
fn chosen(
    desk: &Desk,
    date: NaiveDate,
    asked: &Asked,
) -> Result<(Vec<Hang>, Vec<String>), DeskError> {
    let grove = &desk.grove;
    for block in &asked.blocks {
        if !grove.trees.iter().any(|tree| tree.block == *block) {
            let mut known: Vec<&str> = grove.trees.iter().map(|tree| tree.block.as_str()).collect();
            known.sort_unstable();
            known.dedup();
            let words = format!("no tree stands in block '{block}'; blocks: {}", known.join(", "));
            return Err(DeskError::Unanswerable(words));
        }
    }
    let start = instant(date, grove.settings.crew.day_starts, grove.settings.zone);
    let mut list = Vec::new();
    for id in &asked.trees {
        let index = grove.trees.iter().position(|tree| tree.id == *id).ok_or_else(|| {
            DeskError::Unanswerable(format!(
                "no tree '{id}' in trees.csv; write its id as it stands there"
            ))
        })?;
        list.push(hang_of(grove, index, start));
    }
    if asked.trees.is_empty() {
        list = listed(desk, date).hangs;
    }
    let in_block = |tree: &GroveTree| asked.blocks.is_empty() || asked.blocks.contains(&tree.block);
    list.retain(|hang| in_block(&grove.trees[hang.tree]));
    let mut seen = HashSet::new();
    let before = list.len();
    list.retain(|hang| seen.insert(hang.tree));
    let mut notes = Vec::new();
    if list.len() < before {
        notes.push("trees that stand on the list twice are planned once".into());
    }
    Ok((list, notes))
}

/// The bags that hang now and may hang on a date too: that day's own, and the next morning's; how many
/// are off by then.
fn hanging_on(
    desk: &Desk,
    date: NaiveDate,
    ends: DateTime<Utc>,
    hanging: Vec<Bag>,
) -> (Vec<Bag>, usize) {
    let today = desk.local_date(desk.as_of);
    if date < today {
        return (Vec::new(), 0);
    }
    if today.succ_opt().is_some_and(|tomorrow| date > tomorrow) {
        return (Vec::new(), hanging.len());
    }
    (hanging.into_iter().filter(|bag| bag.hang.start < ends).collect(), 0)
}

/// Without the trees whose bags hang, or have hung today.
fn without_done(
    desk: &Desk,
    date: NaiveDate,
    list: Vec<Hang>,
    still: &[Bag],
) -> (Vec<Hang>, usize) {
    let hangs = |tree: usize| still.iter().any(|bag| bag.hang.tree == tree);
    let hung_today = |tree: usize| {
        desk.grove.draws.iter().any(|draw| {
            draw.tree == tree && draw.started <= desk.as_of && desk.local_date(draw.started) == date
        })
    };
    let before = list.len();
    let kept: Vec<Hang> =
        list.into_iter().filter(|hang| !hangs(hang.tree) && !hung_today(hang.tree)).collect();
    let done = before - kept.len();
    (kept, done)
}

/// One filling of a charge, and how many it takes.
fn filling(desk: &Desk, hang: Hang) -> (Hang, u32) {
    let settings = &desk.grove.settings;
    let capacity_ml = settings.bag.capacity.value();
    if settings.defaulted.contains(&"bag.capacity_ml") || hang.charge.value() <= capacity_ml {
        return (hang, 1);
    }
    let count = (hang.charge.value() / capacity_ml).ceil();
    let charge = Millilitres::computed(hang.charge.value() / count);
    (Hang { charge, ..hang }, count as u32)
}

fn people(desk: &Desk, asked: &Asked, from: i32, to: i32, van: usize) -> Vec<Person> {
    let settings = &desk.grove.settings;
    let count = asked.people.unwrap_or(settings.crew.people) as usize;
    let setters = settings.habits.setters.map_or(count, |it| it as usize);
    let from = (from - asked.earlier_min).min(to);
    let one = |it: usize| {
        // Who is gone keeps their number, and has no time.
        let is_gone = asked.gone.contains(&(it as u32 + 1));
        let to = if is_gone { from } else { to };
        Person { from, to, at: van, may_set: it < setters && !is_gone }
    };
    (0..count).map(one).collect()
}

/// Are these all numbers of so many, from 1, and not of all of them?
fn numbered(named: &[u32], count: usize, one: &str, many: &str) -> Result<(), DeskError> {
    let other = named.iter().find(|it| **it == 0 || **it as usize > count);
    let fact = match other {
        Some(other) => {
            format!("there is no {one} {other}; {many} are numbered 1 to {count} as in the plan")
        }
        None if (1..=count as u32).all(|it| named.contains(&it)) => {
            format!("all {count} {many} are taken out: nothing is left to plan with")
        }
        None => return Ok(()),
    };
    Err(DeskError::Ask { fact, about: About::Missing })
}

/// Which kits a day can need, by their places on the list: of each size no more than there are bags,
/// and those on which an earlier plan hangs one of them. Each one more is looked at in every step of the
/// search.
fn needed(kits: &[Kit], tree_ids: &[&String], asked: &Asked) -> Vec<usize> {
    let named: HashSet<usize> = match &asked.earlier {
        Some(kept) => {
            let places = kept.places(tree_ids);
            let is_here = |draw: &&Draw| places.get(draw.tree).is_some_and(Option::is_some);
            kept.plan.draws.iter().filter(is_here).map(|draw| draw.kit).collect()
        }
        None => HashSet::new(),
    };
    let mut alike: HashMap<u32, usize> = HashMap::new();
    let is_needed = |place: &usize| {
        let so_far = alike.entry(kits[*place].ports).or_default();
        *so_far += 1;
        *so_far <= tree_ids.len().max(1) || named.contains(place)
    };
    (0..kits.len()).filter(is_needed).collect()
}

/// The kits, those that serve most ports first; `--kits` leaves so many of them.
fn kits(desk: &Desk, asked: &Asked) -> Vec<Kit> {
    let settings = &desk.grove.settings;
    let by_ports = &settings.habits.kits_by_ports;
    let mut kits: Vec<Kit> = match by_ports.is_empty() {
        true => vec![Kit { ports: ANY_PORTS }; settings.crew.kits as usize],
        false => by_ports
            .iter()
            .rev()
            .flat_map(|(&ports, &count)| vec![Kit { ports }; count as usize])
            .collect(),
    };
    if let Some(count) = asked.kits {
        let widest = kits.first().map_or(ANY_PORTS, |kit| kit.ports);
        kits.resize(count as usize, Kit { ports: widest });
    }
    for (kit, number) in kits.iter_mut().zip(1..) {
        if asked.broken.contains(&number) {
            kit.ports = 0;
        }
    }
    kits
}

fn steps(desk: &Desk, hangs: &[Hang]) -> Steps {
    let (crew, habits) = (&desk.grove.settings.crew, &desk.grove.settings.habits);
    let set = |hang: &Hang| whole(crew.set_min + crew.per_port_min * f64::from(hang.ports));
    Steps {
        set_min: hangs.iter().map(set).collect(),
        leak_check_min: whole(habits.leak_check_min),
        second_look_min: whole(habits.second_look_min),
        check_every_min: whole(crew.check_every_min),
        look_slack_min: whole(habits.look_slack_min),
        look_min: whole(habits.look_min),
        refill_min: whole(habits.refill_min),
        strip_min: whole(crew.strip_min),
    }
}

/// Breaks as typed, and a rest in each hot hour that has none.
fn breaks(
    desk: &Desk,
    outlook: &Outlook,
    date: NaiveDate,
    base: DateTime<Utc>,
    turns: &Turns,
) -> Vec<Break> {
    let settings = &desk.grove.settings;
    let habits = &settings.habits;
    let end = minute_of(base, turns.day_ends);
    let mut breaks: Vec<Break> = habits
        .breaks
        .iter()
        .map(|(from, to)| {
            let minute = |time| minute_of(base, instant(date, time, settings.zone));
            let (from, to) = (minute(*from), minute(*to));
            let latest = from + whole(habits.break_slack_min);
            Break { from, latest, length_min: to - from, why: "break".into() }
        })
        .filter(|pause| pause.from > 0 && pause.latest + pause.length_min < end)
        .collect();
    let rest = whole(habits.heat_rest_min_per_h);
    for hour in outlook.hours.iter().filter(|hour| hour.air_temp_c > HOT_C && rest > 0) {
        let (from, to) = (minute_of(base, hour.span.from), minute_of(base, hour.span.to));
        let has_break = breaks.iter().any(|it| it.from < to && it.latest + it.length_min > from);
        if from > 0 && to < end && !has_break {
            let why = format!("rest in the heat ({:.0} degC)", hour.air_temp_c);
            breaks.push(Break { from, latest: to - rest, length_min: rest, why });
        }
    }
    breaks.sort_by_key(|pause| pause.from);
    breaks
}

/// Spans in which no bag may be started, looked at minute by minute.
fn closed(desk: &Desk, laid: &Laid) -> Vec<Closed> {
    let end = laid.minute(laid.turns.day_ends);
    let mut spans: Vec<Closed> = Vec::new();
    for minute in -BEFORE_MIN..=end {
        let why = barred(desk, &laid.ahead, &laid.turns, laid.at(minute)).join(", ");
        if why.is_empty() {
            continue;
        }
        match spans.last_mut().filter(|last| last.to == minute && last.why == why) {
            Some(last) => last.to = minute + 1,
            None => spans.push(Closed { from: minute, to: minute + 1, why }),
        }
    }
    spans
}

/// Walks between trees: by coordinates where both have them, else by row and position where both
/// have whole numbers there, else the walk to the next tree; another block is `walk_blocks_min` away.
fn walks(desk: &Desk, hangs: &[Hang]) -> Vec<i32> {
    let trees: Vec<Option<&GroveTree>> =
        hangs.iter().map(|hang| Some(&desk.grove.trees[hang.tree])).chain([None]).collect();
    let mut minutes = Vec::with_capacity(trees.len() * trees.len());
    for (i, from) in trees.iter().enumerate() {
        for (j, to) in trees.iter().enumerate() {
            let walk = match (from, to) {
                _ if i == j => 0.0,
                (Some(from), Some(to)) => walk(desk, from, to),
                _ => desk.grove.settings.crew.walk_min,
            };
            minutes.push(whole(walk));
        }
    }
    minutes
}

fn walk(desk: &Desk, from: &GroveTree, to: &GroveTree) -> f64 {
    let (crew, habits) = (&desk.grove.settings.crew, &desk.grove.settings.habits);
    if let (Some(from), Some(to)) = (from.at, to.at) {
        // Metres on a sphere, flat over a grove: 111,195 m to a degree of latitude.
        let north = (from.0.value() - to.0.value()) * 111_195.0;
        let east = (from.1.value() - to.1.value()) * 111_195.0 * from.0.value().to_radians().cos();
        return north.hypot(east) / habits.walk_m_per_min;
    }
    if from.block != to.block {
        return habits.walk_blocks_min.max(crew.walk_min);
    }
    let number = |text: &Option<String>| text.as_ref().and_then(|text| text.trim().parse().ok());
    let apart = |a: Option<i64>, b: Option<i64>| Some((a? - b?).unsigned_abs() as f64);
    let along = apart(number(&from.position), number(&to.position));
    let across = apart(number(&from.row), number(&to.row)).unwrap_or(if from.row == to.row {
        0.0
    } else {
        1.0
    });
    // `walk_min` is to the next tree; a position further is as far again.
    along.map_or(crew.walk_min, |along| crew.walk_min * (along + across).max(1.0))
}

/// A tree's drawdown over the starts of the day, and whether it may stay.
fn planned_tree(desk: &Desk, laid: &Laid, tree: usize, fillings: u32, some_due: bool) -> Tree {
    let sure = desk.grove.settings.wishes.sure;
    let end = laid.minute(laid.turns.day_ends);
    let starts: Vec<i32> = (-BEFORE_MIN..end + KNOT_MIN).step_by(KNOT_MIN as usize).collect();
    let beliefs: Vec<Option<Belief>> = starts
        .iter()
        .map(|&start| {
            let course = laid.ahead.course(laid.at(start)).ok()?;
            Some(laid.thirsts.belief(tree, course))
        })
        .collect();
    let mut last = [i32::MIN; 3];
    let drawdown = starts
        .iter()
        .zip(&beliefs)
        .map(|(&start, belief)| {
            let mut at = [None; 3];
            for (which, p) in [0.5, 0.9, sure].into_iter().enumerate() {
                let finish = belief.as_ref().map(|belief| belief.quantile(p));
                if let Some(Finish::At(minutes)) = finish {
                    // First in, first out; rounding must not break it.
                    last[which] = last[which].max(start + whole(minutes));
                    at[which] = Some(last[which]);
                }
            }
            Knot { start, p50: at[0], p90: at[1], sure: at[2] }
        })
        .collect();
    let hang = &laid.hangs[tree];
    Tree {
        ports: hang.ports,
        due: some_due,
        fillings,
        drawdown,
        overnight_until: overnight_until(desk, laid, hang, &starts, beliefs),
        hung: None,
    }
}

/// The latest start from which the bag may stay; earlier starts are never worse.
fn overnight_until(
    desk: &Desk,
    laid: &Laid,
    hang: &Hang,
    starts: &[i32],
    beliefs: Vec<Option<Belief>>,
) -> Option<i32> {
    if leave(desk).refusal().is_some() {
        return None;
    }
    let may = |start: i32, belief: Belief| {
        let call =
            overnight::planned(desk, &laid.ahead, &laid.turns, hang, laid.at(start), &Ok(belief));
        matches!(call.call, Call::LeaveOvernight | Call::FinishToday)
    };
    let latest =
        starts.iter().zip(beliefs).rev().find(|(start, belief)| {
            belief.as_ref().is_some_and(|belief| may(**start, belief.clone()))
        });
    latest.map(|(start, _)| *start)
}

/// The draws hanging now that are called to stay tonight.
fn staying(desk: &Desk, date: NaiveDate, still: &[Bag]) -> Result<Vec<String>, DeskError> {
    if still.is_empty() || date != desk.local_date(desk.as_of) {
        return Ok(Vec::new());
    }
    let calls = overnight::overnight(desk, &[])?;
    let stay = calls.bags.into_iter().filter(|bag| bag.call == Call::LeaveOvernight);
    Ok(stay.map(|bag| bag.draw_id).collect())
}

/// The kit of each bag that hangs, and who looks after it: as in the earlier plan where it says so,
/// else the first kits that are free, and everybody in turn.
fn holders(desk: &Desk, laid: &Laid, asked: &Asked, count: usize) -> Vec<(usize, usize)> {
    let (people, kits) = (&laid.problem.people, &laid.problem.kits);
    let kept = asked.earlier.as_ref().map(|kept| (kept, kept.places(&ids(desk, &laid.hangs))));
    let said = |tree: usize| {
        let (kept, places) = kept.as_ref()?;
        let old = places.iter().position(|place| *place == Some(tree))?;
        kept.plan.draws.iter().find(|draw| draw.tree == old)
    };
    let mut taken = vec![false; kits.len()];
    let mut kit_of: Vec<Option<usize>> = vec![None; count];
    for (tree, kit) in kit_of.iter_mut().enumerate() {
        *kit = said(tree).and_then(|draw| laid.kit_at(draw.kit)).filter(|&kit| !taken[kit]);
        kit.iter().for_each(|&kit| taken[kit] = true);
    }
    let here: Vec<usize> = (0..people.len()).filter(|&who| people[who].is_here()).collect();
    let mut all = Vec::with_capacity(count);
    for (tree, kit) in kit_of.into_iter().enumerate() {
        let free = || {
            (0..kits.len())
                .filter(|&kit| !taken[kit])
                .max_by_key(|&kit| (kits[kit].ports > 0, std::cmp::Reverse(kit)))
        };
        let kit = kit.or_else(free).unwrap_or(tree);
        taken[kit] = true;
        let person = said(tree).map(|draw| draw.person).filter(|who| here.contains(who));
        let in_turn = here.get(tree % here.len().max(1)).copied().unwrap_or(0);
        all.push((kit, person.unwrap_or(in_turn)));
    }
    all
}

/// A bag that hangs as of now.
fn hung(
    desk: &Desk,
    laid: &Laid,
    (kit, person): (usize, usize),
    bag: &Bag,
    now: i32,
    may_stay: bool,
) -> Hung {
    let settings = &desk.grove.settings;
    let wish = settings.wishes.sure;
    let after = |minute: i32| f64::from(minute - laid.minute(bag.hang.start)).max(0.1);
    let surely = |minute: i32| {
        let p = bag.now.as_ref().ok().and_then(|now| now.empty_by(after(minute)));
        p.is_some_and(|p| p >= wish)
    };
    let wet_at = bag.filling.last_wet().unwrap_or(bag.hang.start);
    let end = laid.minute(laid.turns.day_ends);
    let first = (now.max(0)..=laid.problem.done_by).find(|&minute| surely(minute));
    let stays = first.is_none() && may_stay;
    let wet = first.is_none() && !stays;
    let steps = &laid.problem.steps;
    let within = steps.check_every_min + steps.look_slack_min;
    let reach = now.max(0) + steps.second_look_min + steps.look_slack_min;
    Hung {
        kit,
        person,
        started: laid.minute(bag.hang.start),
        look_by: (laid.minute(wet_at) + within).max(reach),
        strip_from: first.or((!stays).then_some(end - 4 * steps.strip_min - 30)),
        wet,
    }
}

/// Bags to strip wet come off before the day's end, with time for all of them.
fn spread_late_strips(problem: &mut Problem) {
    let wet =
        problem.trees.iter().filter_map(|tree| tree.hung.as_ref()).filter(|it| it.wet).count();
    let each = problem.steps.strip_min + 3;
    let here = problem.people.iter().filter(|person| person.is_here());
    let needs = each * (wet.div_ceil(here.clone().count().max(1)) as i32) + 30;
    let end = here.map(|person| person.to).max().unwrap_or(0);
    for hung in problem.trees.iter_mut().filter_map(|tree| tree.hung.as_mut()) {
        if hung.wet {
            hung.strip_from = Some((end - needs).max(0));
        }
    }
}
