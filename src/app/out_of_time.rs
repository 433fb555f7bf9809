//! Would this refit have predicted better? The later draws, walked forward day by day, under the
//! settings in use and under those that a refit on the earlier draws alone would have learned.

use super::compare::{Compared, Under, coverage};
use super::desk::{Desk, DeskError};
use super::past::Past;
use crate::uptake::model::ModelFile;
use chrono::{DateTime, NaiveDate, Utc};
use serde::Serialize;
use std::collections::BTreeMap;

/// Share of the draws that the later ones are, at least this many, and as many before them.
const LATER_SHARE: f64 = 0.3;
const FEWEST: usize = 10;

/// How the later draws were predicted.
#[derive(Debug, Clone, Copy, Serialize, utoipa::ToSchema)]
pub struct Scored {
    /// Share of draws surely inside the 80 % band, %.
    pub surely_inside_pct: f64,
    /// Share possibly inside, %.
    pub possibly_inside_pct: f64,
    /// Mean log of the probability that was given to what was seen; more is better.
    pub ln_score: f64,
}

/// The settings in use against those of a refit, out of time.
#[derive(Debug, Clone, Copy, Serialize, utoipa::ToSchema)]
pub struct OutOfTime {
    /// Later draws.
    pub draws: usize,
    /// From this local date on.
    pub from: NaiveDate,
    /// With the settings in use.
    pub before: Scored,
    /// With those of a refit on the earlier draws.
    pub after: Scored,
    /// Gain of the refit in mean log score.
    pub gain: f64,
    /// Its standard error, days as clusters.
    pub gain_error: f64,
}

impl OutOfTime {
    /// Worse by more than the standard error?
    pub fn is_worse(&self) -> bool {
        self.gain + self.gain_error < 0.0
    }
}

/// The date from which on draws are later ones, and an instant before the first of them; none where
/// there are too few.
pub(super) fn split(under: &Under) -> Option<(NaiveDate, DateTime<Utc>)> {
    let told = &under.told;
    let earlier = ((1.0 - LATER_SHARE) * told.len() as f64) as usize;
    let date = told.get(earlier)?.row.date;
    let first = told.iter().position(|told| told.row.date == date)?;
    let enough = first >= FEWEST && told.len() - first >= FEWEST;
    enough.then(|| (date, told[first].filling.started))
}

/// Both settings on the draws from a date on.
///
/// # Errors
/// [`DeskError`] where a fit fails.
pub fn out_of_time(
    desk: &Desk,
    past: &Past,
    from: NaiveDate,
    before: &ModelFile,
    after: &ModelFile,
) -> Result<OutOfTime, DeskError> {
    let walked = |file: &ModelFile| walked(desk, &Under::new(file, past, past.drives()), from);
    let (before, after) = rayon::join(|| walked(before), || walked(after));
    let (before, after) = (before?, after?);
    let n = after.len().max(1) as f64;
    let gain = |i: usize| after[i].ln_score - before[i].ln_score;
    let mean = (0..after.len()).map(gain).sum::<f64>() / n;
    let mut by_day: BTreeMap<NaiveDate, f64> = BTreeMap::new();
    for (i, draw) in after.iter().enumerate() {
        *by_day.entry(draw.date).or_default() += gain(i) - mean;
    }
    Ok(OutOfTime {
        draws: after.len(),
        from,
        before: scored(&before),
        after: scored(&after),
        gain: mean,
        gain_error: by_day.values().map(|sum| sum * sum).sum::<f64>().sqrt() / n,
    })
}

fn walked(desk: &Desk, under: &Under, from: NaiveDate) -> Result<Vec<Compared>, DeskError> {
    let mut draws = Vec::new();
    for day in under.told.chunk_by(|a, b| a.row.date == b.row.date) {
        if day[0].row.date >= from {
            draws.extend(under.compared(desk, day[0].row.date, false)?);
        }
    }
    Ok(draws)
}

fn scored(draws: &[Compared]) -> Scored {
    let (surely_inside_pct, possibly_inside_pct, _) = coverage(draws);
    let sum: f64 = draws.iter().map(|draw| draw.ln_score).sum();
    Scored { surely_inside_pct, possibly_inside_pct, ln_score: sum / draws.len().max(1) as f64 }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn worse_is_worse_by_more_than_its_error() {
        let scored = Scored { surely_inside_pct: 0.0, possibly_inside_pct: 0.0, ln_score: 0.0 };
        let one = |gain, gain_error| OutOfTime {
            draws: 20,
            from: NaiveDate::MIN,
            before: scored,
            after: scored,
            gain,
            gain_error,
        };
        assert!(one(-0.2, 0.1).is_worse() && !one(-0.05, 0.1).is_worse());
        assert!(!one(0.2, 0.1).is_worse() && !one(0.0, 0.0).is_worse());
    }
}
