//! The real router in a folder of its own, with a copy of the demo: bodies in, and no answer may be
//! the service's own failure.

use axum::Router;
use axum::body::{Body, Bytes, to_bytes};
use axum::http::{Request, StatusCode};
use chrono::Utc;
use std::sync::Arc;
use tempfile::TempDir;
use tower::ServiceExt;
use xylocast::app::founding::copy_demo;
use xylocast::http::router;
use xylocast::http::server::Server;
use xylocast::http::settings::Typed;
use xylocast::store::db::By;
use xylocast::store::office::Office;

/// Everything that takes a body: address and content type.
const TAKERS: [(&str, &str); 9] = [
    ("/api/v1/groves/my-demo/entries", "application/json"),
    ("/g/my-demo/log/batch", "application/json"),
    ("/g/my-demo/log", "application/x-www-form-urlencoded"),
    ("/new", "application/x-www-form-urlencoded"),
    ("/new/files", "multipart/form-data; boundary=x"),
    ("/g/my-demo/add/files", "multipart/form-data; boundary=x"),
    ("/g/my-demo/add/tree", "application/x-www-form-urlencoded"),
    ("/log-in", "application/x-www-form-urlencoded"),
    ("/units", "application/x-www-form-urlencoded"),
];

/// A service that runs as long as it is kept.
pub struct Service {
    router: Router,
    runtime: tokio::runtime::Runtime,
    csrf: String,
    _data: TempDir,
}

impl Service {
    /// Opened at the machine itself, with nobody in it.
    pub fn open() -> Self {
        let data = tempfile::tempdir().expect("a folder");
        let office = Office::open(data.path()).expect("an office");
        copy_demo(&office, By { who: "fuzz", at: Utc::now() }).expect("a copy of the demo");
        let typed =
            Typed { data: Some(data.path().to_owned()), pull: Some(false), ..Typed::default() };
        let settings = typed.settled(None, None).expect("settings");
        let server = Arc::new(Server::open(settings).expect("a server"));
        let runtime =
            tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
        let mut service =
            Self { router: router(server), runtime, csrf: String::new(), _data: data };
        let (_, who) = service.ask(Request::get("/who").body(Body::empty()).expect("a request"));
        let told = String::from_utf8_lossy(&who).into_owned();
        service.csrf = told
            .split("\"csrf\":\"")
            .nth(1)
            .and_then(|after| after.split('"').next())
            .expect("a token for forms")
            .to_owned();
        service
    }

    fn ask(&self, mut request: Request<Body>) -> (StatusCode, Bytes) {
        request.headers_mut().insert("host", "localhost:8080".parse().expect("a host"));
        self.runtime.block_on(async {
            let answer = self.router.clone().oneshot(request).await.expect("infallible");
            let status = answer.status();
            (status, to_bytes(answer.into_body(), usize::MAX).await.expect("a body"))
        })
    }

    /// The first byte says where to; the rest is the body.
    pub fn take(&self, data: &[u8]) {
        let Some((which, body)) = data.split_first() else { return };
        let (path, kind) = TAKERS[usize::from(*which) % TAKERS.len()];
        let request = Request::post(path)
            .header("content-type", kind)
            .header("x-csrf-token", &self.csrf)
            .header("origin", "http://localhost:8080")
            .header("sec-fetch-site", "same-origin");
        let request = request.body(Body::from(body.to_vec())).expect("a request");
        let (status, answer) = self.ask(request);
        assert!(
            !status.is_server_error(),
            "{path} answers {status}: {}",
            String::from_utf8_lossy(&answer)
        );
    }
}
