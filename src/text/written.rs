//! Tables as CSV whose cells no spreadsheet takes for a formula: such a cell is written behind an
//! apostrophe, and read without it.

use std::borrow::Cow;

/// Rows of a CSV, one after the other.
pub struct Written(csv::Writer<Vec<u8>>);

impl Written {
    /// A table with its header and no rows.
    pub fn under(header: impl IntoIterator<Item = impl AsRef<str>>) -> Self {
        let mut written = Self(csv::Writer::from_writer(Vec::new()));
        written.push(header);
        written
    }

    /// A row more.
    ///
    /// # Panics
    /// Where it has not as many cells as the header.
    pub fn push(&mut self, row: impl IntoIterator<Item = impl AsRef<str>>) {
        for cell in row {
            let written = self.0.write_field(harmless(cell.as_ref()).as_bytes());
            written.expect("a cell into memory");
        }
        self.0.write_record(None::<&[u8]>).expect("a row as long as the header");
    }

    /// Its bytes.
    pub fn bytes(self) -> Vec<u8> {
        self.0.into_inner().expect("memory can be flushed")
    }
}

/// Would a spreadsheet take this for a formula, were it not for the apostrophes before it?
fn would_run(cell: &str) -> bool {
    cell.trim_start_matches('\'').starts_with(['=', '+', '-', '@', '\t', '\r'])
}

/// A cell as it is written; a number stays one.
///
/// ```
/// use xylocast::text::{harmless, plain};
/// assert_eq!(harmless("=1+1"), "'=1+1");
/// assert_eq!(harmless("-1.5"), "-1.5");
/// assert_eq!(plain(&harmless("'=1+1")), "'=1+1");
/// ```
pub fn harmless(cell: &str) -> Cow<'_, str> {
    let is_number = cell.parse::<f64>().is_ok_and(f64::is_finite);
    if would_run(cell) && !is_number { format!("'{cell}").into() } else { cell.into() }
}

/// A cell as it is meant, the other way round.
pub fn plain(cell: &str) -> &str {
    cell.strip_prefix('\'').filter(|rest| would_run(rest)).unwrap_or(cell)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn what_is_written_runs_nowhere_and_reads_as_it_was_meant(cell in "['=+@a1.\t-]{0,6}|.{0,6}") {
            let written = harmless(&cell);
            let runs = written.starts_with(['=', '+', '-', '@', '\t', '\r']);
            prop_assert!(!runs || written.parse::<f64>().is_ok_and(f64::is_finite), "{written:?}");
            prop_assert_eq!(plain(&written), cell.as_str());
        }
    }
}
