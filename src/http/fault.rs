//! What went wrong, in one mapping: problem details (RFC 9457) for programs, a page for people.

use crate::app::desk::DeskError;
use crate::pages::site::{Place, Tab};
use axum::Json;
use axum::body::Body;
use axum::extract::Request;
use axum::http::{HeaderValue, Method, StatusCode, Uri, header};
use axum::middleware::Next;
use axum::response::{Html, IntoResponse, Response};
use serde::Serialize;
use std::any::Any;

/// Media type of problem details.
pub const PROBLEM: &str = "application/problem+json";

/// What went wrong with a question.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Fault {
    /// Of the answer.
    #[serde(serialize_with = "number")]
    pub status: StatusCode,
    /// The kind of problem, one for each kind.
    pub title: &'static str,
    /// What was wrong, and what to do.
    pub detail: String,
    /// Flaws of a grove, one by one, each with its place.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub flaws: Vec<String>,
    /// Seconds until it may be tried again.
    #[serde(skip)]
    pub retry_after_s: Option<u64>,
}

fn number<S: serde::Serializer>(status: &StatusCode, to: S) -> Result<S::Ok, S::Error> {
    to.serialize_u16(status.as_u16())
}

impl Fault {
    /// A fault of a kind.
    pub fn new(status: StatusCode, title: &'static str, detail: impl Into<String>) -> Self {
        Self { status, title, detail: detail.into(), flaws: Vec::new(), retry_after_s: None }
    }

    /// There is no such thing here.
    pub fn not_found(detail: impl Into<String>) -> Self {
        Self::new(StatusCode::NOT_FOUND, "not found", detail)
    }

    /// What was asked cannot be read.
    pub fn bad_request(detail: impl Into<String>) -> Self {
        Self::new(StatusCode::BAD_REQUEST, "cannot be read", detail)
    }

    /// What was asked can be read but not done.
    pub fn unprocessable(detail: impl Into<String>) -> Self {
        Self::new(StatusCode::UNPROCESSABLE_ENTITY, "cannot be done", detail)
    }

    /// Not theirs to do.
    pub fn forbidden(detail: impl Into<String>) -> Self {
        Self::new(StatusCode::FORBIDDEN, "not allowed", detail)
    }

    /// Our own.
    pub fn own(detail: impl Into<String>) -> Self {
        Self::new(StatusCode::INTERNAL_SERVER_ERROR, "fault of the service", detail)
    }
}

impl From<DeskError> for Fault {
    fn from(error: DeskError) -> Self {
        let words = error.to_string();
        match error {
            DeskError::Refused(refused) => Self {
                flaws: refused.flaws.iter().map(ToString::to_string).collect(),
                ..Self::new(StatusCode::CONFLICT, "the grove is flawed", words)
            },
            DeskError::Unanswerable(_) | DeskError::Almanac(_) => Self::unprocessable(words),
            DeskError::Model { .. } | DeskError::Fit(_) => {
                Self::new(StatusCode::CONFLICT, "the model cannot be used", words)
            }
            DeskError::File { .. } | DeskError::Pulled(_) | DeskError::Database(_) => Self {
                retry_after_s: Some(5),
                ..Self::new(StatusCode::SERVICE_UNAVAILABLE, "the store cannot be used", words)
            },
        }
    }
}

impl IntoResponse for Fault {
    fn into_response(self) -> Response {
        if self.status.is_server_error() {
            tracing::error!(status = self.status.as_u16(), "{}: {}", self.title, self.detail);
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

/// People get a fault as a page.
pub async fn as_page(request: Request, next: Next) -> Response {
    let is_page = !request.uri().path().starts_with("/api/");
    let response = next.run(request).await;
    let fault = is_page.then(|| response.extensions().get::<Fault>().cloned()).flatten();
    let Some(fault) = fault else { return response };
    let (mut parts, _) = response.into_parts();
    parts.headers.remove(header::CONTENT_LENGTH);
    let html = crate::pages::fault::page(&place(), fault.title, &fault.detail, &fault.flaws);
    let (page, body) = Html(html).into_response().into_parts();
    parts.headers.insert(header::CONTENT_TYPE, page.headers[header::CONTENT_TYPE].clone());
    Response::from_parts(parts, Body::new(body))
}

fn place() -> Place {
    Place {
        base: String::new(),
        grove: String::new(),
        is_demo: false,
        tab: Tab::Elsewhere,
        person: None,
        may_log: false,
        may_manage: false,
        csrf: String::new(),
        offline: false,
        customary: false,
    }
}

/// For every address that is none.
pub async fn no_such_address(uri: Uri) -> Fault {
    Fault::not_found(format!("there is nothing at {}", uri.path()))
}

/// For an address that is asked in a way it does not know.
pub async fn no_such_method(method: Method, uri: Uri) -> Fault {
    Fault::new(
        StatusCode::METHOD_NOT_ALLOWED,
        "not this way",
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
