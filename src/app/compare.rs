//! Predicted as of the start against what was seen: coverage, bias, and the trees that stand out.

use super::desk::{Desk, DeskError};
use super::past::{Past, Told, drives};
use super::times::Minutes;
use super::window::local_time;
use crate::belief::{Finish, Law};
use crate::demand::{Clock, When};
use crate::units::DemandHours;
use crate::uptake::likelihood::Seen;
use crate::uptake::model::Model;
use crate::uptake::predict::Target;
use crate::weather::Span;
use chrono::{DateTime, NaiveDate, Timelike, Utc};
use serde::Serialize;
use std::collections::BTreeMap;

/// A tree stands out where its time differs from its block's by at least this factor, surely.
const STANDS_OUT: f64 = 1.5;
/// Half width of a 95 % interval in standard deviations.
const NINETY_FIVE: f64 = 1.96;

/// Where an outcome lies relative to its 80 % band.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
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
#[derive(Debug, Clone, Serialize)]
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
    #[serde(skip)]
    date: NaiveDate,
    #[serde(skip)]
    hour: u32,
}

/// A group of draws: is it slower or faster than predicted?
#[derive(Debug, Clone, Serialize)]
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

/// A tree that differs from its block.
#[derive(Debug, Clone, Serialize)]
pub struct StandsOut {
    /// Which tree.
    pub tree_id: String,
    /// Its block.
    pub block: String,
    /// How many times as long as its block it takes.
    pub times_as_long: f64,
    /// 95 % interval of that.
    pub interval: (f64, f64),
    /// Draws behind it.
    pub draws: usize,
}

/// The comparison.
#[derive(Debug, Serialize)]
pub struct Comparison {
    /// Each draw, in order of start.
    pub draws: Vec<Compared>,
    /// Share surely inside the 80 % band, %.
    pub surely_inside_pct: f64,
    /// Share possibly inside, %.
    pub possibly_inside_pct: f64,
    /// Half width of the 95 % interval of the middle of the two, days as clusters; points of %.
    pub coverage_plus_minus_pct: f64,
    /// Slower or faster by block, crew and hour of start.
    pub groups: Vec<Group>,
    /// Trees that stand out, slowest first.
    pub stand_out: Vec<StandsOut>,
    /// Where to look for the cause, in order.
    pub order_of_suspicion: &'static str,
    /// How it was done.
    pub rests_on: String,
}

/// Hardware before tree: common practice, no source.
const SUSPICION: &str = "look in this order: hardware (clamp, kink, air, tip), mix, hole, weather, \
                         soil, tree; far too fast is abnormal too (leak, crack, cavity)";

/// Compares every draw that was seen by the desk's instant.
///
/// # Errors
/// [`DeskError`] where a fit fails or no draw tells anything.
pub fn compare(desk: &Desk) -> Result<Comparison, DeskError> {
    let known = Span { from: DateTime::<Utc>::MIN_UTC, to: desk.as_of };
    let observed = desk.observed.clipped(known);
    let past = Past::new(&desk.grove, &observed, desk.as_of);
    let shape = &desk.model.file().demand;
    let clock = Clock::new(shape, &shape.pulls(&drives(&observed, desk.grove.settings.place)));
    let mut told: Vec<Told> = past.told(shape).into_iter().filter_map(Result::ok).collect();
    if told.is_empty() {
        return Err(DeskError::Unanswerable(
            "no draw to compare yet: log draws in draws.csv, and weather for their hours in \
             weather/observed.csv"
                .into(),
        ));
    }
    told.sort_by_key(|told| told.filling.started);
    let mut draws = Vec::with_capacity(told.len());
    for day in told.chunk_by(|a, b| a.row.date == b.row.date) {
        let first = day[0].filling.started;
        let rows = told.iter().filter(|told| told.closed_at < first).map(|told| told.row.clone());
        let model =
            Model::conditioned(desk.model.file().clone(), rows.collect(), Default::default())?;
        draws.extend(compared(desk, &model, &clock, day));
    }
    let (surely, possibly, plus_minus) = coverage(&draws);
    Ok(Comparison {
        surely_inside_pct: surely,
        possibly_inside_pct: possibly,
        coverage_plus_minus_pct: plus_minus,
        groups: groups(&draws),
        stand_out: stand_out(desk, &told),
        order_of_suspicion: SUSPICION,
        rests_on:
            "each day predicted from the draws closed before its first start, on the weather \
                   that came, with the demand shape and spreads of the present model"
                .into(),
        draws,
    })
}

fn compared(desk: &Desk, model: &Model, clock: &Clock, day: &[Told]) -> Vec<Compared> {
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
    day.iter()
        .zip(model.posterior().thirst(&targets))
        .map(|(told, (mean, sd))| {
            let law = Law::new(sd, variances.residual, variances.scale);
            one(desk, clock, told, mean, &law)
        })
        .collect()
}

fn one(desk: &Desk, clock: &Clock, told: &Told, mean: f64, law: &Law) -> Compared {
    let filling = &told.filling;
    let at_quantile = |p: f64| {
        let thirst = (mean - law.quantile(p)).exp();
        let wanted = DemandHours::computed(filling.charge.value() / thirst);
        Minutes::of(match clock.when(filling.started, wanted, &filling.pauses) {
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
        date: told.row.date,
        hour: local.hour(),
    }
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
fn coverage(draws: &[Compared]) -> (f64, f64, f64) {
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

fn groups(draws: &[Compared]) -> Vec<Group> {
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
    all
}

fn stand_out(desk: &Desk, told: &[Told]) -> Vec<StandsOut> {
    let date = desk.local_date(desk.as_of);
    let mut all: Vec<StandsOut> = desk
        .grove
        .trees
        .iter()
        .filter_map(|tree| {
            let (mean, sd) = desk.model.posterior().tree_effect(&tree.id, date)?;
            let longer = |y: f64| (-y).exp();
            let interval = (longer(mean + NINETY_FIVE * sd), longer(mean - NINETY_FIVE * sd));
            let slow = longer(mean) >= STANDS_OUT && interval.0 > 1.0;
            let fast = longer(mean) <= 1.0 / STANDS_OUT && interval.1 < 1.0;
            (slow || fast).then(|| StandsOut {
                tree_id: tree.id.clone(),
                block: tree.block.clone(),
                times_as_long: longer(mean),
                interval,
                draws: told.iter().filter(|told| told.row.tree_id == tree.id).count(),
            })
        })
        .collect();
    all.sort_by(|a, b| b.times_as_long.total_cmp(&a.times_as_long));
    all
}
