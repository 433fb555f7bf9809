//! Faults of the world outside, against the whole service: what the fault table of SECURITY.md names
//! and no other test holds.
#![allow(missing_docs)]

#[path = "access/means.rs"]
#[allow(dead_code)]
mod means;
#[path = "faults/nasty.rs"]
mod nasty;

use axum::body::Body;
use axum::http::{Request, StatusCode, header};
use chrono::{TimeDelta, Utc};
use means::{Answer, Service};
use serde_json::{Value, json};
use std::io::{Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::path::Path;
use std::sync::Arc;
use std::time::{Duration, Instant};
use xylocast::app::founding::copy_demo;
use xylocast::http::MOST_BYTES;
use xylocast::http::serve::serve;
use xylocast::store::db::{By, Database};
use xylocast::uptake::model::ModelFile;

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
    // A server's database has none, and others' folders come and go.
    for entry in std::fs::read_dir(folder).into_iter().flatten().flatten() {
        let path = entry.path();
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

/// A client that sends half a head, and one that sends a head and half a body, hold nobody up and are
/// let go in the time that SECURITY.md says.
#[tokio::test(flavor = "multi_thread")]
async fn a_slow_client_holds_nobody_up_and_is_let_go() {
    const HALF_A_HEAD: &str = "GET / HTTP/1.1\r\nHost: localhost\r\nX-Slow: ";
    const HALF_A_BODY: &str = "POST /api/v1/groves/my-demo/entries HTTP/1.1\r\nHost: localhost\r\n\
                               Content-Type: application/json\r\nContent-Length: 1000\r\n\r\n{\"act\":";
    let service = with_a_copy();
    let settings = means::settings(service.data.path(), |typed| {
        typed.listen = Some("127.0.0.1:0".parse().unwrap());
    });
    let (tell, told) = std::sync::mpsc::channel::<SocketAddr>();
    let running = tokio::spawn(serve(settings, move |address, _| tell.send(address).unwrap()));
    let held = tokio::task::spawn_blocking(move || {
        let address = told.recv_timeout(Duration::from_secs(30)).unwrap();
        let begin = |said: &str| {
            let mut client = TcpStream::connect(address).unwrap();
            client.write_all(said.as_bytes()).unwrap();
            (client, Instant::now())
        };
        let heads: Vec<_> = (0..50).map(|_| begin(HALF_A_HEAD)).collect();
        let bodies: Vec<_> = (0..50).map(|_| begin(HALF_A_BODY)).collect();
        let began = Instant::now();
        let (mut quick, _) =
            begin("GET /live HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n");
        let mut answer = String::new();
        quick.read_to_string(&mut answer).unwrap();
        assert!(answer.starts_with("HTTP/1.1 200"), "{answer}");
        assert!(began.elapsed() < Duration::from_secs(9), "held up for {:?}", began.elapsed());
        for (clients, limit_s) in [(heads, 10), (bodies, 30)] {
            for (mut client, since) in clients {
                client.set_read_timeout(Some(Duration::from_secs(limit_s + 60))).unwrap();
                let mut rest = Vec::new();
                client.read_to_end(&mut rest).expect("let go, not left hanging");
                let (waited, rest) = (since.elapsed().as_secs(), String::from_utf8_lossy(&rest));
                assert!((limit_s - 1..limit_s + 60).contains(&waited), "{waited} s: {rest}");
                assert!(rest.is_empty() || rest.starts_with("HTTP/1.1 4"), "{rest}");
            }
        }
    });
    held.await.unwrap();
    running.abort();
}

/// Names that lead out of the folder, and names of files that are none of a grove's. What they are
/// names of would be taken under a good one.
#[tokio::test]
async fn names_of_files_lead_nowhere() {
    const SETTINGS: &str = "name = 'Home'\ntime_zone = 'Australia/Adelaide'\nlatitude_deg = -34.9\n\
                            longitude_deg = 138.6\nelevation_m = 45\n";
    const TREES: &str = "tree_id,block,species,circumference_cm,ports\nNEW,avenue,elm,90,6\n";
    let service = with_a_copy();
    let mark = service.open_page("/new", "").await.csrf();
    let planted = || {
        let found = files_under(&std::env::temp_dir());
        found.into_iter().filter(|path| path.contains("xylocast-planted")).count()
    };
    let kept = || (files_under(service.data.path()), service.server.groves().len());
    let (before, outside) = (kept(), planted());
    for name in [
        "../../xylocast-planted",
        "/tmp/xylocast-planted",
        "..\\..\\xylocast-planted",
        "C:\\xylocast-planted",
        "elms/../../xylocast-planted",
        "weather/../../../trees.csv",
        "/trees.csv",
        "./trees.csv",
        "../trees.csv",
        ".",
        "..",
    ] {
        for path in ["/new/files", "/g/my-demo/add/files"] {
            let files = [("grove.toml", SETTINGS.as_bytes()), (name, TREES.as_bytes())];
            let sent = if path == "/new/files" { &files[..] } else { &files[1..] };
            let answer = service.ask(upload(path, &mark, sent)).await;
            let (status, text) = (answer.status, answer.text);
            assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY, "{path} {name:?}: {text}");
            let told = format!("{}' leads out of the folder", name.escape_debug());
            assert!(text.contains(&told), "{path} {name:?}: {text}");
        }
    }
    for (name, told) in
        [("", "no file was chosen"), ("planted.exe", "none of the 1 files"), ("a\0.csv", "")]
    {
        let path = "/g/my-demo/add/files";
        let answer = service.ask(upload(path, &mark, &[(name, TREES.as_bytes())])).await;
        assert!(answer.status.is_client_error(), "{name:?}: {} {}", answer.status, answer.text);
        assert!(answer.text.contains(told), "{name:?}: {}", answer.text);
    }
    assert_eq!((kept(), planted()), (before, outside));
    for path in ["/new/files", "/g/my-demo/add/files"] {
        let files = [("grove.toml", SETTINGS.as_bytes()), ("trees.csv", TREES.as_bytes())];
        let sent = if path == "/new/files" { &files[..] } else { &files[1..] };
        let answer = service.ask(upload(path, &mark, sent)).await;
        assert_eq!(answer.status, StatusCode::SEE_OTHER, "{path}: {}", answer.text);
    }
}

/// Settings that come in name a logger's file, which a pull of the service would read: none outside of
/// the grove's folder, and none at all where there is no folder.
#[tokio::test]
async fn settings_that_come_in_name_no_file_of_the_server() {
    let service = Service::open();
    let mark = service.open_page("/new", "").await.csrf();
    let at = tempfile::tempdir().unwrap();
    let outside = at.path().join("logger.csv");
    let hours: String = (1..40)
        .map(|hour| format!("{},20,50\n", (Utc::now() - TimeDelta::hours(hour)).to_rfc3339()))
        .collect();
    let rows = format!("t,temp,rh\n{hours}");
    std::fs::write(&outside, &rows).unwrap();
    let settings = |file: &str| {
        format!(
            "name = 'Home'\ntime_zone = 'Europe/Vienna'\nlatitude_deg = 48.1\nlongitude_deg = 16.4\n\
             elevation_m = 190\n[weather]\nsources = ['station']\n[weather.station]\nfile = '{file}'\n\
             clock = '+00:00'\nlabel = 'end'\ntime_column = 't'\ncolumns = [\n\
             {{ name = 'temp', measure = 'air_temp_c', unit = 'degC' }},\n\
             {{ name = 'rh', measure = 'rel_humidity_pct', unit = '%' }} ]\n"
        )
    };
    let trees = "tree_id,block,species,circumference_cm,ports\nA,b,elm,120,8\n";
    let send = |file: &str| {
        let settings = settings(file);
        let files = [("grove.toml", settings.as_bytes()), ("trees.csv", trees.as_bytes())];
        service.ask(upload("/new/files", &mark, &files))
    };
    let outside = outside.to_str().unwrap();
    for file in [
        outside,
        "/etc/passwd",
        "../logger.csv",
        "loggers/../../logger.csv",
        "..\\logger.csv",
        "C:\\logger.csv",
        "office.db",
        "",
    ] {
        let answer = send(file).await;
        assert_eq!(answer.status, StatusCode::UNPROCESSABLE_ENTITY, "{file}: {}", answer.text);
        let told =
            format!("grove.toml: weather.station.file '{file}' leads out of the grove's folder");
        assert!(
            answer.text.contains(&told) && answer.text.contains("give its url"),
            "{}",
            answer.text
        );
    }
    assert_eq!(service.server.groves().len(), 1, "the demo alone");

    let answer = send("logger.csv").await;
    assert_eq!(answer.status, StatusCode::SEE_OTHER, "{}", answer.text);
    let grove = answer.header("location").split('/').nth(2).unwrap();
    let pull = || {
        let request = Request::post(format!("/api/v1/groves/{grove}/pull"))
            .header("host", "localhost:8080")
            .header("content-type", "application/json");
        service.ask(request.body(Body::from("{}")).unwrap())
    };
    if !service.data.path().is_dir() {
        struct Planted;
        impl Drop for Planted {
            fn drop(&mut self) {
                let _ = std::fs::remove_file("logger.csv");
            }
        }
        std::fs::write("logger.csv", &rows).unwrap();
        let planted = Planted;
        let answer = pull().await;
        drop(planted);
        assert!(answer.text.contains("this grove has no folder"), "{}", answer.text);
        return;
    }
    std::fs::write(service.data.path().join("logger.csv"), &rows).unwrap();
    let answer = pull().await;
    assert_eq!(answer.status, StatusCode::OK, "{}", answer.text);
    assert!(answer.text.contains("\"observed_hours\":3"), "{}", answer.text);
    // A database that an older program took in may name anything.
    let file = service.server.kept(grove).unwrap().home.path().unwrap().to_owned();
    let database = Database::open(&file, Utc::now()).unwrap();
    let older = format!(
        "UPDATE acting SET who = 'x', at_utc = 1;
         UPDATE groves SET settings_toml = replace(settings_toml, 'logger.csv', '{outside}')"
    );
    database.connection().unwrap().execute_batch(&older).unwrap();
    let answer = pull().await;
    assert!(answer.status.is_client_error() || answer.status.is_server_error());
    assert!(answer.text.contains("leads out of the grove's folder"), "{}", answer.text);
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

/// Two strips of one bag that cannot both be, sent at the same moment: one of each pair is
/// acknowledged, and what is kept is that one.
#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn of_two_at_the_same_moment_the_acknowledged_one_is_kept() {
    const ROUNDS: usize = 20;
    let service = Arc::new(with_a_copy());
    let trees =
        get(&service, "/api/v1/groves/my-demo/trees?per_page=200", "application/json").await;
    let trees: Value = serde_json::from_str(&trees.text).unwrap();
    let free = trees["trees"].as_array().unwrap().iter();
    let free: Vec<String> = free.map(|tree| tree["tree_id"].as_str().unwrap().to_owned()).collect();
    let began = (service.server.now(&service.server.kept("my-demo").unwrap())
        - TimeDelta::minutes(30))
    .to_rfc3339();
    let (mut rounds, mut first_won) = (0, 0);
    for tree in free {
        let start = json!({"act": {"kind": "start", "tree_id": tree, "charge_ml": 1000}, "at": began,
            "key": format!("{tree}-start")});
        if note(&service, &start).await.status != StatusCode::CREATED {
            // A bag hangs there already.
            continue;
        }
        let pair = [100, 600].map(|left_ml| {
            let (service, tree) = (service.clone(), tree.clone());
            tokio::spawn(async move {
                let act = json!({"kind": "strip", "on": tree, "left_ml": left_ml});
                let key = format!("{tree}-{left_ml}");
                note(&service, &json!({"act": act, "key": key})).await
            })
        });
        let mut answers = Vec::new();
        for one in pair {
            answers.push(one.await.unwrap());
        }
        let won: Vec<bool> =
            answers.iter().map(|answer| answer.status == StatusCode::CREATED).collect();
        assert!(won[0] != won[1], "{tree}: {answers:?}");
        let lost = &answers[usize::from(won[0])];
        assert!(lost.status.is_client_error() && lost.text.contains(&tree), "{lost:?}");
        let path = format!("/api/v1/groves/my-demo/draws?tree={tree}");
        let draws = get(&service, &path, "application/json").await.text;
        let draws: Value = serde_json::from_str(&draws).unwrap();
        let kept = draws["draws"].as_array().unwrap().iter();
        let kept: Vec<&Value> = kept.map(|draw| &draw["left_ml"]).collect();
        let (wanted, other) = if won[0] { (100, 600) } else { (600, 100) };
        let is = |ml: i64| kept.iter().filter(|left| left.as_f64() == Some(ml as f64)).count();
        assert!(is(wanted) == 1 && is(other) == 0, "{tree}: {draws}");
        first_won += usize::from(won[0]);
        rounds += 1;
        if rounds == ROUNDS {
            break;
        }
    }
    assert_eq!(rounds, ROUNDS);
    eprintln!("the first of the two won {first_won} of {ROUNDS}");
}

#[test]
fn a_model_file_of_another_version_is_refused_by_name() {
    let prior = ModelFile::prior().to_json();
    let value: Value = serde_json::from_str(&prior).unwrap();
    for (version, named) in [
        (json!(0), "schema 0 "),
        (json!(3), "schema 3 "),
        (json!(999), "schema 999 "),
        (json!("two"), "schema \"two\" "),
        (Value::Null, "schema null "),
    ] {
        let mut other = value.clone();
        other["schema"] = version.clone();
        let told = ModelFile::from_json(&other.to_string()).unwrap_err().to_string();
        assert!(told.contains(named) && told.contains("1 to 2"), "{version}: {told}");
    }
    let mut none = value.clone();
    none.as_object_mut().unwrap().remove("schema").expect("a model file says its schema");
    let told = ModelFile::from_json(&none.to_string()).unwrap_err().to_string();
    assert!(told.contains("without a schema") && told.contains("1 to 2"), "{told}");
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

#[test]
fn again_at_a_server() {
    let of_files = ["model_file", "instants_stay", "slow_client"];
    means::needs::postgres::again_at_a_server(&of_files, 7);
}
