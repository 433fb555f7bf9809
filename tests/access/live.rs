//! What is told as it happens is told to those alone who may still read, and what watches over the
//! service gets in.

use super::means::{Service, add_people};
use axum::body::{Body, BodyDataStream};
use axum::http::{Method, Request, StatusCode, header};
use chrono::{TimeDelta, Utc};
use std::time::Duration;
use tokio_stream::StreamExt;
use xylocast::app::access::Secret;
use xylocast::store::office::{Lives, Role};

/// A stream that has begun to tell.
async fn listening(service: &Service, name: &str, value: &str) -> BodyDataStream {
    let request = Request::get("/g/demo/events").header(name, value);
    let response = service.answer(request.body(Body::empty()).unwrap()).await;
    assert_eq!(response.status(), StatusCode::OK);
    let mut told = response.into_body().into_data_stream();
    let first = tokio::time::timeout(Duration::from_secs(30), told.next()).await;
    assert!(matches!(first, Ok(Some(Ok(_)))), "{first:?}");
    told
}

/// Does it end within so many seconds?
async fn ends_within(mut told: BodyDataStream, seconds: u64) -> bool {
    let end = async { while told.next().await.is_some() {} };
    tokio::time::timeout(Duration::from_secs(seconds), end).await.is_ok()
}

async fn ends(told: BodyDataStream) -> bool {
    ends_within(told, 60).await
}

#[tokio::test]
async fn a_stream_ends_with_the_log_in_or_token_that_opened_it() {
    let service = Service::with_people();
    let office = service.server.access.office.clone();
    // A token that is taken back.
    let token = format!("Bearer {}", service.token("Reader", Role::Reader));
    let (stays, told) = tokio::join!(
        listening(&service, "authorization", &token),
        listening(&service, "authorization", &token)
    );
    assert!(!ends_within(stays, 2).await, "nothing has ended yet");
    office.revoke_token("Reader", Utc::now()).unwrap();
    assert!(ends(told).await, "a revoked token still hears");
    // A log-out.
    let cookie = service.log_in("Crew").await;
    let told = listening(&service, "cookie", &cookie).await;
    let csrf = service.csrf(&cookie).await;
    service.send("/log-out", &cookie, &[("csrf", &csrf)]).await;
    assert!(ends(told).await, "who logged out still hears");
    // Somebody who is disabled.
    let cookie = service.log_in("Crew").await;
    let told = listening(&service, "cookie", &cookie).await;
    office.disable("Crew", true).unwrap();
    assert!(ends(told).await, "who was disabled still hears");
    // A session that runs out while it is listened to: to hear is no use of it.
    let people = office.people().unwrap();
    let reader = people.iter().find(|person| person.name == "Reader").unwrap();
    let secret = Secret::fresh("").unwrap();
    let idle = TimeDelta::seconds(5);
    let lives = Lives { at_most: TimeDelta::hours(1), idle };
    office.open_session(reader, &secret.hash(), lives, Utc::now()).unwrap();
    let cookie = format!("xylocast={}", secret.text());
    let told = listening(&service, "cookie", &cookie).await;
    assert!(ends(told).await, "an idle session still hears");
}

#[tokio::test]
async fn an_open_machine_hears_until_somebody_is_added() {
    let service = Service::open();
    let told = listening(&service, "accept", "text/event-stream").await;
    add_people(&service.server.access.office);
    assert!(ends(told).await, "nobody in particular still hears");
}

#[tokio::test]
async fn watchers_get_in_with_a_readers_token_or_need_none() {
    let service = Service::with_people();
    for open in ["/live", "/ready"] {
        assert_eq!(service.open_page(open, "").await.status, StatusCode::OK, "{open}");
    }
    let shut = service.open_page("/metrics", "").await;
    assert_ne!(shut.status, StatusCode::OK);
    let asked = Request::get("/metrics").header(header::ACCEPT, "*/*").body(Body::empty());
    let answer = service.ask(asked.unwrap()).await;
    assert_eq!(answer.status, StatusCode::UNAUTHORIZED);
    assert_eq!(answer.header("www-authenticate"), "Bearer");
    let token = service.token("Reader", Role::Reader);
    let read = service.with_token(Method::GET, "/metrics", &token).await;
    assert_eq!(read.status, StatusCode::OK);
    assert!(read.text.contains("xylocast_requests_total") && read.text.ends_with("# EOF\n"));
}
