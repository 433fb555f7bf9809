//! What is to be known of an answer that was taken all the same.

use super::super::parse::Measure;
use crate::text::{figure, listed, shown};
use chrono::{DateTime, Utc};
use std::fmt;

/// Something told beside the hours of an answer.
#[derive(Debug, Clone, PartialEq)]
#[expect(missing_docs, reason = "each variant is told by its words, each field by its name")]
pub enum ServiceNote {
    /// Values that the service leaves open.
    Missing { measure: Measure, count: usize, first: DateTime<Utc> },
    /// Values that cannot be: marks for missing ones, slips of unit, faults. Left as gaps.
    Impossible {
        measure: Measure,
        count: usize,
        first: DateTime<Utc>,
        value: f64,
        unit: &'static str,
    },
    /// Values that the service's own checks found wrong. Left as gaps.
    Doubted { measure: Measure, count: usize, first: DateTime<Utc> },
    /// Dew points well above the air's temperature. Left as gaps.
    DewAboveAir { count: usize, first: DateTime<Utc> },
    /// Rows that repeat another one in full.
    Repeated { count: usize },
    /// Hours that stand there with different values. Left as gaps.
    Differing { count: usize, first: DateTime<Utc> },
    /// Rows out of order of time.
    Sorted { count: usize },
    /// Rows that are none of the table's: too short, too long, or without a time.
    BadRows { count: usize, first_row: u64 },
    /// Steps longer than an hour, left out.
    LongSteps { count: usize, from: DateTime<Utc> },
    /// Intervals that do not begin or end on the hour, left out.
    OddIntervals { count: usize },
    /// Rain given for several hours at once, shared out evenly.
    RainShared { intervals: usize, hours: usize },
    /// Local labels of one offset for the whole answer, brought to UTC.
    LocalLabels { offset_s: i32 },
    /// Labels of a zone whose offset has a part of an hour: the provider reads them at full hours.
    PartHourLabels { offset_s: i32, moved_min: i32 },
    /// Shortwave told at instants only: hours are the mean of their two ends.
    ShortwaveFromInstants,
    /// Reports before or after the full hour, taken for it.
    TakenForTheHour { count: usize, farthest_min: i64 },
    /// Further reports of an hour, passed over: their rain is counted in the routine one.
    PassedOver { count: usize },
    /// Several stations gave these hours.
    Stations { names: Vec<String> },
    /// Hours of which single values come from another station.
    Mixed { hours: usize },
    /// Hours with too few rows to tell a mean or a sum. Left as gaps.
    ThinHours { count: usize, needed: usize },
    /// Local times that clocks skipped or showed twice. Left as gaps.
    ClockChange { count: usize, first_row: u64, first: String },
    /// The radiation follows the sun better when the rows are moved: the declared time may be wrong.
    MovedFitsBetter { moved_min: i64, declared_fit: f64, moved_fit: f64 },
}

impl ServiceNote {
    /// Does it put all hours in doubt, so that the user must decide?
    pub fn is_grave(&self) -> bool {
        matches!(self, Self::MovedFitsBetter { .. } | Self::PartHourLabels { .. })
    }
}

impl fmt::Display for ServiceNote {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Missing { measure, count, first } => {
                write!(f, "{measure}: not given, left as gaps: {count} (first {})", hour(first))
            }
            Self::Impossible { measure, count, first, value, unit } => write!(
                f,
                "{measure}: values that cannot be, left as gaps: {count} (first {} {unit}, {})",
                figure(*value),
                hour(first)
            ),
            Self::Doubted { measure, count, first } => write!(
                f,
                "{measure}: found wrong by the service itself, left as gaps: {count} (first {})",
                hour(first)
            ),
            Self::DewAboveAir { count, first } => write!(
                f,
                "dew points above the air's temperature, left as gaps: {count} (first {})",
                hour(first)
            ),
            Self::Repeated { count } => write!(f, "hours given twice alike, taken once: {count}"),
            Self::Differing { count, first } => write!(
                f,
                "hours given more than once with different values, left as gaps: {count} (first {})",
                hour(first)
            ),
            Self::Sorted { count } => write!(f, "hours out of order, put in order: {count}"),
            Self::BadRows { count, first_row } => {
                write!(f, "rows that cannot be read, passed over: {count} (first row {first_row})")
            }
            Self::LongSteps { count, from } => {
                write!(f, "steps longer than an hour, left out: {count} (from {})", hour(from))
            }
            Self::OddIntervals { count } => {
                write!(f, "intervals of parts of an hour, left out: {count}")
            }
            Self::RainShared { intervals, hours } => write!(
                f,
                "rain of {intervals} longer intervals shared out evenly over their {hours} hours"
            ),
            Self::LocalLabels { offset_s } => write!(
                f,
                "local labels, {} h from UTC throughout, brought to UTC; ask with timezone=GMT",
                figure(f64::from(*offset_s) / 3600.0)
            ),
            Self::PartHourLabels { offset_s, moved_min } => write!(
                f,
                "labels {} h from UTC were moved by {moved_min} min: this provider reads its values \
                 at full hours of UTC; ask with timezone=GMT",
                figure(f64::from(*offset_s) / 3600.0)
            ),
            Self::ShortwaveFromInstants => {
                f.write_str("shortwave is given at instants: hours take the mean of their ends")
            }
            Self::TakenForTheHour { count, farthest_min } => write!(
                f,
                "reports up to {farthest_min} min from the full hour, taken for it: {count}"
            ),
            Self::PassedOver { count } => {
                write!(f, "further reports within an hour, passed over: {count}")
            }
            Self::Stations { names } => write!(f, "from {}", listed(names)),
            Self::Mixed { hours } => {
                write!(f, "hours with single values of another station: {hours}")
            }
            Self::ThinHours { count, needed } => {
                write!(f, "hours with fewer than {needed} rows, left as gaps: {count}")
            }
            Self::ClockChange { count, first_row, first } => write!(
                f,
                "local times that clocks skipped or showed twice, left as gaps: {count} (first \
                 '{}' in row {first_row}); let the logger keep one offset all year",
                shown(first)
            ),
            Self::MovedFitsBetter { moved_min, declared_fit, moved_fit } => write!(
                f,
                "radiation follows the sun better when the rows are moved by {moved_min:+} min \
                 (correlation {moved_fit:.3} against {declared_fit:.3}); check the declared zone \
                 and whether rows are labelled at their start or end"
            ),
        }
    }
}

fn hour(at: &DateTime<Utc>) -> String {
    at.format("%Y-%m-%dT%H:%MZ").to_string()
}
