//! Tables of the database and the files of a grove folder that they stand for, column by column.

use crate::grove::{
    APPLICATIONS, BLOCKS, DRAWS, HANG, KITS, PAUSES, PORTS, READINGS, TREES, table_columns,
};
use crate::text::{Columns, format_time, read_time};
use chrono::DateTime;
use chrono_tz::Tz;
use rusqlite::types::{Value, ValueRef};

/// What a cell holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Kind {
    /// Text as it stands; days are text too.
    Text,
    /// A number in the unit of its name.
    Number,
    /// A whole number.
    Whole,
    /// An instant; the column's name ends in `_utc`.
    Time,
}

/// One column, in the file and in the database.
#[derive(Debug, Clone, Copy)]
pub(super) struct Column {
    pub(super) name: &'static str,
    pub(super) kind: Kind,
    /// Stands in every file that is written.
    pub(super) always: bool,
}

/// One table and its file.
#[derive(Debug, Clone, Copy)]
pub(super) struct Sheet {
    pub(super) file: &'static str,
    pub(super) table: &'static str,
    pub(super) columns: &'static [Column],
    /// Columns that name a row; rows that are the same in these are told apart by `nth`.
    pub(super) key: &'static [&'static str],
    pub(super) has_nth: bool,
    /// The column in whose order rows must come, as each is held against those before it.
    pub(super) in_order_of: Option<&'static str>,
}

const fn always(name: &'static str, kind: Kind) -> Column {
    Column { name, kind, always: true }
}

const fn maybe(name: &'static str, kind: Kind) -> Column {
    Column { name, kind, always: false }
}

use Kind::{Number, Text, Time, Whole};

/// All of them, those that others refer to first.
pub(super) const SHEETS: [Sheet; 9] = [
    Sheet {
        file: TREES,
        table: "trees",
        columns: &[
            always("tree_id", Text),
            always("block", Text),
            always("species", Text),
            always("circumference_cm", Number),
            maybe("dbh_cm", Number),
            always("ports", Whole),
            maybe("flares", Whole),
            maybe("latitude_deg", Number),
            maybe("longitude_deg", Number),
            maybe("row", Text),
            maybe("position", Text),
            maybe("root_depth_m", Number),
            maybe("charge_ml", Number),
            maybe("last_treated", Text),
            maybe("product_at_most_ml", Number),
            maybe("product_at_most_g", Number),
            maybe("given_this_season_ml", Number),
            maybe("given_this_season_g", Number),
            maybe("hang", Text),
            maybe("note", Text),
        ],
        key: &["tree_id"],
        has_nth: false,
        in_order_of: None,
    },
    Sheet {
        file: BLOCKS,
        table: "blocks",
        columns: &[
            always("block", Text),
            maybe("area_ha", Number),
            maybe("area_acres", Number),
            maybe("leaf_on_from", Text),
            maybe("leaf_off_from", Text),
            maybe("bloom_from", Text),
            maybe("bloom_to", Text),
        ],
        key: &["block"],
        has_nth: false,
        in_order_of: None,
    },
    Sheet {
        file: PORTS,
        table: "ports",
        columns: &[
            always("tree_id", Text),
            always("date", Text),
            always("hole", Whole),
            always("height_cm", Number),
            maybe("azimuth_deg", Number),
            maybe("note", Text),
        ],
        key: &["tree_id", "date", "hole"],
        has_nth: false,
        in_order_of: None,
    },
    Sheet {
        file: KITS,
        table: "kits",
        columns: &[
            always("kit_id", Text),
            maybe("capacity_ml", Number),
            maybe("tips", Whole),
            maybe("bought", Text),
            maybe("note", Text),
        ],
        key: &["kit_id"],
        has_nth: false,
        in_order_of: None,
    },
    DRAW_SHEET,
    READING_SHEET,
    PAUSE_SHEET,
    Sheet {
        file: HANG,
        table: "intended",
        columns: &[
            always("draw_id", Text),
            always("tree_id", Text),
            always("start", Time),
            always("charge_ml", Number),
            maybe("ports", Whole),
            maybe("head_m", Number),
        ],
        key: &["draw_id"],
        has_nth: false,
        in_order_of: None,
    },
    Sheet {
        file: APPLICATIONS,
        table: "applications",
        columns: &[
            always("application_id", Text),
            always("tree_id", Text),
            maybe("draw_id", Text),
            always("applied", Time),
            maybe("product_name", Text),
            maybe("registration_number", Text),
            maybe("lot", Text),
            always("product_ml", Number),
            maybe("product_g", Number),
            maybe("water_ml", Number),
            maybe("recovered_ml", Number),
            maybe("leaked_ml", Number),
            maybe("applicator", Text),
            maybe("licence", Text),
            maybe("re_entry_until", Time),
            maybe("pre_harvest_until", Text),
            maybe("note", Text),
        ],
        key: &["application_id"],
        has_nth: false,
        in_order_of: None,
    },
];

/// `draws.csv`.
pub(super) const DRAW_SHEET: Sheet = Sheet {
    file: DRAWS,
    table: "draws",
    columns: &[
        always("draw_id", Text),
        always("tree_id", Text),
        always("started", Time),
        always("charge_ml", Number),
        maybe("ports", Whole),
        maybe("head_m", Number),
        maybe("last_wet", Time),
        maybe("first_empty", Time),
        maybe("stripped", Time),
        maybe("left_ml", Number),
        maybe("crew", Text),
        maybe("kit_id", Text),
        maybe("note", Text),
    ],
    key: &["draw_id"],
    has_nth: false,
    in_order_of: None,
};

/// `readings.csv`.
pub(super) const READING_SHEET: Sheet = Sheet {
    file: READINGS,
    table: "readings",
    columns: &[
        always("draw_id", Text),
        always("time", Time),
        always("left_ml", Number),
        maybe("state", Text),
        maybe("added_ml", Number),
        maybe("by", Text),
        maybe("note", Text),
    ],
    key: &["draw_id", "time", "state"],
    has_nth: true,
    in_order_of: Some("time"),
};

/// `pauses.csv`.
pub(super) const PAUSE_SHEET: Sheet = Sheet {
    file: PAUSES,
    table: "pauses",
    columns: &[
        always("draw_id", Text),
        always("from", Time),
        maybe("to", Time),
        maybe("why", Text),
    ],
    key: &["draw_id", "from"],
    has_nth: false,
    in_order_of: Some("from"),
};

impl Column {
    /// Its name in the database, quoted, as some are words of SQL.
    pub(super) fn sql(&self) -> String {
        match self.kind {
            Time => format!("\"{}_utc\"", self.name),
            _ => format!("\"{}\"", self.name),
        }
    }

    /// A cell as the database keeps it; none where it is not of this kind.
    pub(super) fn value(&self, cell: Option<&str>, zone: Tz) -> Option<Value> {
        let Some(cell) = cell else { return Some(Value::Null) };
        Some(match self.kind {
            Text => Value::Text(cell.to_owned()),
            Number => Value::Real(cell.parse().ok()?),
            Whole => Value::Integer(cell.parse::<f64>().ok()? as i64),
            Time => Value::Integer(read_time(cell, zone).ok()?.at.timestamp()),
        })
    }

    /// A value of the database as a file has it.
    pub(super) fn cell(&self, value: ValueRef, zone: Tz) -> String {
        match value {
            ValueRef::Integer(seconds) if self.kind == Time => DateTime::from_timestamp(seconds, 0)
                .map_or_else(String::new, |at| format_time(at, zone)),
            ValueRef::Integer(whole) => whole.to_string(),
            ValueRef::Real(number) => number.to_string(),
            ValueRef::Text(text) => String::from_utf8_lossy(text).into_owned(),
            ValueRef::Null | ValueRef::Blob(_) => String::new(),
        }
    }
}

impl Sheet {
    /// The columns that its file may have.
    pub(super) fn file_columns(&self) -> &'static Columns {
        table_columns(self.file).expect("every sheet is a table of a grove folder")
    }

    /// The columns as SQL lists them.
    pub(super) fn columns_sql(&self) -> String {
        self.columns.iter().map(Column::sql).collect::<Vec<_>>().join(", ")
    }

    /// The file without a row.
    pub(super) fn header(&self) -> Vec<u8> {
        let names = self.columns.iter().filter(|column| column.always).map(|column| column.name);
        (names.collect::<Vec<_>>().join(",") + "\n").into_bytes()
    }

    /// Place of a column.
    pub(super) fn place(&self, name: &str) -> usize {
        self.columns.iter().position(|column| column.name == name).unwrap_or_default()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    #[test]
    fn every_column_that_a_file_may_have_is_kept() {
        for sheet in SHEETS {
            let kept: BTreeSet<&str> = sheet.columns.iter().map(|column| column.name).collect();
            let known: BTreeSet<&str> = sheet.file_columns().all().collect();
            assert_eq!(kept, known, "{}", sheet.file);
        }
    }
}
