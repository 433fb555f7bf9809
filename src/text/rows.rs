//! A small reader of tables: a header with columns required, optional and unknown, rows that know
//! their line, and cells that turn into values or flaws.

use super::flaw::{Findings, FlawKind};
use super::note::{Note, NoteKind};
use super::time::{read_date, read_time};
use super::written::plain;
use super::{figure, shown, unreadable, unreadable_in_lines};
use chrono::{DateTime, NaiveDate, Utc};
use chrono_tz::Tz;
use std::collections::{BTreeMap, HashMap, HashSet};

/// Longest id, in characters.
const LONGEST_ID: usize = 64;

/// Marks that stations write where they measured nothing.
const SENTINELS: [f64; 10] =
    [9999.0, 999.0, 99.9, 99.0, 9999.9, 999.9, 99.99, 6999.0, 7999.0, 99999.0];

/// The columns that a file may have.
#[derive(Debug, Clone, Copy)]
pub struct Columns {
    /// Each must be there.
    pub required: &'static [&'static str],
    /// At least one of each group must be there.
    pub one_of: &'static [&'static [&'static str]],
    /// May be there.
    pub optional: &'static [&'static str],
}

impl Columns {
    /// All names, some of them twice.
    pub fn all(&self) -> impl Iterator<Item = &'static str> {
        let groups = self.one_of.iter().copied().flatten();
        self.required.iter().chain(groups).chain(self.optional).copied()
    }

    fn known(&self) -> HashSet<&'static str> {
        self.all().collect()
    }
}

/// What a number in a cell may be.
#[derive(Debug, Clone, Copy)]
pub struct Allowed {
    /// Unit, as printed; empty for a bare number.
    pub unit: &'static str,
    /// Lowest value.
    pub low: f64,
    /// Highest value.
    pub high: f64,
    /// A value below `low` is taken as `low` down to here: instruments stray a little.
    pub strays_down_to: f64,
    /// A value above `high` is taken as `high` up to here.
    pub strays_up_to: f64,
    /// What to do about a value outside.
    pub remedy: fn(f64) -> &'static str,
}

impl Allowed {
    /// A range with the plain remedy.
    pub const fn new(unit: &'static str, low: f64, high: f64) -> Self {
        let remedy = |_| "correct the value or its unit";
        Self { unit, low, high, strays_down_to: low, strays_up_to: high, remedy }
    }

    /// The same for an instrument that strays: values from `down_to` to `up_to` are held to the
    /// range, and a note counts them.
    pub const fn straying(self, down_to: f64, up_to: f64) -> Self {
        Self { strays_down_to: down_to, strays_up_to: up_to, ..self }
    }

    /// The same with a remedy that knows the likely slip.
    pub const fn or_else(self, remedy: fn(f64) -> &'static str) -> Self {
        Self { remedy, ..self }
    }

    /// The limit that a value strays beyond, and how far values may; none where it does not, or
    /// strays too far.
    fn strays(&self, value: f64) -> Option<Stray> {
        let stray = |limit, farthest| Stray { limit, farthest, unit: self.unit };
        if (self.strays_down_to..self.low).contains(&value) {
            Some(stray(self.low, self.strays_down_to))
        } else if value > self.high && value <= self.strays_up_to {
            Some(stray(self.high, self.strays_up_to))
        } else {
            None
        }
    }

    /// A value within the range; one that strays a little is held to the limit. None for NaN and
    /// for what is farther out.
    pub fn held(&self, value: f64) -> Option<f64> {
        let near = value >= self.strays_down_to && value <= self.strays_up_to;
        near.then(|| value.clamp(self.low, self.high))
    }

    /// The flaw of a value outside the range; none inside it.
    pub fn flaw(&self, value: f64) -> Option<FlawKind> {
        let Self { unit, low, high, remedy, .. } = *self;
        if (low..=high).contains(&value) {
            None
        } else if !value.is_finite() {
            Some(FlawKind::NotFinite { text: figure(value) })
        } else if SENTINELS.contains(&value.abs()) {
            Some(FlawKind::Sentinel { value, unit, low, high })
        } else {
            Some(FlawKind::OutOfRange { value, unit, low, high, remedy: remedy(value) })
        }
    }
}

/// A limit that values stray beyond.
#[derive(Debug, Clone, Copy)]
struct Stray {
    limit: f64,
    farthest: f64,
    unit: &'static str,
}

/// Cells held to a limit: how many, and where the first of them stands.
struct Held {
    stray: Stray,
    count: usize,
    first_row: u64,
}

/// Held cells of a table by column and by side: below or above.
type HeldCells = BTreeMap<(String, bool), Held>;

/// Bytes as UTF-8 text, without a byte-order mark.
pub fn decode<'b>(file: &str, bytes: &'b [u8], findings: &mut Findings) -> Option<&'b str> {
    match std::str::from_utf8(bytes) {
        Ok(text) => Some(text.strip_prefix('\u{feff}').unwrap_or(text)),
        Err(error) => {
            let at = error.valid_up_to();
            let row = Lines::default().line_at(&bytes[..at], at);
            let problem = FlawKind::NotUtf8 { byte: at + 1, value: bytes[at] };
            findings.flaw(file, Some(row), None, problem);
            None
        }
    }
}

/// Counts lines as an editor does: a line ends in LF, CRLF or CR.
#[derive(Default)]
struct Lines {
    counted_to: usize,
    ended: u64,
}

impl Lines {
    /// Line, from 1, that the byte at `offset` stands in; offsets must not go back.
    fn line_at(&mut self, bytes: &[u8], offset: usize) -> u64 {
        for at in self.counted_to..offset {
            let lone_cr = bytes[at] == b'\r' && bytes.get(at + 1) != Some(&b'\n');
            self.ended += u64::from(bytes[at] == b'\n' || lone_cr);
        }
        self.counted_to = self.counted_to.max(offset);
        self.ended + 1
    }
}

struct Row {
    line: u64,
    cells: csv::StringRecord,
}

/// A file's rows under its header.
pub struct Table {
    file: String,
    columns: HashMap<String, usize>,
    rows: Vec<Row>,
    all_rows: bool,
}

impl Table {
    /// Reads a table; a byte-order mark, LF and CRLF are accepted, blanks around cells dropped.
    ///
    /// Unknown columns give one note, rows without any value another. None where the header is
    /// flawed, since no row can be read then; flawed rows are left out, and named in `findings`.
    pub fn read(
        file: &str,
        text: &str,
        columns: &Columns,
        findings: &mut Findings,
    ) -> Option<Self> {
        let text = text.strip_prefix('\u{feff}').unwrap_or(text);
        let mut records = records(text);
        let header = match records.next() {
            Some(header) if header.cells.iter().any(|name| !name.is_empty()) => header.cells,
            _ => {
                findings.flaw(file, None, None, FlawKind::NoHeader);
                return None;
            }
        };
        let columns = read_header(file, &header, columns, findings)?;
        let flaws_before = findings.flaws.len();
        let rows = read_rows(file, header.len(), records, findings);
        let all_rows = findings.flaws.len() == flaws_before;
        Some(Self { file: file.to_owned(), columns, rows, all_rows })
    }

    /// Is there a column of this name?
    pub fn has(&self, column: &str) -> bool {
        self.columns.contains_key(column)
    }

    /// Is there a column of this name with a value in any row?
    pub fn has_values(&self, column: &str) -> bool {
        self.columns
            .get(column)
            .is_some_and(|&at| self.rows.iter().any(|row| !row.cells[at].is_empty()))
    }

    /// Names of columns that are none of these, in order of name.
    pub fn others(&self, columns: &Columns) -> Vec<&str> {
        let known = columns.known();
        let mut names: Vec<&str> =
            self.columns.keys().map(String::as_str).filter(|name| !known.contains(name)).collect();
        names.sort_unstable();
        names
    }

    /// Number of rows.
    pub fn len(&self) -> usize {
        self.rows.len()
    }

    /// Has it no row?
    pub fn is_empty(&self) -> bool {
        self.rows.is_empty()
    }

    /// A list for the ids of this file, empty as yet.
    pub fn ids(&self) -> Ids {
        Ids { rows: HashMap::new(), all_known: self.all_rows }
    }

    /// Every row that `read` makes something of. Times without offset are read in `zone`, and one
    /// note counts them; others count the numbers held to a range.
    pub fn each<T>(
        &self,
        zone: Tz,
        findings: &mut Findings,
        mut read: impl FnMut(&mut Cells) -> Option<T>,
    ) -> Vec<T> {
        let (mut values, mut without_offset) = (Vec::with_capacity(self.rows.len()), 0);
        let mut held = HeldCells::new();
        for row in &self.rows {
            let held = &mut held;
            let mut cells = Cells { table: self, row, zone, findings, without_offset: 0, held };
            values.extend(read(&mut cells));
            without_offset += cells.without_offset;
        }
        if without_offset > 0 {
            let kind = NoteKind::OffsetFromZone { count: without_offset, zone: zone.name() };
            findings.note(Note::on_file(&self.file, kind));
        }
        for ((column, _), Held { stray, count, first_row }) in held {
            let Stray { limit, farthest, unit } = stray;
            let kind = NoteKind::HeldToRange { limit, farthest, unit, count, first_row };
            findings.note(Note::on_file(&self.file, kind).on_column(&column));
        }
        values
    }
}

/// One record of a CSV as it stands in its text.
pub(super) struct Record {
    /// Line that it starts in, as an editor numbers it.
    pub(super) line: u64,
    /// Its cells, without blanks around them, as they are meant.
    pub(super) cells: csv::StringRecord,
    /// The same as they are written, where that is another way.
    pub(super) written: Option<csv::StringRecord>,
    /// Lines that it runs over.
    pub(super) lines: u64,
    /// Its bytes, without the end of its last line.
    pub(super) bytes: std::ops::Range<usize>,
}

/// Records in the order of the text.
pub(super) fn records(text: &str) -> impl Iterator<Item = Record> + '_ {
    let mut reader = csv::ReaderBuilder::new()
        .has_headers(false)
        .flexible(true)
        .trim(csv::Trim::All)
        .from_reader(text.as_bytes());
    let mut lines = Lines::default();
    std::iter::from_fn(move || {
        let mut record = csv::StringRecord::new();
        // Reading from text in memory can fail neither in I/O nor in UTF-8.
        if !reader.read_record(&mut record).unwrap_or(false) {
            return None;
        }
        let position = record.position().cloned();
        let mut written = None;
        if record.iter().any(|cell| cell.starts_with('\'')) {
            let meant = record.iter().map(plain).collect();
            written = Some(std::mem::replace(&mut record, meant));
        }
        let bytes = text.as_bytes();
        let offset =
            |byte: u64| usize::try_from(byte).map_or(bytes.len(), |at| at.min(bytes.len()));
        let start = position.map_or(0, |position| offset(position.byte()));
        let end = offset(reader.position().byte());
        // The reader leaves the LF of a CRLF, and empty lines, at the head of the next record.
        let blank = |byte: &&u8| matches!(byte, b'\r' | b'\n');
        let start = start + bytes[start..].iter().take_while(blank).count();
        let first = lines.line_at(bytes, start);
        let own = &bytes[start..end.max(start)];
        let inner = own.iter().rposition(|byte| !blank(&byte)).map_or(0, |last| last + 1);
        let spanned = 1 + own[..inner].iter().filter(|&&byte| byte == b'\n').count() as u64;
        let bytes = start..start + inner;
        Some(Record { line: first, cells: record, written, lines: spanned, bytes })
    })
}

fn read_header(
    file: &str,
    header: &csv::StringRecord,
    columns: &Columns,
    findings: &mut Findings,
) -> Option<HashMap<String, usize>> {
    let mut places: HashMap<String, usize> = HashMap::new();
    let flaws_before = findings.flaws.len();
    for (at, name) in header.iter().enumerate().filter(|(_, name)| !name.is_empty()) {
        if let Some(first) = places.insert(name.to_owned(), at) {
            let problem = FlawKind::DuplicateColumn { first: first + 1, second: at + 1 };
            findings.flaw(file, Some(1), Some(&shown(name)), problem);
        }
    }
    let lone = (header.len() == 1).then(|| header[0].chars().find(|c| matches!(c, ';' | '\t')));
    if let Some(Some(separator)) = lone {
        findings.flaw(file, Some(1), None, FlawKind::WrongSeparator { separator });
        return None;
    }
    let found = || header.iter().map(shown).collect::<Vec<_>>();
    for name in columns.required.iter().filter(|&&name| !places.contains_key(name)) {
        findings.flaw(file, None, Some(name), FlawKind::MissingColumn { found: found() });
    }
    for &wanted in columns.one_of {
        if !wanted.iter().any(|&name| places.contains_key(name)) {
            findings.flaw(file, None, None, FlawKind::MissingOneOf { wanted, found: found() });
        }
    }
    let known = columns.known();
    let unknown = header.iter().enumerate().filter(|(_, name)| !known.contains(name));
    let names: Vec<String> = unknown
        .map(|(at, name)| if name.is_empty() { format!("column {}", at + 1) } else { shown(name) })
        .collect();
    if !names.is_empty() {
        findings.note(Note::on_file(file, NoteKind::UnknownColumns { names }));
    }
    (findings.flaws.len() == flaws_before).then_some(places)
}

fn read_rows(
    file: &str,
    expected: usize,
    records: impl Iterator<Item = Record>,
    findings: &mut Findings,
) -> Vec<Row> {
    let (mut rows, mut blank) = (Vec::new(), 0);
    for Record { line, cells, lines, .. } in records {
        if cells.iter().all(str::is_empty) {
            blank += 1;
        } else if cells.len() == expected {
            rows.push(Row { line, cells });
        } else {
            let problem = FlawKind::Ragged { expected, found: cells.len(), lines };
            findings.flaw(file, Some(line), None, problem);
        }
    }
    if blank > 0 {
        findings.note(Note::on_file(file, NoteKind::BlankRows { count: blank }));
    }
    rows
}

/// Ids of a file with the row of each, those of flawed rows included, so that one flaw does not
/// bring others.
#[derive(Debug, Clone, Default)]
pub struct Ids {
    rows: HashMap<String, u64>,
    all_known: bool,
}

impl Ids {
    /// Number of ids known.
    pub fn len(&self) -> usize {
        self.rows.len()
    }

    /// Is none known?
    pub fn is_empty(&self) -> bool {
        self.rows.is_empty()
    }

    /// Could every id of the file be read? Where not, no other id can be called unknown.
    pub fn all_known(&self) -> bool {
        self.all_known
    }
}

impl<'i> FromIterator<&'i str> for Ids {
    fn from_iter<I: IntoIterator<Item = &'i str>>(ids: I) -> Self {
        let rows = ids.into_iter().map(|id| (id.to_owned(), 0)).collect();
        Self { rows, all_known: true }
    }
}

/// One row's cells, read one by one. A cell that cannot be is told in the findings and read as
/// none.
pub struct Cells<'t> {
    table: &'t Table,
    row: &'t Row,
    zone: Tz,
    findings: &'t mut Findings,
    without_offset: usize,
    held: &'t mut HeldCells,
}

impl Cells<'_> {
    /// Line of the row, as an editor numbers it.
    pub fn line(&self) -> u64 {
        self.row.line
    }

    /// A flaw of this row.
    pub fn flaw(&mut self, column: Option<&str>, problem: FlawKind) {
        self.findings.flaw(&self.table.file, Some(self.row.line), column, problem);
    }

    /// A note on this row.
    pub fn note(&mut self, column: &str, kind: NoteKind) {
        let note = Note::on_file(&self.table.file, kind).at_row(self.row.line).on_column(column);
        self.findings.note(note);
    }

    /// Has the cell a value?
    pub fn has(&self, column: &str) -> bool {
        self.cell(column).is_some()
    }

    /// Free text, as it stands. A control character in it is a flaw.
    pub fn text(&mut self, column: &str) -> Option<String> {
        let text = self.cell(column)?.to_owned();
        if let Some(control) = unreadable_in_lines(&text) {
            let code = u32::from(control);
            self.flaw(Some(column), FlawKind::ControlCharacter { text: shown(&text), code });
            return None;
        }
        Some(text)
    }

    /// An id: up to 64 characters, none of them a control character. Empty is a flaw.
    pub fn id(&mut self, column: &str) -> Option<String> {
        let text = self.required(column)?.to_owned();
        if let Some(control) = unreadable(&text) {
            let code = u32::from(control);
            self.flaw(Some(column), FlawKind::ControlCharacter { text: shown(&text), code });
            None
        } else if text.chars().count() > LONGEST_ID {
            let problem = FlawKind::TooLong { text: shown(&text), most: LONGEST_ID };
            self.flaw(Some(column), problem);
            None
        } else {
            Some(text)
        }
    }

    /// An id that no row before has.
    pub fn new_id(&mut self, column: &str, ids: &mut Ids) -> Option<String> {
        let Some(id) = self.id(column) else {
            ids.all_known = false;
            return None;
        };
        if let Some(&first_row) = ids.rows.get(&id) {
            self.flaw(Some(column), FlawKind::Duplicate { text: id, first_row });
            return None;
        }
        ids.rows.insert(id.clone(), self.row.line);
        Some(id)
    }

    /// An id that another file must have.
    pub fn known_id(&mut self, column: &str, ids: &Ids, wanted_in: &'static str) -> Option<String> {
        let id = self.id(column)?;
        if ids.rows.contains_key(&id) {
            return Some(id);
        }
        if ids.all_known {
            self.flaw(Some(column), FlawKind::Unknown { text: id, wanted_in });
        }
        None
    }

    /// A number within a range, none where the cell is empty. One that strays no further than
    /// instruments do is held to the range.
    pub fn number(&mut self, column: &str, allowed: &Allowed) -> Option<f64> {
        let value = self.finite(column)?;
        if let Some(stray) = allowed.strays(value) {
            let side = (column.to_owned(), value > stray.limit);
            let none = Held { stray, count: 0, first_row: self.row.line };
            self.held.entry(side).or_insert(none).count += 1;
            return Some(stray.limit);
        }
        match allowed.flaw(value) {
            None => Some(value),
            Some(problem) => {
                self.flaw(Some(column), problem);
                None
            }
        }
    }

    /// A number within a range; empty is a flaw.
    pub fn required_number(&mut self, column: &str, allowed: &Allowed) -> Option<f64> {
        self.required(column)?;
        self.number(column, allowed)
    }

    /// A whole number within a range, none where the cell is empty.
    pub fn whole(&mut self, column: &str, low: u32, high: u32) -> Option<u32> {
        let allowed = Allowed::new("", low.into(), high.into()).or_else(|_| "correct the count");
        let value = self.number(column, &allowed)?;
        if value.fract() != 0.0 {
            self.flaw(Some(column), FlawKind::NotWhole { value, low, high });
            return None;
        }
        Some(value as u32)
    }

    /// A whole number within a range; empty is a flaw.
    pub fn required_whole(&mut self, column: &str, low: u32, high: u32) -> Option<u32> {
        self.required(column)?;
        self.whole(column, low, high)
    }

    /// One of a few words, none where the cell is empty.
    pub fn word(&mut self, column: &str, allowed: &'static [&'static str]) -> Option<&'static str> {
        let text = self.cell(column)?;
        let word = allowed.iter().find(|&&word| word == text).copied();
        if word.is_none() {
            let problem = FlawKind::NotOneOf { text: shown(text), allowed };
            self.flaw(Some(column), problem);
        }
        word
    }

    /// A time, none where the cell is empty.
    pub fn time(&mut self, column: &str) -> Option<DateTime<Utc>> {
        match read_time(self.cell(column)?, self.zone) {
            Ok(time) => {
                self.without_offset += usize::from(!time.has_offset);
                Some(time.at)
            }
            Err(flaw) => {
                self.flaw(Some(column), flaw.into());
                None
            }
        }
    }

    /// A time; empty is a flaw.
    pub fn required_time(&mut self, column: &str) -> Option<DateTime<Utc>> {
        self.required(column)?;
        self.time(column)
    }

    /// A date, none where the cell is empty.
    pub fn date(&mut self, column: &str) -> Option<NaiveDate> {
        match read_date(self.cell(column)?) {
            Ok(date) => Some(date),
            Err(flaw) => {
                self.flaw(Some(column), flaw.into());
                None
            }
        }
    }

    fn cell(&self, column: &str) -> Option<&str> {
        let text = &self.row.cells[*self.table.columns.get(column)?];
        (!text.is_empty()).then_some(text)
    }

    fn required(&mut self, column: &str) -> Option<&str> {
        if !self.has(column) {
            self.flaw(Some(column), FlawKind::Empty);
        }
        self.cell(column)
    }

    fn finite(&mut self, column: &str) -> Option<f64> {
        let text = self.cell(column)?;
        let problem = match text.parse::<f64>() {
            Ok(value) if value.is_finite() => return Some(value),
            Ok(_) => FlawKind::NotFinite { text: shown(text) },
            Err(_) => FlawKind::NotANumber { text: shown(text), remedy: number_remedy(text) },
        };
        self.flaw(Some(column), problem);
        None
    }
}

fn number_remedy(text: &str) -> &'static str {
    let digits_and = |marks: &str| text.chars().all(|c| c.is_ascii_digit() || marks.contains(c));
    let missing = ["na", "n/a", "null", "none", "-", "--", "missing"];
    if missing.contains(&text.to_lowercase().as_str()) {
        "; leave the cell empty where nothing was measured"
    } else if text.contains(',') && digits_and(",.+-") {
        "; write the decimal mark as a point, and no mark between thousands"
    } else if text.starts_with(|c: char| c.is_ascii_digit() || "+-.".contains(c)) {
        "; write digits only, the unit is in the column's name"
    } else {
        "; write digits only"
    }
}

#[cfg(test)]
#[path = "rows_tests.rs"]
mod tests;
