//! Faults of the world outside, against the whole service: what the fault table of SECURITY.md names
//! and no other test holds.
#![allow(missing_docs)]

#[path = "access/means.rs"]
#[allow(dead_code)]
mod means;

use axum::body::Body;
use axum::http::{Request, StatusCode, header};
use chrono::Utc;
use means::{Answer, Service};
use serde_json::{Value, json};
use std::io::{Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::path::Path;
use std::time::{Duration, Instant};
use xylocast::app::founding::copy_demo;
use xylocast::http::MOST_BYTES;
use xylocast::http::serve::serve;
use xylocast::store::db::By;
use xylocast::uptake::model::ModelFile;

/// What would do harm in a page, in SQL, in a spreadsheet, in a terminal or in a path.
const NASTY: [&str; 8] = [
    "<script>alert(1)</script>",
    "\"><img src=x onerror=alert(1)>",
    "'; DROP TABLE draws; --",
    "=HYPERLINK(\"http://x\")",
    "@SUM(A1)",
    "../../outside",
    "{{7*7}}${7*7}",
    "a\u{202e}b\u{0}c\u{1b}[31m",
];
const PAGES: [&str; 8] =
    ["tomorrow", "today", "trees", "draws", "compare", "records", "weather", "add"];

fn with_a_copy() -> Service {
    Service::with(
        |_| {},
        |office| {
            copy_demo(office, By { who: "test", at: Utc::now() }).unwrap();
        },
    )
}

async fn get(service: &Service, path: &str, accept: &str) -> Answer {
    let request = Request::get(path).header("host", "localhost:8080").header("accept", accept);
    service.ask(request.body(Body::empty()).unwrap()).await
}

async fn note(service: &Service, body: &Value) -> Answer {
    let request = Request::post("/api/v1/groves/my-demo/entries")
        .header("host", "localhost:8080")
        .header("content-type", "application/json");
    service.ask(request.body(Body::from(body.to_string())).unwrap()).await
}

async fn entries(service: &Service) -> Value {
    let answer = get(service, "/api/v1/groves/my-demo/entries", "application/json").await;
    serde_json::from_str(&answer.text).unwrap()
}

fn upload(service_path: &str, mark: &str, files: &[(&str, &[u8])]) -> Request<Body> {
    let mut body =
        format!("--x\r\nContent-Disposition: form-data; name=\"csrf\"\r\n\r\n{mark}\r\n")
            .into_bytes();
    for (name, bytes) in files {
        let head = format!(
            "--x\r\nContent-Disposition: form-data; name=\"files\"; filename=\"{name}\"\r\n\r\n"
        );
        body.extend_from_slice(head.as_bytes());
        body.extend_from_slice(bytes);
        body.extend_from_slice(b"\r\n");
    }
    body.extend_from_slice(b"--x--\r\n");
    Request::post(service_path)
        .header(header::HOST, "localhost:8080")
        .header("accept", "text/html")
        .header(header::CONTENT_TYPE, "multipart/form-data; boundary=x")
        .body(Body::from(body))
        .unwrap()
}

/// Every file under a folder, but for the log that SQLite keeps beside a database.
fn files_under(folder: &Path) -> Vec<String> {
    let mut found = Vec::new();
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        match path.is_dir() {
            true => found.extend(files_under(&path)),
            false => found.push(path.display().to_string()),
        }
    }
    found.retain(|path| !path.ends_with("-wal") && !path.ends_with("-shm"));
    found.sort();
    found
}

#[tokio::test]
async fn a_body_of_more_than_ten_megabytes_is_refused_and_nothing_is_kept() {
    let service = with_a_copy();
    let before = entries(&service).await;
    let big = "x".repeat(MOST_BYTES + 1);
    for (path, kind) in [
        ("/api/v1/groves/my-demo/entries", "application/json"),
        ("/g/my-demo/log/batch", "application/json"),
        ("/g/my-demo/log", "application/x-www-form-urlencoded"),
    ] {
        let request = Request::post(path)
            .header("host", "localhost:8080")
            .header("content-type", kind)
            .body(Body::from(big.clone()))
            .unwrap();
        let answer = service.ask(request).await;
        assert_eq!(answer.status, StatusCode::PAYLOAD_TOO_LARGE, "{path}: {}", answer.text);
    }
    assert_eq!(entries(&service).await, before);
}

/// A client that sends half a head, and one that sends half a body, hold nobody up and are let go.
#[tokio::test(flavor = "multi_thread")]
async fn a_slow_client_holds_nobody_up_and_is_let_go() {
    let data = tempfile::tempdir().unwrap();
    let settings = means::settings(data.path(), |typed| {
        typed.listen = Some("127.0.0.1:0".parse().unwrap());
    });
    let (tell, told) = std::sync::mpsc::channel::<SocketAddr>();
    let running = tokio::spawn(serve(settings, move |address, _| tell.send(address).unwrap()));
    let held = tokio::task::spawn_blocking(move || {
        let address = told.recv_timeout(Duration::from_secs(30)).unwrap();
        let slow: Vec<TcpStream> = (0..50)
            .map(|_| {
                let mut client = TcpStream::connect(address).unwrap();
                client.write_all(b"GET / HTTP/1.1\r\nHost: localhost\r\nX-Slow: ").unwrap();
                client
            })
            .collect();
        let began = Instant::now();
        let mut quick = TcpStream::connect(address).unwrap();
        quick
            .write_all(b"GET /live HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n")
            .unwrap();
        let mut answer = String::new();
        quick.read_to_string(&mut answer).unwrap();
        assert!(answer.starts_with("HTTP/1.1 200"), "{answer}");
        assert!(began.elapsed() < Duration::from_secs(5), "held up for {:?}", began.elapsed());
        for mut client in slow {
            client.set_read_timeout(Some(Duration::from_secs(30))).unwrap();
            let mut rest = Vec::new();
            client.read_to_end(&mut rest).expect("let go, not left hanging");
        }
    });
    held.await.unwrap();
    running.abort();
}

/// Names that lead out of the folder, and names of files that are none of a grove's.
#[tokio::test]
async fn names_of_files_lead_nowhere() {
    let service = with_a_copy();
    let before = files_under(service.data.path());
    let outside = files_under(&std::env::temp_dir().join("."))
        .into_iter()
        .filter(|path| path.contains("xylocast-planted"))
        .count();
    for name in [
        "../../xylocast-planted",
        "/tmp/xylocast-planted",
        "..\\..\\xylocast-planted",
        "C:\\xylocast-planted",
        "elms/../../xylocast-planted",
        "weather/../../../trees.csv",
        "trees.csv\0.exe",
        ".",
        "..",
        "",
    ] {
        for path in ["/new/files", "/g/my-demo/add/files"] {
            let mark = service.open_page("/new", "").await.csrf();
            let answer = service.ask(upload(path, &mark, &[(name, b"tree_id\nA\n")])).await;
            assert!(
                answer.status.is_client_error(),
                "{path} takes {name:?}: {} {}",
                answer.status,
                answer.text
            );
        }
    }
    assert_eq!(files_under(service.data.path()), before);
    let planted = files_under(&std::env::temp_dir().join("."))
        .into_iter()
        .filter(|path| path.contains("xylocast-planted"))
        .count();
    assert_eq!(planted, outside);
}

/// What is nasty is either refused or text: in no page a tag of its own, in no table of rows a formula,
/// in no answer of the database a lost row.
#[tokio::test]
async fn nasty_words_in_every_text_field_are_text() {
    let service = with_a_copy();
    let draws = entries(&service).await;
    let mut noted = 0;
    for (place, words) in NASTY.iter().enumerate() {
        let mark = service.open_page("/new", "").await.csrf();
        let number = place.to_string();
        let grove = [
            ("name", *words),
            ("time_zone", "Australia/Adelaide"),
            ("latitude_deg", "-34.9"),
            ("longitude_deg", "138.6"),
            ("elevation_m", "45"),
            ("csrf", &mark),
        ];
        let answer = service.send("/new", "", &grove).await;
        assert!(!answer.status.is_server_error(), "{words:?}: {}", answer.text);
        for field in ["tree_id", "block", "species", "row"] {
            let mut tree = vec![
                ("tree_id", number.as_str()),
                ("block", "north"),
                ("circumference_cm", "120"),
                ("ports", "6"),
                ("csrf", &mark),
            ];
            tree.retain(|(name, _)| *name != field);
            tree.push((field, words));
            let answer = service.send("/g/my-demo/add/tree", "", &tree).await;
            assert!(!answer.status.is_server_error(), "{field} {words:?}: {}", answer.text);
            assert!(!answer.text.contains("<script>alert"), "{field} {words:?}");
        }
        for body in [
            json!({"act": {"kind": "wet", "on": "E05"}, "note": words, "key": format!("n{place}")}),
            json!({"act": {"kind": "wet", "on": words}, "key": format!("o{place}")}),
            json!({"act": {"kind": "wet", "on": "E05"}, "key": words}),
            json!({"act": {"kind": "wet", "on": "E05"}, "at": words}),
        ] {
            let answer = note(&service, &body).await;
            assert!(!answer.status.is_server_error(), "{body}: {}", answer.text);
            noted += usize::from(answer.status.is_success());
        }
    }
    assert!(noted >= 4, "nothing nasty came in: the check below would hold of itself");
    let groves: Vec<String> = {
        let answer = get(&service, "/api/v1/groves", "application/json").await;
        let all: Value = serde_json::from_str(&answer.text).unwrap();
        let list = all["items"].as_array().or(all.as_array()).cloned();
        let list = list.unwrap_or_else(|| all["groves"].as_array().unwrap().clone());
        list.iter().map(|grove| grove["id"].as_str().unwrap().to_owned()).collect()
    };
    assert!(groves.len() > NASTY.len() / 2, "{groves:?}");
    for grove in &groves {
        for page in PAGES {
            let answer = get(&service, &format!("/g/{grove}/{page}"), "text/html").await;
            assert!(!answer.status.is_server_error(), "{grove} {page}: {}", answer.text);
            for tag in ["<script>alert", "<img src=x", "alert(1)</script>"] {
                assert!(!answer.text.contains(tag), "{grove} {page} has {tag}");
            }
            assert!(!answer.text.contains('\u{0}') && !answer.text.contains('\u{1b}'), "{page}");
        }
        for question in ["trees", "draws", "record", "tomorrow"] {
            let rows =
                get(&service, &format!("/api/v1/groves/{grove}/{question}"), "text/csv").await;
            let mut reader =
                csv::ReaderBuilder::new().flexible(true).from_reader(rows.text.as_bytes());
            for cell in reader
                .records()
                .flatten()
                .flat_map(|row| row.iter().map(str::to_owned).collect::<Vec<_>>())
            {
                let runs = cell.starts_with(['=', '@', '\t', '\r'])
                    || (cell.starts_with(['+', '-']) && cell.parse::<f64>().is_err());
                assert!(!runs, "{grove} {question}: a spreadsheet would run {cell:?}");
            }
        }
    }
    let after = entries(&service).await;
    let count = |shown: &Value| shown.to_string().len();
    assert!(count(&after) > count(&draws), "entries are still there");
}

/// Two people at one bag: what both can be is kept from both, what cannot is refused to the second, who
/// is told; neither overwrites the other.
#[tokio::test]
async fn two_people_at_one_draw_do_not_overwrite_each_other() {
    let service = with_a_copy();
    let says = |text: &str| text.to_owned();
    let stripped = json!({"act": {"kind": "strip", "on": "E05", "left_ml": 120}, "key": "ada"});
    let first = note(&service, &stripped).await;
    assert_eq!(first.status, StatusCode::CREATED, "{}", first.text);
    let other = json!({"act": {"kind": "strip", "on": "E05", "left_ml": 480}, "key": "bo"});
    let second = note(&service, &other).await;
    assert!(second.status.is_client_error(), "{} {}", second.status, second.text);
    assert!(says(&second.text).contains("E05"), "{}", second.text);
    let shown = entries(&service).await.to_string();
    assert!(shown.contains("120 mL") && !shown.contains("480 mL"), "{shown}");
    // The first one's own repeat is no news.
    assert_eq!(note(&service, &stripped).await.status, StatusCode::OK);
}

#[test]
fn a_model_file_of_another_version_is_refused_by_name() {
    let prior = ModelFile::prior().to_json();
    let value: Value = serde_json::from_str(&prior).unwrap();
    for version in [json!(0), json!(999), json!("two"), Value::Null] {
        let mut other = value.clone();
        let key = ["format", "version", "schema"].into_iter().find(|key| value.get(key).is_some());
        other[key.expect("a model file says its version")] = version.clone();
        let told = ModelFile::from_json(&other.to_string()).unwrap_err().to_string();
        assert!(!told.is_empty(), "{version}");
    }
    let mut unknown = value;
    unknown["from_the_future"] = json!(1);
    assert!(ModelFile::from_json(&unknown.to_string()).is_err(), "an unknown field is not dropped");
}

/// What was stored are instants: another time-zone database shows them under another clock and moves
/// none of them; a zone that it no longer knows is told by name.
#[test]
fn instants_stay_where_they_were_whatever_the_zone_says() {
    let files = xylocast::store::demo::files();
    let read = |zone: &str| {
        let settings =
            String::from_utf8_lossy(files["grove.toml"]).replace("Australia/Adelaide", zone);
        let mut other = files.clone();
        other.insert("grove.toml", settings.as_bytes());
        xylocast::grove::Grove::read(&other)
    };
    let (here, there) = (read("Australia/Adelaide").unwrap(), read("America/Lima").unwrap());
    let with_offset = |grove: &xylocast::grove::Grove| {
        grove.draws.iter().map(|draw| draw.started).collect::<Vec<_>>()
    };
    assert_eq!(with_offset(&here), with_offset(&there), "stored with their offset");
    let told = read("Australia/Atlantis").unwrap_err().to_string();
    assert!(told.contains("Australia/Atlantis") && told.contains("time_zone"), "{told}");
}
