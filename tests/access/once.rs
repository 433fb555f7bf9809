//! What is sent twice with one key is done once.

use super::means::{Answer, Service};
use axum::body::Body;
use axum::http::{Request, StatusCode, header};
use std::time::{Duration, Instant};

const FIELDS: [(&str, &str); 5] = [
    ("name", "West"),
    ("time_zone", "Europe/Madrid"),
    ("latitude_deg", "40.4"),
    ("longitude_deg", "-3.7"),
    ("elevation_m", "650"),
];

async fn send(service: &Service, key: &str, name: &str) -> Answer {
    let mark = service.open_page("/new", "").await.csrf();
    let mut fields = FIELDS.to_vec();
    fields[0].1 = name;
    let request = Request::post("/new")
        .header("idempotency-key", key)
        .header("x-csrf-token", mark)
        .header(header::CONTENT_TYPE, "application/x-www-form-urlencoded");
    let body = serde_urlencoded::to_string(fields).unwrap();
    service.ask(request.body(Body::from(body)).unwrap()).await
}

#[tokio::test]
async fn twins_make_one_grove_and_hear_one_answer() {
    let service = Service::open();
    let first = send(&service, "k1", "West").await;
    assert_eq!(first.status, StatusCode::SEE_OTHER, "{}", first.text);
    for _ in 0..3 {
        let again = send(&service, "k1", "West").await;
        assert_eq!(again.status, first.status);
        assert_eq!(again.header("location"), first.header("location"));
    }
    assert_eq!(service.server.groves().len(), 2, "the demo and one more");
    let other = send(&service, "k1", "East").await;
    assert_eq!(other.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(other.text.contains("a new wish needs a new key"), "{}", other.text);
    send(&service, "k2", "West").await;
    assert_eq!(service.server.groves().len(), 3, "another key is another wish");
}

#[tokio::test(flavor = "multi_thread")]
async fn of_twins_at_once_one_is_done() {
    let service = Service::open();
    let mark = service.open_page("/new", "").await.csrf();
    let all = (0..8).map(|_| {
        let fields = serde_urlencoded::to_string(FIELDS).unwrap();
        let request = Request::post("/new")
            .header("idempotency-key", "k")
            .header("x-csrf-token", mark.as_str())
            .header(header::CONTENT_TYPE, "application/x-www-form-urlencoded");
        service.ask(request.body(Body::from(fields)).unwrap())
    });
    let mut statuses = Vec::new();
    for answer in futures_of(all).await {
        statuses.push(answer.status);
    }
    let allowed = [StatusCode::SEE_OTHER, StatusCode::CONFLICT];
    assert!(statuses.iter().all(|status| allowed.contains(status)), "{statuses:?}");
    assert!(statuses.contains(&StatusCode::SEE_OTHER));
    assert_eq!(service.server.groves().len(), 2);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_write_runs_to_its_end_though_the_asker_hangs_up() {
    let service = Service::open();
    let writes = || service.server.access.office.last_writes(100).unwrap().len();
    let mut made = 0;
    // On a busy machine there may be an answer before the write is seen to have begun.
    let (key, name) = loop {
        let (key, name, before) = (format!("k{made}"), format!("West {made}"), writes());
        let begun = async {
            while writes() == before {
                tokio::time::sleep(Duration::from_millis(1)).await;
            }
        };
        made += 1;
        tokio::select! {
            _ = send(&service, &key, &name) => assert!(made < 20, "no hang-up came in time"),
            () = begun => break (key, name),
        }
    };
    let from = Instant::now();
    let last = || service.server.access.office.last_writes(1).unwrap().remove(0).status;
    while last().is_none() && from.elapsed() < Duration::from_secs(20) {
        tokio::time::sleep(Duration::from_millis(5)).await;
    }
    assert_eq!(last(), Some(303));
    assert_eq!(service.server.groves().len(), 1 + made);
    let again = send(&service, &key, &name).await;
    let to = format!("/g/{}/add", name.to_lowercase().replace(' ', "-"));
    assert_eq!(again.header("location"), to, "{again:?}");
    assert_eq!(service.server.groves().len(), 1 + made);
}

/// All at once, in one task.
async fn futures_of<F: Future<Output = Answer>>(all: impl Iterator<Item = F>) -> Vec<Answer> {
    let mut waiting: Vec<_> = all.map(|one| (Box::pin(one), None)).collect();
    std::future::poll_fn(|context| {
        for (future, answer) in &mut waiting {
            if answer.is_none()
                && let std::task::Poll::Ready(ready) = future.as_mut().poll(context)
            {
                *answer = Some(ready);
            }
        }
        match waiting.iter().all(|(_, answer)| answer.is_some()) {
            true => std::task::Poll::Ready(()),
            false => std::task::Poll::Pending,
        }
    })
    .await;
    waiting.into_iter().filter_map(|(_, answer)| answer).collect()
}
