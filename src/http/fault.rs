//! What went wrong, in one mapping: problem details (RFC 9457) for programs, a page for people.

use super::problem::Kind;
use crate::app::desk::{About, DeskError};
use crate::app::log;
use crate::journal::Refusal;
use crate::pages::site::Place;
use crate::store::folder_log::LogError;
use crate::store::home::HomeError;
use crate::text::{Flaw, FlawKind};
use axum::Json;
use axum::body::{Body, to_bytes};
use axum::extract::Request;
use axum::http::{HeaderValue, Method, StatusCode, Uri, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use serde::Serialize;
use std::any::Any;

/// Media type of problem details.
pub const PROBLEM: &str = "application/problem+json";

/// Most that is kept of the plain words of a refusal, bytes.
const MOST_WORDS: usize = 64 * 1024;

/// Problem details (RFC 9457).
#[derive(Debug, Clone, PartialEq, Serialize, utoipa::ToSchema)]
pub struct Problem {
    /// Names the kind of problem.
    #[serde(rename = "type")]
    #[schema(format = "uri-reference")]
    pub kind: String,
    /// The kind of problem in words.
    pub title: String,
    /// Status of the answer.
    #[schema(minimum = 400, maximum = 599)]
    pub status: u16,
    /// What was wrong, and what to do.
    pub detail: String,
    /// Path that was asked.
    #[schema(format = "uri-reference")]
    pub instance: String,
    /// Flaws of a grove's files, one by one.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub flaws: Vec<FlawTold>,
}

impl Problem {
    /// A fault met at a path.
    pub fn of(fault: &Fault, instance: String) -> Self {
        Self {
            kind: fault.kind.address(),
            title: fault.kind.title().to_owned(),
            status: fault.status.as_u16(),
            detail: fault.detail.clone(),
            instance,
            flaws: fault.flaws.clone(),
        }
    }
}

/// A flaw of what a user brought.
#[derive(Debug, Clone, PartialEq, Serialize, utoipa::ToSchema)]
pub struct FlawTold {
    /// File inside the grove.
    pub file: String,
    /// Row as an editor numbers it, from 1; none where the whole file is meant.
    pub row: Option<u64>,
    /// Column, or key of the settings; none where the whole row is meant.
    pub column: Option<String>,
    /// What is wrong.
    pub what: String,
    /// What is allowed, where that is a range or a list of words.
    pub allowed: Option<String>,
    /// What to do about it.
    pub what_to_do: Option<String>,
    /// All of it in one sentence.
    pub words: String,
}

impl FlawTold {
    fn of(flaw: &Flaw) -> Self {
        let message = flaw.problem.to_string();
        let (what, what_to_do) = match message.rsplit_once("; ") {
            Some((what, remedy)) => (what.to_owned(), Some(remedy.to_owned())),
            None => (message, None),
        };
        let allowed = match &flaw.problem {
            FlawKind::OutOfRange { unit, low, high, .. }
            | FlawKind::Sentinel { unit, low, high, .. } => {
                Some(format!("{low} to {high} {unit}").trim_end().to_owned())
            }
            FlawKind::NotWhole { low, high, .. } => Some(format!("{low} to {high}")),
            FlawKind::NotOneOf { allowed, .. } => Some(allowed.join(", ")),
            _ => None,
        };
        Self {
            file: flaw.file.clone(),
            row: flaw.row,
            column: flaw.column.clone(),
            what,
            allowed,
            what_to_do,
            words: flaw.to_string(),
        }
    }
}

/// What went wrong with a question.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Fault {
    /// Of the answer.
    #[serde(serialize_with = "number")]
    pub status: StatusCode,
    /// The kind of problem.
    #[serde(rename = "title")]
    pub kind: Kind,
    /// What was wrong, and what to do.
    pub detail: String,
    /// Flaws of a grove, one by one, each with its place.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub flaws: Vec<FlawTold>,
    /// Seconds until it may be tried again.
    #[serde(skip)]
    pub retry_after_s: Option<u64>,
}

fn number<S: serde::Serializer>(status: &StatusCode, to: S) -> Result<S::Ok, S::Error> {
    to.serialize_u16(status.as_u16())
}

impl Fault {
    /// A fault of a kind.
    pub fn new(status: StatusCode, kind: Kind, detail: impl Into<String>) -> Self {
        Self { status, kind, detail: detail.into(), flaws: Vec::new(), retry_after_s: None }
    }

    /// There is no such thing here.
    pub fn not_found(detail: impl Into<String>) -> Self {
        Self::new(StatusCode::NOT_FOUND, Kind::NotFound, detail)
    }

    /// What was asked cannot be read.
    pub fn bad_request(detail: impl Into<String>) -> Self {
        Self::new(StatusCode::BAD_REQUEST, Kind::CannotBeRead, detail)
    }

    /// What was asked can be read but not done.
    pub fn unprocessable(detail: impl Into<String>) -> Self {
        Self::new(StatusCode::UNPROCESSABLE_ENTITY, Kind::CannotBeDone, detail)
    }

    /// Not theirs to do.
    pub fn forbidden(detail: impl Into<String>) -> Self {
        Self::new(StatusCode::FORBIDDEN, Kind::NotAllowed, detail)
    }

    /// It does not go together with what is known of the grove.
    pub fn disagrees(detail: impl Into<String>) -> Self {
        Self::new(StatusCode::CONFLICT, Kind::DoesNotGoTogether, detail)
    }

    /// The demo, and copies of it, where they cannot be changed.
    pub fn unchangeable(detail: impl Into<String>) -> Self {
        Self::new(StatusCode::CONFLICT, Kind::CannotBeChanged, detail)
    }

    /// The store is busy or full, or its disk fails: it may be tried again.
    pub fn not_now(detail: impl Into<String>) -> Self {
        Self {
            retry_after_s: Some(5),
            ..Self::new(StatusCode::SERVICE_UNAVAILABLE, Kind::StoreUnusable, detail)
        }
    }

    /// Our own.
    pub fn own(detail: impl Into<String>) -> Self {
        Self::new(StatusCode::INTERNAL_SERVER_ERROR, Kind::OwnFault, detail)
    }
}

impl From<DeskError> for Fault {
    fn from(error: DeskError) -> Self {
        let words = error.to_string();
        match error {
            DeskError::Refused(refused) => Self {
                flaws: refused.flaws.iter().map(FlawTold::of).collect(),
                ..Self::new(StatusCode::CONFLICT, Kind::GroveFlawed, words)
            },
            DeskError::Log(fault) => Self::from(*fault),
            DeskError::Demo => Self::unchangeable(words),
            DeskError::NoSuch { .. } => Self::not_found(words),
            DeskError::NobodyAnswered(_) => Self {
                retry_after_s: Some(60),
                ..Self::new(StatusCode::BAD_GATEWAY, Kind::NobodyAnswered, words)
            },
            DeskError::Ask { about: About::WorseRefit, .. } => Self::disagrees(words),
            DeskError::Ask { .. } | DeskError::Unanswerable(_) | DeskError::Almanac(_) => {
                Self::unprocessable(words)
            }
            DeskError::Model { .. } | DeskError::Fit(_) => {
                Self::new(StatusCode::CONFLICT, Kind::ModelUnusable, words)
            }
            DeskError::File { .. } | DeskError::Pulled(_) | DeskError::Database(_) => {
                Self::not_now(words)
            }
        }
    }
}

impl From<HomeError> for Fault {
    fn from(error: HomeError) -> Self {
        DeskError::from(error).into()
    }
}

impl From<log::Fault> for Fault {
    fn from(fault: log::Fault) -> Self {
        let words = fault.to_string();
        match fault {
            log::Fault::Log(LogError::Demo) => Self::unchangeable(words),
            log::Fault::Log(LogError::Refused(refused)) => DeskError::Refused(refused).into(),
            log::Fault::Log(LogError::Refusal(refusal)) => match refusal {
                Refusal::TextEmpty { .. }
                | Refusal::TextTooLong { .. }
                | Refusal::TextControl { .. }
                | Refusal::TextFormula { .. }
                | Refusal::UnknownKey { .. }
                | Refusal::UnknownTree { .. }
                | Refusal::UnknownDraw { .. }
                | Refusal::Ahead { .. }
                | Refusal::OutOfRange { .. } => Self::unprocessable(words),
                _ => Self::disagrees(words),
            },
            log::Fault::Log(LogError::NotPutDown(_)) => Self::disagrees(words),
            log::Fault::Log(LogError::Database(error)) => DeskError::from(error).into(),
            log::Fault::Log(LogError::Unsure { .. } | LogError::File { .. }) => {
                Self::not_now(words)
            }
            log::Fault::Several { .. }
            | log::Fault::NoBag { .. }
            | log::Fault::TreeAndDraw { .. } => Self::disagrees(words),
            log::Fault::NothingToUndo { .. } => Self::disagrees(words),
            log::Fault::Time(_) | log::Fault::Range(_) | log::Fault::Unknown { .. } => {
                Self::unprocessable(words)
            }
        }
    }
}

impl IntoResponse for Fault {
    fn into_response(self) -> Response {
        if self.status.is_server_error() {
            tracing::error!(
                status = self.status.as_u16(),
                "{}: {}",
                self.kind.title(),
                self.detail
            );
        }
        let mut response = (self.status, Json(&self)).into_response();
        response.headers_mut().insert(header::CONTENT_TYPE, HeaderValue::from_static(PROBLEM));
        if let Some(seconds) = self.retry_after_s {
            response.headers_mut().insert(header::RETRY_AFTER, seconds.into());
        }
        response.extensions_mut().insert(self);
        response
    }
}

/// The grove whose screens a page of a fault leads on to.
fn of_path(path: &str, fault: &Fault) -> Place {
    let grove = path.strip_prefix("/g/").and_then(|rest| rest.split('/').next());
    let base = grove.filter(|_| fault.status != StatusCode::NOT_FOUND);
    let base = base.map_or_else(String::new, |grove| format!("/g/{grove}"));
    Place { base, ..Place::of_no_grove() }
}

/// A fault as whoever asked can read it: problem details under `/api`, a page elsewhere. What the
/// frame around the handlers refused in plain text becomes one too.
pub async fn as_asked(request: Request, next: Next) -> Response {
    let path = request.uri().path().to_owned();
    told(path, next.run(request).await).await
}

/// An answer to who asked at a path; one that is no fault stays as it is, and so does one that was
/// told before.
pub async fn told(path: String, response: Response) -> Response {
    let known = response.extensions().get::<Fault>().cloned();
    let status = response.status();
    let refused = status.is_client_error() || status.is_server_error();
    if known.is_none() && !(refused && is_plain(&response)) {
        return response;
    }
    let (mut parts, body) = response.into_parts();
    let fault = match known {
        Some(fault) => fault,
        None => plain(status, body).await,
    };
    let (media, body) = match path.starts_with("/api/") {
        true => (PROBLEM, serde_json::to_vec(&Problem::of(&fault, path)).unwrap_or_default()),
        false => {
            let flaws: Vec<String> = fault.flaws.iter().map(|flaw| flaw.words.clone()).collect();
            let page = crate::pages::fault::page(
                &of_path(&path, &fault),
                fault.kind.title(),
                &fault.detail,
                &flaws,
            );
            ("text/html; charset=utf-8", page.into_bytes())
        }
    };
    parts.headers.remove(header::CONTENT_LENGTH);
    parts.headers.insert(header::CONTENT_TYPE, HeaderValue::from_static(media));
    parts.headers.insert(header::CACHE_CONTROL, HeaderValue::from_static("no-store"));
    Response::from_parts(parts, Body::from(body))
}

/// Words without a form, as the frame around the handlers refuses; a page has its own.
fn is_plain(response: &Response) -> bool {
    let media = response.headers().get(header::CONTENT_TYPE);
    media.is_none_or(|media| media.as_bytes().starts_with(b"text/plain"))
}

/// The plain words of the frame, as a fault.
async fn plain(status: StatusCode, body: Body) -> Fault {
    let words = to_bytes(body, MOST_WORDS).await.unwrap_or_default();
    let words = String::from_utf8_lossy(&words).trim().to_owned();
    let title = match status {
        StatusCode::UNAUTHORIZED => Kind::LogInNeeded,
        StatusCode::FORBIDDEN => Kind::NotAllowed,
        StatusCode::NOT_FOUND => Kind::NotFound,
        StatusCode::METHOD_NOT_ALLOWED => Kind::NotThisWay,
        StatusCode::PAYLOAD_TOO_LARGE => Kind::TooLarge,
        StatusCode::UNSUPPORTED_MEDIA_TYPE => Kind::OtherForm,
        StatusCode::UNPROCESSABLE_ENTITY => Kind::CannotBeDone,
        StatusCode::TOO_MANY_REQUESTS => Kind::TooOften,
        status if status.is_server_error() => Kind::OwnFault,
        _ => Kind::CannotBeRead,
    };
    Fault::new(status, title, words)
}

/// For every address that is none.
pub async fn no_such_address(uri: Uri) -> Fault {
    Fault::not_found(format!("there is nothing at {}", uri.path()))
}

/// For an address that is asked in a way it does not know.
pub async fn no_such_method(method: Method, uri: Uri) -> Fault {
    Fault::new(
        StatusCode::METHOD_NOT_ALLOWED,
        Kind::NotThisWay,
        format!("{} does not take {method}", uri.path()),
    )
}

/// For a handler that panicked: the words go to the log, not to the asker.
pub fn panicked(panic: Box<dyn Any + Send>) -> Response {
    let words = panic.downcast_ref::<String>().cloned();
    let words = words.or_else(|| panic.downcast_ref::<&str>().map(ToString::to_string));
    tracing::error!("a question was given up: {}", words.unwrap_or_default());
    Fault::own("the service failed at this question; it was noted in its log").into_response()
}

#[cfg(test)]
mod tests {
    use super::*;
    use axum::Router;
    use axum::middleware::from_fn;
    use axum::routing::{get, post};
    use serde_json::{Value, json};
    use tower::ServiceExt;

    async fn asked(request: Request) -> (StatusCode, String, Vec<u8>) {
        let router = Router::new()
            .route("/api/v1/written", post(async |Json(_): Json<Value>| "done"))
            .route("/api/v1/flawed", get(async || Fault::from(DeskError::Refused(flaw().into()))))
            .route("/page", get(async || Fault::not_found("gone")))
            .route(
                "/form",
                get(async || (StatusCode::UNAUTHORIZED, axum::response::Html("a form"))),
            )
            .layer(from_fn(as_asked));
        let response = router.oneshot(request).await.unwrap();
        let media = response.headers()[header::CONTENT_TYPE].to_str().unwrap().to_owned();
        let status = response.status();
        (status, media, to_bytes(response.into_body(), usize::MAX).await.unwrap().to_vec())
    }

    fn flaw() -> Flaw {
        let problem = FlawKind::OutOfRange {
            value: 80.0,
            unit: "",
            low: 1.0,
            high: 40.0,
            remedy: "correct the count",
        };
        Flaw { file: "trees.csv".into(), row: Some(2), column: Some("ports".into()), problem }
    }

    #[tokio::test]
    async fn what_the_frame_refuses_is_a_problem_with_its_place() {
        let request = |media: &str, body: &'static str| {
            let request = Request::post("/api/v1/written").header(header::CONTENT_TYPE, media);
            request.body(Body::from(body)).unwrap()
        };
        for (request, wanted) in [
            (request("application/json", "{"), 400),
            (request("text/csv", "{}"), 415),
            (Request::get("/api/v1/written").body(Body::empty()).unwrap(), 405),
        ] {
            let (status, media, body) = asked(request).await;
            assert_eq!((status.as_u16(), media.as_str()), (wanted, PROBLEM));
            let problem: Value = serde_json::from_slice(&body).unwrap();
            assert_eq!(problem["status"], wanted);
            assert_eq!(problem["instance"], "/api/v1/written");
        }
    }

    #[tokio::test]
    async fn flaws_are_told_one_by_one_and_in_parts() {
        let request = Request::get("/api/v1/flawed").body(Body::empty()).unwrap();
        let (status, _, body) = asked(request).await;
        assert_eq!(status, StatusCode::CONFLICT);
        let problem: Value = serde_json::from_slice(&body).unwrap();
        assert_eq!(
            problem["flaws"],
            json!([{
                "file": "trees.csv",
                "row": 2,
                "column": "ports",
                "what": "80 is outside 1 to 40",
                "allowed": "1 to 40",
                "what_to_do": "correct the count",
                "words": "trees.csv row 2: ports 80 is outside 1 to 40; correct the count",
            }])
        );
    }

    #[tokio::test]
    async fn people_get_pages_and_forms_stay_as_they_are() {
        let page = Request::get("/page").body(Body::empty()).unwrap();
        let (status, media, _) = asked(page).await;
        assert_eq!((status.as_u16(), media.as_str()), (404, "text/html; charset=utf-8"));
        let form = Request::get("/form").body(Body::empty()).unwrap();
        assert_eq!(asked(form).await.2, b"a form");
    }
}
