//! Getting one address politely: an identifying name, one question at a time to a host, what is
//! kept before what is asked, a bounded answer in bounded time, few and growing retries.

use super::cache::{Cache, Kept};
use super::fault::Fault;
use super::hosts::Hosts;
use crate::weather::services::{ServiceError, refusal};
use backon::{ExponentialBuilder, Retryable};
use chrono::{DateTime, Utc};
use reqwest::header::{
    ETAG, EXPIRES, HeaderMap, HeaderName, IF_MODIFIED_SINCE, IF_NONE_MATCH, LAST_MODIFIED,
    RETRY_AFTER,
};
use reqwest::{Response, StatusCode, Url};
use std::collections::HashMap;
use std::sync::{Arc, Mutex, OnceLock, PoisonError};
use std::time::Duration;

/// How a caller behaves.
#[derive(Debug, Clone)]
pub struct Manners {
    /// Who to write to when this caller misbehaves: an address or a page.
    pub contact: Option<String>,
    /// Longest wait for one answer.
    pub request: Duration,
    /// Longest wait for all tries of one question.
    pub deadline: Duration,
    /// Wait before the second try; the following ones double, with jitter.
    pub first_wait: Duration,
    /// Largest answer that is read.
    pub most_bytes: usize,
}

impl Default for Manners {
    fn default() -> Self {
        Self {
            contact: None,
            request: Duration::from_secs(20),
            deadline: Duration::from_secs(60),
            first_wait: Duration::from_secs(1),
            most_bytes: 32 * 1024 * 1024,
        }
    }
}

/// Tries after the first.
const RETRIES: usize = 3;

/// A usable answer.
#[derive(Debug, Clone)]
pub struct Fetched<T> {
    /// What was read.
    pub value: T,
    /// When it came from the service, or was last confirmed by it.
    pub fetched_at: DateTime<Utc>,
    /// Taken from the cache without asking?
    pub from_cache: bool,
    /// What the service says beside it, e.g. that the address is outdated.
    pub warning: Option<String>,
}

/// A polite caller.
pub struct Client {
    manners: Manners,
    cache: Cache,
    now: fn() -> DateTime<Utc>,
    http: OnceLock<Result<reqwest::Client, String>>,
    hosts: Mutex<Hosts>,
    /// One question at a time to a host.
    turns: Mutex<HashMap<String, Arc<tokio::sync::Mutex<()>>>>,
}

impl Client {
    /// A caller that keeps answers in `cache`; `now` is the clock.
    pub fn new(manners: Manners, cache: Cache, now: fn() -> DateTime<Utc>) -> Self {
        let hosts = Mutex::new(Hosts::read(&cache.hosts_file()));
        Self { manners, cache, now, http: OnceLock::new(), hosts, turns: Mutex::default() }
    }

    /// Gets an address and reads its answer. What was kept and has not expired is not asked for
    /// again; an answer is kept only where `read` can make something of it.
    ///
    /// # Errors
    /// [`Fault`] of the last try.
    pub async fn get<T>(
        &self,
        address: &Url,
        read: impl Fn(&[u8]) -> Result<T, ServiceError>,
    ) -> Result<Fetched<T>, Fault> {
        let host = address.authority().to_owned();
        let kept = self.cache.find(address.as_str());
        if let Some(kept) = kept.as_ref().filter(|kept| kept.expires > Some((self.now)()))
            && let Ok(value) = read(kept.body.as_bytes())
        {
            let fetched_at = kept.fetched_at;
            return Ok(Fetched { value, fetched_at, from_cache: true, warning: None });
        }
        lock(&self.hosts).admit(&host, (self.now)())?;
        let turn = lock(&self.turns).entry(host.clone()).or_default().clone();
        let _turn = turn.lock().await;
        let asked = self.with_retries(address, &host, kept.as_ref(), &read);
        let answer = match tokio::time::timeout(self.manners.deadline, asked).await {
            Ok(answer) => answer,
            Err(_) => {
                Err(Fault::TimeOut { host: host.clone(), seconds: self.manners.deadline.as_secs() })
            }
        };
        self.remember(&host, &answer);
        answer
    }

    async fn with_retries<T>(
        &self,
        address: &Url,
        host: &str,
        kept: Option<&Kept>,
        read: &impl Fn(&[u8]) -> Result<T, ServiceError>,
    ) -> Result<Fetched<T>, Fault> {
        let waits = ExponentialBuilder::default()
            .with_min_delay(self.manners.first_wait)
            .with_max_delay(self.manners.deadline)
            .with_max_times(RETRIES)
            .with_jitter();
        let deadline = self.manners.deadline;
        (|| self.once(address, host, kept, read))
            .retry(waits)
            .when(Fault::retryable)
            // A host that asks for a rest longer than the deadline gets it: the question ends.
            .adjust(move |fault: &Fault, planned| {
                let asked = fault.asked_wait().unwrap_or_default();
                planned.map(|planned| planned.max(asked)).filter(|wait| *wait < deadline)
            })
            .await
    }

    async fn once<T>(
        &self,
        address: &Url,
        host: &str,
        kept: Option<&Kept>,
        read: &impl Fn(&[u8]) -> Result<T, ServiceError>,
    ) -> Result<Fetched<T>, Fault> {
        let mut request = self.http()?.get(address.clone());
        if let Some(kept) = kept {
            if let Some(since) = &kept.last_modified {
                request = request.header(IF_MODIFIED_SINCE, since);
            }
            if let Some(etag) = &kept.etag {
                request = request.header(IF_NONE_MATCH, etag);
            }
        }
        let response = request.send().await.map_err(|error| self.connection(host, error))?;
        let (status, headers) = (response.status(), response.headers().clone());
        let now = (self.now)();
        if let (StatusCode::NOT_MODIFIED, Some(kept)) = (status, kept) {
            let value = read(kept.body.as_bytes()).map_err(|error| answer_fault(host, error))?;
            let expires = time(&headers, EXPIRES).or(kept.expires);
            self.cache.keep(&Kept { fetched_at: now, expires, ..kept.clone() });
            return Ok(Fetched { value, fetched_at: now, from_cache: false, warning: None });
        }
        let body = self.body(host, response).await?;
        if !status.is_success() {
            let error = refusal(status.as_u16(), &body);
            let wait = asked_wait(&headers, &error, now);
            return Err(Fault::Answer { host: host.into(), error, wait });
        }
        let value = read(&body).map_err(|error| answer_fault(host, error))?;
        self.cache.keep(&Kept {
            address: address.as_str().into(),
            fetched_at: now,
            expires: time(&headers, EXPIRES),
            last_modified: text(&headers, LAST_MODIFIED),
            etag: text(&headers, ETAG),
            body: String::from_utf8_lossy(&body).into_owned(),
        });
        let warning = (status == StatusCode::NON_AUTHORITATIVE_INFORMATION)
            .then(|| format!("{host} says that this address is outdated or on trial (203)"));
        Ok(Fetched { value, fetched_at: now, from_cache: false, warning })
    }

    /// The body, piece by piece, up to the cap.
    async fn body(&self, host: &str, mut response: Response) -> Result<Vec<u8>, Fault> {
        let most_bytes = self.manners.most_bytes;
        let mut bytes = Vec::new();
        while let Some(piece) =
            response.chunk().await.map_err(|error| self.connection(host, error))?
        {
            if bytes.len() + piece.len() > most_bytes {
                return Err(Fault::TooLarge { host: host.into(), most_bytes });
            }
            bytes.extend_from_slice(&piece);
        }
        Ok(bytes)
    }

    /// The client is built when first needed: a machine without certificates can still use what is
    /// stored.
    fn http(&self) -> Result<&reqwest::Client, Fault> {
        let built = self.http.get_or_init(|| {
            // A second installation is refused, and the first one serves.
            let _ = rustls::crypto::ring::default_provider().install_default();
            let contact = self.manners.contact.as_deref().unwrap_or("no contact given");
            reqwest::Client::builder()
                .user_agent(format!("xylocast/{} ({contact})", env!("CARGO_PKG_VERSION")))
                .timeout(self.manners.request)
                .connect_timeout(self.manners.request.min(Duration::from_secs(10)))
                .redirect(reqwest::redirect::Policy::limited(3))
                .gzip(true)
                .build()
                .map_err(|error| reasons(&error))
        });
        built.as_ref().map_err(|reason| Fault::NoClient { reason: reason.clone() })
    }

    /// Without the address: it is long, and may hold a key.
    fn connection(&self, host: &str, error: reqwest::Error) -> Fault {
        if error.is_timeout() {
            let seconds = self.manners.request.as_secs();
            return Fault::TimeOut { host: host.into(), seconds };
        }
        Fault::Connection { host: host.into(), reason: reasons(&error.without_url()) }
    }

    fn remember<T>(&self, host: &str, answer: &Result<Fetched<T>, Fault>) {
        let mut hosts = lock(&self.hosts);
        match answer {
            Ok(_) => hosts.answered(host),
            Err(fault) if fault.blames_host() => {
                hosts.failed(host, (self.now)(), fault.asked_wait());
            }
            Err(_) => return,
        }
        hosts.keep(&self.cache.hosts_file());
    }
}

fn lock<T>(mutex: &Mutex<T>) -> std::sync::MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

fn answer_fault(host: &str, error: ServiceError) -> Fault {
    Fault::Answer { host: host.into(), error, wait: None }
}

/// An error and what lies behind it; the outermost alone says little.
fn reasons(error: &dyn std::error::Error) -> String {
    let mut words = error.to_string();
    let mut cause = error.source();
    while let Some(error) = cause {
        words = format!("{words}: {error}");
        cause = error.source();
    }
    words
}

fn text(headers: &HeaderMap, name: HeaderName) -> Option<String> {
    headers.get(name)?.to_str().ok().map(str::to_owned)
}

fn time(headers: &HeaderMap, name: HeaderName) -> Option<DateTime<Utc>> {
    let text = text(headers, name)?;
    Some(DateTime::parse_from_rfc2822(&text).ok()?.to_utc())
}

/// How long a host asks to be left alone: its `Retry-After`, else as long as its words say.
fn asked_wait(headers: &HeaderMap, error: &ServiceError, now: DateTime<Utc>) -> Option<Duration> {
    if let Some(after) = text(headers, RETRY_AFTER) {
        if let Ok(seconds) = after.trim().parse::<u64>() {
            return Some(Duration::from_secs(seconds));
        }
        return (time(headers, RETRY_AFTER)? - now).to_std().ok();
    }
    match error {
        ServiceError::Limited { wait, .. } => (wait.over_at(now) - now).to_std().ok(),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn waits_as_told() {
        let now: DateTime<Utc> = "2026-01-14T10:59:30Z".parse().unwrap();
        let seconds = |headers: &HeaderMap, body: &str, status: u16| {
            let error = refusal(status, body.as_bytes());
            asked_wait(headers, &error, now).map(|wait| wait.as_secs())
        };
        let none = HeaderMap::new();
        let limit = |which: &str| {
            format!("{{\"error\":true,\"reason\":\"{which} API request limit exceeded.\"}}")
        };
        assert_eq!(seconds(&none, &limit("Minutely"), 429), Some(30));
        assert_eq!(seconds(&none, &limit("Hourly"), 429), Some(30));
        assert_eq!(seconds(&none, &limit("Daily"), 429), Some(13 * 3600 + 30));
        assert_eq!(seconds(&none, "busy", 503), None);
        let mut after = HeaderMap::new();
        after.insert(RETRY_AFTER, "7".parse().unwrap());
        assert_eq!(seconds(&after, "", 503), Some(7));
        after.insert(RETRY_AFTER, "Wed, 14 Jan 2026 11:00:00 GMT".parse().unwrap());
        assert_eq!(seconds(&after, "", 429), Some(30));
    }
}
