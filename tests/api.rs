//! The JSON API: the real router, no socket. Answers are those of the use cases, and hold to the
//! schemas of the document that describes them.
#![allow(missing_docs)]

#[path = "api/document.rs"]
mod document;
#[path = "api/lists.rs"]
mod lists;
#[path = "access/means.rs"]
#[allow(dead_code)]
mod means;
#[path = "api/writes.rs"]
mod writes;

use axum::body::Body;
use axum::http::{Request, StatusCode};
use boon::{Compiler, Draft, Schemas};
use chrono::Utc;
use means::{Answer, Service};
use serde_json::{Value, json};
use xylocast::app::desk::{self, Desk};
use xylocast::app::founding::copy_demo;
use xylocast::app::tomorrow::tomorrow;
use xylocast::rows;
use xylocast::store::db::By;

/// Questions to a grove with the route that describes each.
const QUESTIONS: [(&str, &str); 22] = [
    ("tomorrow", "tomorrow"),
    ("window", "window"),
    ("outlook", "outlook"),
    ("times", "times"),
    ("overnight", "overnight"),
    ("today", "today"),
    ("days?days=1", "days"),
    ("dose", "dose"),
    ("compare", "compare"),
    ("record", "record"),
    ("trees", "trees"),
    ("trees/E05", "trees/{tree}"),
    ("draws?per_page=3", "draws"),
    ("weather", "weather"),
    ("entries", "entries"),
    ("bags", "bags"),
    ("drawdowns", "drawdowns"),
    ("record?tree=E05", "record"),
    ("dayplan?tree=E05&tree=E06&people=1&kits=11", "dayplan"),
    ("dose?block=avenue&by_mean=true&units=us&kits=3", "dose"),
    ("days?days=1&tree=E05", "days"),
    ("check", "check"),
];

fn with_a_copy() -> Service {
    Service::with(
        |_| {},
        |office| {
            copy_demo(office, By { who: "test", at: Utc::now() }).unwrap();
        },
    )
}

async fn ask(service: &Service, path: &str, head: &[(&str, &str)]) -> Answer {
    let mut request = Request::get(format!("/api/v1/{path}")).header("host", "localhost:8080");
    for (name, value) in head {
        request = request.header(*name, *value);
    }
    service.ask(request.body(Body::empty()).unwrap()).await
}

async fn post(service: &Service, path: &str, body: &str) -> Answer {
    let request = Request::post(format!("/api/v1/{path}"))
        .header("host", "localhost:8080")
        .header("content-type", "application/json");
    service.ask(request.body(Body::from(body.to_owned())).unwrap()).await
}

fn read(answer: &Answer) -> Value {
    serde_json::from_str(&answer.text).unwrap_or_else(|error| panic!("{error}: {}", answer.text))
}

/// Holds a value to a schema of the document.
fn hold(document: &Value, place: &str, value: &Value) -> Result<(), String> {
    let mut compiler = Compiler::new();
    compiler.set_default_draft(Draft::V2020_12);
    compiler.add_resource("http://localhost/openapi.json", document.clone()).unwrap();
    let mut schemas = Schemas::new();
    let at = format!("http://localhost/openapi.json#{place}");
    let schema = compiler.compile(&at, &mut schemas).map_err(|error| error.to_string())?;
    schemas.validate(value, schema).map_err(|error| format!("{error:#}"))
}

fn schema_of(route: &str, method: &str, status: &str) -> String {
    let route = route.replace('/', "~1").replace('{', "%7B").replace('}', "%7D");
    format!(
        "/paths/~1api~1v1~1groves~1%7Bgrove%7D~1{route}/{method}/responses/{status}/content/\
         application~1json/schema"
    )
}

#[tokio::test]
async fn every_answer_holds_to_its_schema() {
    let service = with_a_copy();
    let document = read(&ask(&service, "openapi.json", &[]).await);
    assert_eq!(document["openapi"], "3.1.0");
    let mut breaches = Vec::new();
    for grove in ["demo", "my-demo"] {
        for (path, route) in QUESTIONS {
            let answer = ask(&service, &format!("groves/{grove}/{path}"), &[]).await;
            assert_eq!(answer.status, StatusCode::OK, "{grove}/{path}: {}", answer.text);
            if let Err(breach) = hold(&document, &schema_of(route, "get", "200"), &read(&answer)) {
                breaches.push(format!("{grove}/{path}: {breach}"));
            }
        }
    }
    assert!(breaches.is_empty(), "{}", breaches.join("\n\n"));
    // The check itself can fail.
    let wrong = json!({"answer": 7});
    assert!(hold(&document, &schema_of("today", "get", "200"), &wrong).is_err());
}

#[tokio::test]
async fn an_answer_is_that_of_the_use_case_as_json_and_as_rows() {
    let service = Service::open();
    let desk = Desk::lay(&desk::Request::default(), Utc::now()).unwrap();
    let expected = tomorrow(&desk, desk.tomorrow()).unwrap();
    let as_json = ask(&service, "groves/demo/tomorrow", &[]).await;
    assert_eq!(read(&as_json), serde_json::to_value(&expected).unwrap());
    let wishes = [("accept", "text/csv;q=0.9, image/png")];
    let as_rows = ask(&service, "groves/demo/tomorrow", &wishes).await;
    assert_eq!(as_rows.header("content-type"), "text/csv");
    assert_eq!(as_rows.text.as_bytes(), rows::trees(&expected));
    let neither = ask(&service, "groves/demo/tomorrow", &[("accept", "image/png")]).await;
    assert_eq!(neither.status, StatusCode::NOT_ACCEPTABLE);
}

#[tokio::test]
async fn what_the_asker_has_is_not_sent_again() {
    let service = Service::open();
    let first = ask(&service, "groves/demo/trees", &[]).await;
    let tag = first.header("etag").to_owned();
    let again = ask(&service, "groves/demo/trees", &[("if-none-match", &tag)]).await;
    assert_eq!((again.status, again.text.len()), (StatusCode::NOT_MODIFIED, 0));
    let other = ask(&service, "groves/demo/draws", &[("if-none-match", &tag)]).await;
    assert_eq!(other.status, StatusCode::OK);
}

#[tokio::test]
async fn what_goes_wrong_is_told_as_a_problem() {
    let service = Service::open();
    let document = read(&ask(&service, "openapi.json", &[]).await);
    for (path, status) in [
        ("nothing", 404),
        ("groves/none/trees", 404),
        ("groves/demo/tomorrow?date=soon", 400),
        ("groves/demo/tomorrow?dat=2026-01-01", 400),
        ("groves/demo/tomorrow?date=3000-01-01", 422),
        ("groves/demo/trees/NONE", 404),
        ("groves/demo/draws?tree=NONE", 422),
        ("groves/demo/draws?per_page=201", 422),
        ("groves/demo/draws?cursor=zz", 400),
        ("groves/demo/entries?cursor=6f", 400),
        ("groves/demo/days?days=0", 422),
        ("groves/demo/dayplan?people=0", 422),
        ("groves/demo/dose?sheet=none", 400),
        ("groves/demo/pull", 409),
        ("groves/demo/backtest?before_h=100", 422),
    ] {
        let answer = ask(&service, path, &[]).await;
        assert_eq!(answer.status.as_u16(), status, "{path}: {}", answer.text);
        assert_eq!(answer.header("content-type"), "application/problem+json", "{path}");
        let problem = read(&answer);
        assert_eq!(problem["status"], status, "{path}");
        hold(&document, "/components/schemas/Problem", &problem).unwrap();
    }
    let method = post(&service, "groves/demo/tomorrow", "{}").await;
    assert_eq!(method.status, StatusCode::METHOD_NOT_ALLOWED, "{}", method.text);
    let demo = post(&service, "groves/demo/entries", r#"{"act":{"kind":"wet","on":"E05"}}"#).await;
    assert_eq!(demo.status, StatusCode::CONFLICT, "{}", demo.text);
}

#[tokio::test]
async fn an_entry_is_noted_once_by_its_key() {
    let service = with_a_copy();
    let document = read(&ask(&service, "openapi.json", &[]).await);
    let body = r#"{"key":"phone-1","act":{"kind":"left","on":"E05","left_ml":200}}"#;
    let first = post(&service, "groves/my-demo/entries", body).await;
    let second = post(&service, "groves/my-demo/entries", body).await;
    assert_eq!((first.status, second.status), (StatusCode::CREATED, StatusCode::OK));
    assert_eq!(read(&second)["repeated"], true);
    hold(&document, &schema_of("entries", "post", "201"), &read(&first)).unwrap();
    let shown = ask(&service, "groves/my-demo/entries", &[]).await;
    hold(&document, &schema_of("entries", "get", "200"), &read(&shown)).unwrap();
    assert_eq!(shown.text.matches("phone-1").count(), 1, "{}", shown.text);
    let other = r#"{"key":"phone-1","act":{"kind":"left","on":"E05","left_ml":100}}"#;
    let other = post(&service, "groves/my-demo/entries", other).await;
    assert_eq!(other.status, StatusCode::CONFLICT, "{}", other.text);
    let unknown = r#"{"act":{"kind":"lost","on":"E05"}}"#;
    assert_eq!(post(&service, "groves/my-demo/entries", unknown).await.status.as_u16(), 422);
    assert_eq!(post(&service, "groves/my-demo/entries", "{").await.status.as_u16(), 400);
}

#[test]
fn again_at_a_server() {
    means::needs::postgres::again_at_a_server(&[], 18);
}
