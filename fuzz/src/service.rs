//! The real router in a folder of its own, with a copy of the demo: questions in, and no answer may
//! be the service's own failure.

use axum::Router;
use axum::body::{Body, Bytes, to_bytes};
use axum::http::{Method, Request, StatusCode, header};
use axum::response::Response;
use chrono::Utc;
use serde_json::Value;
use std::sync::Arc;
use tempfile::TempDir;
use tower::ServiceExt;
use xylocast::app::founding::{bring_in, copy_demo};
use xylocast::http::api::BASE;
use xylocast::http::router;
use xylocast::http::server::Server;
use xylocast::http::settings::Typed;
use xylocast::store::db::By;
use xylocast::store::office::Office;

/// Forms and uploads of the pages: address and content type. All other bodies are JSON.
const FORMS: [(&str, &str); 7] = [
    ("/g/my-demo/log", "application/x-www-form-urlencoded"),
    ("/new", "application/x-www-form-urlencoded"),
    ("/new/files", "multipart/form-data; boundary=x"),
    ("/g/my-demo/add/files", "multipart/form-data; boundary=x"),
    ("/g/my-demo/add/tree", "application/x-www-form-urlencoded"),
    ("/log-in", "application/x-www-form-urlencoded"),
    ("/units", "application/x-www-form-urlencoded"),
];

/// A grove whose weather comes from a file, so that a pull asks no network.
const LOGGED: &str = "name = 'Logged'\ntime_zone = 'America/New_York'\nlatitude_deg = 40.7\n\
    longitude_deg = -74.2\nelevation_m = 10\n[weather]\nsources = ['station']\nfirst_wait_ms = 1\n\
    deadline_s = 1\nopen_meteo_url = 'http://127.0.0.1:9'\n\
    open_meteo_archive_url = 'http://127.0.0.1:9'\n\
    open_meteo_ensemble_url = 'http://127.0.0.1:9'\nmet_norway_url = 'http://127.0.0.1:9'\n\
    bright_sky_url = 'http://127.0.0.1:9'\nnws_url = 'http://127.0.0.1:9'\n\
    [weather.station]\nfile = 'logger.csv'\nclock = '-05:00'\nlabel = 'end'\n\
    time_column = 'time'\ncolumns = [{ name = 't_f', measure = 'air_temp_c', unit = 'degF' }]\n";

const LOGGER: &str = "time,t_f\n2026-03-01 10:00,50\n2026-03-01 11:00,52\n2026-03-01 12:00,54\n";

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
        let by = By { who: "fuzz", at: Utc::now() };
        copy_demo(&office, by).expect("a copy of the demo");
        let trees = "tree_id,block,species,circumference_cm,ports\nA1,one,elm,90,8\n";
        let files = [("grove.toml", LOGGED), ("trees.csv", trees)];
        let files = files.map(|(name, text)| (name.to_owned(), text.as_bytes().to_vec()));
        let (logged, _) = bring_in(&office, files.into(), by).expect("a grove with a logger");
        std::fs::write(logged.file.with_file_name("logger.csv"), LOGGER).expect("a file");
        let typed =
            Typed { data: Some(data.path().to_owned()), pull: Some(false), ..Typed::default() };
        let settings = typed.settled(None, None).expect("settings");
        let server = Arc::new(Server::open(settings).expect("a server"));
        let runtime =
            tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
        let mut service =
            Self { router: router(server), runtime, csrf: String::new(), _data: data };
        service.csrf = service.read("/who")["csrf"].as_str().expect("a token for forms").to_owned();
        service
    }

    /// What it says at an address, as JSON.
    fn read(&self, address: &str) -> Value {
        let (_, body) = self.ask(Request::get(address).body(Body::empty()).expect("a request"));
        serde_json::from_slice(&body).expect("JSON")
    }

    fn ask(&self, mut request: Request<Body>) -> (StatusCode, Bytes) {
        request.headers_mut().insert("host", "localhost:8080".parse().expect("a host"));
        self.runtime.block_on(async {
            let answer = self.router.clone().oneshot(request).await.expect("infallible");
            let status = answer.status();
            // News have no end.
            let whole = if has_end(&answer) { answer.into_body() } else { Body::empty() };
            (status, to_bytes(whole, usize::MAX).await.expect("a body"))
        })
    }

    /// The first line says how and where to, as `POST /units`; the rest is the body.
    pub fn take(&self, data: &[u8]) {
        let end = data.iter().position(|&byte| byte == b'\n').unwrap_or(data.len());
        let body = data.get(end + 1..).unwrap_or_default();
        let Ok((method, address)) = std::str::from_utf8(&data[..end]).map(first_line) else {
            return;
        };
        let kind = FORMS.iter().find(|(form, _)| *form == address);
        let request = Request::builder()
            .method(method)
            .uri(address)
            .header("content-type", kind.map_or("application/json", |(_, kind)| kind))
            .header("x-csrf-token", &self.csrf)
            .header("origin", "http://localhost:8080")
            .header("sec-fetch-site", "same-origin");
        let Ok(request) = request.body(Body::from(body.to_vec())) else { return };
        let (status, answer) = self.ask(request);
        let answer = String::from_utf8_lossy(&answer);
        // Weather services that do not answer are no failure of this one.
        let own = status.is_server_error() && status != StatusCode::BAD_GATEWAY;
        assert!(!own, "{address} answers {status}: {answer}");
        if address.starts_with(BASE) && status.is_client_error() {
            let problem: Value = serde_json::from_str(&answer).expect("a problem is JSON");
            assert!(problem["type"].is_string(), "{address} is refused without a word: {answer}");
        }
    }

    /// A question for everything that the API's document lists, with the document's own examples.
    pub fn operations(&self) -> Vec<Vec<u8>> {
        let document = self.read("/api/v1/openapi.json");
        let paths = document["paths"].as_object().expect("paths");
        let asked = paths.iter().flat_map(|(path, item)| {
            ["get", "post"]
                .into_iter()
                .filter_map(|method| question(method, path, item.get(method)?))
        });
        asked.collect()
    }
}

fn first_line(line: &str) -> (Method, &str) {
    match line.split_once(' ') {
        Some(("GET", address)) => (Method::GET, address),
        Some((_, address)) => (Method::POST, address),
        None => (Method::POST, line),
    }
}

fn has_end(answer: &Response) -> bool {
    let kind = answer.headers().get(header::CONTENT_TYPE);
    kind.is_none_or(|kind| !kind.as_bytes().starts_with(b"text/event-stream"))
}

/// What works for seconds, or for minutes: asked wrongly, so that its words are read and no more.
const LONG: [&str; 4] = ["/backtest", "/refit", "/dayplan", "/days"];

fn question(method: &str, path: &str, operation: &Value) -> Option<Vec<u8>> {
    let none = Vec::new();
    let parameters = operation["parameters"].as_array().unwrap_or(&none);
    let grove = if path.ends_with("/pull") { "logged" } else { "my-demo" };
    let address = path.replace("{grove}", grove).replace("{tree}", "E05");
    let query = parameters.iter().filter(|parameter| parameter["in"] == "query");
    let query: Vec<String> = query
        .filter_map(|parameter| {
            Some(format!("{}={}", parameter["name"].as_str()?, likely(parameter)))
        })
        .collect();
    let mut query = query.join("&");
    let body = &operation["requestBody"]["content"]["application/json"]["example"];
    let mut body = if body.is_null() { String::new() } else { body.to_string() };
    if LONG.iter().any(|long| path.ends_with(long)) {
        let words = if query.is_empty() { &mut body } else { &mut query };
        if words.is_empty() {
            return None;
        }
        words.push('x');
    }
    let mark = if query.is_empty() { "" } else { "?" };
    let method = method.to_uppercase();
    Some(format!("{method} {address}{mark}{query}\n{body}").into_bytes())
}

/// Something that a parameter may be.
fn likely(parameter: &Value) -> String {
    match parameter["name"].as_str() {
        Some("tree") => return "E05".to_owned(),
        Some("block") => return "East".to_owned(),
        _ => {}
    }
    let schema = &parameter["schema"];
    let told = [&parameter["example"], &schema["example"], &schema["minimum"], &schema["enum"][0]];
    match told.into_iter().find(|value| !value.is_null()) {
        Some(Value::String(text)) => text.clone(),
        Some(value) => value.to_string(),
        None => match schema["format"].as_str() {
            Some("date") => "2026-01-15".to_owned(),
            Some("date-time") => "2026-01-15T08:00:00Z".to_owned(),
            _ if schema.to_string().contains("boolean") => "true".to_owned(),
            _ => "1".to_owned(),
        },
    }
}
