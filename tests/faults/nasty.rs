//! What would do harm, typed into every text that the program keeps: by the forms of its pages, by the
//! fields of its API and by files. Which texts there are is asked of the program: the columns of a new
//! database, the keys that `grove.toml` may have, the fields of the forms and of the API's document. One
//! that is added later is in here by itself, or is told as one that nobody thought of.

mod fields;
mod shown;

use super::means::{Answer, PASSWORD, Service};
use super::{get, upload};
use axum::body::Body;
use axum::http::{Request, StatusCode, header};
use chrono::{DateTime, DurationRound, SecondsFormat, TimeDelta, Utc};
use fields::*;
use rusqlite::types::Value as Cell;
use serde_json::{Value, json};
use shown::*;
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

async fn post(service: &Service, path: &str, body: &Value) -> Answer {
    let request = Request::post(path)
        .header("host", "localhost:8080")
        .header("content-type", "application/json");
    service.ask(request.body(Body::from(body.to_string())).unwrap()).await
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
