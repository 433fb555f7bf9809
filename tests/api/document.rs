//! The document, and the pages that problems lead to.

use super::{ask, read};
use crate::means::{Service, add_people};
use axum::body::Body;
use axum::http::{Request, StatusCode};
use serde_json::Value;
use xylocast::http::problem::Kind;

async fn document(service: &Service) -> Value {
    read(&ask(service, "openapi.json", &[]).await)
}

#[tokio::test]
async fn every_operation_says_who_may_what_may_go_wrong_and_shows_how() {
    let document = document(&Service::open()).await;
    let mut operations = 0;
    for (path, item) in document["paths"].as_object().unwrap() {
        for (method, operation) in item.as_object().unwrap() {
            operations += 1;
            let at = format!("{method} {path}");
            assert_eq!(operation["security"].as_array().unwrap().len(), 2, "{at}");
            assert!(operation["description"].as_str().unwrap().contains("Needs at least"), "{at}");
            for range in ["4XX", "5XX"] {
                let problem = &operation["responses"][range]["content"]["application/problem+json"];
                assert!(problem["example"]["type"].is_string(), "{at} {range}");
            }
            if let Some(body) = operation.get("requestBody") {
                assert!(
                    body["content"]["application/json"]["example"].is_string()
                        || !body["content"]["application/json"]["example"].is_null(),
                    "{at}"
                );
            }
            for parameter in operation["parameters"].as_array().into_iter().flatten() {
                if parameter["name"] == "per_page" {
                    assert_eq!(parameter["schema"]["maximum"], 200, "{at}");
                }
            }
        }
    }
    assert!(operations >= 34, "{operations}");
    let schemes = &document["components"]["securitySchemes"];
    assert_eq!(schemes["token"]["scheme"], "bearer");
    assert_eq!(schemes["session"]["in"], "cookie");
    let plan = &document["paths"]["/api/v1/groves/{grove}/dayplan"]["get"]["responses"]["200"];
    for media in ["application/json", "text/csv", "text/calendar"] {
        assert!(plan["content"][media].is_object(), "{media}");
    }
}

/// What one operation says of a role is what the guard holds it to.
#[tokio::test]
async fn roles_of_the_document_are_those_of_the_guard() {
    let service = Service::with(|_| {}, add_people);
    let token = service.token("Manager", xylocast::store::office::Role::Reader);
    let request = Request::get("/api/v1/openapi.json")
        .header("authorization", format!("Bearer {token}"))
        .body(Body::empty());
    let document = read(&service.ask(request.unwrap()).await);
    for (path, item) in document["paths"].as_object().unwrap() {
        for (method, operation) in item.as_object().unwrap() {
            if method != "post" {
                continue;
            }
            let request = Request::post(path.replace("{grove}", "demo"))
                .header("authorization", format!("Bearer {token}"))
                .header("content-type", "application/json")
                .body(Body::from("{"));
            let status = service.ask(request.unwrap()).await.status;
            let is_open = operation["description"].as_str().unwrap().contains("a reader");
            assert_eq!(status != StatusCode::FORBIDDEN, is_open, "{path}: {status}");
        }
    }
}

#[tokio::test]
async fn every_kind_of_problem_has_a_page_that_anybody_can_read() {
    let service = Service::with_people();
    let mut names = std::collections::BTreeSet::new();
    for kind in Kind::ALL {
        assert!(names.insert(kind.name()), "{kind:?} shares its name");
        let page = service.open_page(&kind.address(), "").await;
        assert_eq!(page.status, StatusCode::OK, "{kind:?}");
        assert!(page.text.contains(kind.title()), "{}", page.text);
        assert!(page.text.contains("What to do"));
    }
    let list = service.open_page("/problems", "").await;
    assert_eq!(list.text.matches("href=\"/problems/").count(), Kind::ALL.len());
    assert_eq!(service.open_page("/problems/none", "").await.status, StatusCode::NOT_FOUND);
    let refused = ask(&service, "groves", &[]).await;
    let address = read(&refused)["type"].as_str().unwrap().to_owned();
    assert_eq!(service.open_page(&address, "").await.status, StatusCode::OK);
}
