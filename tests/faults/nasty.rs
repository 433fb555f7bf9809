//! What would do harm, typed into every text that the program keeps: by the forms of its pages, by the
//! fields of its API and by files. Which texts there are is asked of the program: the columns of a new
//! database, the keys that `grove.toml` may have, the fields of the forms and of the API's document. One
//! that is added later is in here by itself, or is told as one that nobody thought of.

use super::means::{Answer, Service};
use super::{get, upload};
use axum::body::Body;
use axum::http::{Request, StatusCode};
use chrono::{DateTime, DurationRound, SecondsFormat, TimeDelta, Utc};
use rusqlite::types::Value as Cell;
use serde_json::{Value, json};
use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};
use xylocast::grove::{Files, Grove};
use xylocast::store::db::Database;

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
const ELSEWHERE: [(&str, &str); 8] = [
    ("groves", "grove.toml"),
    ("weather_pulled", "names of the program's own sources"),
    ("forecasts", "names of the program's own sources"),
    ("forecast_pulled_hours", "names of the program's own sources"),
    ("models", "a model file is held to its digest; tests/cli.rs"),
    ("batches", "words of ours"),
    ("audit", "the rows of all others, as JSON; shown nowhere"),
    ("acting", "who is logged in; see people"),
];

const ZONE: &str = "Australia/Adelaide";

fn stamp(at: DateTime<Utc>) -> String {
    at.to_rfc3339_opts(SecondsFormat::Secs, true)
}

/// The text columns of a new database, table by table.
fn text_columns() -> Vec<(String, String)> {
    let at = tempfile::tempdir().unwrap();
    let database = Database::open_or_create(&at.path().join("grove.db"), Utc::now()).unwrap();
    let question = "SELECT t.name, c.name FROM sqlite_schema t, pragma_table_info(t.name) c
                    WHERE t.type = 'table' AND c.type = 'TEXT' ORDER BY t.rowid, c.cid";
    let text = |cell: &Cell| match cell {
        Cell::Text(text) => text.clone(),
        other => panic!("{other:?}"),
    };
    let rows = database.look(question).unwrap();
    rows.iter().map(|row| (text(&row[0]), text(&row[1]))).collect()
}

/// The file of a table, and a row of it that is sound: the `number`-th, unlike all others.
fn sound_row(table: &str, column: &str, number: i64) -> Option<(&'static str, Row)> {
    let now = Utc::now().duration_trunc(TimeDelta::hours(1)).unwrap();
    let ago = |minutes: i64| stamp(now - TimeDelta::minutes(minutes));
    let id = format!("{table}-{number}");
    // A bag of its own for each draw and each start.
    let tree = format!("S{:02}", number % 30);
    let (file, cells): (_, Vec<(&str, String)>) = match table {
        "trees" => (
            "trees.csv",
            vec![("tree_id", id), ("block", "north".into()), ("circumference_cm", "90".into())],
        ),
        "blocks" => ("blocks.csv", vec![("block", id), ("area_ha", "1".into())]),
        "ports" => (
            "ports.csv",
            vec![
                ("tree_id", "S00".into()),
                ("date", "2025-05-05".into()),
                ("hole", (number % 40 + 1).to_string()),
                ("height_cm", "20".into()),
            ],
        ),
        "kits" => ("kits.csv", vec![("kit_id", id), ("tips", "8".into())]),
        "draws" => (
            "draws.csv",
            vec![
                ("draw_id", id),
                ("tree_id", tree),
                ("started", ago(200)),
                ("charge_ml", "1000".into()),
            ],
        ),
        "readings" => (
            "readings.csv",
            vec![
                ("draw_id", "D1".into()),
                ("time", ago(60 - number % 40)),
                ("left_ml", "900".into()),
            ],
        ),
        "pauses" => (
            "pauses.csv",
            vec![
                ("draw_id", "D1".into()),
                ("from", ago(190 - 4 * (number % 20))),
                ("to", ago(188 - 4 * (number % 20))),
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
                ("hour_ending", ago(60 * (200 + number % 100))),
                ("air_temp_c", "20".into()),
                ("rel_humidity_pct", "50".into()),
            ],
        ),
        "forecast_hours" => (
            "weather/forecast.csv",
            vec![
                ("issued_at", ago(60 * (300 + number % 100))),
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

fn csv(row: &Row) -> Vec<u8> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    writer.write_record(row.keys()).unwrap();
    writer.write_record(row.values()).unwrap();
    writer.into_inner().unwrap()
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
fn grove(settings: &str) -> Vec<(&'static str, String)> {
    let now = Utc::now().duration_trunc(TimeDelta::hours(1)).unwrap();
    let hours = |from: i64, to: i64, issued: &str| {
        let mut text = String::from("hour_ending,air_temp_c,rel_humidity_pct,shortwave_w_m2");
        text += if issued.is_empty() { "\n" } else { ",issued_at\n" };
        for hour in from..to {
            text += &format!("{},22,50,400{issued}\n", stamp(now + TimeDelta::hours(hour)));
        }
        text
    };
    let issued = format!(",{}", stamp(now - TimeDelta::hours(1)));
    let trees: String = (0..30)
        .map(|tree| format!("S{tree:02},north,elm,90,6,{}\n", ["no", "yes"][tree / 28]))
        .collect();
    let started = stamp(now - TimeDelta::hours(4));
    vec![
        ("grove.toml", settings.to_owned()),
        (
            "trees.csv",
            format!(
                "tree_id,block,species,circumference_cm,ports,hang\nT1,north,elm,90,6,yes\n{trees}"
            ),
        ),
        ("draws.csv", format!("draw_id,tree_id,started,charge_ml\nD1,T1,{started},1000\n")),
        ("weather/observed.csv", hours(-150, 1, "")),
        ("weather/forecast.csv", hours(1, 72, &issued)),
    ]
}

/// What was sent, and what became of it.
#[derive(Default)]
struct Sent {
    stored: BTreeMap<String, usize>,
    refused: BTreeMap<String, usize>,
}

impl Sent {
    /// Any answer but a taken one and a refused one is a fault.
    fn note(&mut self, place: &str, word: &str, answer: &Answer) -> bool {
        let taken = answer.status.is_success() || answer.status == StatusCode::SEE_OTHER;
        let (status, text) = (answer.status, &answer.text);
        assert!(taken || status.is_client_error(), "{place} {word:?}: {status} {text}");
        hold_to_text(place, answer);
        let counts = if taken { &mut self.stored } else { &mut self.refused };
        *counts.entry(place.to_owned()).or_default() += 1;
        taken
    }
}

/// No page has a tag or an attribute that was typed, and nothing that is shown commands a terminal.
fn hold_to_text(place: &str, answer: &Answer) {
    let text = &answer.text;
    let odd = text.chars().find(|letter| {
        letter.is_control() && !matches!(letter, '\n' | '\r' | '\t') || *letter == '\u{202e}'
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
    sources(&Path::new(env!("CARGO_MANIFEST_DIR")).join("src/http"), &mut all);
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
        (word, texts.map(|(name, _)| name.clone()).collect())
    });
    told.collect()
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
                .is_ok_and(|aside| aside.values().any(|cell| cell == word))
        }
        Cell::Text(text) => text == word,
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
    let (mut sent, mut groves) = (Sent::default(), Vec::new());
    for word in NASTY {
        let (grove, of_settings) = brought_in(&service, &mark, &keys, word, &mut sent).await;
        let mut rows = rows_of(&service, &grove);
        by_files(&service, &mark, &columns, (&grove, word), (&mut sent, &mut rows)).await;
        by_forms(&service, &mark, (&grove, word), (&mut sent, &mut rows)).await;
        by_the_api(&service, &acts, (&grove, word), (&mut sent, &mut rows)).await;
        assert_eq!(rows_of(&service, &grove), rows, "{word:?}: a row is lost or came of itself");
        groves.push((grove, word, of_settings));
    }
    eprintln!("stored {:?}\nrefused {:?}", sent.stored, sent.refused);
    let began = std::time::Instant::now();
    for (grove, word, _) in &groves {
        walk(&service, grove, word).await;
    }
    eprintln!("walked in {:?}", began.elapsed());
    let stored: usize = sent.stored.values().sum();
    panic!("{stored}");
}

/// Every page, calendar and question of the API about a grove.
async fn walk(service: &Service, grove: &str, word: &str) {
    let at = format!("/api/v1/groves/{grove}/trees?per_page=200");
    let trees: Value =
        serde_json::from_str(&get(service, &at, "application/json").await.text).unwrap();
    let trees: Vec<&str> = trees["trees"]
        .as_array()
        .unwrap()
        .iter()
        .map(|tree| tree["tree_id"].as_str().unwrap())
        .collect();
    let odd = trees.iter().copied().filter(|id| !id.starts_with(['S', 'T', 'f', 't']));
    let trees: Vec<&str> = odd.chain(["T1"]).collect();
    let mut shown = 0;
    for address in addresses() {
        // The stream of changes has no end, and a kind of problem is no text of a user's.
        if address.ends_with("/events") || address.contains("{name}") {
            continue;
        }
        for tree in trees.iter().take(if address.contains("{tree}") { trees.len() } else { 1 }) {
            let path = address.replace("{grove}", grove).replace("{tree}", &encoded(tree));
            let began = std::time::Instant::now();
            let answer = get(service, &path, "text/html, */*;q=0.5").await;
            if began.elapsed().as_millis() > 300 {
                eprintln!("{path} {:?}", began.elapsed());
            }
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
                _ => shown += usize::from(answer.text.contains(&escaped(word))),
            }
        }
    }
    eprintln!("{word:?} is shown on {shown} pages");
    let document = get(service, "/api/v1/openapi.json", "application/json").await;
    let document: Value = serde_json::from_str(&document.text).unwrap();
    for (route, about) in document["paths"].as_object().unwrap() {
        let Some(about) = about.get("get") else { continue };
        for tree in trees.iter().take(if route.contains("{tree}") { trees.len() } else { 1 }) {
            let path = route.replace("{grove}", grove).replace("{tree}", &encoded(tree));
            for media in about["responses"]["200"]["content"].as_object().unwrap().keys() {
                let began = std::time::Instant::now();
                let answer = get(service, &path, media).await;
                if began.elapsed().as_millis() > 300 {
                    eprintln!("{path} {media} {:?}", began.elapsed());
                }
                if !answer.status.is_success() {
                    eprintln!("{path} {media} {} {}", answer.status, answer.text);
                }
                assert!(!answer.status.is_server_error(), "{path}: {}", answer.text);
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
}

/// A grove whose settings say a word wherever they may.
async fn brought_in(
    service: &Service,
    mark: &str,
    keys: &[(String, String)],
    word: &str,
    sent: &mut Sent,
) -> (String, usize) {
    let taken: Vec<_> = keys
        .iter()
        .map(|key| (key.clone(), word))
        .filter(|text| {
            let read = read_with(&settings(std::slice::from_ref(text)));
            let place = format!("grove.toml {}.{}", text.0.0, text.0.1);
            let counts = if read.is_ok() { &mut sent.stored } else { &mut sent.refused };
            *counts.entry(place).or_default() += 1;
            read.is_ok()
        })
        .collect();
    let count = taken.len();
    let files = grove(&settings(&taken));
    let files: Vec<(&str, &[u8])> =
        files.iter().map(|(name, text)| (*name, text.as_bytes())).collect();
    let answer = service.ask(upload("/new/files", mark, &files)).await;
    assert_eq!(answer.status, StatusCode::SEE_OTHER, "{word:?}: {}", answer.text);
    let id = answer.header("location").split('/').nth(2).unwrap().to_owned();
    (id, count)
}

type Counted<'s> = (&'s mut Sent, &'s mut BTreeMap<String, usize>);

/// A row for each text column of each table, by its file.
async fn by_files(
    service: &Service,
    mark: &str,
    columns: &[(String, String)],
    (grove, word): (&str, &str),
    (sent, rows): Counted<'_>,
) {
    for (number, (table, column)) in columns.iter().enumerate() {
        let number = i64::try_from(number).unwrap();
        let Some((file, mut row)) = sound_row(table, column, number) else {
            assert!(ELSEWHERE.iter().any(|(known, _)| known == table), "{table}.{column} is new");
            continue;
        };
        let in_file = match column.as_str() {
            "aside" => "of our own",
            "of_key" => "of",
            // Which entry told a reading: no column of a file.
            "entry_key" => continue,
            own => own,
        };
        row.insert(in_file.to_owned(), word.to_owned());
        let mut tried = vec![row.clone()];
        if column == "aside" {
            row.remove(in_file);
            row.insert(word.to_owned(), word.to_owned());
            tried.insert(0, row);
        }
        for (at, row) in tried.iter().enumerate() {
            let place = format!("{file} {in_file}{}", ["", " as a name"][tried.len() - 1 - at]);
            let path = format!("/g/{grove}/add/files");
            let answer = service.ask(upload(&path, mark, &[(file, &csv(row))])).await;
            if sent.note(&place, word, &answer) {
                *rows.get_mut(table).unwrap() += 1;
                assert!(
                    is_kept(service, grove, table, column, word),
                    "{place} {word:?} is altered"
                );
                break;
            }
        }
    }
}

/// Every field of the form for a tree, and of the form for a grove.
async fn by_forms(
    service: &Service,
    mark: &str,
    (grove, word): (&str, &str),
    (sent, rows): Counted<'_>,
) {
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
            let id = format!("form-{number}");
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
    service: &Service,
    acts: &[(String, Vec<String>)],
    (grove, word): (&str, &str),
    (sent, rows): Counted<'_>,
) {
    let path = format!("/api/v1/groves/{grove}/entries");
    for (number, (kind, texts)) in acts.iter().enumerate() {
        for field in texts.iter().map(String::as_str).chain(["note", "key", "at"]) {
            let tree = format!("S{}", 28 + number % 2);
            let mut act = json!({"kind": kind});
            for (name, value) in [
                ("on", json!("D1")),
                ("tree_id", json!(tree)),
                ("added_ml", json!(10)),
                ("left_ml", json!(700)),
            ] {
                let wanted = match kind.as_str() {
                    "start" => name == "tree_id",
                    "undo" => false,
                    "refill" => matches!(name, "on" | "added_ml"),
                    "left" => matches!(name, "on" | "left_ml"),
                    _ => name == "on",
                };
                if wanted {
                    act[name] = value;
                }
            }
            let mut entry = json!({"act": act, "key": format!("{kind}-{field}")});
            match field {
                "note" | "key" | "at" => entry[field] = json!(word),
                field => entry["act"][field] = json!(word),
            }
            let answer = post(service, &path, &entry).await;
            if sent.note(&format!("entry {kind} {field}"), word, &answer) {
                *rows.get_mut("entries").unwrap() += 1;
            }
        }
    }
}
