//! Who comes in, and how: names that are answered to, log-in, sessions, tokens, the rights of each
//! address, forged forms, the audit. [`guard::guard`] stands before every handler, so that no
//! handler can forget any of it.

mod forged;
mod guard;
mod headers;
mod hosts;
mod limits;
mod log_in;
mod once;
mod people;
mod rights;

pub use guard::guard;
pub use headers::{SHEET_POLICY, safe_headers};
pub use rights::{Need, need};

use super::server::Server;
use super::settings::Settings;
use crate::app::access::{AccessError, Secret};
use crate::store::office::{Office, OfficeError, Role};
use axum::Router;
use axum::http::{HeaderMap, header};
use hosts::Hosts;
use limits::Limits;
use std::net::SocketAddr;
use std::path::Path;
use std::sync::Arc;

/// What stands at the door.
#[derive(Debug)]
pub struct Access {
    /// People, sessions, tokens, audit, groves; in memory without a data folder.
    pub office: Arc<Office>,
    /// Of forms while nobody has logged in; another one at each start.
    token: String,
    /// May others than those at the machine reach the service?
    is_wide: bool,
    /// Does what browsers send come over HTTPS?
    is_https: bool,
    /// Does a proxy tell the addresses of those who ask?
    is_behind_proxy: bool,
    hosts: Hosts,
    limits: Limits,
}

/// Why the service does not start.
#[derive(Debug, thiserror::Error)]
#[expect(missing_docs, reason = "each variant is told by its message, each field by its name")]
pub enum NotStarted {
    #[error(
        "others can reach {listen}, and there is no data folder in which people with passwords are \
         kept: name one with --data, add a manager with `xylocast people add NAME --role manager \
         --data FOLDER`, or listen on 127.0.0.1"
    )]
    NoData { listen: SocketAddr },
    #[error(
        "others can reach {listen}, and nobody has a password yet: add a manager first with \
         `xylocast people add NAME --role manager --data {}`, or listen on 127.0.0.1",
        data.display()
    )]
    NoManager { listen: SocketAddr, data: std::path::PathBuf },
    #[error(
        "at {listen} passwords would cross the network for all to read: give --tls-cert and \
         --tls-key, or --behind-https-proxy where a proxy in front answers over HTTPS"
    )]
    Plain { listen: SocketAddr },
    #[error(transparent)]
    Office(#[from] OfficeError),
}

impl Access {
    /// Opens the door's book in a data folder, or one in memory.
    ///
    /// # Errors
    /// [`AccessError`] where it cannot be opened.
    pub fn open(settings: &Settings) -> Result<Self, AccessError> {
        let office = match &settings.data {
            Some(data) => Office::open(data)?,
            None => Office::fleeting()?,
        };
        office.forget_unanswered()?;
        Ok(Self {
            office: Arc::new(office),
            token: Secret::fresh("")?.text().to_owned(),
            is_wide: is_wide(settings),
            is_https: settings.tls.is_some() || settings.behind_https_proxy,
            is_behind_proxy: settings.behind_https_proxy,
            hosts: Hosts::of(settings),
            limits: Limits::default(),
        })
    }

    /// May the service start so?
    ///
    /// # Errors
    /// [`NotStarted`] in one sentence with what to do.
    pub fn may_start(&self, settings: &Settings) -> Result<(), NotStarted> {
        if !self.is_wide {
            return Ok(());
        }
        let listen = settings.listen;
        let Some(data) = &settings.data else { return Err(NotStarted::NoData { listen }) };
        let manages = self.office.people()?;
        if !manages.iter().any(|person| person.role == Role::Manager && !person.disabled) {
            return Err(NotStarted::NoManager { listen, data: Path::new(data).to_owned() });
        }
        if !self.is_https {
            return Err(NotStarted::Plain { listen });
        }
        Ok(())
    }

    /// The name of the cookie. With its prefix, browsers take it over HTTPS alone and from this host
    /// alone (RFC 6265bis, section 4.1.3.2).
    pub const fn cookie_name(&self) -> &'static str {
        if self.is_https { "__Host-xylocast" } else { "xylocast" }
    }

    /// The session's secret that a browser sent.
    fn sent_secret(&self, headers: &HeaderMap) -> Option<Secret> {
        let cookies = headers.get_all(header::COOKIE).into_iter();
        let mut pairs = cookies
            .filter_map(|cookies| cookies.to_str().ok())
            .flat_map(|cookies| cookies.split(';'))
            .filter_map(|cookie| cookie.trim().split_once('='));
        let found = pairs.find(|(name, _)| *name == self.cookie_name());
        found.map(|(_, secret)| Secret::sent(secret))
    }
}

/// A proxy on this machine lets others in too.
fn is_wide(settings: &Settings) -> bool {
    !settings.listen.ip().is_loopback() || settings.behind_https_proxy
}

/// Addresses of log-in, people and tokens.
pub fn routes() -> Router<Arc<Server>> {
    Router::new().merge(log_in::routes()).merge(people::routes())
}
