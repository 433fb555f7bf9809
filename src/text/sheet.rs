//! A user's CSV with a row more, a row less or other cells in a row: every other byte stays.

use super::rows::{Record, records};
use super::written::harmless;
use std::borrow::Cow;

/// A CSV as it stands in its file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Sheet {
    text: String,
}

/// A quote is left open in the file, so that nothing can be put behind it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("a quote is left open; close it with \" where its text ends")]
pub struct OpenQuote;

const MARK: &str = "\u{feff}";

impl Sheet {
    /// A new one with these columns and no rows.
    pub fn new(columns: &[&str]) -> Self {
        Self { text: line(columns, "\n") }
    }

    /// One that is there.
    ///
    /// # Errors
    /// [`OpenQuote`].
    pub fn of(text: &str) -> Result<Self, OpenQuote> {
        // Whatever stands behind an open quote belongs to it, also a row put there.
        let probe = format!("{text}\nx\n");
        let ends = records(probe.strip_prefix(MARK).unwrap_or(&probe)).last();
        match ends {
            Some(end) if end.cells.len() == 1 && &end.cells[0] == "x" => {
                Ok(Self { text: text.to_owned() })
            }
            _ => Err(OpenQuote),
        }
    }

    /// Its text.
    pub fn text(&self) -> &str {
        &self.text
    }

    fn start(&self) -> usize {
        if self.text.starts_with(MARK) { MARK.len() } else { 0 }
    }

    /// Records, the header first; their bytes count from the start of the text.
    fn records(&self) -> Vec<Record> {
        let start = self.start();
        let mut records: Vec<Record> = records(&self.text[start..]).collect();
        for record in &mut records {
            record.bytes = record.bytes.start + start..record.bytes.end + start;
        }
        records
    }

    fn line_end(&self) -> &'static str {
        match self.text.find('\n') {
            Some(at) if at > 0 && self.text.as_bytes()[at - 1] == b'\r' => "\r\n",
            _ => "\n",
        }
    }

    /// Rows that `wanted` finds, from 1, in the order of the file. It is given a reader of cells
    /// by the name of their column, which gives an empty text where there is none.
    pub fn find(&self, wanted: impl Fn(&dyn Fn(&str) -> String) -> bool) -> Vec<usize> {
        let records = self.records();
        let Some((header, rows)) = records.split_first() else { return Vec::new() };
        let found = rows.iter().enumerate().filter(|(_, row)| {
            wanted(&|column| {
                let at = header.cells.iter().position(|name| name == column);
                at.and_then(|at| row.cells.get(at)).unwrap_or_default().to_owned()
            })
        });
        found.map(|(at, _)| at + 1).collect()
    }

    /// Adds a row at the end. Columns that are not there, and have a value, are added too.
    pub fn append(&mut self, cells: &[(&str, &str)]) {
        let header = self.header_for(cells);
        let end = self.line_end();
        if !self.text.ends_with('\n') {
            self.text.push_str(end);
        }
        let cell = |name: &String| cells.iter().find(|(column, _)| column == name);
        let row: Vec<Cow<str>> =
            header.iter().map(|name| harmless(cell(name).map_or("", |cell| cell.1))).collect();
        self.text.push_str(&line(&row, end));
    }

    /// Gives a row, from 1, other values in some columns.
    pub fn change(&mut self, row: usize, cells: &[(&str, &str)]) {
        let header = self.header_for(cells);
        let records = self.records();
        let Some(record) = records.get(row) else { return };
        let old = record.written.as_ref().unwrap_or(&record.cells);
        let changed: Vec<Cow<str>> = header
            .iter()
            .zip(old.iter().chain(std::iter::repeat("")))
            .map(|(name, old)| {
                let new = cells.iter().find(|(column, _)| column == name);
                new.map_or(old.into(), |(_, value)| harmless(value))
            })
            .collect();
        self.text.replace_range(record.bytes.clone(), &line(&changed, ""));
    }

    /// Takes out a row, from 1, with the end of its line.
    pub fn remove(&mut self, row: usize) {
        let records = self.records();
        let Some(record) = records.get(row) else { return };
        let rest = &self.text[record.bytes.end..];
        let end = ["\r\n", "\n", "\r"].into_iter().find(|end| rest.starts_with(end));
        let to = record.bytes.end + end.map_or(0, str::len);
        self.text.replace_range(record.bytes.start..to, "");
    }

    /// The columns, with those of `cells` that have a value and are not there added.
    fn header_for(&mut self, cells: &[(&str, &str)]) -> Vec<String> {
        let records = self.records();
        let mut header: Vec<String> = match records.first() {
            Some(header) => header.cells.iter().map(str::to_owned).collect(),
            None => Vec::new(),
        };
        let is_new = |(column, value): &&(&str, &str)| {
            !value.is_empty() && !header.iter().any(|name| name == column)
        };
        let fresh: Vec<String> =
            cells.iter().filter(is_new).map(|(column, _)| (*column).to_owned()).collect();
        if !fresh.is_empty() {
            let blanks = ",".repeat(fresh.len());
            for (at, record) in records.iter().enumerate().rev() {
                let more = if at == 0 { format!(",{}", fresh.join(",")) } else { blanks.clone() };
                self.text.insert_str(record.bytes.end, &more);
            }
            header.extend(fresh);
        }
        header
    }
}

/// A row as CSV, quoted where it must be.
fn line(cells: &[impl AsRef<str>], end: &str) -> String {
    let mut writer = csv::WriterBuilder::new().from_writer(Vec::new());
    // Writing into memory cannot fail, and of UTF-8 comes UTF-8.
    let _ = writer.write_record(cells.iter().map(|cell| cell.as_ref()));
    let bytes = writer.into_inner().unwrap_or_default();
    let text = String::from_utf8(bytes).unwrap_or_default();
    format!("{}{end}", text.trim_end_matches('\n'))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const KEPT: &str = "\u{feff}id, note ,\"own, column\"\r\na, \"one\ntwo\" ,x\r\n\r\nb,,\r\n";

    #[test]
    fn a_row_more_leaves_every_other_byte() {
        let mut sheet = Sheet::of(KEPT).unwrap();
        sheet.append(&[("id", "c"), ("note", "with, comma")]);
        assert_eq!(sheet.text(), format!("{KEPT}c,\"with, comma\",\r\n"));
        let added = sheet.find(|cell: &dyn Fn(&str) -> String| cell("id") == "c");
        sheet.remove(added[0]);
        assert_eq!(sheet.text(), KEPT);
    }

    #[test]
    fn a_changed_row_is_the_only_one() {
        let mut sheet = Sheet::of(KEPT).unwrap();
        let row = sheet.find(|cell| cell("note").is_empty());
        sheet.change(row[0], &[("note", "wet")]);
        assert_eq!(sheet.text(), KEPT.replace("b,,", "b,wet,"));
        sheet.change(row[0], &[("note", "")]);
        assert_eq!(sheet.text(), KEPT);
    }

    #[test]
    fn formulas_of_the_user_stay_and_none_comes_in() {
        let mut sheet = Sheet::of("id,note,mine\na,'-5 mL,=B2*2\n").unwrap();
        sheet.change(1, &[("id", "b")]);
        assert_eq!(sheet.text(), "id,note,mine\nb,'-5 mL,=B2*2\n");
        assert_eq!(sheet.find(|cell| cell("note") == "-5 mL"), [1]);
        sheet.change(1, &[("note", "=1")]);
        sheet.append(&[("id", "@c")]);
        assert_eq!(sheet.text(), "id,note,mine\nb,'=1,=B2*2\n'@c,,\n");
    }

    #[test]
    fn a_column_more() {
        let mut sheet = Sheet::of("id\n\"a\"\nb").unwrap();
        sheet.append(&[("id", "c"), ("to", "9"), ("why", "")]);
        assert_eq!(sheet.text(), "id,to\n\"a\",\nb,\nc,9\n");
        let mut new = Sheet::new(&["id", "to"]);
        new.append(&[("id", "a")]);
        assert_eq!(new.text(), "id,to\na,\n");
    }

    #[test]
    fn an_open_quote_is_found() {
        assert_eq!(Sheet::of("id,note\na,\"open"), Err(OpenQuote));
        assert!(Sheet::of("id,note\na,\"shut\"").is_ok());
        assert!(Sheet::of("id\n").is_ok());
    }

    proptest! {
        #[test]
        fn what_is_added_is_found_and_can_be_taken_out(
            rows in prop::collection::vec(["[a-z ,\"\n=]{0,8}", "[a-z]{1,4}"], 0..6),
            added in ["[a-z,\"\n=]{0,8}", "[A-Z]{1,4}"],
        ) {
            let mut sheet = Sheet::new(&["note", "id"]);
            for [note, id] in &rows {
                sheet.append(&[("note", note), ("id", id)]);
            }
            let before = sheet.clone();
            let [note, id] = &added;
            sheet.append(&[("id", id), ("note", note)]);
            prop_assert!(Sheet::of(sheet.text()).is_ok());
            let same = |cell: &dyn Fn(&str) -> String| cell("id") == *id && cell("note") == note.trim();
            let found = sheet.find(same);
            prop_assert_eq!(&found, &[rows.len() + 1]);
            sheet.remove(found[0]);
            prop_assert_eq!(sheet, before);
        }
    }
}
