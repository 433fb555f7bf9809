//! What would do harm, typed into every text that the program keeps: by the forms of its pages, by the
//! fields of its API and by files. Which texts there are is asked of the program: the columns of a new
//! database, the keys that `grove.toml` may have, the fields of the forms and of the API's document. One
//! that is added later is in here by itself, or is told as one that nobody thought of.

use super::means::{Answer, PASSWORD, Service};
use super::{get, upload};
use axum::body::Body;
use axum::http::{Request, StatusCode, header};
use chrono::{DateTime, DurationRound, SecondsFormat, TimeDelta, Utc};
use rusqlite::types::Value as Cell;
use serde_json::{Value, json};
use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};
use xylocast::app::access::add_token;
use xylocast::grove::{Files, Grove};
use xylocast::store::db::Database;
use xylocast::store::office::Role;

/// What would do harm in a page, in SQL, in a spreadsheet, in a terminal, in a calendar, in a header
/// or in a path.
const NASTY: [&str; 14] = [
    "<script>alert(1)</script>",
    "\"><img src=x onerror=alert(1)>",
    "x' onmouseover='alert(1)",
    "'; DROP TABLE draws; --",
    "=HYPERLINK(\"http://x\")",
    "@SUM(A1)",
    "+1+cmd|' /C calc'!A0",
    "\t=1+1",
    "../../outside",
    "{{7*7}}${7*7}",
    "x\r\nATTENDEE:mailto:x@example.org\r\nSet-Cookie: a=b",
    "x\nBEGIN:VEVENT",
    "a\u{202e}b",
    "a\u{0}c\u{1b}[31m",
];

/// Tables that hold no text of a user's, or one that another way here brings in, with which.
const ELSEWHERE: [(&str, &str); 9] = [
    ("groves", "grove.toml"),
    ("weather_files", "names of our own files and columns"),
    ("weather_pulled", "names of the program's own sources"),
    ("forecasts", "names of the program's own sources"),
    ("forecast_pulled_hours", "names of the program's own sources"),
    ("models", "a model file is held to its digest; tests/cli.rs"),
    ("batches", "words of ours"),
    ("audit", "the rows of all others, as JSON; shown nowhere"),
    ("acting", "who is logged in; see people"),
];

/// Trees on which bags come and go; the others of the grove are to be hung.
const TREES_OF_ONE_BAG: i64 = 60;

/// From here on the numbers of rows that have a column of a nasty name.
const NAMES: i64 = 100 * TREES_OF_ONE_BAG + TREES_OF_ONE_BAG / 2;

const ZONE: &str = "Australia/Adelaide";

fn hour() -> DateTime<Utc> {
    Utc::now().duration_trunc(TimeDelta::hours(1)).unwrap()
}

fn stamp(at: DateTime<Utc>) -> String {
    at.to_rfc3339_opts(SecondsFormat::Secs, true)
}

/// The text columns of a new database, table by table.
fn text_columns() -> Vec<(String, String)> {
    let at = tempfile::tempdir().unwrap();
    let database = Database::open_or_create(&at.path().join("grove.db"), Utc::now()).unwrap();
    let question = "SELECT t.name, c.name FROM sqlite_schema t, pragma_table_info(t.name) c
                    WHERE t.type = 'table' AND c.type = 'TEXT' ORDER BY t.name = 'trees' DESC, t.rowid, c.cid";
    let text = |cell: &Cell| match cell {
        Cell::Text(text) => text.clone(),
        other => panic!("{other:?}"),
    };
    let rows = database.look(question).unwrap();
    rows.iter().map(|row| (text(&row[0]), text(&row[1]))).collect()
}

/// The file of a table, and a row of it that is sound: the `number`-th, unlike all others.
fn sound_row(table: &str, column: &str, number: i64) -> Option<(&'static str, Row)> {
    let now = hour();
    let ago = |minutes: i64| stamp(now - TimeDelta::minutes(minutes));
    let within = |minutes: i64, seconds: i64| {
        stamp(now - TimeDelta::minutes(minutes) + TimeDelta::seconds(seconds))
    };
    let id = format!("{table}-{number}");
    let tree = format!("S{:02}", number % TREES_OF_ONE_BAG);
    let (file, cells): (_, Vec<(&str, String)>) = match table {
        "trees" => (
            "trees.csv",
            vec![
                ("tree_id", id),
                ("block", "north".into()),
                ("species", "elm".into()),
                ("circumference_cm", "90".into()),
                ("ports", "6".into()),
            ],
        ),
        "blocks" => {
            let block = format!("b{:02}", number % TREES_OF_ONE_BAG);
            ("blocks.csv", vec![("block", block), ("area_ha", "1".into())])
        }
        "ports" => (
            "ports.csv",
            vec![
                ("tree_id", "S00".into()),
                ("date", (now - TimeDelta::days(number + 1)).date_naive().to_string()),
                ("hole", "1".into()),
                ("height_cm", "20".into()),
            ],
        ),
        "kits" => ("kits.csv", vec![("kit_id", id), ("tips", "8".into())]),
        "draws" => (
            "draws.csv",
            vec![
                ("draw_id", id),
                ("tree_id", tree),
                ("started", ago(500 + 40 * number)),
                ("charge_ml", "1000".into()),
                // Those hang still, so that Today shows them and readings can tell of them.
                (
                    "stripped",
                    if matches!(column, "crew" | "draw_id") {
                        String::new()
                    } else {
                        ago(470 + 40 * number)
                    },
                ),
            ],
        ),
        "readings" => (
            "readings.csv",
            vec![("draw_id", "D1".into()), ("time", within(60, number)), ("left_ml", "900".into())],
        ),
        "pauses" => (
            "pauses.csv",
            vec![
                ("draw_id", "D1".into()),
                ("from", within(190, 4 * number)),
                ("to", within(190, 4 * number + 2)),
            ],
        ),
        "intended" => (
            "hang.csv",
            vec![
                ("draw_id", id),
                ("tree_id", "S00".into()),
                ("start", ago(-24 * 60)),
                ("charge_ml", "1000".into()),
            ],
        ),
        "applications" => (
            "applications.csv",
            vec![
                ("application_id", id),
                ("tree_id", "S00".into()),
                ("applied", ago(5000)),
                ("product_ml", "1".into()),
            ],
        ),
        "entries" => {
            let act = match column {
                "tree_id" | "kit_id" => "start",
                "why" => "pause",
                "of_key" => "undo",
                _ => "reading",
            };
            let mut cells = vec![
                ("key", id.clone()),
                ("noted", ago(20)),
                ("at", ago(20)),
                ("act", act.to_owned()),
            ];
            match act {
                "start" => cells.extend([
                    ("draw_id", id),
                    ("tree_id", tree),
                    ("charge_ml", "1000".into()),
                    ("ports", "8".into()),
                ]),
                "pause" => cells.push(("draw_id", "D1".into())),
                "reading" => cells.extend([("draw_id", "D1".into()), ("state", "wet".into())]),
                _ => {}
            }
            ("journal.csv", cells)
        }
        "weather_observed" => (
            "weather/observed.csv",
            vec![
                ("hour_ending", ago(60 * (200 + number))),
                ("air_temp_c", "20".into()),
                ("rel_humidity_pct", "50".into()),
            ],
        ),
        "forecast_hours" => (
            "weather/forecast.csv",
            vec![
                ("issued_at", ago(60 * (300 + number))),
                ("hour_ending", ago(-60)),
                ("air_temp_c", "20".into()),
                ("rel_humidity_pct", "50".into()),
            ],
        ),
        _ => return None,
    };
    Some((file, cells.into_iter().map(|(name, cell)| (name.to_owned(), cell)).collect()))
}

type Row = BTreeMap<String, String>;

/// Rows of one form as a file, with the line at which each begins.
fn csv(rows: &[&Row]) -> (Vec<u8>, Vec<usize>) {
    let mut text = String::new();
    let mut lines = Vec::new();
    let mut write = |cells: Vec<&String>| {
        let mut writer = csv::Writer::from_writer(Vec::new());
        writer.write_record(cells).unwrap();
        lines.push(text.matches('\n').count() + 1);
        text += std::str::from_utf8(&writer.into_inner().unwrap()).unwrap();
    };
    write(rows[0].keys().collect());
    rows.iter().for_each(|row| write(row.values().collect()));
    (text.into_bytes(), lines.split_off(1))
}

/// `grove.toml` of the least with one more text, or with none.
fn settings(texts: &[((String, String), &str)]) -> String {
    let mut whole: toml::Table = toml::from_str(&format!(
        "name = 'plain'\ntime_zone = '{ZONE}'\nlatitude_deg = -34.9\nlongitude_deg = 138.6\n\
         elevation_m = 45\n[label]\nlabel_rate_ml_per_cm_dbh = 1\n[crew]\npeople = 3\n"
    ))
    .unwrap();
    for ((section, key), text) in texts {
        let table = match section.as_str() {
            "" => &mut whole,
            section => {
                let empty = || toml::Value::Table(toml::Table::new());
                whole.entry(section).or_insert_with(empty).as_table_mut().unwrap()
            }
        };
        table.insert(key.clone(), (*text).into());
    }
    whole.to_string()
}

const TREES: &str = "tree_id,block,species,circumference_cm,ports\n";

fn read_with(settings: &str) -> Result<Grove, String> {
    let files = Files::from([("grove.toml", settings.as_bytes()), ("trees.csv", TREES.as_bytes())]);
    Grove::read(&files).map_err(|refused| refused.to_string())
}

/// The keys that `grove.toml` may have, with their table, as the program tells them to whoever writes
/// one that it does not know.
fn keys() -> Vec<(String, String)> {
    let names = |text: &str| -> Option<Vec<String>> {
        let told = toml::from_str::<toml::Table>(text).is_ok().then(|| read_with(text))?;
        let told = told.unwrap_err();
        let list = told.split("unknown field `zz`, expected one of ").nth(1)?.split(';').next()?;
        let names = list.split(", ").map(|name| name.trim_matches('`').to_owned());
        Some(names.collect())
    };
    let mut keys = Vec::new();
    for key in names("zz = 1").expect("an unknown key is told with those that are known") {
        match names(&format!("[{key}]\nzz = 1")) {
            Some(within) => keys.extend(within.into_iter().map(|name| (key.clone(), name))),
            None => keys.push((String::new(), key)),
        }
    }
    keys
}

/// A grove with enough in it that all pages have something to show: trees, a bag that hangs, weather
/// about now.
fn grove(settings: &str, trees_of_one_bag: i64) -> Vec<(&'static str, String)> {
    let now = hour();
    let hours = |from: i64, to: i64, issued: &str| {
        let mut text = String::from("hour_ending,air_temp_c,rel_humidity_pct,shortwave_w_m2");
        text += if issued.is_empty() { "\n" } else { ",issued_at\n" };
        for hour in from..to {
            text += &format!("{},22,50,400{issued}\n", stamp(now + TimeDelta::hours(hour)));
        }
        text
    };
    let issued = format!(",{}", stamp(now - TimeDelta::hours(1)));
    let trees: String =
        (0..trees_of_one_bag).map(|tree| format!("S{tree:02},b{tree:02},elm,90,6,no\n")).collect();
    let ago = |hours: i64| stamp(now - TimeDelta::hours(hours));
    let started = ago(4);
    vec![
        ("grove.toml", settings.to_owned()),
        (
            "trees.csv",
            format!(
                "tree_id,block,species,circumference_cm,ports,hang\nT1,north,elm,90,6,yes\nT2,north,elm,95,6,yes\n{trees}"
            ),
        ),
        (
            "draws.csv",
            format!(
                "draw_id,tree_id,started,charge_ml,last_wet,first_empty,stripped\n\
                 D0,T2,{},1000,{},{},{}\nD1,T1,{started},1000,,,\n",
                ago(30),
                ago(28),
                ago(27),
                ago(26)
            ),
        ),
        ("weather/observed.csv", hours(-40, 1, "")),
        ("weather/forecast.csv", hours(1, 40, &issued)),
    ]
}

/// What was sent, and what became of it.
#[derive(Default)]
struct Sent {
    stored: BTreeMap<String, usize>,
    refused: BTreeMap<String, usize>,
    entries: i32,
}

impl Sent {
    /// When the next entry happened: no two at one instant.
    fn next_instant(&mut self) -> String {
        self.entries += 1;
        stamp(Utc::now() - TimeDelta::hours(3) + TimeDelta::seconds(10) * self.entries)
    }

    /// Any answer but a taken one and a refused one is a fault.
    fn note(&mut self, place: &str, word: &str, answer: &Answer) -> bool {
        let taken = answer.status.is_success() || answer.status == StatusCode::SEE_OTHER;
        let (status, text) = (answer.status, &answer.text);
        assert!(taken || status.is_client_error(), "{place} {word:?}: {status} {text}");
        // A form that is refused comes back with what was typed, to whoever typed it.
        let echo = format!("value=\"{}\"", escaped(word));
        let (headers, text) = (answer.headers.clone(), answer.text.replace(&echo, ""));
        hold_to_text(place, &Answer { status, headers, text });
        let counts = if taken { &mut self.stored } else { &mut self.refused };
        *counts.entry(place.to_owned()).or_default() += 1;
        taken
    }
}

/// No page has a tag or an attribute that was typed, and nothing that is shown commands a terminal.
fn hold_to_text(place: &str, answer: &Answer) {
    let text = &answer.text;
    let odd = text.chars().find(|letter| {
        letter.is_control() && !matches!(letter, '\n' | '\r' | '\t')
            || !answer.status.is_client_error() && *letter == '\u{202e}'
    });
    assert_eq!(odd, None, "{place}: {text}");
    for value in answer.headers.values() {
        let bytes = value.as_bytes();
        assert!(!bytes.iter().any(u8::is_ascii_control), "{place}: {value:?}");
    }
    assert!(answer.headers.get("set-cookie").is_none_or(|set| set != "a=b"), "{place}");
    if answer.header("content-type").starts_with("text/html") {
        for word in NASTY.iter().filter(|word| word.contains(['<', '"'])) {
            assert!(!text.contains(word), "{place} has {word} as it was typed: {text}");
        }
        assert!(!text.contains("<script>") && !text.contains("<img src=x"), "{place}: {text}");
    }
}

fn escaped(word: &str) -> String {
    let word = word.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;");
    word.replace('"', "&quot;")
}

fn hold_to_cells(place: &str, answer: &Answer) -> usize {
    let mut reader =
        csv::ReaderBuilder::new().has_headers(false).from_reader(answer.text.as_bytes());
    let mut count = 0;
    for row in reader.records() {
        for cell in &row.unwrap_or_else(|error| panic!("{place}: {error}: {}", answer.text)) {
            let runs = cell.starts_with(['=', '@', '\t', '\r'])
                || cell.starts_with(['+', '-']) && cell.parse::<f64>().is_err();
            assert!(!runs, "{place}: a spreadsheet would run {cell:?}");
            count += 1;
        }
    }
    count
}

/// Every line is one of ours, or goes on with the one before.
fn hold_to_calendar(place: &str, answer: &Answer) {
    const OURS: [&str; 13] = [
        "BEGIN:VCALENDAR",
        "END:VCALENDAR",
        "BEGIN:VEVENT",
        "END:VEVENT",
        "VERSION:2.0",
        "PRODID:-//xylocast",
        "CALSCALE:GREGORIAN",
        "METHOD:PUBLISH",
        "UID:",
        "DTSTAMP:",
        "DTSTART:",
        "DTEND:",
        "SUMMARY:",
    ];
    let text = &answer.text;
    assert!(text.ends_with("END:VCALENDAR\r\n"), "{place}: {text}");
    for line in text.split_terminator("\r\n") {
        assert!(!line.contains(['\r', '\n']), "{place}: {line:?}");
        let ours = OURS.iter().chain(&["DESCRIPTION:", "CATEGORIES:", " "]);
        assert!(ours.into_iter().any(|own| line.starts_with(own)), "{place}: {line:?}");
    }
    let events = |mark: &str| text.lines().filter(|line| *line == mark).count();
    assert!(events("BEGIN:VEVENT") > 0, "{place} has no act to look at");
    assert_eq!(events("BEGIN:VEVENT"), events("END:VEVENT"), "{place}");
}

/// The addresses that the service's sources say it answers.
fn addresses() -> BTreeSet<String> {
    fn sources(folder: &Path, all: &mut Vec<PathBuf>) {
        for entry in fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                sources(&path, all);
            } else {
                all.push(path);
            }
        }
    }
    let mut all = Vec::new();
    sources(&Path::new(env!("CARGO_MANIFEST_DIR")).join("src/http/site"), &mut all);
    sources(&Path::new(env!("CARGO_MANIFEST_DIR")).join("src/http/access"), &mut all);
    let texts = all.iter().map(|path| fs::read_to_string(path).unwrap());
    let mut addresses = BTreeSet::new();
    for text in texts {
        for route in text.split(".route(\"").skip(1) {
            let (address, rest) = route.split_once('"').unwrap();
            if rest.trim_start_matches([',', ' ']).starts_with("get(") {
                addresses.insert(address.to_owned());
            }
        }
    }
    addresses
}

fn fields_of(page: &str, action: &str) -> Vec<String> {
    let form = page.split("<form").find(|form| form.contains(&format!("action=\"{action}\"")));
    let form = form.unwrap_or_else(|| panic!("no form leads to {action}: {page}"));
    let form = form.split("</form>").next().unwrap();
    let names = form.split(" name=\"").skip(1).map(|rest| rest.split('"').next().unwrap());
    names.map(str::to_owned).collect()
}

fn encoded(text: &str) -> String {
    let byte = |byte: u8| match byte {
        b'A'..=b'Z' | b'a'..=b'z' | b'0'..=b'9' => char::from(byte).to_string(),
        other => format!("%{other:02X}"),
    };
    text.bytes().map(byte).collect()
}

async fn post(service: &Service, path: &str, body: &Value) -> Answer {
    let request = Request::post(path)
        .header("host", "localhost:8080")
        .header("content-type", "application/json");
    service.ask(request.body(Body::from(body.to_string())).unwrap()).await
}

/// The kinds of entries that the document describes, with the fields of each that are text.
async fn acts(service: &Service) -> Vec<(String, Vec<String>)> {
    let answer = get(service, "/api/v1/openapi.json", "application/json").await;
    let document: Value = serde_json::from_str(&answer.text).unwrap();
    let kinds = document["components"]["schemas"]["What"]["oneOf"].as_array().cloned().unwrap();
    let is_text = |about: &Value| {
        about["type"] == "string"
            || about["type"].as_array().is_some_and(|all| all.contains(&json!("string")))
    };
    let told = kinds.iter().map(|kind| {
        let parts = kind["allOf"].as_array().cloned().unwrap_or_else(|| vec![kind.clone()]);
        let own: Vec<(String, Value)> = parts
            .iter()
            .filter_map(|part| part["properties"].as_object())
            .flat_map(|own| own.clone())
            .collect();
        let word =
            own.iter().find(|(name, _)| name == "kind").map(|(_, about)| about["enum"][0].clone());
        let word = word.unwrap().as_str().unwrap().to_owned();
        let texts = own.iter().filter(|(name, about)| name != "kind" && is_text(about));
        let mut texts: Vec<String> = texts.map(|(name, _)| name.clone()).collect();
        // The draw of a nasty name stays, for what is noted of it.
        texts.sort_by_key(|name| name == "draw_id");
        (word, texts)
    });
    let mut acts: Vec<(String, Vec<String>)> = told.collect();
    // So that each of them can still be: what ends a bag comes last.
    let last = ["empty", "strip", "undo"];
    acts.sort_by_key(|(kind, _)| last.iter().position(|own| own == kind).map_or(0, |at| at + 1));
    acts
}

fn rows_of(service: &Service, grove: &str) -> BTreeMap<String, usize> {
    let kept = service.server.kept(grove).unwrap();
    let database = Database::open(kept.home.path().unwrap(), Utc::now()).unwrap();
    let tables: BTreeSet<String> = text_columns().into_iter().map(|(table, _)| table).collect();
    let kept_here = tables.into_iter().filter(|table| sound_row(table, "", 0).is_some());
    let count = |table: String| {
        let rows = database.look(&format!("SELECT 1 FROM {table}")).unwrap();
        (table, rows.len())
    };
    kept_here.map(count).collect()
}

/// Is a text in a column of a grove, byte by byte?
fn is_kept(service: &Service, grove: &str, table: &str, column: &str, word: &str) -> bool {
    let kept = service.server.kept(grove).unwrap();
    let database = Database::open(kept.home.path().unwrap(), Utc::now()).unwrap();
    let rows = database.look(&format!("SELECT \"{column}\" FROM {table}")).unwrap();
    rows.iter().any(|row| match &row[0] {
        Cell::Text(text) if column == "aside" => {
            serde_json::from_str::<BTreeMap<String, String>>(text)
                .is_ok_and(|aside| aside.values().any(|cell| cell == word.trim()))
        }
        // Blanks about a cell are no part of it.
        Cell::Text(text) => text == word.trim(),
        _ => false,
    })
}

#[tokio::test]
async fn nasty_words_in_every_text_field_are_text() {
    let service = Service::open();
    let mark = service.open_page("/new", "").await.csrf();
    let columns = text_columns();
    let keys = keys();
    assert!(keys.contains(&("record".into(), "customer".into())), "{keys:?}");
    let acts = acts(&service).await;
    assert!(acts.contains(&("pause".into(), vec!["on".into(), "why".into()])), "{acts:?}");
    let of = |field: &str, is: bool| -> Vec<(String, Vec<String>)> {
        let those = |texts: &[String]| {
            texts.iter().filter(|text| (*text == field) == is).cloned().collect()
        };
        acts.iter().map(|(kind, texts)| (kind.clone(), those(texts))).collect()
    };
    let (of_trees, of_draws) = (of("tree_id", true), of("tree_id", false));
    let mut sent = Sent::default();
    let plain = settings(&[]);
    let mut groves = Vec::new();
    for way in ["files", "typed"] {
        let grove = bring_in(&service, &mark, &plain, TREES_OF_ONE_BAG).await;
        let mut rows = rows_of(&service, &grove);
        let asking = (&service, mark.as_str(), grove.as_str());
        if way == "files" {
            by_files(asking, &columns, (&mut sent, &mut rows)).await;
        } else {
            for word in NASTY {
                // A name of both a tree and a draw would be ambiguous: the tree comes last.
                by_the_api(asking, &of_draws, word, (&mut sent, &mut rows)).await;
                by_forms(asking, word, (&mut sent, &mut rows)).await;
                by_the_api(asking, &of_trees, word, (&mut sent, &mut rows)).await;
            }
        }
        let kept = rows_of(&service, &grove);
        for (table, count) in rows {
            // Entries make rows of these too.
            let more = matches!(table.as_str(), "draws" | "readings" | "pauses");
            let kept = kept[&table];
            assert!(kept == count || more && kept > count, "{table}: {kept} rows of {count}");
        }
        groves.push((grove, &NASTY[..]));
    }
    for word in &NASTY {
        let grove = by_settings(&service, &mark, &keys, word, &mut sent).await;
        groves.push((grove, std::slice::from_ref(word)));
    }
    hold_to_what_was_stored(&sent);
    let mut shown = 0;
    for (grove, words) in &groves {
        shown += walk((&service, &mark, grove), words).await;
    }
    eprintln!(
        "{} texts were stored, {} refused, and shown {shown} times",
        sent.stored.values().sum::<usize>(),
        sent.refused.values().sum::<usize>()
    );
    assert!(shown > 300, "{shown}");
}

/// Where days, numbers and words of ours alone are taken.
const CLOSED: [&str; 19] = [
    "applications.csv pre_harvest_until",
    "blocks.csv bloom_from",
    "blocks.csv bloom_to",
    "blocks.csv leaf_off_from",
    "blocks.csv leaf_on_from",
    "entry wet at",
    "form new elevation_m",
    "form new latitude_deg",
    "form new longitude_deg",
    "form new time_zone",
    "form tree circumference_cm",
    "form tree ports",
    "journal.csv act",
    "journal.csv state",
    "kits.csv bought",
    "ports.csv date",
    "readings.csv state",
    "trees.csv hang",
    "trees.csv last_treated",
];

/// That all was refused would prove nothing: each text takes what can be read, but for those that are
/// no texts.
fn hold_to_what_was_stored(sent: &Sent) {
    let stored = |place: &String| sent.stored.get(place).copied().unwrap_or_default();
    let places: BTreeSet<&String> = sent.stored.keys().chain(sent.refused.keys()).collect();
    let (settings, others): (Vec<&String>, _) =
        places.into_iter().partition(|place| place.starts_with("grove.toml"));
    for place in others {
        let least = if CLOSED.contains(&place.as_str()) { 0..=0 } else { 6..=NASTY.len() };
        assert!(least.contains(&stored(place)), "{place}: {} were stored", stored(place));
    }
    // A key takes texts or none.
    let readable = NASTY.len() - 2;
    assert!(
        settings.iter().all(|place| [0, readable].contains(&stored(place))),
        "{:?}",
        sent.stored
    );
    let texts = settings.iter().filter(|place| stored(place) > 0).count();
    assert!(texts >= 19, "{texts} texts of grove.toml: {:?}", sent.stored);
}

/// Every page, calendar and question of the API about a grove.
async fn walk((service, _, grove): Asking<'_>, words: &[&str]) -> usize {
    let at = format!("/api/v1/groves/{grove}/trees?per_page=200");
    let trees: Value =
        serde_json::from_str(&get(service, &at, "application/json").await.text).unwrap();
    let trees: Vec<&str> = trees["trees"]
        .as_array()
        .unwrap()
        .iter()
        .map(|tree| tree["tree_id"].as_str().unwrap())
        .collect();
    // Of those with sound names one is enough.
    let odd = trees.iter().copied().filter(|id| NASTY.iter().any(|word| word.trim() == *id));
    let trees: Vec<&str> = odd.chain(["T1"]).collect();
    let (mut shown, addresses) = (0, addresses());
    for known in ["/g/{grove}/plan/calendar", "/g/{grove}/trees/{tree}", "/people", "/new"] {
        assert!(addresses.contains(known), "{addresses:?}");
    }
    for address in addresses {
        // The stream of changes has no end.
        if address.ends_with("/events") {
            continue;
        }
        for tree in trees.iter().take(if address.contains("{tree}") { trees.len() } else { 1 }) {
            let path = address.replace("{grove}", grove).replace("{tree}", &encoded(tree));
            let answer = get(service, &path, "text/html, */*;q=0.5").await;
            assert!(
                answer.status.is_success() || answer.status.is_redirection(),
                "{path}: {} {}",
                answer.status,
                answer.text
            );
            hold_to_text(&path, &answer);
            match answer.header("content-type").split(';').next().unwrap() {
                "text/csv" => assert!(hold_to_cells(&path, &answer) > 0),
                "text/calendar" => hold_to_calendar(&path, &answer),
                _ => {
                    shown +=
                        words.iter().filter(|word| answer.text.contains(&escaped(word))).count()
                }
            }
        }
    }
    let document = get(service, "/api/v1/openapi.json", "application/json").await;
    let document: Value = serde_json::from_str(&document.text).unwrap();
    for (route, about) in document["paths"].as_object().unwrap() {
        let Some(about) = about.get("get") else { continue };
        for tree in trees.iter().take(if route.contains("{tree}") { trees.len() } else { 1 }) {
            let path = route.replace("{grove}", grove).replace("{tree}", &encoded(tree));
            for media in about["responses"]["200"]["content"].as_object().unwrap().keys() {
                let answer = get(service, &path, media).await;
                // Whom to ask for weather is a nasty word too.
                let may_refuse = route.ends_with("/pull") && answer.status.is_client_error();
                let (status, text) = (answer.status, &answer.text);
                assert!(status.is_success() || may_refuse, "{path}: {status} {text}");
                hold_to_text(&path, &answer);
                match answer.header("content-type").split(';').next().unwrap() {
                    "text/csv" => assert!(hold_to_cells(&path, &answer) > 0),
                    "text/calendar" => hold_to_calendar(&path, &answer),
                    _ => {
                        serde_json::from_str::<Value>(&answer.text).unwrap();
                    }
                }
            }
        }
    }
    shown
}

async fn bring_in(service: &Service, mark: &str, settings: &str, trees: i64) -> String {
    let files = grove(settings, trees);
    let files: Vec<(&str, &[u8])> =
        files.iter().map(|(name, text)| (*name, text.as_bytes())).collect();
    let answer = service.ask(upload("/new/files", mark, &files)).await;
    assert_eq!(answer.status, StatusCode::SEE_OTHER, "{}", answer.text);
    answer.header("location").split('/').nth(2).unwrap().to_owned()
}

/// A grove whose settings say a word wherever they may.
async fn by_settings(
    service: &Service,
    mark: &str,
    keys: &[(String, String)],
    word: &str,
    sent: &mut Sent,
) -> String {
    let mut taken = Vec::new();
    for key in keys {
        let text = (key.clone(), word);
        let is_taken = read_with(&settings(std::slice::from_ref(&text))).is_ok();
        let counts = if is_taken { &mut sent.stored } else { &mut sent.refused };
        *counts.entry(format!("grove.toml {}.{}", key.0, key.1)).or_default() += 1;
        taken.extend(is_taken.then_some(text));
    }
    bring_in(service, mark, &settings(&taken), 0).await
}

/// Whom to ask, with the mark of its forms, and about which grove.
type Asking<'s> = (&'s Service, &'s str, &'s str);
type Counted<'s> = (&'s mut Sent, &'s mut BTreeMap<String, usize>);

/// A row for each word in each text column of each table, by its file.
async fn by_files(
    (service, mark, grove): Asking<'_>,
    columns: &[(String, String)],
    (sent, rows): Counted<'_>,
) {
    // Readings, pauses and applications tell of the draws that come with them.
    let started = stamp(hour() - TimeDelta::hours(4));
    let first = [
        ("draw_id", "D1"),
        ("tree_id", "T1"),
        ("started", &started),
        ("charge_ml", "1000"),
        ("stripped", ""),
    ];
    let mut drawn: Vec<Row> =
        vec![first.map(|(name, cell)| (name.to_owned(), cell.to_owned())).into_iter().collect()];
    for (at, (table, column)) in columns.iter().enumerate() {
        if sound_row(table, column, 0).is_none() {
            assert!(ELSEWHERE.iter().any(|(known, _)| known == table), "{table}.{column} is new");
            continue;
        }
        let in_file = match column.as_str() {
            "aside" => "of our own",
            "of_key" => "of",
            // Which entry told a reading: no column of a file.
            "entry_key" => continue,
            own => own,
        };
        let row = |of: usize| sound_row(table, column, (at * NASTY.len() + of) as i64).unwrap();
        let mut all: Vec<Vec<(&str, Row)>> = vec![Vec::new()];
        let (file, _) = row(0);
        for (of, word) in NASTY.into_iter().enumerate() {
            let (_, mut cells) = row(of);
            if (table.as_str(), column.as_str()) == ("trees", "aside") {
                let mut named =
                    sound_row(table, column, NAMES + (at * NASTY.len() + of) as i64).unwrap().1;
                named.insert(word.to_owned(), word.to_owned());
                all.push(vec![(word, named)]);
            }
            cells.insert(in_file.to_owned(), word.to_owned());
            let of_draw = drawn.iter().find(|draw| draw["draw_id"] == word);
            if let (Some(draw), "applications", "draw_id") = (of_draw, table.as_str(), in_file) {
                cells.insert("tree_id".to_owned(), draw["tree_id"].clone());
            }
            all[0].push((word, cells));
        }
        for (form, all) in all.into_iter().enumerate() {
            let place = format!("{file} {in_file}{}", if form == 0 { "" } else { " as a name" });
            let mut files = Vec::new();
            if matches!(table.as_str(), "readings" | "pauses" | "applications") {
                files.push(("draws.csv", csv(&drawn.iter().collect::<Vec<_>>()).0));
            }
            let kept = put((service, mark, grove), &place, (file, all), files, sent).await;
            *rows.get_mut(table).unwrap() += kept.len();
            for (word, row) in kept {
                if (table.as_str(), column.as_str()) == ("draws", "draw_id") {
                    drawn.push(
                        row.into_iter()
                            .map(|(name, cell)| (name, cell.trim().to_owned()))
                            .collect(),
                    );
                }
                assert!(
                    is_kept(service, grove, table, column, word),
                    "{place}: {word:?} is altered"
                );
            }
        }
    }
}

/// Sends rows of one file, and again without those that were told as flawed, until the rest is taken.
async fn put<'w>(
    (service, mark, grove): Asking<'_>,
    place: &str,
    (file, mut all): (&str, Vec<(&'w str, Row)>),
    beside: Vec<(&str, Vec<u8>)>,
    sent: &mut Sent,
) -> Vec<(&'w str, Row)> {
    let path = format!("/g/{grove}/add/files");
    while !all.is_empty() {
        let (text, lines) = csv(&all.iter().map(|(_, row)| row).collect::<Vec<_>>());
        let mut files: Vec<(&str, &[u8])> = vec![(file, &text)];
        files.extend(beside.iter().map(|(name, text)| (*name, text.as_slice())));
        let answer = service.ask(upload(&path, mark, &files)).await;
        if answer.status == StatusCode::SEE_OTHER {
            for (word, _) in &all {
                sent.note(place, word, &answer);
            }
            break;
        }
        let told = |line: usize| {
            answer.text.contains(&format!("{file} row {line}:"))
                || answer.text.contains(&format!("{file} row {line}, "))
        };
        let flawed: Vec<bool> = lines.iter().map(|line| told(*line) || all.len() == 1).collect();
        let why = answer.text.split("role=\"alert\"").nth(1).unwrap_or(&answer.text);
        let why = why.split("</ul>").next().unwrap();
        assert!(flawed.contains(&true), "{place}: {}: {why}", answer.status);
        let mut at = 0;
        all.retain(|(word, _)| {
            at += 1;
            if flawed[at - 1] {
                sent.note(place, word, &answer);
            }
            !flawed[at - 1]
        });
    }
    all
}

/// Every field of the form for a tree, and of the form for a grove.
async fn by_forms((service, mark, grove): Asking<'_>, word: &str, (sent, rows): Counted<'_>) {
    let sound = [
        ("block", "north"),
        ("species", "elm"),
        ("circumference_cm", "90"),
        ("ports", "6"),
        ("name", "plain"),
        ("time_zone", ZONE),
        ("latitude_deg", "-34.9"),
        ("longitude_deg", "138.6"),
        ("elevation_m", "45"),
    ];
    let add = format!("/g/{grove}/add/tree");
    for (page, action) in [(format!("/g/{grove}/add"), add.as_str()), ("/new".into(), "/new")] {
        let names = fields_of(&service.open_page(&page, "").await.text, action);
        assert!(names.len() > 4, "{names:?}");
        for (number, field) in names.iter().enumerate().filter(|(_, name)| *name != "csrf") {
            let id = format!("form-{number}-{}", encoded(word));
            let mut fields = vec![("csrf", mark), ("tree_id", id.as_str())];
            fields.extend(sound);
            fields.retain(|(name, _)| name != field && names.iter().any(|known| known == name));
            fields.push((field, word));
            let answer = service.send(action, "", &fields).await;
            let place = format!("form {} {field}", action.rsplit('/').next().unwrap());
            if sent.note(&place, word, &answer) && action == add {
                *rows.get_mut("trees").unwrap() += 1;
            }
        }
    }
}

/// Every text of every kind of entry.
async fn by_the_api(
    (service, _, grove): Asking<'_>,
    acts: &[(String, Vec<String>)],
    word: &str,
    (sent, rows): Counted<'_>,
) {
    let path = format!("/api/v1/groves/{grove}/entries");
    let of_all = ["note", "key", "at"];
    for (kind, texts) in acts {
        let more = if kind == "wet" && !texts.is_empty() { &of_all[..] } else { &[] };
        for field in texts.iter().map(String::as_str).chain(more.iter().copied()) {
            let mut act = json!({"kind": kind});
            match kind.as_str() {
                "start" => act["tree_id"] = json!("T2"),
                "undo" => {}
                _ => act["on"] = json!("D1"),
            }
            match kind.as_str() {
                "refill" => act["added_ml"] = json!(10),
                "left" => act["left_ml"] = json!(700),
                _ => {}
            }
            let key = format!("{kind}-{field}-{}", encoded(word));
            let mut entry = json!({"act": act, "key": key, "at": sent.next_instant()});
            if of_all.contains(&field) {
                entry[field] = json!(word);
            } else {
                entry["act"][field] = json!(word);
            }
            let answer = post(service, &path, &entry).await;
            let is_new = answer.status == StatusCode::CREATED;
            if sent.note(&format!("entry {kind} {field}"), word, &answer) && is_new {
                *rows.get_mut("entries").unwrap() += 1;
                // The next one finds the tree free, and the line open.
                let more = match (kind.as_str(), field) {
                    ("start", "kit") => json!({"kind": "strip", "on": "T2"}),
                    ("pause", "why") => json!({"kind": "resume", "on": "D1"}),
                    _ => continue,
                };
                let answer =
                    post(service, &path, &json!({"act": more, "at": sent.next_instant()})).await;
                *rows.get_mut("entries").unwrap() +=
                    usize::from(answer.status == StatusCode::CREATED);
            }
        }
    }
}

/// Names of people and of their tokens, and what somebody of such a name notes.
#[tokio::test]
async fn nasty_names_of_people_and_tokens_are_text() {
    let service = Service::with_people();
    let cookie = service.log_in("Manager").await;
    let csrf = service.csrf(&cookie).await;
    let files = grove(&settings(&[]), 0);
    let files: Vec<(&str, &[u8])> =
        files.iter().map(|(name, text)| (*name, text.as_bytes())).collect();
    let mut request = upload("/new/files", &csrf, &files);
    request.headers_mut().insert(header::COOKIE, cookie.parse().unwrap());
    let made = service.ask(request).await;
    assert_eq!(made.status, StatusCode::SEE_OTHER, "{}", made.text);
    let (mut sent, mut stored) = (Sent::default(), Vec::new());
    for (number, word) in NASTY.into_iter().enumerate() {
        let person = [("name", word), ("role", "crew"), ("password", PASSWORD), ("csrf", &csrf)];
        let answer = service.send("/people/add", &cookie, &person).await;
        let of = if sent.note("person", word, &answer) { word } else { "Crew" };
        let token = [("token", word), ("name", of), ("role", "crew"), ("csrf", &csrf)];
        let answer = service.send("/people/token", &cookie, &token).await;
        sent.note("token", word, &answer);
        // Whoever is called so notes what they see.
        let secret = add_token(
            &service.server.access.office,
            (&format!("t{number}"), Role::Crew),
            of,
            Utc::now(),
        );
        let entry = json!({"act": {"kind": "wet", "on": "D1"}, "key": format!("k{number}")});
        let request = Request::post("/api/v1/groves/plain/entries")
            .header("host", "localhost:8080")
            .header("content-type", "application/json")
            .header("authorization", format!("Bearer {}", secret.unwrap().text()));
        let answer = service.ask(request.body(Body::from(entry.to_string())).unwrap()).await;
        if sent.note("entry by", word, &answer) && of == word {
            stored.push(word);
        }
        let tries = [("name", word), ("password", "wrong"), ("csrf", &csrf)];
        let answer = service.send("/log-in", "", &tries).await;
        assert!(answer.status.is_client_error(), "{word:?}: {}", answer.status);
        hold_to_text("/log-in", &answer);
    }
    assert!(stored.len() >= 6, "{stored:?}");
    for path in ["/people", "/g/plain/today", "/g/plain/draws", "/g/plain/trees/T1", "/"] {
        let answer = service.open_page(path, &cookie).await;
        assert_eq!(answer.status, StatusCode::OK, "{path}");
        hold_to_text(path, &answer);
        if matches!(path, "/people" | "/g/plain/today") {
            for word in &stored {
                assert!(answer.text.contains(&escaped(word)), "{path} does not show {word}");
            }
        }
    }
    let request = Request::get("/api/v1/groves/plain/entries")
        .header("host", "localhost:8080")
        .header("accept", "text/csv")
        .header("cookie", &cookie);
    let answer = service.ask(request.body(Body::empty()).unwrap()).await;
    assert_eq!(answer.status, StatusCode::OK, "{}", answer.text);
    hold_to_text("entries", &answer);
    assert!(hold_to_cells("entries", &answer) > stored.len());
}
