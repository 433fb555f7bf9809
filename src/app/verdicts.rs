//! Scores of a group of predictions, with the uncertainty that shared days leave.

use crate::belief::score::{Inside, Miss, auc, brier, calibration, clustered, mean, median};
use serde::Serialize;
use std::collections::BTreeMap;

/// Times that days are drawn anew for an interval.
const RESAMPLES: usize = 500;
/// Seed of that.
const SEED: u64 = 19_790_101;
/// Bins of told probabilities.
const BINS: [f64; 7] = [0.0, 0.05, 0.2, 0.5, 0.8, 0.95, 1.0];

/// One prediction held against what came.
#[derive(Debug, Clone)]
pub struct Scored {
    /// Grove and date: draws of a day share its luck.
    pub day: String,
    /// How far off P50 was.
    pub miss: Miss,
    /// Inside the 80 % band? None without a band.
    pub inside: Option<Inside>,
    /// P10 and P90, minutes.
    pub band_min: Option<(f64, f64)>,
    /// Log probability of what was seen.
    pub log_score: Option<f64>,
    /// CRPS, minutes, where the finish is known.
    pub crps_min: Option<f64>,
    /// Probability of being empty before dusk, and whether it was.
    pub dusk: Option<(f64, bool)>,
    /// The same by morning.
    pub morning: Option<(f64, bool)>,
}

/// Scores of a group. Where finishes are intervals, pairs are (at least, at most).
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
#[schema(as = BacktestScore)]
pub struct Score {
    /// Draws scored.
    pub draws: usize,
    /// Days among them.
    pub days: usize,
    /// Median absolute error of P50, %; at least.
    pub error_pct: f64,
    /// The same at most, over draws seen empty.
    pub error_at_most_pct: Option<f64>,
    /// Its 95 % interval, days as clusters.
    pub error_interval_pct: Option<(f64, f64)>,
    /// Share within 30 min, %: surely and possibly.
    pub within_30_min_pct: (f64, f64),
    /// Share within 25 %: surely and possibly.
    pub within_25_pct: (f64, f64),
    /// Share inside the 80 % band, %: surely and possibly.
    pub inside_pct: Option<(f64, f64)>,
    /// 95 % interval of the share surely inside, days as clusters.
    pub surely_interval_pct: Option<(f64, f64)>,
    /// 95 % interval of the share possibly inside.
    pub possibly_interval_pct: Option<(f64, f64)>,
    /// Median of P90:P10.
    pub band_ratio: Option<f64>,
    /// Median width of the band, minutes.
    pub band_width_min: Option<f64>,
    /// 95 % interval of that, days as clusters.
    pub band_width_interval_min: Option<(f64, f64)>,
    /// Mean log probability of what was seen.
    pub log_score: Option<f64>,
    /// Mean CRPS, minutes.
    pub crps_min: Option<f64>,
    /// Draws behind the CRPS.
    pub crps_draws: usize,
    /// Brier score of "empty before dusk".
    pub brier_dusk: Option<f64>,
}

/// Scores of a probability.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct Probabilities {
    /// Of what.
    pub of: &'static str,
    /// Draws of which it is known.
    pub draws: usize,
    /// Share that happened, %.
    pub happened_pct: f64,
    /// Brier score.
    pub brier: f64,
    /// Brier score of always telling the share that happened.
    pub brier_of_share: f64,
    /// Area under the curve; none where all or none happened.
    pub auc: Option<f64>,
}

/// Told against happened.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
#[schema(as = BacktestCalibration)]
pub struct Calibration {
    /// Of what.
    pub of: &'static str,
    /// Told from.
    pub from_pct: f64,
    /// Told to.
    pub to_pct: f64,
    /// Draws.
    pub draws: usize,
    /// Mean told.
    pub told_pct: f64,
    /// Share that happened.
    pub happened_pct: f64,
}

/// Scores of a group; none of nothing.
pub fn score(scored: &[&Scored]) -> Option<Score> {
    let mut by_day: BTreeMap<&str, Vec<&Scored>> = BTreeMap::new();
    for one in scored {
        by_day.entry(&one.day).or_default().push(*one);
    }
    let days: Vec<Vec<&Scored>> = by_day.into_values().collect();
    let interval = |of: &dyn Fn(&[&Scored]) -> Option<f64>| clustered(&days, of, RESAMPLES, SEED);
    let share = |of: &dyn Fn(&Scored) -> bool| {
        100.0 * scored.iter().filter(|one| of(one)).count() as f64 / scored.len() as f64
    };
    let error = |all: &[&Scored]| median(all.iter().map(|one| one.miss.least_pct));
    let width = |all: &[&Scored]| {
        median(all.iter().filter_map(|one| one.band_min).map(|(low, high)| high - low))
    };
    let surely = |all: &[&Scored]| held(all, |inside| inside == Inside::Surely);
    let possibly = |all: &[&Scored]| held(all, |inside| inside != Inside::No);
    let ratio = |(low, high): (f64, f64)| high / low.max(0.1);
    Some(Score {
        draws: scored.len(),
        days: days.len(),
        error_pct: error(scored)?,
        error_at_most_pct: median(scored.iter().filter_map(|one| one.miss.most_pct)),
        error_interval_pct: interval(&error),
        within_30_min_pct: (
            share(&|one| one.miss.most_min.is_some_and(|most| most <= 30.0)),
            share(&|one| one.miss.least_min <= 30.0),
        ),
        within_25_pct: (
            share(&|one| one.miss.most_pct.is_some_and(|most| most <= 25.0)),
            share(&|one| one.miss.least_pct <= 25.0),
        ),
        inside_pct: surely(scored).zip(possibly(scored)),
        surely_interval_pct: interval(&surely),
        possibly_interval_pct: interval(&possibly),
        band_ratio: median(scored.iter().filter_map(|one| one.band_min).map(ratio)),
        band_width_min: width(scored),
        band_width_interval_min: interval(&width),
        log_score: mean(scored.iter().filter_map(|one| one.log_score)),
        crps_min: mean(scored.iter().filter_map(|one| one.crps_min)),
        crps_draws: scored.iter().filter(|one| one.crps_min.is_some()).count(),
        brier_dusk: brier(&scored.iter().filter_map(|one| one.dusk).collect::<Vec<_>>()),
    })
}

/// Share of those with a band, %.
fn held(all: &[&Scored], is: impl Fn(Inside) -> bool) -> Option<f64> {
    mean(all.iter().filter_map(|one| one.inside).map(|inside| 100.0 * f64::from(is(inside))))
}

/// Scores and calibration of a probability, over the draws of which it is known.
pub fn probabilities(
    of: &'static str,
    told: impl Iterator<Item = Option<(f64, bool)>>,
) -> (Option<Probabilities>, Vec<Calibration>) {
    let told: Vec<(f64, bool)> = told.flatten().collect();
    let happened = mean(told.iter().map(|(_, happened)| f64::from(*happened)));
    let scores = happened.zip(brier(&told)).map(|(happened, brier)| Probabilities {
        of,
        draws: told.len(),
        happened_pct: 100.0 * happened,
        brier,
        brier_of_share: happened * (1.0 - happened),
        auc: auc(&told),
    });
    let bins = calibration(&told, &BINS).into_iter().map(|bin| Calibration {
        of,
        from_pct: 100.0 * bin.from,
        to_pct: 100.0 * bin.to,
        draws: bin.count,
        told_pct: 100.0 * bin.told,
        happened_pct: 100.0 * bin.happened,
    });
    (scores, bins.collect())
}
