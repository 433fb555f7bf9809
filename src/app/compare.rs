//! Predicted as of the start against what was seen: coverage, bias, and what is out of the ordinary.

use super::desk::{Desk, DeskError};
use super::diagnosis::{Diagnosis, of_draws};
use super::past::{Past, Told, drives};
use super::rests::counted;
use super::times::Minutes;
use super::window::local_time;
use crate::belief::{Finish, Law};
use crate::demand::{Clock, ClockError, Drive, When};
use crate::units::DemandHours;
use crate::uptake::likelihood::Seen;
use crate::uptake::model::{Model, ModelFile};
use crate::uptake::observe::Sighting;
use crate::uptake::predict::Target;
use crate::weather::Span;
use chrono::{DateTime, NaiveDate, Timelike, Utc};
use serde::Serialize;
use std::collections::BTreeMap;

/// What was seen exactly counts as an interval of so much to either side, in ln.
const EXACT: f64 = 0.05;
/// No forecast is punished as if it had given no chance at all.
const LEAST_CHANCE: f64 = 1e-9;
/// From so much sun an hour is of the day, W/m2.
const SUN_W_M2: f64 = 10.0;
/// Edges of the classes of VPD over the hours with sun, kPa (judgement).
const VPD_KPA: [f64; 4] = [0.5, 1.0, 1.5, 2.5];
/// Edges of the classes of demand over the hours with sun; 1 = fair weather (judgement).
const DEMAND: [f64; 4] = [0.4, 0.7, 1.0, 1.3];
/// Half width of a 95 % interval in standard deviations.
const NINETY_FIVE: f64 = 1.96;

/// Where an outcome lies relative to its 80 % band.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, utoipa::ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// Surely inside.
    Inside,
    /// It may have been inside or outside: nobody looked closely enough.
    Possibly,
    /// Surely slower than the band.
    Slow,
    /// Surely faster.
    Fast,
}

/// One draw, predicted from what was known at its start, on the weather that came.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct Compared {
    /// Which draw.
    pub draw_id: String,
    /// Which tree.
    pub tree_id: String,
    /// Its block.
    pub block: String,
    /// Who set it.
    pub crew: Option<String>,
    /// Start.
    pub start: String,
    /// Predicted minutes, P10.
    pub p10_min: Minutes,
    /// P50.
    pub p50_min: Minutes,
    /// P90.
    pub p90_min: Minutes,
    /// Last seen wet so many minutes after the start.
    pub wet_at_min: Option<f64>,
    /// First seen empty.
    pub empty_at_min: Option<f64>,
    /// Inside the band?
    pub verdict: Verdict,
    /// Share of the predicted thirsts below what was seen: lower and upper end. Near 0 the tree
    /// was slow, near 1 fast.
    pub rank: (f64, f64),
    /// Predicted with the model that was in use then? Else with the present one's shape and spreads.
    pub in_use_then: bool,
    /// Log of the probability that was given to what was seen.
    #[serde(skip)]
    pub(super) ln_score: f64,
    #[serde(skip)]
    pub(super) date: NaiveDate,
    #[serde(skip)]
    hour: u32,
}

/// A group of draws: is it slower or faster than predicted?
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct Group {
    /// What groups them.
    pub by: &'static str,
    /// Which group.
    pub name: String,
    /// Draws.
    pub draws: usize,
    /// Mean rank; 0.5 is unbiased, less is slower than predicted.
    pub mean_rank: f64,
}

/// Of the draws given a time with one chance, how many were empty by then.
#[derive(Debug, Clone, Copy, Serialize, utoipa::ToSchema)]
pub struct Calibration {
    /// The chance given, %.
    pub given_pct: f64,
    /// Share surely empty by then, %.
    pub surely_pct: f64,
    /// Share possibly empty by then: nobody looked at the time itself, %.
    pub possibly_pct: f64,
}

/// The comparison.
#[derive(Debug, Serialize, utoipa::ToSchema)]
pub struct Comparison {
    /// Each draw, in order of start.
    pub draws: Vec<Compared>,
    /// Share surely inside the 80 % band, %.
    pub surely_inside_pct: f64,
    /// Share possibly inside, %.
    pub possibly_inside_pct: f64,
    /// Half width of the 95 % interval of the middle of the two, days as clusters; points of %.
    pub coverage_plus_minus_pct: f64,
    /// Slower or faster by block, crew, hour of start, and the weather of the day.
    pub groups: Vec<Group>,
    /// What came of each time that was given.
    pub calibration: Vec<Calibration>,
    /// Trees, crews, days and blocks out of the ordinary.
    pub diagnosis: Diagnosis,
    /// When the model in use was fitted; none where the prior is used.
    pub in_use: Option<String>,
    /// How it was done.
    pub rests_on: String,
}

impl Comparison {
    /// How the bands held, in one sentence.
    pub fn answer(&self) -> String {
        let count = |verdict: Verdict| self.draws.iter().filter(|d| d.verdict == verdict).count();
        format!(
            "{}: the 80 % band held {:.0}-{:.0} % of them (surely - possibly; +- {:.0} with days as \
             clusters); {} slower, {} faster than their band.",
            counted(self.draws.len(), "draw", "draws"),
            self.surely_inside_pct,
            self.possibly_inside_pct,
            self.coverage_plus_minus_pct,
            count(Verdict::Slow),
            count(Verdict::Fast)
        )
    }
}

/// Compares every draw that was seen by the desk's instant.
///
/// # Errors
/// [`DeskError`] where a fit fails or no draw tells anything.
pub fn compare(desk: &Desk) -> Result<Comparison, DeskError> {
    let observed = desk.observed.clipped(known_by(desk));
    let past = Past::new(&desk.grove, &observed, desk.as_of);
    let drives = drives(&observed, desk.grove.settings.place);
    let unders = Unders::new(desk, &past, &drives);
    if unders.present.told.is_empty() {
        return Err(DeskError::Unanswerable(
            "no draw to compare yet: log draws in draws.csv, and weather for their hours in \
             weather/observed.csv"
                .into(),
        ));
    }
    let draws = unders.compared(desk, None)?;
    let (surely, possibly, plus_minus) = coverage(&draws);
    Ok(Comparison {
        surely_inside_pct: surely,
        possibly_inside_pct: possibly,
        coverage_plus_minus_pct: plus_minus,
        groups: groups(&draws, &days_air(desk, &drives)),
        calibration: calibration(&draws),
        diagnosis: of_draws(desk, &unders.present.told)?,
        in_use: desk.model.file().fitted_at.map(|at| local_time(desk, at)),
        rests_on: rests_on(&draws),
        draws,
    })
}

/// The draws of one tree, each as [`compare`] has it; none where nothing was seen of it yet.
///
/// # Errors
/// [`DeskError`] where a fit fails.
pub fn of_tree(desk: &Desk, tree_id: &str) -> Result<Vec<Compared>, DeskError> {
    let observed = desk.observed.clipped(known_by(desk));
    let past = Past::new(&desk.grove, &observed, desk.as_of);
    Unders::new(desk, &past, &drives(&observed, desk.grove.settings.place))
        .compared(desk, Some(tree_id))
}

fn known_by(desk: &Desk) -> Span {
    Span { from: DateTime::<Utc>::MIN_UTC, to: desk.as_of }
}

/// The draws under the present model and under those that were in use before.
struct Unders<'a> {
    present: Under<'a>,
    then: Vec<Under<'a>>,
}

impl<'a> Unders<'a> {
    fn new(desk: &'a Desk, past: &Past<'a>, drives: &[Drive]) -> Self {
        let then = match desk.model_as_it_stands {
            true => Vec::new(),
            false => usable_then(desk).map(|file| Under::new(file, past, drives)).collect(),
        };
        Self { present: Under::new(desk.model.file(), past, drives), then }
    }

    /// Day by day, those of one tree or all.
    fn compared(&self, desk: &Desk, tree_id: Option<&str>) -> Result<Vec<Compared>, DeskError> {
        let asked = |id: &str| tree_id.is_none_or(|tree_id| tree_id == id);
        let mut draws = Vec::with_capacity(self.present.told.len());
        for day in self.present.told.chunk_by(|a, b| a.row.date == b.row.date) {
            if !day.iter().any(|told| asked(&told.row.tree_id)) {
                continue;
            }
            let first = day[0].filling.started;
            let in_use = self.then.iter().rev().find(|under| under.file.fitted_at <= Some(first));
            let under = in_use.unwrap_or(&self.present);
            draws.extend(under.compared(desk, day[0].row.date, in_use.is_some())?);
        }
        draws.retain(|draw| asked(&draw.tree_id));
        Ok(draws)
    }
}

/// The models of the grove that may have been in use, of the present model's kind of demand.
fn usable_then(desk: &Desk) -> impl Iterator<Item = &ModelFile> {
    let kind = std::mem::discriminant(&desk.model.file().demand.pull);
    let same = move |file: &&ModelFile| std::mem::discriminant(&file.demand.pull) == kind;
    desk.models.iter().filter(same)
}

fn rests_on(draws: &[Compared]) -> String {
    let then = draws.iter().filter(|draw| draw.in_use_then).count();
    let weather = "each day from the draws closed before its first start, on the weather that came";
    let settings = match (then, draws.len() - then) {
        (0, _) => "with the demand shape and spreads of the present model".to_owned(),
        (_, 0) => "as predicted then: with the model that was in use at its start".to_owned(),
        (then, later) => format!(
            "{} as predicted then, with the model that was in use at the start; {later}, from \
             before the first refit, with the demand shape and spreads of the present model",
            counted(then, "draw", "draws")
        ),
    };
    format!("{weather}; {settings}")
}

/// The draws as one model's demand shape makes them, in order of start.
pub(super) struct Under<'a> {
    file: &'a ModelFile,
    /// The draws.
    pub told: Vec<Told<'a>>,
    clock: Clock,
}

impl<'a> Under<'a> {
    pub fn new(file: &'a ModelFile, past: &Past<'a>, drives: &[Drive]) -> Self {
        let mut told: Vec<Told> =
            past.told(&file.demand).into_iter().filter_map(Result::ok).collect();
        told.sort_by_key(|told| told.filling.started);
        let clock = Clock::new(&file.demand, &file.demand.pulls(drives));
        Self { file, told, clock }
    }

    /// One day's draws, predicted from those closed before its first start.
    pub fn compared(
        &self,
        desk: &Desk,
        date: NaiveDate,
        in_use_then: bool,
    ) -> Result<Vec<Compared>, DeskError> {
        let day: Vec<&Told> = self.told.iter().filter(|told| told.row.date == date).collect();
        let Some(first) = day.first().map(|told| told.filling.started) else {
            return Ok(Vec::new());
        };
        let before = self.told.iter().filter(|told| told.closed_at < first);
        let rows = before.map(|told| told.row.clone()).collect();
        let model = Model::conditioned(self.file.clone(), rows, Default::default())?;
        let targets: Vec<Target> = day
            .iter()
            .map(|told| Target {
                tree_id: told.row.tree_id.clone(),
                block: told.row.block.clone(),
                species: told.row.species.clone(),
                date: told.row.date,
                covariates: told.row.covariates.clone(),
            })
            .collect();
        let variances = model.posterior().variances();
        Ok(day
            .iter()
            .zip(model.posterior().thirst(&targets))
            .map(|(told, (mean, sd))| {
                let law = Law::new(sd, variances.residual, variances.scale);
                Compared { in_use_then, ..one(desk, &self.clock, told, mean, &law) }
            })
            .collect())
    }
}

fn one(desk: &Desk, clock: &Clock, told: &Told, mean: f64, law: &Law) -> Compared {
    let filling = &told.filling;
    let at_quantile = |p: f64| {
        Minutes::of(match finish(clock, filling, (mean - law.quantile(p)).exp()) {
            Ok(When::At(at)) => Finish::At(minutes(filling.started, at)),
            Ok(When::After(end)) => Finish::After(minutes(filling.started, end)),
            Err(_) => Finish::After(0.0),
        })
    };
    let rank = match told.row.seen {
        Seen::Between { low, high } => (law.cumulative(low - mean), law.cumulative(high - mean)),
        Seen::Exactly(y) | Seen::Measured { centre: y, .. } => {
            (law.cumulative(y - mean), law.cumulative(y - mean))
        }
    };
    let local = filling.started.with_timezone(&desk.grove.settings.zone);
    Compared {
        draw_id: told.row.draw_id.clone(),
        tree_id: told.row.tree_id.clone(),
        block: told.row.block.clone(),
        crew: told.draw.crew.clone(),
        start: local_time(desk, filling.started),
        p10_min: at_quantile(0.1),
        p50_min: at_quantile(0.5),
        p90_min: at_quantile(0.9),
        wet_at_min: filling.last_wet().map(|at| minutes(filling.started, at)),
        empty_at_min: filling.first_empty.map(|at| minutes(filling.started, at)),
        verdict: verdict(rank),
        rank,
        ln_score: ln_score(&told.row.seen, mean, law),
        in_use_then: false,
        date: told.row.date,
        hour: local.hour(),
    }
}

/// A volume counts as the interval of its reading error, which is the same under every demand shape.
fn ln_score(seen: &Seen, mean: f64, law: &Law) -> f64 {
    let (low, high) = match *seen {
        Seen::Between { low, high } => (low, high),
        Seen::Measured { centre, error, .. } => (centre - error, centre + error),
        Seen::Exactly(y) => (y - EXACT, y + EXACT),
    };
    let below = |y: f64| if y.is_finite() { law.cumulative(y - mean) } else { f64::from(y > 0.0) };
    (below(high) - below(low)).max(LEAST_CHANCE).ln()
}

/// When a tree of this thirst, in mL per demand-hour, has emptied the bag for good, with all that was
/// filled in on the way: a bag that would have been empty before a refill begins anew with it.
fn finish(clock: &Clock, filling: &Sighting, thirst: f64) -> Result<When, ClockError> {
    let (mut from, mut left) = (filling.started, filling.charge.value());
    let mut refills = filling.refills.clone();
    refills.sort_by_key(|(at, _)| *at);
    for (at, added) in refills {
        let passed = clock.between(from, at, &filling.pauses)?.value();
        left = (left - passed * thirst).max(0.0) + added.value();
        from = at;
    }
    clock.when(from, DemandHours::computed(left / thirst), &filling.pauses)
}

fn minutes(from: DateTime<Utc>, to: DateTime<Utc>) -> f64 {
    (Span { from, to }.hours() * 600.0).round() / 10.0
}

/// Rank of thirst: a slow tree has a low one.
fn verdict((low, high): (f64, f64)) -> Verdict {
    if high < 0.1 {
        Verdict::Slow
    } else if low > 0.9 {
        Verdict::Fast
    } else if low >= 0.1 && high <= 0.9 {
        Verdict::Inside
    } else {
        Verdict::Possibly
    }
}

/// Share surely inside, share possibly inside, and the half width of a 95 % interval about the
/// middle of the two: residuals are summed by day, since the draws of a day share it.
pub(super) fn coverage(draws: &[Compared]) -> (f64, f64, f64) {
    let n = draws.len() as f64;
    let share = |inside: &dyn Fn(&Compared) -> f64| draws.iter().map(inside).sum::<f64>() / n;
    let surely = share(&|draw| f64::from(draw.verdict == Verdict::Inside));
    let possibly =
        share(&|draw| f64::from(matches!(draw.verdict, Verdict::Inside | Verdict::Possibly)));
    let middle = |draw: &Compared| match draw.verdict {
        Verdict::Inside => 1.0,
        Verdict::Possibly => 0.5,
        Verdict::Slow | Verdict::Fast => 0.0,
    };
    let mean = share(&middle);
    let mut by_day: BTreeMap<NaiveDate, f64> = BTreeMap::new();
    for draw in draws {
        *by_day.entry(draw.date).or_default() += middle(draw) - mean;
    }
    let error = by_day.values().map(|sum| sum * sum).sum::<f64>().sqrt() / n;
    (100.0 * surely, 100.0 * possibly, 100.0 * NINETY_FIVE * error)
}

/// A draw is empty by the time given with chance p where its thirst is above the 1 - p quantile.
fn calibration(draws: &[Compared]) -> Vec<Calibration> {
    let n = draws.len() as f64;
    let pct = |count: usize| 100.0 * count as f64 / n;
    let at = |tenth: u32| {
        let least = 1.0 - f64::from(tenth) / 10.0;
        Calibration {
            given_pct: f64::from(10 * tenth),
            surely_pct: pct(draws.iter().filter(|draw| draw.rank.0 >= least).count()),
            possibly_pct: pct(draws.iter().filter(|draw| draw.rank.1 >= least).count()),
        }
    };
    (1..10).map(at).collect()
}

/// Of the hours with sun of a day: how dry the air is, and how hard it pulls.
#[derive(Debug, Clone, Copy, Default)]
struct DayAir {
    hours: f64,
    vpd_kpa: f64,
    pull: f64,
}

/// Days by what their weather was, under the present demand shape.
fn days_air(desk: &Desk, drives: &[Drive]) -> BTreeMap<NaiveDate, DayAir> {
    let mut days: BTreeMap<NaiveDate, DayAir> = BTreeMap::new();
    let pulls = desk.model.file().demand.pulls(drives);
    for (drive, pull) in drives.iter().zip(pulls) {
        if drive.shortwave.value() < SUN_W_M2 {
            continue;
        }
        let hours = drive.span.hours();
        let day = days.entry(desk.local_date(drive.span.middle())).or_default();
        day.hours += hours;
        day.vpd_kpa += hours * drive.deficit.value();
        day.pull += hours * pull.strength;
    }
    days.retain(|_, day| day.hours > 0.0);
    for day in days.values_mut() {
        day.vpd_kpa /= day.hours;
        day.pull /= day.hours;
    }
    days
}

/// The class of a value between edges, in words that sort as it does.
fn class(value: f64, edges: &[f64], unit: &str) -> String {
    match edges.iter().position(|edge| value < *edge) {
        Some(0) => format!("0 to {}{unit}", edges[0]),
        Some(above) => format!("{} to {}{unit}", edges[above - 1], edges[above]),
        None => format!("{}{unit} and more", edges[edges.len() - 1]),
    }
}

fn groups(draws: &[Compared], air: &BTreeMap<NaiveDate, DayAir>) -> Vec<Group> {
    let mut all = Vec::new();
    let mut group = |by: &'static str, name: &dyn Fn(&Compared) -> Option<String>| {
        let mut ranks: BTreeMap<String, Vec<f64>> = BTreeMap::new();
        for draw in draws {
            if let Some(name) = name(draw) {
                ranks.entry(name).or_default().push(0.5 * (draw.rank.0 + draw.rank.1));
            }
        }
        all.extend(ranks.into_iter().map(|(name, ranks)| Group {
            by,
            name,
            draws: ranks.len(),
            mean_rank: ranks.iter().sum::<f64>() / ranks.len() as f64,
        }));
    };
    group("block", &|draw| Some(draw.block.clone()));
    group("crew", &|draw| draw.crew.clone());
    group("hour of start", &|draw| Some(format!("{:02}:00", draw.hour)));
    group("VPD of the day", &|draw| Some(class(air.get(&draw.date)?.vpd_kpa, &VPD_KPA, " kPa")));
    group("demand of the day", &|draw| Some(class(air.get(&draw.date)?.pull, &DEMAND, "")));
    all
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::demand::Shape;
    use crate::units::{Kilopascal, Millilitres, WattsPerSquareMetre};
    use crate::weather::Flags;
    use chrono::TimeDelta;

    #[test]
    fn classes_hold_their_lower_edge_and_sort_as_their_values() {
        let of = |value: f64| class(value, &VPD_KPA, " kPa");
        let names = [0.2, 0.5, 1.2, 2.0, 9.0].map(of);
        assert_eq!(
            names,
            ["0 to 0.5 kPa", "0.5 to 1 kPa", "1 to 1.5 kPa", "1.5 to 2.5 kPa", "2.5 kPa and more"]
        );
        assert!(names.is_sorted());
        assert!(DEMAND.map(|edge| class(edge, &DEMAND, "")).is_sorted());
    }

    /// A steady day, so that minutes and demand-hours are in proportion: 1000 mL on a tree of 500 mL
    /// per demand-hour takes 2 demand-hours, 500 mL filled in half way make it 3, and a refill after
    /// a dry hour begins anew.
    #[test]
    fn a_refill_makes_a_draw_as_much_longer() {
        let from = DateTime::UNIX_EPOCH;
        let hour = |h: i64| from + TimeDelta::hours(h);
        let shape = Shape::default();
        let drives: Vec<Drive> = (-48..48)
            .map(|h| Drive {
                span: Span { from: hour(h), to: hour(h + 1) },
                shortwave: WattsPerSquareMetre::new(700.0).unwrap(),
                deficit: Kilopascal::new(1.5).unwrap(),
                reference_et_mm_h: 0.5,
                flags: Flags::default(),
            })
            .collect();
        let clock = Clock::new(&shape, &shape.pulls(&drives));
        let pace = clock.between(from, hour(1), &[]).unwrap().value();
        let filling = |refills: &[(f64, f64)]| Sighting {
            started: from,
            charge: Millilitres::new(1000.0).unwrap(),
            refills: refills
                .iter()
                .map(|(h, ml)| {
                    let at = from + TimeDelta::seconds((h * 3600.0) as i64);
                    (at, Millilitres::new(*ml).unwrap())
                })
                .collect(),
            pauses: Vec::new(),
            wet: Vec::new(),
            first_empty: None,
            volumes: Vec::new(),
            leaked: None,
        };
        let hours = |refills: &[(f64, f64)]| match finish(&clock, &filling(refills), 500.0 / pace) {
            Ok(When::At(at)) => minutes(from, at) / 60.0,
            other => panic!("{other:?}"),
        };
        assert!((hours(&[]) - 2.0).abs() < 0.01);
        assert!((hours(&[(1.0, 500.0)]) - 3.0).abs() < 0.01);
        assert!((hours(&[(3.0, 500.0)]) - 4.0).abs() < 0.01);
        assert!((hours(&[(1.5, 250.0), (0.5, 250.0)]) - 3.0).abs() < 0.01);
    }
}
