//! What a user should know about a file that was read all the same.

use super::flaw::write_place;
use super::{figure, listed};
use chrono::{DateTime, FixedOffset};
use std::fmt;

/// Something told beside a result.
#[derive(Debug, Clone, PartialEq)]
pub struct Note {
    /// File inside the grove folder.
    pub file: String,
    /// Line of the file as an editor numbers it, from 1.
    pub row: Option<u64>,
    /// Column, or key of the settings.
    pub column: Option<String>,
    /// What is to be known.
    pub kind: NoteKind,
}

impl Note {
    /// A note on a whole file.
    pub fn on_file(file: &str, kind: NoteKind) -> Self {
        Self { file: file.to_owned(), row: None, column: None, kind }
    }

    /// The same note at a row.
    pub fn at_row(self, row: u64) -> Self {
        Self { row: Some(row), ..self }
    }

    /// The same note on a column.
    pub fn on_column(self, column: &str) -> Self {
        Self { column: Some(column.to_owned()), ..self }
    }
}

impl fmt::Display for Note {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write_place(f, &self.file, self.row, self.column.as_deref())?;
        fmt::Display::fmt(&self.kind, f)
    }
}

/// Kinds of note, each with the values it is about. Each reads on from the column's name.
#[derive(Debug, Clone, PartialEq)]
#[expect(missing_docs, reason = "each variant is told by its words, each field by its name")]
pub enum NoteKind {
    /// Columns that are none of ours.
    UnknownColumns { names: Vec<String> },
    /// Rows with nothing in them.
    BlankRows { count: usize },
    /// Times that the grove's zone completed.
    OffsetFromZone { count: usize, zone: &'static str },
    /// A longitude that the time zone makes unlikely.
    FarFromZone { longitude_deg: f64, zone: &'static str },
    /// Rows that repeat another row in full.
    Repeated { count: usize },
    /// Rows that were not in order of time.
    Sorted { count: usize },
    /// Cells without a value where the column has values elsewhere.
    MissingCells { count: usize, first_row: u64 },
    /// Cells a little outside what can be, as instruments give them, held to the limit.
    HeldToRange { limit: f64, farthest: f64, unit: &'static str, count: usize, first_row: u64 },
    /// Cells without a value, estimated though the column has values elsewhere.
    CellsEstimated { how: &'static str, count: usize, first_row: u64 },
    /// Hours dropped since a value of them cannot be known.
    HoursLeftOut { count: usize },
    /// A column that is not there and was estimated.
    Estimated { how: &'static str },
    /// More than one measure of humidity.
    HumidityChosen { used: &'static str, aside: Vec<&'static str> },
    /// Two measures of humidity that tell different things.
    HumidityDisagrees { other: &'static str, hours: usize, by_more_than_kpa: f64 },
    /// Readings somewhat above the one before, taken as errors of reading.
    ReadingsRise { count: usize, up_to_ml: f64 },
    /// A database that an older program wrote.
    BroughtUpToDate { backup: String },
    /// Bags that share a tree.
    SharesTree { draw: String, other_draw: String, tree: String },
    /// A charge beyond the bag that is in use now.
    ChargeAboveCapacity { charge_ml: f64, capacity_ml: f64 },
    /// Members of one issue that have different numbers of hours.
    MembersDiffer { issued_at: Option<DateTime<FixedOffset>>, fewest: usize, most: usize },
}

impl fmt::Display for NoteKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::UnknownColumns { names } => {
                write!(f, "columns not known here are kept aside: {}", listed(names))
            }
            Self::BlankRows { count } => write!(f, "rows without any value passed over: {count}"),
            Self::OffsetFromZone { count, zone } => {
                write!(f, "times without offset, read in the grove's zone {zone}: {count}")
            }
            Self::FarFromZone { longitude_deg, zone } => write!(
                f,
                "{} deg is far from where {zone} is kept; check its sign (east is positive)",
                figure(*longitude_deg)
            ),
            Self::Repeated { count } => {
                write!(f, "rows that repeat another one in full, counted once: {count}")
            }
            Self::Sorted { count } => {
                write!(f, "rows out of order of time, put in order: {count}")
            }
            Self::MissingCells { count, first_row } => {
                write!(f, "hours without a value, left as gaps: {count} (first in row {first_row})")
            }
            Self::HeldToRange { limit, farthest, unit, count, first_row } => write!(
                f,
                "cells {} {} {unit}, taken as {} {unit}: {count} (first in row {first_row})",
                if farthest > limit { "up to" } else { "down to" },
                figure(*farthest),
                figure(*limit),
            ),
            Self::CellsEstimated { how, count, first_row } => {
                write!(f, "hours without a value, {how}: {count} (first in row {first_row})")
            }
            Self::HoursLeftOut { count } => {
                write!(f, "hours left out, as nothing near tells this value: {count}")
            }
            Self::Estimated { how } => write!(f, "is not there: {how}"),
            Self::HumidityChosen { used, aside } => {
                write!(f, "humidity is taken from {used}; kept aside: {}", listed(aside))
            }
            Self::HumidityDisagrees { other, hours, by_more_than_kpa } => write!(
                f,
                "and {other} differ by more than {} kPa of vapour pressure in {hours} hours; \
                 check both",
                figure(*by_more_than_kpa)
            ),
            Self::ReadingsRise { count, up_to_ml } => write!(
                f,
                "readings up to {} mL above the one before without a refill, taken as errors of \
                 reading: {count}",
                figure(*up_to_ml)
            ),
            Self::BroughtUpToDate { backup } => {
                write!(f, "brought up to this program's schema; as it was it stands in {backup}")
            }
            Self::SharesTree { draw, other_draw, tree } => write!(
                f,
                "draw '{draw}' starts while draw '{other_draw}' hangs on tree '{tree}': two bags \
                 share the tree"
            ),
            Self::ChargeAboveCapacity { charge_ml, capacity_ml } => write!(
                f,
                "{} mL is above the bag's capacity_ml {} mL; one draw is one bag",
                figure(*charge_ml),
                figure(*capacity_ml)
            ),
            Self::MembersDiffer { issued_at, fewest, most } => {
                if let Some(at) = issued_at {
                    write!(f, "issue {}: ", at.to_rfc3339())?;
                }
                write!(f, "members have from {fewest} to {most} hours")
            }
        }
    }
}
