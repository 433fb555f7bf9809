//! Bad files as people bring them, and the exact sentence that each one gets.

use std::collections::BTreeMap;
use xylocast::grove::Grove;

const TOML: &str = "name = \"Home\"\ntime_zone = \"Australia/Adelaide\"\nlatitude_deg = -34.5\n\
                    longitude_deg = 138.7\nelevation_m = 120\n";
const TREES: &str = "tree_id,block,species,circumference_cm,ports\nA1,North,avocado,94.2,8\n";
const DRAWS: &str = "draw_id,tree_id,started,charge_ml\nd1,A1,2026-01-14T09:00:00+10:30,1000\n";

/// The flaws of a sound grove with one file replaced.
fn flaws(name: &str, bytes: &[u8]) -> Vec<String> {
    let mut files = BTreeMap::from([
        ("grove.toml", TOML.as_bytes()),
        ("trees.csv", TREES.as_bytes()),
        ("draws.csv", DRAWS.as_bytes()),
    ]);
    files.insert(name, bytes);
    match Grove::read(&files) {
        Ok(_) => Vec::new(),
        Err(refused) => refused.flaws.iter().map(ToString::to_string).collect(),
    }
}

fn says(name: &str, text: &str, message: &str) {
    let expected = format!("{name}{message}");
    assert_eq!(flaws(name, text.as_bytes()), [expected], "in:\n{text}");
}

#[test]
fn sound_files_have_no_flaw() {
    assert!(flaws("grove.toml", TOML.as_bytes()).is_empty());
    let crlf = format!("\u{feff}{}", TREES.replace('\n', "\r\n"));
    assert!(flaws("trees.csv", crlf.as_bytes()).is_empty());
    for name in ["draws.csv", "readings.csv", "pauses.csv", "blocks.csv", "hang.csv"] {
        let header = match name {
            "draws.csv" => "draw_id,tree_id,started,charge_ml\r\n",
            "readings.csv" => "draw_id,time,state",
            "pauses.csv" => "draw_id,from\n",
            "blocks.csv" => "block\n",
            _ => "draw_id,tree_id,start,charge_ml\n",
        };
        assert!(flaws(name, header.as_bytes()).is_empty(), "{name}, header only");
    }
    for name in ["weather/observed.csv", "weather/forecast.csv"] {
        assert!(flaws(name, b"hour_ending,air_temp_c\n").is_empty(), "{name}, header only");
    }
}

#[test]
fn whole_files() {
    says("trees.csv", "", ": the file is empty; its first line must name the columns");
    says("trees.csv", "\u{feff}\r\n", ": the file is empty; its first line must name the columns");
    says(
        "trees.csv",
        "tree_id;block;species;dbh_cm;ports\nA1;North;;30;8\n",
        " row 1: the columns are separated by ';'; save the file with commas",
    );
    says(
        "trees.csv",
        "tree_id\tblock\n",
        " row 1: the columns are separated by '\\t'; save the file with commas",
    );
    says(
        "trees.csv",
        "tree_id,block,species,ports,tree_id,dbh_cm\n",
        " row 1: tree_id stands twice in the header (columns 1 and 5); keep one",
    );
    says(
        "trees.csv",
        "tree,block,species,ports,dbh_cm\n",
        ": tree_id is missing: add this column (columns found: tree, block, species, ports, dbh_cm)",
    );
    says(
        "trees.csv",
        "tree_id,block,species,ports,dbh_in\n",
        ": one of the columns circumference_cm, dbh_cm is needed and none is there (columns found: \
         tree_id, block, species, ports, dbh_in)",
    );
    assert_eq!(
        flaws("trees.csv", b"tree_id,block,species,ports,dbh_cm\r\nA\xf1,North,,8,30\r\n"),
        ["trees.csv row 2: byte 38 (0xF1) is not UTF-8; save the file as UTF-8"]
    );
    assert_eq!(
        flaws("trees.csv", b"\xff\xfet\0r\0e\0e\0"),
        ["trees.csv row 1: byte 1 (0xFF) is not UTF-8; save the file as UTF-8"]
    );
}

#[test]
fn rows_and_lines() {
    let tree = |row: &str| format!("tree_id,block,species,dbh_cm,ports,note\n{row}\n");
    says(
        "trees.csv",
        &tree("A1,North,,30,8"),
        " row 2: the row has 5 cells where the header has 6; fill or remove cells, and put quotes \
         around text with commas",
    );
    says(
        "trees.csv",
        &tree("A1,North,,30,8,by the gate, left"),
        " row 2: the row has 7 cells where the header has 6; fill or remove cells, and put quotes \
         around text with commas",
    );
    says(
        "trees.csv",
        &tree("A1,North,,30,8,\"two\nlines\"\nA2,North,,30,0,"),
        " row 4: ports 0 is outside 1 to 40; correct the count",
    );
    says(
        "trees.csv",
        &tree("A1,North,,30,8,\"two\nlines\"\n\nA2,North,,30,0,").replace('\n', "\r\n"),
        " row 5: ports 0 is outside 1 to 40; correct the count",
    );
}

#[test]
fn cells_of_trees() {
    let tree = |row: &str| format!("tree_id,block,species,dbh_cm,ports,note\n{row}\n");
    for (row, message) in [
        (",North,,30,8,", " row 2: tree_id is empty; every row needs it"),
        ("A1,,,30,8,", " row 2: block is empty; every row needs it"),
        ("A1,North,,30,,", " row 2: ports is empty; every row needs it"),
        ("A1,North,,,8,", " row 2: circumference_cm and dbh_cm are both empty; fill one of them"),
        (
            "A1,North,\u{1b}[31mred,30,8,",
            " row 2: species '\\u{1b}[31mred' holds the control character U+001B; take it out",
        ),
        (
            "A1,North,,30,8,a\u{202e}b",
            " row 2: note 'a\\u{202e}b' holds the control character U+202E; take it out",
        ),
        (
            "A\u{7}1,North,,30,8,",
            " row 2: tree_id 'A\\u{7}1' holds the control character U+0007; take it out",
        ),
        (
            "A1,North,,NaN,8,",
            " row 2: dbh_cm 'NaN' is not a finite number; leave the cell empty where nothing was \
             measured",
        ),
        (
            "A1,North,,1e400,8,",
            " row 2: dbh_cm '1e400' is not a finite number; leave the cell empty where nothing was \
             measured",
        ),
        (
            "A1,North,,\"30,5\",8,",
            " row 2: dbh_cm '30,5' is not a number; write the decimal mark as a point, and no mark \
             between thousands",
        ),
        ("A1,North,,thick,8,", " row 2: dbh_cm 'thick' is not a number; write digits only"),
        (
            "A1,North,,512,8,",
            " row 2: dbh_cm 512 cm is outside 3 to 478 cm; if this is in mm, divide by 10",
        ),
        (
            "A1,North,,1e300,8,",
            " row 2: dbh_cm 1e300 cm is outside 3 to 478 cm; if this is in mm, divide by 10",
        ),
        ("A1,North,,30,8.5,", " row 2: ports 8.5 is not a whole number; write one from 1 to 40"),
        (
            "A1,North,,30,8,\nA1,North,,30,8,",
            " row 3: tree_id 'A1' stands already in row 2; each may stand once",
        ),
    ] {
        // Draws would tell of a missing A1 only where no row has that id.
        let mut files = BTreeMap::from([("grove.toml", TOML.as_bytes())]);
        let text = tree(row);
        files.insert("trees.csv", text.as_bytes());
        let refused = Grove::read(&files).unwrap_err();
        assert_eq!(refused.to_string(), format!("trees.csv{message}"), "{row}");
    }
}

#[test]
fn an_endless_field_makes_a_short_message() {
    let text = format!("draw_id,tree_id,started,charge_ml\nd1,A1,{},1000\n", "9".repeat(100_000));
    let flaws = flaws("draws.csv", text.as_bytes());
    assert_eq!(flaws.len(), 1);
    assert_eq!(
        flaws[0],
        format!(
            "draws.csv row 2: started '{}... (100000 characters)' is not a time; write it as \
             2026-01-14T09:30:00+10:30",
            "9".repeat(40)
        )
    );
}

#[test]
fn times() {
    let draw = |time: &str| format!("draw_id,tree_id,started,charge_ml\nd1,A1,{time},1000\n");
    for (time, message) in [
        (
            "14/01/2026 09:00",
            "'14/01/2026 09:00' is not a time; write it as 2026-01-14T09:30:00+10:30",
        ),
        (
            "2026-02-30T09:00",
            "'2026-02-30T09:00' is not in the calendar or on the clock; correct it",
        ),
        ("1026-01-14T09:00", "'1026-01-14T09:00' is outside the years 1970 to 2100; correct it"),
        (
            "2026-01-14T09:00+23:00",
            "'2026-01-14T09:00+23:00' has an offset beyond 14 h from UTC; correct it",
        ),
        (
            "2026-10-04T02:10",
            "'2026-10-04T02:10' was skipped in Australia/Adelaide when clocks were set forward; \
             write 2026-10-04T01:10:00+09:30 or 2026-10-04T03:10:00+10:30",
        ),
        (
            "2026-04-05T02:10",
            "'2026-04-05T02:10' came twice in Australia/Adelaide when clocks were set back; write \
             2026-04-05T02:10:00+10:30 or 2026-04-05T02:10:00+09:30",
        ),
    ] {
        says("draws.csv", &draw(time), &format!(" row 2: started {message}"));
    }
}

#[test]
fn settings() {
    says(
        "grove.toml",
        &TOML.replace("\"Home\"", "\"\\u001b[2J\""),
        ": name '\\u{1b}[2J' holds the control character U+001B; take it out",
    );
    says(
        "grove.toml",
        &TOML.replace("-34.5", "-340.5"),
        " line 3: latitude_deg -340.5 deg is outside -90 to 90 deg; correct the value or its unit",
    );
    says(
        "grove.toml",
        &TOML.replace("Australia/Adelaide", "ACDT"),
        " line 2: time_zone 'ACDT' is no IANA time zone; write one such as \"Europe/Madrid\"",
    );
    says(
        "grove.toml",
        &TOML.replace("elevation_m = 120\n", ""),
        ": elevation_m is missing; add a line such as `elevation_m = 120`",
    );
    let unknown = flaws("grove.toml", format!("{TOML}altitude_m = 3\n").as_bytes());
    assert!(unknown[0].starts_with("grove.toml line 6: unknown field `altitude_m`"), "{unknown:?}");
    let syntax = flaws("grove.toml", format!("{TOML}[crew\n").as_bytes());
    assert!(syntax[0].starts_with("grove.toml line 6: "), "{syntax:?}");
    assert!(!syntax[0].contains('\n'));
}

#[test]
fn weather() {
    let row = |cells: &str| {
        format!("hour_ending,air_temp_c,shortwave_w_m2\n2026-01-14T10:00+10:30,{cells}\n")
    };
    says(
        "weather/observed.csv",
        &row("20,2554"),
        " row 2: shortwave_w_m2 2554 W/m2 is outside 0 to 1500 W/m2; if this is in MJ/m2/day, \
         convert it to W/m2 (1 MJ/m2/day = 11.574 W/m2)",
    );
    says(
        "weather/forecast.csv",
        &row("-9999,500"),
        " row 2: air_temp_c -9999 degC is outside -60 to 60 degC and looks like a station's mark \
         for a missing value; leave the cell empty",
    );
    says(
        "weather/observed.csv",
        &row("20,\"1,048\""),
        " row 2: shortwave_w_m2 '1,048' is not a number; write the decimal mark as a point, and no \
         mark between thousands",
    );
    says(
        "weather/observed.csv",
        &row("20,n/a"),
        " row 2: shortwave_w_m2 'n/a' is not a number; leave the cell empty where nothing was \
         measured",
    );
}

#[test]
fn all_bad_rows_are_told_in_one_go() {
    let mut text = "hour_ending,air_temp_c\n".to_owned();
    for hour in 0..24 {
        text += &format!("2026-01-14T{hour:02}:00Z,{}\n", 290 + hour);
    }
    let flaws = flaws("weather/observed.csv", text.as_bytes());
    assert_eq!(flaws.len(), 24);
    assert!(flaws.iter().all(|flaw| flaw.ends_with("if this is in K, subtract 273.15")));
}
