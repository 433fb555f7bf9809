//! A write with an `Idempotency-Key` is done once, however often it is sent: a phone that did not
//! hear the answer sends it again and hears it then.

use super::forged::whole;
use crate::http::caller::Caller;
use crate::http::fault::{self, Fault};
use crate::http::server::Server;
use crate::store::office::{Sending, Sent};
use axum::body::{Body, to_bytes};
use axum::extract::Request;
use axum::http::{HeaderName, HeaderValue, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use chrono::Utc;
use sha2::{Digest, Sha256};
use std::sync::Arc;

const KEY: HeaderName = HeaderName::from_static("idempotency-key");

/// Does it, or gives the answer that it had.
pub(super) async fn once(server: &Arc<Server>, request: Request, next: Next) -> Response {
    match request.headers().get(KEY).cloned() {
        None => next.run(request).await,
        Some(key) => keyed(server, &key, request, next).await.unwrap_or_else(Fault::into_response),
    }
}

async fn keyed(
    server: &Arc<Server>,
    key: &HeaderValue,
    request: Request,
    next: Next,
) -> Result<Response, Fault> {
    let unreadable = |_| Fault::bad_request("the Idempotency-Key has letters that are not ASCII");
    let key = key.to_str().map_err(unreadable)?.to_owned();
    let caller = request.extensions().get::<Caller>();
    let person = caller.and_then(|caller| caller.name.clone()).unwrap_or_default();
    let at = format!("{} {}", request.method(), request.uri());
    let path = request.uri().path().to_owned();
    let (parts, body) = request.into_parts();
    let bytes = whole(body).await?;
    let (office, hash) = (server.access.office.clone(), Sha256::digest(&bytes).into());
    let (by, name) = (person.clone(), key.clone());
    let known = blocking(move || {
        office.take_on(&Sending { person: &by, key: &name, at: &at, body: hash }, Utc::now())
    });
    if let Some(sent) = known.await?? {
        return Ok(as_before(sent));
    }
    let request = Request::from_parts(parts, Body::from(bytes));
    // Whatever becomes of it, the key must not stay on its way.
    let done = tokio::spawn(next.run(request)).await;
    let office = server.access.office.clone();
    match done {
        Ok(response) if is_final(response.status()) => {
            // As it is heard, so that it is heard again just so.
            let (response, sent) = kept(fault::told(path, response).await).await?;
            blocking(move || office.answered(&person, &key, &sent)).await??;
            Ok(response)
        }
        done => {
            blocking(move || office.not_done(&person, &key)).await??;
            match done {
                Ok(response) => Ok(response),
                Err(error) if error.is_panic() => std::panic::resume_unwind(error.into_panic()),
                Err(_) => Err(Fault::own("the service stops")),
            }
        }
    }
}

/// Would it be answered so again? A fault of ours, or one of the moment, may be over next time.
fn is_final(status: StatusCode) -> bool {
    let of_the_moment = [StatusCode::REQUEST_TIMEOUT, StatusCode::TOO_MANY_REQUESTS];
    !status.is_server_error() && !of_the_moment.contains(&status)
}

async fn kept(response: Response) -> Result<(Response, Sent), Fault> {
    let (parts, body) = response.into_parts();
    let broken = |error| Fault::own(format!("an answer broke off: {error}"));
    let bytes = to_bytes(body, usize::MAX).await.map_err(broken)?;
    let text = |name: HeaderName| {
        parts.headers.get(name).and_then(|value| value.to_str().ok()).map(str::to_owned)
    };
    let sent = Sent {
        status: parts.status.as_u16(),
        media_type: text(header::CONTENT_TYPE),
        location: text(header::LOCATION),
        answer: bytes.to_vec(),
    };
    Ok((Response::from_parts(parts, Body::from(bytes)), sent))
}

fn as_before(sent: Sent) -> Response {
    let status = StatusCode::from_u16(sent.status).unwrap_or(StatusCode::OK);
    let mut response = (status, sent.answer).into_response();
    response.headers_mut().remove(header::CONTENT_TYPE);
    for (name, text) in [(header::CONTENT_TYPE, sent.media_type), (header::LOCATION, sent.location)]
    {
        if let Some(value) = text.and_then(|text| HeaderValue::from_str(&text).ok()) {
            response.headers_mut().insert(name, value);
        }
    }
    response
}

async fn blocking<T: Send + 'static>(
    work: impl FnOnce() -> T + Send + 'static,
) -> Result<T, Fault> {
    let done = tokio::task::spawn_blocking(work).await;
    done.map_err(|error| Fault::own(format!("a piece of work failed: {error}")))
}
