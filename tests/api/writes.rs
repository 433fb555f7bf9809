//! What the API writes: entries, models, groves, weather; each once.

#[path = "../stand_in/mod.rs"]
mod stand_in;

use super::means::{Answer, Service};
use super::{ask, post, read, with_a_copy};
use axum::body::Body;
use axum::http::{Request, StatusCode};
use serde_json::{Value, json};
use stand_in::{Reply, StandIn, four_days};
use std::sync::Arc;

async fn keyed(service: &Service, key: &str, body: &str) -> Answer {
    let request = Request::post("/api/v1/groves/my-demo/entries")
        .header("host", "localhost:8080")
        .header("idempotency-key", key)
        .header("content-type", "application/json");
    service.ask(request.body(Body::from(body.to_owned())).unwrap()).await
}

async fn noted(service: &Service) -> u64 {
    let entries = ask(service, "groves/my-demo/entries", &[]).await;
    read(&entries)["total"].as_u64().unwrap()
}

const WET: &str = r#"{"act":{"kind":"wet","on":"E05"}}"#;

#[tokio::test]
async fn one_key_is_done_once_and_heard_again() {
    let service = with_a_copy();
    let first = keyed(&service, "k1", WET).await;
    assert_eq!(first.status, StatusCode::CREATED, "{}", first.text);
    for _ in 0..2 {
        let again = keyed(&service, "k1", WET).await;
        assert_eq!((again.status, &again.text), (first.status, &first.text));
    }
    let other = keyed(&service, "k1", r#"{"act":{"kind":"empty","on":"E05"}}"#).await;
    assert_eq!(other.status, StatusCode::UNPROCESSABLE_ENTITY, "{}", other.text);
    assert_eq!(read(&other)["type"], "/problems/the-key-was-used-before");
    assert_eq!(noted(&service).await, 1);
    // A refusal is heard again too, and a new key is a new wish.
    let refused = r#"{"act":{"kind":"wet","on":"NONE"}}"#;
    let heard = [keyed(&service, "k2", refused).await, keyed(&service, "k2", refused).await];
    assert_eq!(heard[0].status, StatusCode::UNPROCESSABLE_ENTITY);
    assert_eq!(read(&heard[0])["type"], "/problems/cannot-be-done");
    assert_eq!(read(&heard[0]), read(&heard[1]), "whole both times");
    assert_eq!(keyed(&service, "k3", WET).await.status, StatusCode::CREATED);
    assert_eq!(noted(&service).await, 2);
    for wrong in ["", &"k".repeat(256)] {
        assert_eq!(keyed(&service, wrong, WET).await.status.as_u16(), 422, "'{wrong}'");
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn of_many_at_once_with_one_key_one_is_noted() {
    let service = Arc::new(with_a_copy());
    let mut tasks = tokio::task::JoinSet::new();
    for _ in 0..8 {
        let service = service.clone();
        tasks.spawn(async move { keyed(&service, "k", WET).await.status.as_u16() });
    }
    let statuses = tasks.join_all().await;
    assert!(statuses.iter().all(|status| [201, 409].contains(status)), "{statuses:?}");
    assert!(statuses.contains(&201));
    assert_eq!(noted(&service).await, 1);
}

#[tokio::test]
async fn a_batch_is_answered_entry_by_entry() {
    let service = with_a_copy();
    let batch = json!([
        {"key": "b1", "act": {"kind": "wet", "on": "E05"}},
        {"key": "b2", "act": {"kind": "wet", "on": "NONE"}},
        {"key": "b1", "act": {"kind": "wet", "on": "E05"}},
        {"key": "b3", "act": {"kind": "left", "on": "E05", "left_ml": 150}},
    ]);
    let send = async |body: &Value| {
        post(&service, "groves/my-demo/entries/batch", &body.to_string()).await
    };
    let first = send(&batch).await;
    assert_eq!(first.status, StatusCode::OK, "{}", first.text);
    let outcomes = |answer: &Answer| -> Vec<String> {
        let all = read(answer);
        all.as_array().unwrap().iter().map(|one| one["outcome"].as_str().unwrap().into()).collect()
    };
    assert_eq!(outcomes(&first), ["noted", "refused", "repeated", "noted"]);
    assert!(read(&first)[1]["says"].as_str().unwrap().contains("NONE"));
    assert_eq!(outcomes(&send(&batch).await), ["repeated", "refused", "repeated", "repeated"]);
    assert_eq!(noted(&service).await, 2);
    let keyless = json!([{"act": {"kind": "wet", "on": "E05"}}]);
    assert_eq!(send(&keyless).await.status.as_u16(), 422);
    let demo = post(&service, "groves/demo/entries/batch", "[]").await;
    assert_eq!(demo.status, StatusCode::CONFLICT);
}

#[tokio::test]
async fn groves_are_made_and_added_to() {
    let service = Service::open();
    let place = json!({"from": "place", "name": "West", "time_zone": "Europe/Madrid",
        "latitude_deg": 40.4, "longitude_deg": -3.7, "elevation_m": 650.0});
    let made = post(&service, "groves", &place.to_string()).await;
    assert_eq!(made.status, StatusCode::CREATED, "{}", made.text);
    assert_eq!(made.header("location"), "/api/v1/groves/west/trees");
    let tree = json!({"tree_id": "W1", "block": "one", "species": "elm", "circumference_cm": 90.0, "ports": 8});
    let added = post(&service, "groves/west/trees", &tree.to_string()).await;
    assert_eq!(added.status, StatusCode::CREATED, "{}", added.text);
    let again = post(&service, "groves/west/trees", &tree.to_string()).await;
    assert_eq!(again.status.as_u16(), 422, "{}", again.text);
    let files = json!({"files": {"trees.csv":
        "tree_id,block,species,circumference_cm,ports\nW1,one,elm,90,8\nW2,one,elm,100,8\n"}});
    let more = post(&service, "groves/west/files", &files.to_string()).await;
    assert_eq!(read(&more)["files"]["trees.csv"], json!({"new": 1, "same": 1}), "{}", more.text);
    let other = json!({"files": {"trees.csv":
        "tree_id,block,species,circumference_cm,ports\nW1,one,elm,91,8\n"}});
    let flawed = post(&service, "groves/west/files", &other.to_string()).await;
    assert_eq!(flawed.status, StatusCode::CONFLICT, "{}", flawed.text);
    assert_eq!(read(&flawed)["flaws"][0]["row"], 2);
    assert!(!flawed.text.contains("--replace"), "{}", flawed.text);
    let far = json!({"from": "place", "name": "N", "time_zone": "Mars/Olympus",
        "latitude_deg": 400.0, "longitude_deg": 0.0, "elevation_m": 1.0});
    assert_eq!(post(&service, "groves", &far.to_string()).await.status.as_u16(), 422);
}

#[tokio::test]
async fn weather_is_pulled_from_the_services_of_the_grove() {
    let weather = StandIn::serving(vec![Reply::ok(four_days(-34.53, 138.71, 120.0).to_string())]);
    let silent = StandIn::serving(vec![Reply::status(503, "busy")]);
    let service = Service::open();
    // Only who hears nothing is short of patience.
    for (name, base, deadline_s) in [("Heard", &weather.base, 60), ("Silent", &silent.base, 2)] {
        let settings = format!(
            "name = '{name}'\ntime_zone = 'Australia/Adelaide'\nlatitude_deg = -34.53\n\
             longitude_deg = 138.71\nelevation_m = 120\n[weather]\nsources = ['open-meteo']\n\
             open_meteo_url = '{base}'\ndeadline_s = {deadline_s}\nfirst_wait_ms = 10\n"
        );
        let files = json!({"from": "files", "files": {"grove.toml": settings,
            "trees.csv": "tree_id,block,species,circumference_cm,ports\nA1,one,elm,90,8\n"}});
        let made = post(&service, "groves", &files.to_string()).await;
        assert_eq!(made.status, StatusCode::CREATED, "{}", made.text);
    }
    let would = ask(&service, "groves/heard/pull", &[]).await;
    assert!(would.text.contains("open-meteo: GET http://127.0.0.1"), "{}", would.text);
    let pulled = post(&service, "groves/heard/pull", "{}").await;
    assert_eq!(pulled.status, StatusCode::OK, "{}", pulled.text);
    assert_eq!(read(&pulled)["source"], "open-meteo");
    let unheard = post(&service, "groves/silent/pull", "{}").await;
    assert_eq!(unheard.status, StatusCode::BAD_GATEWAY, "{}", unheard.text);
    assert_eq!(read(&unheard)["type"], "/problems/no-weather-service-answered");
    assert!(unheard.headers.contains_key("retry-after"));
    let none = post(&service, "groves/heard/pull", r#"{"source":"none"}"#).await;
    assert_eq!(none.status.as_u16(), 422, "{}", none.text);
    let demo = post(&service, "groves/demo/pull", "{}").await;
    assert_eq!(demo.status, StatusCode::CONFLICT);
}

#[tokio::test]
async fn a_refit_is_put_in_use() {
    let service = with_a_copy();
    let demo = post(&service, "groves/demo/refit", "{}").await;
    assert_eq!(demo.status, StatusCode::CONFLICT, "{}", demo.text);
    let refit = post(&service, "groves/my-demo/refit", r#"{"even_if_worse":true}"#).await;
    assert_eq!(refit.status, StatusCode::CREATED, "{}", refit.text);
    assert!(read(&refit)["written"].is_string());
}

#[tokio::test]
async fn long_questions_are_sent() {
    let service = with_a_copy();
    let times = |tree: &str| {
        json!([{"draw_id": "a", "tree_id": tree, "start": "2026-01-15T08:00", "charge_ml": 1000.0}])
            .to_string()
    };
    let known = post(&service, "groves/demo/times", &times("E05")).await;
    assert_eq!((known.status, read(&known)[0]["tree_id"].as_str()), (StatusCode::OK, Some("E05")));
    let unknown = post(&service, "groves/demo/times", &times("NONE")).await;
    assert_eq!(unknown.status, StatusCode::CONFLICT, "{}", unknown.text);
    assert_eq!(read(&unknown)["flaws"][0]["row"], 2);
    let overnight = post(&service, "groves/demo/overnight", &times("E05")).await;
    assert_eq!(overnight.status, StatusCode::OK, "{}", overnight.text);
    let measure =
        post(&service, "groves/demo/measure", r#"{"circumferences":["94.2","88"]}"#).await;
    assert_eq!(read(&measure)["trunks"].as_array().unwrap().len(), 2, "{}", measure.text);
    let plan = ask(&service, "groves/demo/dayplan?people=1", &[]).await;
    let mut kept = read(&plan)["kept"].clone();
    let replan = |kept: &Value| json!({"people": 1, "earlier": kept}).to_string();
    let again = post(&service, "groves/demo/dayplan", &replan(&kept)).await;
    assert_eq!(again.status, StatusCode::OK, "{}", again.text);
    assert_eq!(read(&again)["changes"], json!([]));
    // What no plan of ours can be is refused, whoever sends it.
    kept["plan"]["draws"][0]["person"] = json!(99);
    let foreign = post(&service, "groves/demo/dayplan", &replan(&kept)).await;
    assert_eq!(foreign.status.as_u16(), 422, "{}", foreign.text);
    assert!(!foreign.text.contains("--"), "{}", foreign.text);
}

#[tokio::test]
async fn a_plan_does_without_who_is_away_and_what_is_broken() {
    let service = with_a_copy();
    let kept = read(&ask(&service, "groves/demo/dayplan", &[]).await)["kept"].clone();
    let asked = json!({"gone": [2], "broken": [1], "earlier": kept}).to_string();
    let plan = read(&post(&service, "groves/demo/dayplan", &asked).await);
    let changes: Vec<&str> =
        plan["changes"].as_array().unwrap().iter().filter_map(Value::as_str).collect();
    assert_eq!(changes[..2], ["person 2 is gone", "kit 1 is broken"]);
    let people = plan["people"].as_array().unwrap();
    assert_eq!(people[1]["acts"], json!([]), "{people:?}");

    let page = async |fields: &str| {
        let request = Request::get(format!("/g/demo/plan{fields}")).header("host", "localhost");
        service.ask(request.body(Body::empty()).unwrap()).await
    };
    let whole = page("").await.text;
    assert!(whole.contains("Somebody is away") && !whole.contains("person 2 is gone"));
    let without = page("?gone=2&broken=1").await.text;
    // The page says what the API says, in the same order.
    let mut rest = without.as_str();
    for change in changes {
        let at = rest.find(change).unwrap_or_else(|| panic!("{change}: {without}"));
        rest = &rest[at..];
    }
    assert!(without.contains("gone=2&amp;broken=1\">Calendar"), "{without}");
    for (fields, words) in [
        ("?gone=two", "gone 'two' is no number"),
        ("?gone=9", "there is no person 9; people are numbered 1 to"),
        ("?broken=0", "there is no kit 0"),
    ] {
        let refused = page(fields).await;
        assert!(refused.status.is_client_error(), "{fields}: {}", refused.status);
        assert!(refused.text.contains(words), "{fields}: {}", refused.text);
    }
    let refused = ask(&service, "groves/demo/dayplan?gone=9", &[]).await;
    assert_eq!(refused.status.as_u16(), 422, "{}", refused.text);
}
