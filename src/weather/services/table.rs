//! Rows of separated text, and cells by the name of their column.

use super::error::ServiceError;
use chrono::{DateTime, Datelike, Utc};
use std::collections::HashMap;

/// Records with the line that each stands in, as a file numbers lines (quoted breaks apart).
pub(super) fn records(
    text: &str,
    separator: u8,
) -> impl Iterator<Item = (u64, csv::StringRecord)> + '_ {
    let mut reader = csv::ReaderBuilder::new()
        .has_headers(false)
        .flexible(true)
        .delimiter(separator)
        .trim(csv::Trim::All)
        .from_reader(text.as_bytes());
    std::iter::from_fn(move || {
        let mut record = csv::StringRecord::new();
        // Reading from text in memory can fail neither in I/O nor in UTF-8.
        let more = reader.read_record(&mut record).unwrap_or(false);
        more.then(|| (record.position().map_or(0, csv::Position::line), record))
    })
}

/// Where each column stands.
pub(super) struct Header {
    places: HashMap<String, usize>,
    /// Number of columns.
    pub(super) width: usize,
}

impl Header {
    pub(super) fn of(record: &csv::StringRecord) -> Self {
        let mut places = HashMap::new();
        for (at, name) in record.iter().enumerate() {
            places.entry(name.to_owned()).or_insert(at);
        }
        Self { places, width: record.len() }
    }

    pub(super) fn has(&self, name: &str) -> bool {
        self.places.contains_key(name)
    }

    /// The cell of a row; empty where the row or the table has none.
    pub(super) fn cell<'r>(&self, row: &'r csv::StringRecord, name: &str) -> &'r str {
        self.places.get(name).and_then(|&at| row.get(at)).unwrap_or_default()
    }

    /// Refuses a table without a column.
    pub(super) fn needs(&self, name: &'static str) -> Result<(), ServiceError> {
        if self.has(name) { Ok(()) } else { Err(ServiceError::Missing { place: name }) }
    }
}

/// A number that may be missing: none for any of `missing`, NaN for what is no number.
pub(super) fn number(cell: &str, missing: &[&str]) -> Option<f64> {
    if cell.is_empty() || missing.contains(&cell) {
        return None;
    }
    Some(cell.parse().unwrap_or(f64::NAN))
}

/// A time within the years that weather was measured in, far from the ends of the calendar.
pub(super) fn in_our_years(at: DateTime<Utc>) -> Option<DateTime<Utc>> {
    (1900..=2100).contains(&at.year()).then_some(at)
}

/// Counts rows that cannot be read.
#[derive(Debug, Default)]
pub(super) struct BadRows(Option<(usize, u64)>);

impl BadRows {
    pub(super) fn add(&mut self, row: u64) {
        self.0.get_or_insert((0, row)).0 += 1;
    }

    pub(super) fn note(self) -> Option<super::ServiceNote> {
        let (count, first_row) = self.0?;
        Some(super::ServiceNote::BadRows { count, first_row })
    }
}
