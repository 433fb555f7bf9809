//! Logging on Today and what listeners hear: the real router, a real database, no socket and no
//! script.
#![allow(missing_docs)]

#[path = "access/means.rs"]
#[allow(dead_code)]
mod means;

use axum::body::Body;
use axum::http::{Request, StatusCode, header};
use chrono::{DateTime, TimeDelta, Utc};
use http_body_util::BodyExt;
use means::{Answer, PASSWORD, PEOPLE, Service, add_people};
use std::time::Duration;
use tokio::time::timeout;
use tower::ServiceExt;
use xylocast::app::founding::copy_demo;
use xylocast::app::log::{Line, show};
use xylocast::http::router;
use xylocast::store::db::By;
use xylocast::store::office::Role;

const GROVE: &str = "/g/my-demo";

/// A copy of the demo, in which two bags hang.
fn service(people: bool) -> Service {
    Service::with(
        |_| {},
        |office| {
            if people {
                add_people(office);
            }
            copy_demo(office, By { who: "test", at: Utc::now() }).unwrap();
        },
    )
}

/// The day's entries in the database.
fn entries(service: &Service) -> Vec<Line> {
    let kept = service.server.kept("my-demo").unwrap();
    show(&kept.home, service.server.now(&kept)).unwrap().entries
}

async fn page(service: &Service, cookie: &str) -> Answer {
    let page = service.open_page(&format!("{GROVE}/today"), cookie).await;
    assert_eq!(page.status, StatusCode::OK, "{}", page.text);
    page
}

fn field<'a>(page: &'a Answer, name: &str) -> &'a str {
    let after = page.text.split(&format!("name=\"{name}\" value=\"")).nth(1).unwrap();
    after.split('"').next().unwrap()
}

async fn log(service: &Service, cookie: &str, page: &Answer, fields: &[(&str, &str)]) -> Answer {
    let (csrf, key) = (page.csrf(), field(page, "key").to_owned());
    let mut all = vec![("csrf", csrf.as_str()), ("key", key.as_str()), ("form", "look")];
    all.extend(fields);
    service.send(&format!("{GROVE}/log"), cookie, &all).await
}

#[tokio::test]
async fn two_taps_log_a_reading_and_a_third_does_nothing() {
    let service = service(false);
    let before = entries(&service).len();
    let open = page(&service, "").await;
    assert!(open.text.contains("2 bags hang"), "{}", open.text);
    let fields = [("kind", "left"), ("on", "E05"), ("ml", "250"), ("unit", "mL")];
    let first = log(&service, "", &open, &fields).await;
    let second = log(&service, "", &open, &fields).await;
    assert_eq!((first.status, second.status), (StatusCode::SEE_OTHER, StatusCode::SEE_OTHER));
    assert_eq!(first.header("location"), second.header("location"));
    let noted = entries(&service);
    assert_eq!(noted.len(), before + 1);
    assert!(noted.last().unwrap().says.contains("250 mL left"), "{:?}", noted.last());
    let after = service.open_page(first.header("location"), "").await;
    assert!(after.text.contains("<b>Noted. </b>E05: 250 mL left"), "{}", after.text);
    // Undone by its key, once.
    let undo = [("kind", "undo"), ("of", field(&after, "of"))];
    assert_eq!(log(&service, "", &after, &undo).await.status, StatusCode::SEE_OTHER);
    assert!(entries(&service).iter().any(|line| line.undone));
}

#[tokio::test]
async fn no_link_makes_the_page_say_what_nobody_noted() {
    let service = service(false);
    let answer = service.open_page(&format!("{GROVE}/today?noted=xyz&mind=drink+it"), "").await;
    assert!(!answer.text.contains("drink it") && !answer.text.contains("Noted. "));
}

#[tokio::test]
async fn a_refusal_says_why_and_keeps_what_was_typed() {
    let service = service(false);
    let before = entries(&service).len();
    let open = page(&service, "").await;
    for (fields, words) in [
        (vec![("kind", "left"), ("on", "E05"), ("ml", "much")], "is no volume"),
        (vec![("kind", "left"), ("on", "E05"), ("ml", "NaN")], "is no volume"),
        (vec![("kind", "left"), ("on", "E05")], "how much?"),
        (vec![("kind", "wet"), ("on", "E01")], "no bag hangs on tree E01"),
        (vec![("kind", "wet"), ("on", "<b>")], "&lt;b&gt;"),
        (vec![("kind", "sing"), ("on", "E05")], "is nothing that can be logged"),
        (vec![("on", "E05")], "nothing was chosen"),
        (vec![("kind", "left"), ("on", "E05"), ("ml", "9"), ("unit", "pint")], "is no unit"),
        (vec![("kind", "wet"), ("on", "E05"), ("at", "25:10")], "the time"),
    ] {
        let answer = log(&service, "", &open, &fields).await;
        assert_eq!(answer.status, StatusCode::UNPROCESSABLE_ENTITY, "{fields:?}");
        assert!(answer.text.contains("Not noted: "), "{fields:?}");
        assert!(answer.text.contains(words), "{fields:?}: {}", answer.text);
    }
    let hang = [("kind", "start"), ("on", "E05"), ("ml", "1234x"), ("form", "hang")];
    let csrf = open.csrf();
    let all: Vec<_> = hang.into_iter().chain([("csrf", csrf.as_str())]).collect();
    let answer = service.send(&format!("{GROVE}/log"), "", &all).await;
    assert!(answer.text.contains("value=\"1234x\""), "{}", answer.text);
    assert_eq!(entries(&service).len(), before);
}

/// What a phone sends.
async fn batch(service: &Service, entries: &serde_json::Value) -> serde_json::Value {
    let csrf = page(service, "").await.csrf();
    let request = Request::post(format!("{GROVE}/log/batch"))
        .header(header::HOST, "localhost:8080")
        .header(header::ORIGIN, "http://localhost:8080")
        .header("x-csrf-token", csrf)
        .header(header::CONTENT_TYPE, "application/json")
        .body(Body::from(entries.to_string()));
    let answer = service.ask(request.unwrap()).await;
    assert_eq!(answer.status, StatusCode::OK, "{}", answer.text);
    serde_json::from_str(&answer.text).unwrap()
}

fn outcomes(answer: &serde_json::Value) -> Vec<&str> {
    let list = answer.as_array().unwrap().iter();
    list.map(|one| one["outcome"].as_str().unwrap()).collect()
}

#[tokio::test]
async fn what_a_phone_sends_twice_and_out_of_order_is_there_once() {
    let service = service(false);
    let before = entries(&service).len();
    let kept = service.server.kept("my-demo").unwrap();
    let now: DateTime<Utc> = service.server.now(&kept);
    let at = |minutes| (now - TimeDelta::minutes(minutes)).to_rfc3339();
    let one = |key: &str, minutes, kind: &str, ml: &str| serde_json::json!({"key": key, "at": at(minutes), "kind": kind, "on": "W12", "ml": ml});
    let (a, b) = (one("ka", 9, "left", "800"), one("kb", 6, "wet", ""));
    let c = serde_json::json!({"key": "kc", "at": at(3), "kind": "wet", "on": "nowhere"});
    let answer = batch(&service, &serde_json::json!([b, a, b, c])).await;
    assert_eq!(outcomes(&answer), ["noted", "noted", "repeated", "refused"], "{answer}");
    assert!(answer[3]["says"].as_str().unwrap().contains("nowhere"));
    let answer = batch(&service, &serde_json::json!([a, b])).await;
    assert_eq!(outcomes(&answer), ["repeated", "repeated"], "{answer}");
    let noted = entries(&service);
    assert_eq!(noted.len(), before + 2);
    for (key, says) in [("ka", "800 mL left"), ("kb", "still wet")] {
        let own: Vec<&Line> = noted.iter().filter(|line| line.key == key).collect();
        assert!(matches!(own.as_slice(), [line] if line.says.contains(says)), "{own:?}");
    }
    // The same key for something else is a conflict, not a repeat.
    let answer = batch(&service, &serde_json::json!([one("ka", 9, "left", "700")])).await;
    assert_eq!(outcomes(&answer), ["refused"], "{answer}");
}

#[tokio::test]
async fn the_crew_logs_under_its_name_and_a_reader_does_not() {
    let service = service(true);
    assert!(!PASSWORD.is_empty());
    for (name, role) in PEOPLE {
        let cookie = service.log_in(name).await;
        let open = page(&service, &cookie).await;
        let has_forms = open.text.contains("class=\"log\"");
        assert_eq!(has_forms, role >= Role::Crew, "{name}");
        let csrf = service.csrf(&cookie).await;
        let fields = [("csrf", csrf.as_str()), ("kind", "wet"), ("on", "W12"), ("key", name)];
        let answer = service.send(&format!("{GROVE}/log"), &cookie, &fields).await;
        let is_noted = entries(&service).iter().any(|line| line.by.as_deref() == Some(name));
        assert_eq!(is_noted, role >= Role::Crew, "{name}: {}", answer.status);
        assert_eq!(answer.status == StatusCode::FORBIDDEN, role < Role::Crew, "{name}");
    }
}

#[tokio::test]
async fn the_demo_says_how_to_log_all_the_same() {
    let service = service(false);
    let open = service.open_page("/g/demo/today", "").await;
    assert!(open.text.contains("make a copy of it") && !open.text.contains("class=\"log\""));
    let csrf = page(&service, "").await.csrf();
    let fields = [("csrf", csrf.as_str()), ("kind", "wet"), ("on", "W12")];
    let answer = service.send("/g/demo/log", "", &fields).await;
    assert_eq!(answer.status, StatusCode::UNPROCESSABLE_ENTITY);
}

#[tokio::test]
async fn listeners_hear_a_change_and_the_end() {
    let service = service(false);
    let request = Request::get(format!("{GROVE}/events")).body(Body::empty()).unwrap();
    let answer = router(service.server.clone()).oneshot(request).await.unwrap();
    assert_eq!(answer.headers()[header::CONTENT_TYPE], "text/event-stream");
    let mut heard = answer.into_body();
    let mut next = async || {
        let frame = timeout(Duration::from_secs(20), heard.frame()).await.expect("an event");
        frame.map(|frame| String::from_utf8(frame.unwrap().into_data().unwrap().to_vec()).unwrap())
    };
    assert!(next().await.unwrap().starts_with("event: minute\ndata: "));
    let open = page(&service, "").await;
    log(&service, "", &open, &[("kind", "wet"), ("on", "W12")]).await;
    assert!(next().await.unwrap().starts_with("event: change\ndata: "));
    service.server.stop();
    assert_eq!(next().await, None);
}

#[test]
fn again_at_a_server() {
    means::needs::postgres::again_at_a_server(&[], 4);
}
