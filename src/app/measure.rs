//! Measuring trunks: from circumferences as typed to the mean dbh, how far it can be trusted, and
//! the trees that it does not describe.

use super::dose::CONFIDENCE;
use crate::dose::measure::{
    Apart, SampleFlaw, Spread, far_from_mean, mean_dbh, spread, trees_needed,
};
pub use crate::dose::tape::Tape;
use crate::dose::tape::{self, TapeFlaw};
use crate::text::{Allowed, Columns, Findings, FlawKind, Refused, Table, decode};
use crate::units::{Centimetres, Circumference};
use chrono_tz::Tz;
use serde::Serialize;
use std::f64::consts::PI;
use std::fmt;

/// How well a mean is to be known where nobody says: within 10 % of it (judgement).
pub const USUAL_PRECISION: f64 = 0.1;

/// Most flaws that a message prints.
const FLAWS_PRINTED: usize = 50;

/// A trunk measured.
#[derive(Debug, Clone, PartialEq)]
pub struct Trunk {
    /// Its id, else its number in the list.
    pub id: String,
    /// Its dbh.
    pub dbh: Centimetres,
}

/// What is asked of a sample.
#[derive(Debug, Clone, Copy, Default)]
pub struct Wish {
    /// How well the mean is to be known, as a share of it; 0.1 where none is given.
    pub precision: Option<f64>,
    /// Confidence of the interval; 0.95 where none is given.
    pub confidence: Option<f64>,
    /// Trees of the block, where known: a block measured whole has no sampling error.
    pub block_trees: Option<u32>,
}

/// A sample summed up.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct Measured {
    /// The trunks, in the order given.
    pub trunks: Vec<MeasuredTrunk>,
    /// Mean dbh.
    pub mean_dbh_cm: f64,
    /// Spread and interval; none of a single trunk.
    pub spread: Option<Spread>,
    /// How well the mean was to be known, as a share of it.
    pub wished_precision: f64,
    /// Trees to measure for that, if the spread stays as it is; none where it is not known, or
    /// beyond all reason.
    pub trees_needed: Option<u32>,
    /// Is the sample large enough? None of a single trunk.
    pub large_enough: Option<bool>,
    /// Ids of trees more than a quarter off the mean: to be dosed one by one.
    pub one_by_one: Vec<String>,
    /// Why there is no interval.
    pub no_interval: Option<String>,
}

/// One trunk of a sample.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct MeasuredTrunk {
    /// Its id, else its number in the list.
    pub id: String,
    /// Around it.
    pub circumference_cm: f64,
    /// Through it.
    pub dbh_cm: f64,
    /// How far from the mean, as a share of it.
    pub off_mean: f64,
    /// Is it more than a quarter off the mean?
    pub one_by_one: bool,
}

/// Why circumferences cannot be read.
#[derive(Debug, Clone, PartialEq)]
pub enum MeasureFlaw {
    /// Rows of a list, each with its line.
    List {
        /// The file; none for what was typed.
        file: Option<String>,
        /// The lines with what is wrong in them; none for the whole.
        flaws: Vec<(Option<usize>, TapeFlaw)>,
    },
    /// Rows of a table.
    Table(Refused),
    /// A sample that cannot be worked out.
    Sample(SampleFlaw),
}

impl fmt::Display for MeasureFlaw {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Table(refused) => refused.fmt(f),
            Self::Sample(flaw) => flaw.fmt(f),
            Self::List { file, flaws } => {
                for (count, (row, flaw)) in flaws.iter().take(FLAWS_PRINTED).enumerate() {
                    f.write_str(if count == 0 { "" } else { "\n" })?;
                    match (file, row) {
                        (Some(file), Some(row)) => write!(f, "{file} row {row}: {flaw}")?,
                        (Some(file), None) => write!(f, "{file}: {flaw}")?,
                        (None, Some(row)) if flaws.len() > 1 => write!(f, "row {row}: {flaw}")?,
                        (None, _) => write!(f, "{flaw}")?,
                    }
                }
                match flaws.len().saturating_sub(FLAWS_PRINTED) {
                    0 => Ok(()),
                    more => write!(f, "\nand {more} more"),
                }
            }
        }
    }
}

impl std::error::Error for MeasureFlaw {}

const COLUMNS: Columns = Columns {
    required: &[],
    one_of: &[&["circumference_cm", "circumference_in", "dbh_cm", "dbh_in"]],
    optional: &["tree_id", "block", "species", "note", "ports"],
};

const CM_PER_INCH: f64 = Circumference::CM_PER_INCH;

const REMEDY: fn(f64) -> &'static str =
    |_| "measure it again, or check the unit in the column's name";

/// A column, what may stand in it, and how it becomes a dbh.
type Measure = (&'static str, Allowed, fn(f64) -> Centimetres);

const MEASURES: [Measure; 4] = [
    (
        "circumference_cm",
        Allowed::new("cm", Circumference::LOW, Circumference::HIGH).or_else(REMEDY),
        |cm| Circumference::computed(cm).dbh(),
    ),
    (
        "circumference_in",
        Allowed::new("in", Circumference::LOW / CM_PER_INCH, Circumference::HIGH / CM_PER_INCH)
            .or_else(REMEDY),
        |inches| Circumference::computed(inches * CM_PER_INCH).dbh(),
    ),
    (
        "dbh_cm",
        Allowed::new("cm", Centimetres::LOW, Centimetres::HIGH).or_else(REMEDY),
        Centimetres::computed,
    ),
    (
        "dbh_in",
        Allowed::new("in", Centimetres::LOW / CM_PER_INCH, Centimetres::HIGH / CM_PER_INCH)
            .or_else(REMEDY),
        |inches| Centimetres::computed(inches * CM_PER_INCH),
    ),
];

/// Trunks from a list as people type it, line by line; see [`tape::read`] for what may stand in it.
///
/// # Errors
/// [`MeasureFlaw::List`] with every line that cannot be read.
pub fn read_list(file: Option<&str>, text: &str, tape: Tape) -> Result<Vec<Trunk>, MeasureFlaw> {
    let flawed = |flaws| MeasureFlaw::List { file: file.map(str::to_owned), flaws };
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let (mut flaws, mut rows) = (Vec::new(), Vec::new());
    for (row, line) in (1..).zip(text.lines()) {
        match tape::read(line, tape) {
            Ok(trunks) => rows.extend(trunks.iter().map(|_| row)),
            Err(TapeFlaw::Nothing) => {}
            // What follows from a neighbour is asked of the whole list below.
            Err(TapeFlaw::WhichUnit { item, .. }) => rows.extend((0..item).map(|_| row)),
            Err(flaw) => flaws.push((Some(row), flaw)),
        }
    }
    if !flaws.is_empty() {
        return Err(flawed(flaws));
    }
    // Units are told apart over the whole list: "94.2" above "37 in" may be either.
    let trunks = tape::read(text, tape).map_err(|flaw| {
        let row = match &flaw {
            TapeFlaw::WhichUnit { item, .. } => rows.get(item - 1).copied(),
            _ => None,
        };
        flawed(vec![(row, flaw)])
    })?;
    let numbered = (1..).zip(trunks);
    Ok(numbered.map(|(number, it)| Trunk { id: number.to_string(), dbh: it.dbh() }).collect())
}

/// Trunks from a file: a CSV whose header names `circumference_cm`, `circumference_in`, `dbh_cm` or
/// `dbh_in`, else a list.
///
/// # Errors
/// [`MeasureFlaw`] with every row that cannot be read.
pub fn read_file(file: &str, bytes: &[u8], tape: Tape) -> Result<Vec<Trunk>, MeasureFlaw> {
    let mut findings = Findings::default();
    let refused = |findings: Findings| MeasureFlaw::Table(Refused { flaws: findings.flaws });
    let Some(text) = decode(file, bytes, &mut findings) else { return Err(refused(findings)) };
    if !has_header(text) {
        return read_list(Some(file), text, tape);
    }
    let Some(table) = Table::read(file, text, &COLUMNS, &mut findings) else {
        return Err(refused(findings));
    };
    let mut number = 0;
    let trunks = table.each(Tz::UTC, &mut findings, |cells| {
        number += 1;
        let mut measured = Vec::new();
        for (column, allowed, dbh) in &MEASURES {
            measured.extend(cells.number(column, allowed).map(|it| (*column, dbh(it))));
        }
        if let [(first, _), (second, _), ..] = measured.as_slice() {
            cells.flaw(Some(second), FlawKind::ColumnsExclude { other: first });
        }
        if !MEASURES.iter().any(|(column, ..)| cells.has(column)) {
            cells.flaw(Some("circumference"), FlawKind::Empty);
        }
        let id = cells.text("tree_id").unwrap_or_else(|| number.to_string());
        Some(Trunk { id, dbh: measured.first()?.1 })
    });
    if findings.flaws.is_empty() { Ok(trunks) } else { Err(refused(findings)) }
}

/// Does the first line with anything in it name a column?
fn has_header(text: &str) -> bool {
    let first = text.lines().find(|line| !line.trim().is_empty()).unwrap_or_default();
    let words = |cell: &str| cell.trim().trim_matches('"').to_ascii_lowercase();
    first.split([',', ';', '\t']).map(words).any(|word| {
        word.starts_with("circumference") || word.starts_with("dbh") || word.starts_with("tree")
    })
}

/// Sums up a sample.
///
/// # Errors
/// [`MeasureFlaw::Sample`] for no trunk at all, or wishes outside their ranges.
pub fn measure(trunks: &[Trunk], wish: Wish) -> Result<Measured, MeasureFlaw> {
    let precision = wish.precision.unwrap_or(USUAL_PRECISION);
    let confidence = wish.confidence.unwrap_or(CONFIDENCE);
    let dbhs: Vec<Centimetres> = trunks.iter().map(|trunk| trunk.dbh).collect();
    let mean = mean_dbh(&dbhs).map_err(MeasureFlaw::Sample)?;
    let (spread, no_interval) = match spread(&dbhs, confidence, wish.block_trees) {
        Ok(spread) => (Some(spread), None),
        Err(flaw @ SampleFlaw::TooFew { .. }) => (None, Some(flaw.to_string())),
        Err(flaw) => return Err(MeasureFlaw::Sample(flaw)),
    };
    let needed = spread.as_ref().map(|spread| trees_needed(spread, precision, wish.block_trees));
    let needed = needed.transpose().map_err(MeasureFlaw::Sample)?;
    let apart = far_from_mean(&dbhs, mean);
    let is_apart = |index: usize| apart.iter().any(|it: &Apart| it.index == index);
    let rows = trunks.iter().enumerate().map(|(index, trunk)| MeasuredTrunk {
        id: trunk.id.clone(),
        circumference_cm: trunk.dbh.value() * PI,
        dbh_cm: trunk.dbh.value(),
        off_mean: trunk.dbh.value() / mean.value() - 1.0,
        one_by_one: is_apart(index),
    });
    Ok(Measured {
        trunks: rows.collect(),
        mean_dbh_cm: mean.value(),
        large_enough: spread.as_ref().map(|spread| spread.precision <= precision),
        wished_precision: precision,
        trees_needed: needed.flatten(),
        one_by_one: apart.iter().map(|it| trunks[it.index].id.clone()).collect(),
        spread,
        no_interval,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn list(text: &str, tape: Tape) -> Result<Vec<f64>, String> {
        let rounded = |trunk: &Trunk| (trunk.dbh.value() * PI * 100.0).round() / 100.0;
        read_list(Some("list.txt"), text, tape)
            .map(|trunks| trunks.iter().map(rounded).collect())
            .map_err(|flaw| flaw.to_string())
    }

    #[test]
    fn a_list_names_every_bad_row() {
        assert_eq!(list("94.2\n\n88 cm, 101\n", Tape::Centimetres), Ok(vec![94.2, 88.0, 101.0]));
        assert_eq!(
            list("94.2\nninety\n3\n94,2\n", Tape::Centimetres).unwrap_err(),
            "list.txt row 2: circumference 1: 'ninety' is neither a number nor a unit (cm, mm, m, \
             in, ft)\n\
             list.txt row 3: circumference 1, 3 cm: circumference 3 cm is outside 10 to 1500 cm; \
             measure and type it again\n\
             list.txt row 4: '94,2' may be one number or two; write 94.2 or put a blank after the \
             comma"
        );
    }

    #[test]
    fn a_unit_in_another_row_is_not_forgotten() {
        let flaw = list("90 cm\n94.2\n37 in\n", Tape::Centimetres).unwrap_err();
        assert!(flaw.starts_with("list.txt row 2: circumference 2: 94.2 has no unit,"), "{flaw}");
        assert_eq!(list("37 in\n35 in", Tape::Centimetres), Ok(vec![93.98, 88.9]));
        assert_eq!(list("37\n35 1/2", Tape::Inches), Ok(vec![93.98, 90.17]));
    }

    #[test]
    fn a_table_says_its_unit_in_its_header() {
        let read = |text: &str| {
            read_file("a.csv", text.as_bytes(), Tape::Centimetres)
                .map(|trunks| {
                    let shown = |it: &Trunk| format!("{} {:.2}", it.id, it.dbh.value());
                    trunks.iter().map(shown).collect::<Vec<_>>()
                })
                .map_err(|flaw| flaw.to_string())
        };
        assert_eq!(read("tree_id,circumference_in\nA,37\n"), Ok(vec!["A 29.91".into()]));
        assert_eq!(read("dbh_cm\n29.98\n30\n"), Ok(vec!["1 29.98".into(), "2 30.00".into()]));
        assert_eq!(
            read("tree_id,circumference_cm,dbh_cm\nA,3,\nB,,\nC,94,30\nD,x,\n").unwrap_err(),
            "a.csv row 2: circumference_cm 3 cm is outside 10 to 1500 cm; measure it again, or check \
             the unit in the column's name\n\
             a.csv row 3: circumference is empty; every row needs it\n\
             a.csv row 4: dbh_cm and circumference_cm are both there; keep the one that is true and \
             take the other out\n\
             a.csv row 5: circumference_cm 'x' is not a number; write digits only"
        );
        assert!(read("tree_id,girth\nA,3\n").unwrap_err().contains("circumference_in"));
    }

    #[test]
    fn the_handbook_sample() {
        // 94.2 cm round is 29.98 cm through (trade facts: dbh = circumference / pi).
        let trunks = read_list(None, "94.2 94.2", Tape::Centimetres).unwrap();
        let measured = measure(&trunks, Wish::default()).unwrap();
        assert!((measured.mean_dbh_cm - 29.98).abs() < 0.01);
        assert_eq!((measured.large_enough, measured.trees_needed), (Some(true), Some(2)));
        let one = measure(&trunks[..1], Wish::default()).unwrap();
        assert_eq!((one.large_enough, one.spread.is_none()), (None, true));
        assert!(measure(&[], Wish::default()).is_err());
    }

    proptest! {
        #[test]
        fn no_text_panics_and_every_error_names_row_and_value(
            rows in prop::collection::vec("[ -~½¼′″,;\t]{0,14}", 1..6), inches in any::<bool>(),
        ) {
            let tape = if inches { Tape::Inches } else { Tape::Centimetres };
            let text = rows.join("\n");
            match read_list(Some("f"), &text, tape) {
                Ok(trunks) => {
                    prop_assert!(!trunks.is_empty());
                    prop_assert!(measure(&trunks, Wish::default()).is_ok());
                }
                Err(MeasureFlaw::List { flaws, .. }) => {
                    for (row, flaw) in flaws {
                        if flaw == TapeFlaw::Nothing {
                            continue;
                        }
                        let row = row.unwrap_or_else(|| panic!("{flaw} names no row of {text:?}"));
                        prop_assert!((1..=rows.len()).contains(&row), "{row}");
                        prop_assert!(names_a_value(&flaw), "{flaw}");
                    }
                }
                Err(other) => prop_assert!(false, "{other}"),
            }
        }

        #[test]
        fn no_bytes_panic(bytes in prop::collection::vec(any::<u8>(), 0..80)) {
            let _ = read_file("f", &bytes, Tape::Centimetres);
            let table = [b"tree_id,circumference_cm\n".as_slice(), &bytes].concat();
            if let Err(flaw) = read_file("f", &table, Tape::Centimetres) {
                prop_assert!(flaw.to_string().starts_with("f"), "{flaw}");
            }
        }
    }

    /// Does the message hold a number or a quoted text of the row?
    fn names_a_value(flaw: &TapeFlaw) -> bool {
        let message = flaw.to_string();
        match flaw {
            TapeFlaw::Nothing | TapeFlaw::TooMany => true,
            TapeFlaw::UnitAlone { unit, .. } => message.contains(unit),
            _ => message.contains('\'') || message.chars().any(|letter| letter.is_ascii_digit()),
        }
    }
}
