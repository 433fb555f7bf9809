//! What the crews wrote down: draws, readings and pauses, all of them seen and none of them exact.

use super::as_of;
use super::dice::Dice;
use super::table::{maybe, time};
use super::trees::{HANGING, Tree};
use super::truth::{Truth, residual};
use super::visits::{Visit, visits};
use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use std::collections::BTreeSet;
use xylocast::weather::Span;

/// The files about draws.
pub struct Season {
    /// `draws.csv`.
    pub draws: String,
    /// `readings.csv`.
    pub readings: String,
    /// `pauses.csv`.
    pub pauses: String,
}

/// The draw whose tip came loose.
const LEAKING: usize = 137;
/// How much faster it ran.
const LEAK_TIMES: f64 = 6.0;
/// The draw whose line was clamped for a while.
const PAUSED: usize = 60;
/// Standard deviation of a volume read off a hanging bag, mL.
const READING_SD_ML: f64 = 15.0;
/// Share of draws whose bags are read in mL.
const READ_SHARE: f64 = 0.15;
/// Share of bags stripped wet whose rest is measured.
const MEASURED_SHARE: f64 = 0.7;

/// A bag on a tree: what it truly does, and when somebody looks.
struct Bag<'a> {
    number: usize,
    tree: &'a Tree,
    crew: &'static str,
    started: DateTime<Utc>,
    thirst: f64,
    pauses: Vec<Span>,
    empty: Option<DateTime<Utc>>,
    looks: Vec<DateTime<Utc>>,
    /// A look next morning, where it stays overnight.
    morning: Option<DateTime<Utc>>,
}

/// What was seen of a bag in the end.
#[derive(Default)]
struct Seen {
    wet: Vec<DateTime<Utc>>,
    first_empty: Option<DateTime<Utc>>,
    stripped: Option<DateTime<Utc>>,
    left_ml: Option<f64>,
    note: &'static str,
}

/// Twelve weeks of draws.
pub fn season(trees: &[Tree], truth: &Truth, rainy: &BTreeSet<NaiveDate>) -> Season {
    let mut dice = Dice::new(5);
    let mut season = Season {
        draws: "draw_id,tree_id,started,charge_ml,ports,last_wet,first_empty,stripped,left_ml,\
                crew,note\n"
            .into(),
        readings: "draw_id,time,left_ml,state,by,note\n".into(),
        pauses: "draw_id,from,to,why\n".into(),
    };
    let mut number = 0;
    for visit in visits(trees, rainy) {
        for place in 0..visit.trees.len() {
            number += 1;
            let bag = bag(number, &visit, place, trees, truth, &mut dice);
            season.write(&bag, truth, &mut dice);
        }
    }
    season
}

fn bag<'a>(
    number: usize,
    visit: &Visit,
    place: usize,
    trees: &'a [Tree],
    truth: &Truth,
    dice: &mut Dice,
) -> Bag<'a> {
    let (at, started) = (visit.trees[place], visit.starts[place]);
    let expected = truth.expected_thirst(at, visit.date, visit.crew);
    let leaking = if number == LEAKING { LEAK_TIMES } else { 1.0 };
    let thirst = expected * residual(dice) * leaking;
    let minute = |minutes| started + TimeDelta::minutes(minutes);
    let clamped = Span { from: minute(15), to: minute(60) };
    let pauses = if number == PAUSED { vec![clamped] } else { Vec::new() };
    let tree = &trees[at];
    Bag {
        number,
        tree,
        crew: visit.crew,
        started,
        thirst,
        empty: truth.empty(started, f64::from(tree.charge_ml()), thirst, &pauses),
        pauses,
        looks: visit.looks(place),
        morning: visit.morning.map(|morning| morning + TimeDelta::minutes(2 * place as i64)),
    }
}

impl Bag<'_> {
    fn is_empty(&self, at: DateTime<Utc>) -> bool {
        self.empty.is_some_and(|empty| empty <= at)
    }

    fn left_ml(&self, at: DateTime<Utc>, truth: &Truth) -> f64 {
        let span = Span { from: self.started, to: at };
        f64::from(self.tree.charge_ml()) - truth.uptake_ml(span, self.thirst, &self.pauses)
    }

    /// What the looks show, until the bag is taken off; nobody has looked after [`as_of`].
    fn seen(&self, truth: &Truth, dice: &mut Dice) -> Seen {
        let (empty, wet): (Vec<_>, Vec<_>) = self.looks.iter().partition(|at| self.is_empty(**at));
        let soon = TimeDelta::minutes(dice.whole(2, 9));
        let measured = dice.chance(MEASURED_SHARE);
        if let Some(&first) = empty.first() {
            let stripped = Some(first + soon);
            return Seen { wet, first_empty: Some(first), stripped, ..Seen::default() };
        }
        let Some(last) = self.morning.or(wet.last().copied()).filter(|at| *at <= as_of()) else {
            return Seen { wet, note: "left overnight", ..Seen::default() };
        };
        if self.is_empty(last) {
            let (first_empty, stripped) = (Some(last), Some(last + soon));
            return Seen { wet, first_empty, stripped, left_ml: None, note: "left overnight" };
        }
        let note = match self.morning {
            Some(_) => "left overnight and still wet",
            None => "taken off wet at the end of the day",
        };
        let left_ml = measured.then(|| tens(self.left_ml(last, truth)));
        Seen { wet, first_empty: None, stripped: Some(last), left_ml, note }
    }

    /// Was it hung this afternoon?
    fn hangs_still(&self) -> bool {
        HANGING.contains(&self.tree.id.as_str()) && self.started > as_of() - TimeDelta::hours(4)
    }

    fn id(&self) -> String {
        format!("d{:03}", self.number)
    }
}

impl Season {
    fn write(&mut self, bag: &Bag, truth: &Truth, dice: &mut Dice) {
        let mut seen = bag.seen(truth, dice);
        let read = dice.chance(READ_SHARE) || bag.hangs_still();
        if bag.number == LEAKING {
            self.leak(bag, &mut seen);
        } else if read {
            self.volumes(bag, &mut seen, truth, dice);
        }
        for pause in &bag.pauses {
            let (id, from, to) = (bag.id(), time(pause.from), time(pause.to));
            self.pauses += &format!("{id},{from},{to},line clamped while a truck went past\n");
        }
        self.draws += &draw(bag, &seen);
    }

    /// The tip was found loose at the first look, the ground wet.
    fn leak(&mut self, bag: &Bag, seen: &mut Seen) {
        let (id, at) = (bag.id(), time(bag.looks[0]));
        self.readings += &format!("{id},{at},,leak,{},tip loose and the ground wet\n", bag.crew);
        seen.note = "leaked beside the tree: far too fast";
    }

    /// Bags are marked every 50 mL; nobody reads more than there was at the look before.
    fn volumes(&mut self, bag: &Bag, seen: &mut Seen, truth: &Truth, dice: &mut Dice) {
        let mut most = f64::from(bag.tree.charge_ml());
        for &at in seen.wet.iter().filter(|at| Some(**at) != seen.stripped) {
            let read_ml = bag.left_ml(at, truth) + READING_SD_ML * dice.normal();
            most = (50.0 * (read_ml / 50.0).round()).clamp(50.0, most.max(50.0));
            let (id, at) = (bag.id(), time(at));
            self.readings += &format!("{id},{at},{most:.0},,{},\n", bag.crew);
        }
        if let Some(at) = seen.first_empty {
            self.readings += &format!("{},{},,empty,{},\n", bag.id(), time(at), bag.crew);
        }
        seen.left_ml = seen.left_ml.map(|left| left.min(most));
    }
}

/// A row of `draws.csv`.
fn draw(bag: &Bag, seen: &Seen) -> String {
    let last_wet = match seen.left_ml.or(seen.first_empty.map(|_| 0.0)) {
        None => seen.stripped.or(seen.wet.last().copied()),
        Some(_) => seen.wet.last().copied(),
    };
    let left_ml = seen.left_ml.map(|left| format!("{left:.0}")).unwrap_or_default();
    format!(
        "{},{},{},{},{},{},{},{},{left_ml},{},{}\n",
        bag.id(),
        bag.tree.id,
        time(bag.started),
        bag.tree.charge_ml(),
        bag.tree.ports,
        maybe(last_wet),
        maybe(seen.first_empty),
        maybe(seen.stripped),
        bag.crew,
        seen.note,
    )
}

/// A volume poured into a jug, to the next 10 mL.
fn tens(ml: f64) -> f64 {
    (10.0 * (ml / 10.0).round()).max(10.0)
}
