use super::*;
use proptest::prelude::*;

const COLUMNS: Columns =
    Columns { required: &["id", "n"], one_of: &[&["x", "y"]], optional: &["note", "at"] };

type Line = (u64, Option<String>, Option<f64>);

fn read(text: &str) -> (Vec<Line>, Findings) {
    let mut findings = Findings::default();
    let rows = Table::read("t.csv", text, &COLUMNS, &mut findings).map(|table| {
        table.each(Tz::UTC, &mut findings, |row| {
            Some((row.line(), row.id("id"), row.number("n", &Allowed::new("m", -1e6, 1e6))))
        })
    });
    (rows.unwrap_or_default(), findings)
}

fn flaws(text: &str) -> Vec<String> {
    read(text).1.flaws.iter().map(ToString::to_string).collect()
}

fn lines(text: &str) -> Vec<u64> {
    read(text).0.iter().map(|row| row.0).collect()
}

#[test]
fn lines_are_those_of_an_editor() {
    assert_eq!(lines("id,n,x\na,1,\nb,2,\n"), [2, 3]);
    assert_eq!(lines("id,n,x\r\na,1,\r\nb,2,\r\n"), [2, 3]);
    assert_eq!(lines("\u{feff}id,n,x\r\na,1,\r\n\r\n\r\nb,2,"), [2, 5]);
    assert_eq!(lines("id,n,x,note\na,1,,\"two\nlines\"\nb,2,,\n"), [2, 4]);
    assert_eq!(lines("id,n,x,note\r\na,1,,\"two\r\nlines\"\r\nb,2,,\r\n"), [2, 4]);
    assert_eq!(lines("id,n,x\ra,1,\rb,2,\r"), [2, 3]);
}

#[test]
fn header_only_is_a_table_without_rows() {
    assert_eq!(read("id,n,x\n"), (vec![], Findings::default()));
    assert_eq!(read("\u{feff}id,n,x\r\n"), (vec![], Findings::default()));
}

#[test]
fn header_flaws_name_what_is_there() {
    assert_eq!(flaws(""), ["t.csv: the file is empty; its first line must name the columns"]);
    assert_eq!(
        flaws("id,z\n"),
        [
            "t.csv: n is missing: add this column (columns found: id, z)",
            "t.csv: one of the columns x, y is needed and none is there (columns found: id, z)",
        ]
    );
    assert_eq!(
        flaws("id,n,x,n\n"),
        ["t.csv row 1: n stands twice in the header (columns 2 and 4); keep one"]
    );
    assert_eq!(
        flaws("id;n;x\n"),
        ["t.csv row 1: the columns are separated by ';'; save the file with commas"]
    );
}

#[test]
fn unknown_columns_and_blank_rows_are_told_once() {
    let (rows, findings) = read("id,n,x,colour,\na,1,,red,\n,,,,\nb,2,,blue,\n");
    assert_eq!(rows.len(), 2);
    let notes: Vec<String> = findings.notes.iter().map(ToString::to_string).collect();
    assert_eq!(
        notes,
        [
            "t.csv: columns not known here are kept aside: colour, column 5",
            "t.csv: rows without any value passed over: 1",
        ]
    );
    assert!(findings.flaws.is_empty());
}

#[test]
fn ragged_rows_are_refused() {
    assert_eq!(
        flaws("id,n,x,note\na,1\nb,2,,\"open\nc,3,,\n"),
        ["t.csv row 2: the row has 2 cells where the header has 4; fill or remove cells, \
             and put quotes around text with commas",]
    );
    assert_eq!(
        flaws("id,n,x,note\nb,2,\"open\nc,3,,\n"),
        ["t.csv row 2: the row has 3 cells where the header has 4 and runs over 2 lines (is \
             a quote left open?); fill or remove cells, and put quotes around text with commas",]
    );
}

#[test]
fn numbers_must_be_finite_and_plain() {
    let flaw = |cell: &str| flaws(&format!("id,n,x\na,{cell},\n")).join("|");
    let finite = |cell| {
        format!(
            "t.csv row 2: n '{cell}' is not a finite number; leave the cell empty where \
             nothing was measured"
        )
    };
    for cell in ["NaN", "inf", "-inf", "1e400", "infinity"] {
        assert_eq!(flaw(cell), finite(cell));
    }
    assert_eq!(
        flaw("\"12,5\""),
        "t.csv row 2: n '12,5' is not a number; write the decimal mark as a point, and no mark \
         between thousands"
    );
    assert_eq!(
        flaw("NA"),
        "t.csv row 2: n 'NA' is not a number; leave the cell empty where nothing was measured"
    );
    assert_eq!(
        flaw("12 m"),
        "t.csv row 2: n '12 m' is not a number; write digits only, the unit is in the column's \
         name"
    );
    assert_eq!(
        flaw("-9999999"),
        "t.csv row 2: n -9999999 m is outside -1000000 to 1000000 m; correct the value or its \
         unit"
    );
    assert_eq!(flaw(""), "");
}

#[test]
fn a_value_that_a_station_writes_for_none_is_named() {
    let allowed = Allowed::new("degC", -60.0, 60.0);
    for value in [-9999.0, -99.9, 9999.0, -999.0, 999.9] {
        assert!(matches!(allowed.flaw(value), Some(FlawKind::Sentinel { .. })), "{value}");
    }
    assert!(matches!(allowed.flaw(-98.0), Some(FlawKind::OutOfRange { .. })));
    assert!(allowed.flaw(f64::NAN).is_some());
    assert!(Allowed::new("W/m2", 0.0, 1500.0).flaw(999.0).is_none());
}

#[test]
fn ids_are_short_and_printable() {
    assert_eq!(
        flaws("id,n,x\n\"a\tb\",1,\n,1,\n"),
        [
            "t.csv row 2: id 'a\\tb' holds the control character U+0009; take it out",
            "t.csv row 3: id is empty; every row needs it",
        ]
    );
    let flaw = flaws(&format!("id,n,x\n{},1,\n", "a".repeat(3000))).join("|");
    assert!(flaw.ends_with("... (3000 characters)' is longer than 64 characters; shorten it"));
    assert!(flaw.len() < 200);
}

#[test]
fn bytes_that_are_not_utf8_are_placed() {
    let mut findings = Findings::default();
    assert_eq!(decode("t.csv", b"id,n\r\nCa\xf1ada,1\n", &mut findings), None);
    assert_eq!(
        findings.flaws[0].to_string(),
        "t.csv row 2: byte 9 (0xF1) is not UTF-8; save the file as UTF-8"
    );
}

proptest! {
    #[test]
    fn no_bytes_panic(bytes in prop::collection::vec(any::<u8>(), 0..400)) {
        let mut findings = Findings::default();
        if let Some(text) = decode("t.csv", &bytes, &mut findings) {
            let _ = read(text);
            let _ = read(&format!("id,n,x\n{text}"));
        }
    }

    #[test]
    fn rows_know_their_line(
        cells in prop::collection::vec("[a-z]{1,5}(\n[a-z]{1,5}){0,3}", 1..20),
        crlf in any::<bool>(),
    ) {
        let line_end = if crlf { "\r\n" } else { "\n" };
        let mut text = format!("id,n,x,note{line_end}");
        let mut expected = Vec::new();
        for cell in &cells {
            expected.push(text.matches('\n').count() as u64 + 1);
            text += &format!("i,1,,\"{}\"{line_end}", cell.replace('\n', line_end));
        }
        prop_assert_eq!(lines(&text), expected);
    }
}
