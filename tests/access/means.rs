//! A service in a folder of its own, asked without a socket.

use axum::Router;
use axum::body::{Body, to_bytes};
use axum::http::{HeaderMap, Method, Request, StatusCode, header};
use chrono::Utc;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};
use tempfile::TempDir;
use tower::ServiceExt;
use xylocast::app::access::{add_person, add_token};
use xylocast::http::router;
use xylocast::http::server::Server;
use xylocast::http::settings::{Settings, Typed};
use xylocast::store::office::{OFFICE, Office, Role};

/// For what takes no time.
const PATIENCE: Duration = Duration::from_secs(60);
pub const PASSWORD: &str = "correct horse";

/// One of each role; their names are the roles' words with a capital.
pub const PEOPLE: [(&str, Role); 3] =
    [("Reader", Role::Reader), ("Crew", Role::Crew), ("Manager", Role::Manager)];

/// All that the services of this file's tests log, caught.
static LOG: Mutex<Vec<u8>> = Mutex::new(Vec::new());

struct Log;

impl std::io::Write for Log {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        LOG.lock().unwrap().extend_from_slice(bytes);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}

/// What has been logged so far, at every level.
pub fn logged() -> String {
    String::from_utf8(LOG.lock().unwrap().clone()).unwrap()
}

fn catch_the_log() {
    static ONCE: std::sync::Once = std::sync::Once::new();
    ONCE.call_once(|| {
        tracing_subscriber::fmt()
            .with_max_level(tracing_subscriber::filter::LevelFilter::TRACE)
            .with_ansi(false)
            .with_writer(|| Log)
            .init();
    });
}

#[path = "../means/mod.rs"]
pub mod needs;

/// Where a service keeps its groves and people: a folder of its own, or a server's database.
pub struct Data {
    folder: TempDir,
    server: Option<PathBuf>,
}

impl Data {
    pub fn new() -> Self {
        let server = needs::postgres::new_place();
        Self { folder: tempfile::tempdir().unwrap(), server }
    }

    pub fn path(&self) -> &Path {
        self.server.as_deref().unwrap_or(self.folder.path())
    }

    /// Every byte of people, tokens and what was written.
    pub fn all_of_the_office(&self) -> Vec<Vec<u8>> {
        if let Some(server) = &self.server {
            return vec![needs::postgres::dumped(server)];
        }
        let file = self.folder.path().join(OFFICE);
        let read = |ending| std::fs::read(format!("{}{ending}", file.display())).unwrap();
        vec![["", "-wal"].map(read).concat()]
    }
}

pub struct Service {
    pub data: Data,
    pub server: Arc<Server>,
    router: Router,
}

/// An answer.
#[derive(Debug)]
pub struct Answer {
    pub status: StatusCode,
    pub headers: HeaderMap,
    pub text: String,
}

impl Answer {
    pub fn header(&self, name: &str) -> &str {
        self.headers.get(name).map_or("", |value| value.to_str().unwrap())
    }

    /// The mark in the first form of a page.
    pub fn csrf(&self) -> String {
        let after = self.text.split("name=\"csrf\" value=\"").nth(1).expect("a form with a mark");
        after.split('"').next().unwrap().to_owned()
    }
}

impl Service {
    /// At the machine itself, with nobody in it.
    pub fn open() -> Self {
        Self::with(|_| {}, |_| {})
    }

    /// At the machine itself, with one person of each role.
    pub fn with_people() -> Self {
        Self::with(|_| {}, add_people)
    }

    pub fn with(change: impl FnOnce(&mut Typed), fill: impl FnOnce(&Office)) -> Self {
        catch_the_log();
        let data = Data::new();
        fill(&Office::open(data.path()).unwrap());
        let settings = settings(data.path(), change);
        let server = Arc::new(Server::open(settings).unwrap());
        let mut changes = server.changes();
        server.hear_others().unwrap();
        // A server tells at first what stands there; it is no change that a test is to hear.
        let shared = if needs::postgres::is_at_server() { server.groves().len() - 1 } else { 0 };
        let from = Instant::now();
        let mut heard = 0;
        while heard < shared {
            assert!(from.elapsed() < PATIENCE, "{heard} of {shared} groves were told");
            match changes.try_recv() {
                Ok(_) => heard += 1,
                Err(_) => std::thread::sleep(Duration::from_millis(1)),
            }
        }
        Self { data, router: router(server.clone()), server }
    }

    /// The answer as it comes.
    pub async fn answer(&self, request: Request<Body>) -> axum::response::Response {
        self.router.clone().oneshot(request).await.unwrap()
    }

    pub async fn ask(&self, request: Request<Body>) -> Answer {
        let response = self.answer(request).await;
        let (parts, body) = response.into_parts();
        let bytes = to_bytes(body, usize::MAX).await.unwrap();
        let text = String::from_utf8_lossy(&bytes).into_owned();
        Answer { status: parts.status, headers: parts.headers, text }
    }

    pub async fn open_page(&self, path: &str, cookie: &str) -> Answer {
        let request =
            Request::get(path).header(header::COOKIE, cookie).header("accept", "text/html");
        self.ask(request.body(Body::empty()).unwrap()).await
    }

    /// A form as a browser sends it.
    pub async fn send(&self, path: &str, cookie: &str, fields: &[(&str, &str)]) -> Answer {
        let body = serde_urlencoded::to_string(fields).unwrap();
        let request = Request::post(path)
            .header(header::COOKIE, cookie)
            .header(header::HOST, "localhost:8080")
            .header(header::ORIGIN, "http://localhost:8080")
            .header("sec-fetch-site", "same-origin")
            .header(header::CONTENT_TYPE, "application/x-www-form-urlencoded");
        self.ask(request.body(Body::from(body)).unwrap()).await
    }

    /// Logs in; the cookie to send from then on.
    pub async fn log_in(&self, name: &str) -> String {
        let csrf = self.open_page("/log-in", "").await.csrf();
        let fields = [("csrf", csrf.as_str()), ("name", name), ("password", PASSWORD)];
        let answer = self.send("/log-in", "", &fields).await;
        assert_eq!(answer.status, StatusCode::SEE_OTHER, "{}", answer.text);
        let cookie = answer.header("set-cookie").split(';').next().unwrap();
        cookie.to_owned()
    }

    /// The mark of somebody's forms.
    pub async fn csrf(&self, cookie: &str) -> String {
        self.open_page("/password", cookie).await.csrf()
    }

    pub async fn with_token(&self, method: Method, path: &str, token: &str) -> Answer {
        let request = Request::builder().method(method).uri(path);
        let request = request.header(header::AUTHORIZATION, format!("Bearer {token}"));
        self.ask(request.body(Body::empty()).unwrap()).await
    }

    pub fn token(&self, name: &str, role: Role) -> String {
        let made = add_token(&self.server.access.office, (name, role), name, Utc::now());
        made.unwrap().text().to_owned()
    }
}

pub fn settings(data: &Path, change: impl FnOnce(&mut Typed)) -> Settings {
    let mut typed = Typed { data: Some(data.to_owned()), pull: Some(false), ..Typed::default() };
    change(&mut typed);
    typed.settled(None, None).unwrap()
}

pub fn add_people(office: &Office) {
    for (name, role) in PEOPLE.into_iter().rev() {
        add_person(office, (name, role), PASSWORD, Utc::now()).unwrap();
    }
}
