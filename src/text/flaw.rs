//! What is wrong with what a user brought: where it stands, what was found, what is allowed and
//! what to do.

use super::note::Note;
use super::time::TimeFlaw;
use super::{figure, listed, shown};
use chrono::{DateTime, FixedOffset, NaiveTime};
use std::fmt;

/// One thing that makes a file unreadable as it is.
#[derive(Debug, Clone, PartialEq)]
pub struct Flaw {
    /// File inside the grove folder, as `weather/observed.csv`.
    pub file: String,
    /// Line of the file as an editor numbers it, from 1; none where the whole file is meant.
    pub row: Option<u64>,
    /// Column, or key of the settings; none where the whole row is meant.
    pub column: Option<String>,
    /// What is wrong.
    pub problem: FlawKind,
}

impl fmt::Display for Flaw {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write_place(f, &self.file, self.row, self.column.as_deref())?;
        fmt::Display::fmt(&self.problem, f)
    }
}

impl std::error::Error for Flaw {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        Some(&self.problem)
    }
}

pub(super) fn write_place(
    f: &mut fmt::Formatter<'_>,
    file: &str,
    row: Option<u64>,
    column: Option<&str>,
) -> fmt::Result {
    f.write_str(file)?;
    if let Some(row) = row {
        let word = if file.ends_with(".toml") { "line" } else { "row" };
        write!(f, " {word} {row}")?;
    }
    f.write_str(": ")?;
    column.map_or(Ok(()), |column| write!(f, "{} ", shown(column)))
}

/// Kinds of flaw, each with the values it is about. Each reads on from the column's name.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[expect(missing_docs, reason = "each variant is told by its message, each field by its name")]
pub enum FlawKind {
    // Files
    #[error("the file is missing; {remedy}")]
    FileMissing { remedy: &'static str },
    #[error("there is no such folder; name the folder that holds grove.toml")]
    NoSuchFolder,
    #[error("this is not a file; a plain file is needed under this name")]
    NotAFile,
    #[error("the file cannot be read: {reason}")]
    Unreadable { reason: String },
    #[error("the file has {bytes} bytes, more than the {most} that are read; split it")]
    TooLarge { bytes: u64, most: u64 },
    #[error("byte {byte} (0x{value:02X}) is not UTF-8; save the file as UTF-8")]
    NotUtf8 { byte: usize, value: u8 },

    // Tables
    #[error("the file is empty; its first line must name the columns")]
    NoHeader,
    #[error("the columns are separated by {separator:?}; save the file with commas")]
    WrongSeparator { separator: char },
    #[error("is missing: add this column (columns found: {})", listed(.found))]
    MissingColumn { found: Vec<String> },
    #[error(
        "one of the columns {} is needed and none is there (columns found: {})",
        listed(.wanted), listed(.found)
    )]
    MissingOneOf { wanted: &'static [&'static str], found: Vec<String> },
    #[error("and {other} are both there; keep the one that is true and take the other out")]
    ColumnsExclude { other: &'static str },
    #[error("stands twice in the header (columns {first} and {second}); keep one")]
    DuplicateColumn { first: usize, second: usize },
    #[error(
        "the row has {found} cells where the header has {expected}{}; fill or remove cells, and \
         put quotes around text with commas",
        lines_spanned(*.lines)
    )]
    Ragged { expected: usize, found: usize, lines: u64 },

    // Cells
    #[error("is empty; every row needs it")]
    Empty,
    #[error("'{text}' is not a number{remedy}")]
    NotANumber { text: String, remedy: &'static str },
    #[error("'{text}' is not a finite number; leave the cell empty where nothing was measured")]
    NotFinite { text: String },
    #[error(
        "{}{} is outside {} to {}{}; {remedy}",
        figure(*.value), spaced(.unit), figure(*.low), figure(*.high), spaced(.unit)
    )]
    OutOfRange { value: f64, unit: &'static str, low: f64, high: f64, remedy: &'static str },
    #[error(
        "{}{} is outside {} to {}{} and looks like a station's mark for a missing value; leave the \
         cell empty",
        figure(*.value), spaced(.unit), figure(*.low), figure(*.high), spaced(.unit)
    )]
    Sentinel { value: f64, unit: &'static str, low: f64, high: f64 },
    #[error("{} is not a whole number; write one from {low} to {high}", figure(*.value))]
    NotWhole { value: f64, low: u32, high: u32 },
    #[error("'{text}' is not one of the words {}; write one of them", listed(.allowed))]
    NotOneOf { text: String, allowed: &'static [&'static str] },
    #[error("'{text}' holds the control character U+{code:04X}; take it out")]
    ControlCharacter { text: String, code: u32 },
    #[error(
        "'{text}' leads out of the grove's folder or to a database, which no grove of a database may; put the file beside the database and write its name, or give its url"
    )]
    LeadsOut { text: String },
    #[error("'{text}' is longer than {most} characters; shorten it")]
    TooLong { text: String, most: usize },
    #[error(transparent)]
    Time(#[from] TimeFlaw),
    #[error("'{text}' stands already in row {first_row}; each may stand once")]
    Duplicate { text: String, first_row: u64 },
    #[error("'{text}' is not in {wanted_in}; correct it, or add it there")]
    Unknown { text: String, wanted_in: &'static str },
    #[error("and {other} are both empty; fill one of them")]
    BothEmpty { other: &'static str },
    #[error("is given without {needs}; fill both or neither")]
    Alone { needs: &'static str },

    // Settings
    #[error("{message}")]
    Toml { message: String },
    #[error("is missing; add a line such as `{example}`")]
    KeyMissing { example: &'static str },
    #[error("'{text}' is no IANA time zone; write one such as \"Europe/Madrid\"")]
    NoSuchZone { text: String },
    #[error("is a second label rate beside {first}; keep the one that the label uses")]
    SecondRate { first: &'static str },
    #[error(
        "{}{} is above {other} {}{}; correct one of them",
        figure(*.value), spaced(.unit), figure(*.limit), spaced(.unit)
    )]
    Above { value: f64, unit: &'static str, other: &'static str, limit: f64 },
    #[error("{} is not after crew.day_starts {}; correct one of them", hm(.ends), hm(.starts))]
    DayEndsFirst { starts: NaiveTime, ends: NaiveTime },

    // Trees and draws
    #[error(
        "gives a dbh of {} cm, but dbh_cm says {} cm; correct one or leave it empty \
         (dbh = circumference / pi)",
        tenth(*.from_circumference_cm), figure(*.dbh_cm)
    )]
    DbhDisagrees { from_circumference_cm: f64, dbh_cm: f64 },
    #[error("{} must {wanted} {other} {}; correct one of the two", rfc(.time), rfc(.other_time))]
    Order {
        time: DateTime<FixedOffset>,
        wanted: &'static str,
        other: &'static str,
        other_time: DateTime<FixedOffset>,
    },
    #[error(
        "the bag held {} mL at {} ({earlier_place}) and {} mL at {}, with no refill between; \
         correct one, or add a row with state refill and added_ml",
        figure(*.earlier_ml), rfc(.earlier), figure(*.later_ml), rfc(.later)
    )]
    Rises {
        earlier_ml: f64,
        earlier: DateTime<FixedOffset>,
        earlier_place: String,
        later_ml: f64,
        later: DateTime<FixedOffset>,
    },
    #[error(
        "the bag was empty at {} ({earlier_place}) and wet at {}, with no refill between; \
         correct one, or add a row with state refill and added_ml"
        , rfc(.earlier), rfc(.later)
    )]
    WetAfterEmpty {
        earlier: DateTime<FixedOffset>,
        earlier_place: String,
        later: DateTime<FixedOffset>,
    },
    #[error("this row and {other_place} tell two things of the bag at {}; keep one", rfc(.time))]
    LooksDiffer { other_place: String, time: DateTime<FixedOffset> },
    #[error("'{state}' does not go with left_ml {}; leave one of the two empty", figure(*.left_ml))]
    StateDisagrees { state: &'static str, left_ml: f64 },
    #[error("'refill' needs added_ml; write how much was added")]
    RefillWithoutAmount,
    #[error("is for a row with state refill only; write the state, or leave added_ml empty")]
    AddedWithoutRefill,
    #[error("overlaps the pause in row {first_row} of the same draw; join the two")]
    PausesOverlap { first_row: u64 },
    #[error(
        "the bag emptied between {} and {}, but this pause held it shut all that time; correct the \
         pause or the times",
        rfc(.last_wet), rfc(.first_empty)
    )]
    EmptiedWhileShut { last_wet: DateTime<FixedOffset>, first_empty: DateTime<FixedOffset> },

    #[error("this is no entry of the journal: {reason}; correct it, or take the row out")]
    NoEntry { reason: String },
    #[error(
        "'{kit}' hangs from {} {} in draw '{other_draw}': one kit on one tree at a time; correct \
         the kit, or write when it was stripped there",
        rfc(.from), until(.to.as_ref())
    )]
    KitOnTwoTrees {
        kit: String,
        other_draw: String,
        from: DateTime<FixedOffset>,
        to: Option<DateTime<FixedOffset>>,
    },

    #[error("'{draw}' hangs on tree '{tree}'; correct one of the two")]
    OtherTree { draw: String, tree: String },

    // The database
    #[error(
        "of {id} is stored as {stored} and offered as {offered}; make the two \
         agree"
    )]
    Conflict { id: String, stored: String, offered: String },
    #[error("the database refuses the row: {reason}; correct it")]
    Barred { reason: String },

    // Weather
    #[error(
        "the rows stand at two places in the hour: {usual_rows} at minute {usual_minute:02}, \
         {odd_rows} at minute {odd_minute:02} (first in this row); bring them to one"
    )]
    MixedPhase { usual_minute: u32, usual_rows: usize, odd_minute: u32, odd_rows: usize },
    #[error("the rows are {minutes} min apart; hourly rows are needed, so bring them to {wanted}")]
    NotHourly { minutes: i64, wanted: &'static str },
    #[error("the hour {} stands in row {first_row} with other values; keep one", rfc(.time))]
    HoursDiffer { time: DateTime<FixedOffset>, first_row: u64 },
    #[error(
        "never goes above {}, so these look like fractions of 1; multiply by 100 to get percent",
        figure(*.highest)
    )]
    FractionsNotPercent { highest: f64 },
    #[error(
        "has a mean of {} degC over {hours} hours, which no grove has; if these are degF, convert \
         them: (F - 32) / 1.8",
        tenth(*.mean_c)
    )]
    MeanTooWarm { mean_c: f64, hours: usize },
    #[error(
        "{} degC is above the air's {} degC by more than {} degC; check that the columns are not \
         swapped",
        figure(*.dew_c), figure(*.air_c), figure(*.allowed_c)
    )]
    DewAboveAir { dew_c: f64, air_c: f64, allowed_c: f64 },
}

fn rfc(time: &DateTime<FixedOffset>) -> String {
    time.to_rfc3339_opts(chrono::SecondsFormat::Secs, false)
}

fn until(time: Option<&DateTime<FixedOffset>>) -> String {
    time.map_or_else(|| "on, with no strip".to_owned(), |time| format!("to {}", rfc(time)))
}

fn hm(time: &NaiveTime) -> String {
    time.format("%H:%M").to_string()
}

fn spaced(unit: &str) -> String {
    if unit.is_empty() { String::new() } else { format!(" {unit}") }
}

fn tenth(value: f64) -> String {
    format!("{value:.1}")
}

fn lines_spanned(lines: u64) -> String {
    if lines > 1 {
        format!(" and runs over {lines} lines (is a quote left open?)")
    } else {
        String::new()
    }
}

/// All that was found on the way: flaws refuse the reading, notes go with it.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Findings {
    /// What refuses it.
    pub flaws: Vec<Flaw>,
    /// What is told beside it.
    pub notes: Vec<Note>,
}

impl Findings {
    /// One more flaw.
    pub fn flaw(&mut self, file: &str, row: Option<u64>, column: Option<&str>, problem: FlawKind) {
        let column = column.map(str::to_owned);
        self.flaws.push(Flaw { file: file.to_owned(), row, column, problem });
    }

    /// One more note.
    pub fn note(&mut self, note: Note) {
        self.notes.push(note);
    }
}

/// A reading refused, with every flaw that was found.
#[derive(Debug, Clone, PartialEq)]
pub struct Refused {
    /// The flaws, file by file and row by row; at least one.
    pub flaws: Vec<Flaw>,
}

/// Flaws that a message prints in full before it only counts.
const FLAWS_PRINTED: usize = 50;

impl fmt::Display for Refused {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (count, flaw) in self.flaws.iter().take(FLAWS_PRINTED).enumerate() {
            let line_end = if count == 0 { "" } else { "\n" };
            write!(f, "{line_end}{flaw}")?;
        }
        match self.flaws.len().checked_sub(FLAWS_PRINTED) {
            None | Some(0) => Ok(()),
            Some(more) => write!(f, "\nand {more} more"),
        }
    }
}

impl std::error::Error for Refused {}

impl From<Flaw> for Refused {
    fn from(flaw: Flaw) -> Self {
        Self { flaws: vec![flaw] }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_sentence_says_where_what_range_and_remedy() {
        let flaw = Flaw {
            file: "weather/observed.csv".into(),
            row: Some(14),
            column: Some("shortwave_w_m2".into()),
            problem: FlawKind::OutOfRange {
                value: 2554.0,
                unit: "W/m2",
                low: 0.0,
                high: 1500.0,
                remedy: "if this is in MJ/m2/day, convert it to W/m2 (1 MJ/m2/day = 11.574 W/m2)",
            },
        };
        assert_eq!(
            flaw.to_string(),
            "weather/observed.csv row 14: shortwave_w_m2 2554 W/m2 is outside 0 to 1500 W/m2; if \
             this is in MJ/m2/day, convert it to W/m2 (1 MJ/m2/day = 11.574 W/m2)"
        );
    }

    #[test]
    fn a_refusal_prints_every_flaw_up_to_a_limit() {
        let flaw = Flaw {
            file: "trees.csv".into(),
            row: Some(2),
            column: Some("ports".into()),
            problem: FlawKind::Empty,
        };
        let few = Refused { flaws: vec![flaw.clone(); 2] };
        assert_eq!(few.to_string().lines().count(), 2);
        let many = Refused { flaws: vec![flaw; 60] };
        assert!(many.to_string().ends_with("\nand 10 more"), "{many}");
    }
}
