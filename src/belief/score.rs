//! Scores that hold beliefs to account. An outcome is an interval: still wet at one look, empty at
//! the next. What an interval leaves open is told as two numbers, surely and possibly; no score
//! takes its middle.

use super::{Belief, Finish};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// When a bag ran empty, in minutes after its start: later than one look, not later than another.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Outcome {
    /// Still wet then; 0 where nobody looked before it was empty.
    pub after_min: f64,
    /// Empty by then; none where it was never seen empty.
    pub by_min: Option<f64>,
}

/// Is an outcome inside a band?
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Inside {
    /// Wherever in its interval the finish was.
    Surely,
    /// In a part of its interval.
    Possibly,
    /// Nowhere.
    No,
}

/// How far a prediction was from a finish: at least and at most; no upper bound where the bag was
/// never seen empty.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Miss {
    /// Minutes from the prediction to the nearest instant at which it may have run empty.
    pub least_min: f64,
    /// Minutes to the farthest.
    pub most_min: Option<f64>,
    /// The least in % of that nearest instant.
    pub least_pct: f64,
    /// The most of `|predicted - finish| / finish` over the interval, %.
    pub most_pct: Option<f64>,
}

impl Outcome {
    /// A finish that is known.
    pub fn exactly(minutes: f64) -> Self {
        Self { after_min: minutes, by_min: Some(minutes) }
    }

    /// Is the finish known to within so many minutes?
    pub fn is_within(&self, width_min: f64) -> bool {
        self.by_min.is_some_and(|by| by - self.after_min <= width_min)
    }

    /// Inside a band that ends at these quantiles? A band that goes on beyond the weather has no
    /// upper end.
    pub fn inside(&self, low: Finish, high: Finish) -> Inside {
        let low_min = low.at_least_min();
        let high_min = if high.is_within() { high.at_least_min() } else { f64::INFINITY };
        let by = self.by_min.unwrap_or(f64::INFINITY);
        if low_min <= self.after_min && by <= high_min {
            Inside::Surely
        } else if by >= low_min && self.after_min <= high_min {
            Inside::Possibly
        } else {
            Inside::No
        }
    }

    /// How far from it a prediction was.
    pub fn miss(&self, predicted_min: f64) -> Miss {
        let by = self.by_min.unwrap_or(f64::INFINITY);
        let nearest = predicted_min.max(self.after_min).min(by);
        let share = |finish: f64| 100.0 * (predicted_min - finish).abs() / finish.max(1.0);
        Miss {
            least_min: (predicted_min - nearest).abs(),
            most_min: self
                .by_min
                .map(|by| (predicted_min - by).abs().max((predicted_min - self.after_min).abs())),
            least_pct: share(nearest),
            most_pct: self.by_min.map(|by| share(by).max(share(self.after_min))),
        }
    }

    /// Empty by so many minutes? None where nobody can tell.
    pub fn empty_by(&self, minutes: f64) -> Option<bool> {
        if self.by_min.is_some_and(|by| by <= minutes) {
            Some(true)
        } else {
            (self.after_min >= minutes).then_some(false)
        }
    }
}

impl Belief {
    /// Log probability of what was seen: natural logarithm, higher is better. Beyond the weather
    /// all finishes are one.
    pub fn log_score(&self, outcome: Outcome) -> f64 {
        let upto = |minutes: f64| self.empty_by(minutes.max(0.0)).unwrap_or(f64::INFINITY);
        let below = if outcome.after_min > 0.0 { upto(outcome.after_min) } else { 0.0 };
        let above = outcome.by_min.map_or(f64::INFINITY, upto);
        let horizon = self.empty_by(self.shared_course().horizon_min()).unwrap_or(1.0);
        let probability = if below.is_infinite() { 1.0 - horizon } else { above.min(1.0) - below };
        probability.max(f64::MIN_POSITIVE).ln()
    }

    /// Continuous ranked probability score, minutes; less is better. Where the finish is only known
    /// to lie in an interval, what the score would gain inside it is left out. Finishes beyond the
    /// weather count as its end.
    pub fn crps_min(&self, outcome: Outcome) -> f64 {
        let horizon = self.shared_course().horizon_min();
        let (after, by) = (outcome.after_min, outcome.by_min.unwrap_or(horizon));
        let square = |from: f64, to: f64, happened: f64| {
            if to <= from { 0.0 } else { self.integrated(from, to, |p| (p - happened).powi(2)) }
        };
        square(0.0, after.min(horizon), 0.0) + square(by.min(horizon), horizon, 1.0)
    }

    /// Integral over minutes of a function of the probability of being empty, by Gauss's rule with
    /// three nodes on the cells of the course.
    fn integrated(&self, from: f64, to: f64, of: impl Fn(f64) -> f64) -> f64 {
        const NODES: [(f64, f64); 3] = [
            (0.112_701_665_379_258_31, 5.0 / 18.0),
            (0.5, 8.0 / 18.0),
            (0.887_298_334_620_741_7, 5.0 / 18.0),
        ];
        let course = self.shared_course();
        let inside = course.minutes().iter().copied().filter(|m| from < *m && *m < to);
        let (mut total, mut left) = (0.0, from);
        for right in inside.chain([to]) {
            for (node, weight) in NODES {
                let minutes = left + node * (right - left);
                total += weight * (right - left) * of(self.empty_by(minutes).unwrap_or(1.0));
            }
            left = right;
        }
        total
    }
}

/// Mean square of probability minus what happened (Brier 1950); none of nothing.
pub fn brier(told: &[(f64, bool)]) -> Option<f64> {
    let square = |(p, happened): &(f64, bool)| (p - f64::from(*happened)).powi(2);
    mean(told.iter().map(square))
}

/// Area under the receiver operating characteristic: how often a draw that was empty in time had
/// been given the higher probability than one that was not; ties count half. None where either
/// kind is missing.
pub fn auc(told: &[(f64, bool)]) -> Option<f64> {
    let mut ordered: Vec<&(f64, bool)> = told.iter().collect();
    ordered.sort_by(|a, b| a.0.total_cmp(&b.0));
    let yes = told.iter().filter(|(_, happened)| *happened).count() as f64;
    let no = told.len() as f64 - yes;
    if yes == 0.0 || no == 0.0 {
        return None;
    }
    // Mann and Whitney 1947: the sum of ranks of those that happened.
    let (mut rank, mut ranks) = (0.0, 0.0);
    for tied in ordered.chunk_by(|a, b| a.0 == b.0) {
        let middle = rank + 0.5 * (tied.len() as f64 + 1.0);
        ranks += middle * tied.iter().filter(|(_, happened)| *happened).count() as f64;
        rank += tied.len() as f64;
    }
    Some((ranks - yes * (yes + 1.0) / 2.0) / (yes * no))
}

/// Probabilities told between two bounds, and how often it happened.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Told {
    /// Lower bound.
    pub from: f64,
    /// Upper bound.
    pub to: f64,
    /// How many.
    pub count: usize,
    /// Mean probability told.
    pub told: f64,
    /// Share that happened.
    pub happened: f64,
}

/// Told against happened, in bins that end at these bounds; empty bins are left out.
pub fn calibration(told: &[(f64, bool)], bounds: &[f64]) -> Vec<Told> {
    let bin = |pair: &[f64]| {
        let (from, to) = (pair[0], pair[1]);
        let last = Some(&to) == bounds.last();
        let inside = |p: f64| from <= p && (p < to || last && p <= to);
        let all: Vec<&(f64, bool)> = told.iter().filter(|(p, _)| inside(*p)).collect();
        Some(Told {
            from,
            to,
            count: all.len(),
            told: mean(all.iter().map(|(p, _)| *p))?,
            happened: mean(all.iter().map(|(_, happened)| f64::from(*happened)))?,
        })
    };
    bounds.windows(2).filter_map(bin).collect()
}

/// Mean; none of nothing.
pub fn mean(all: impl Iterator<Item = f64>) -> Option<f64> {
    let (count, sum) = all.fold((0, 0.0), |(count, sum), one| (count + 1, sum + one));
    (count > 0).then(|| sum / f64::from(count))
}

/// Median; none of nothing.
pub fn median(all: impl Iterator<Item = f64>) -> Option<f64> {
    let mut all: Vec<f64> = all.collect();
    let n = all.len();
    if n == 0 {
        return None;
    }
    let (below, middle, _) = all.select_nth_unstable_by(n / 2, f64::total_cmp);
    let other =
        if n.is_multiple_of(2) { below.iter().copied().fold(f64::MIN, f64::max) } else { *middle };
    Some(0.5 * (*middle + other))
}

/// 95 % interval of a statistic by resampling whole clusters, since what shares a day shares its
/// luck (percentile bootstrap; Efron 1979). None with fewer than five clusters, or where the
/// statistic cannot be told.
pub fn clustered<T: Clone>(
    clusters: &[Vec<T>],
    statistic: impl Fn(&[T]) -> Option<f64>,
    times: usize,
    seed: u64,
) -> Option<(f64, f64)> {
    const FEWEST: usize = 5;
    if clusters.len() < FEWEST {
        return None;
    }
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let mut again = Vec::new();
    let mut all: Vec<f64> = Vec::with_capacity(times);
    for _ in 0..times {
        again.clear();
        for _ in clusters {
            again.extend_from_slice(&clusters[random.random_range(0..clusters.len())]);
        }
        all.extend(statistic(&again));
    }
    all.sort_unstable_by(f64::total_cmp);
    let at = |p: f64| all.get((p * (all.len() as f64 - 1.0)).round() as usize).copied();
    at(0.025).zip(at(0.975))
}
