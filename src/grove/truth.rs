//! When bags truly ran empty, as an instrument knew and no crew did: for scoring alone.

use crate::text::{Columns, Findings, Refused, Table, decode};
use chrono::{DateTime, Utc};
use chrono_tz::Tz;
use std::collections::HashMap;

const COLUMNS: Columns = Columns { required: &["draw_id", "empty_at"], one_of: &[], optional: &[] };

/// Reads `draw_id,empty_at`; a row without a time is passed over.
///
/// # Errors
/// [`Refused`] with every flaw in the file.
pub fn read_truth(
    file: &str,
    bytes: &[u8],
    zone: Tz,
) -> Result<HashMap<String, DateTime<Utc>>, Refused> {
    let mut findings = Findings::default();
    let table = decode(file, bytes, &mut findings)
        .and_then(|text| Table::read(file, text, &COLUMNS, &mut findings));
    let mut truth = HashMap::new();
    if let Some(table) = table {
        let mut ids = table.ids();
        truth.extend(table.each(zone, &mut findings, |cells| {
            let id = cells.new_id("draw_id", &mut ids);
            Some((id?, cells.time("empty_at")?))
        }));
    }
    if findings.flaws.is_empty() { Ok(truth) } else { Err(Refused { flaws: findings.flaws }) }
}
