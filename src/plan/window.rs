//! The start window: in steps of a quarter of an hour, which starts meet the wish?

use crate::weather::Span;
use chrono::{DateTime, TimeDelta, Utc};

/// Distance of the starts looked at.
pub const STEP: TimeDelta = TimeDelta::minutes(15);

/// One start time, looked at for every tree of the list.
#[derive(Debug, Clone, PartialEq)]
pub struct Start {
    /// When fluid would begin to run.
    pub at: DateTime<Utc>,
    /// Probability that the typical tree (the list's median) is empty in time; none where the
    /// weather ends before.
    pub sure: Option<f64>,
    /// Finish of the typical tree in minutes, P10, P50 and P90.
    pub finish: [crate::belief::Finish; 3],
    /// Why nobody should start then; empty where they may.
    pub barred: Vec<&'static str>,
}

impl Start {
    /// Does it meet the wish?
    pub fn meets(&self, wished: f64) -> bool {
        self.barred.is_empty() && self.sure.is_some_and(|sure| sure >= wished)
    }
}

/// The first step at or after an instant: quarters of an hour as the clock on the wall has them.
pub fn step_from(at: DateTime<Utc>) -> DateTime<Utc> {
    let late = at.timestamp_millis().rem_euclid(STEP.num_milliseconds());
    if late == 0 { at } else { at + STEP - TimeDelta::milliseconds(late) }
}

/// Starts from one instant to another, a quarter of an hour apart.
pub fn steps(from: DateTime<Utc>, to: DateTime<Utc>) -> Vec<DateTime<Utc>> {
    let mut at = from;
    let mut all = Vec::new();
    while at <= to {
        all.push(at);
        at += STEP;
    }
    all
}

/// The longest run of starts that meet the wish, from its first to its last; the earlier of two
/// equals.
pub fn longest(starts: &[Start], wished: f64) -> Option<Span> {
    let mut best: Option<Span> = None;
    for run in starts.chunk_by(|a, b| a.meets(wished) == b.meets(wished)) {
        let span = Span { from: run[0].at, to: run[run.len() - 1].at };
        let longer = best.is_none_or(|best| span.to - span.from > best.to - best.from);
        if run[0].meets(wished) && longer {
            best = Some(span);
        }
    }
    best
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::belief::Finish;

    fn start(quarter: i32, sure: f64, barred: bool) -> Start {
        Start {
            at: DateTime::UNIX_EPOCH + STEP * quarter,
            sure: Some(sure),
            finish: [Finish::At(60.0); 3],
            barred: if barred { vec!["rain"] } else { vec![] },
        }
    }

    #[test]
    fn steps_stand_on_quarters() {
        let at = |minute: i64| DateTime::UNIX_EPOCH + TimeDelta::minutes(minute);
        assert_eq!([0, 1, 14, 15, 16].map(|m| step_from(at(m))), [0, 15, 15, 15, 30].map(at));
        assert_eq!(steps(at(15), at(44)), [at(15), at(30)]);
        assert!(steps(at(15), at(0)).is_empty());
    }

    #[test]
    fn the_longest_run_wins_and_rain_splits_it() {
        let sures = [0.95, 0.92, 0.85, 0.91, 0.93, 0.94, 0.92, 0.2];
        let mut starts: Vec<Start> =
            (0..).zip(sures).map(|(quarter, sure)| start(quarter, sure, false)).collect();
        let at = |quarter: i32| DateTime::UNIX_EPOCH + STEP * quarter;
        assert_eq!(longest(&starts, 0.9), Some(Span { from: at(3), to: at(6) }));
        starts[4].barred = vec!["rain"];
        assert_eq!(longest(&starts, 0.9), Some(Span { from: at(0), to: at(1) }));
        assert_eq!(longest(&starts, 0.99), None);
    }
}
