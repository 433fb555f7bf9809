//! Who asks, and what they may do.

use super::fault::Fault;
use crate::store::office::{How, Office, OfficeError, SecretHash};
use axum::extract::FromRequestParts;
use axum::http::request::Parts;
use chrono::{DateTime, Utc};
use std::convert::Infallible;

pub use crate::store::office::Role;

/// Who asks.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Caller {
    /// Their name; none where no log-in is asked for.
    pub name: Option<String>,
    /// What they may do.
    pub role: Role,
    /// The token that their forms must send back.
    pub csrf: String,
    /// How they proved it.
    pub how: How,
    /// By which secret; none of those at the machine and of nobody.
    pub secret: Option<SecretHash>,
}

impl Caller {
    /// Refuses who may not.
    ///
    /// # Errors
    /// [`Fault`] 403 where the role is less.
    pub fn require(&self, least: Role) -> Result<(), Fault> {
        match self.role >= least {
            true => Ok(()),
            false => Err(Fault::forbidden(match least {
                Role::Reader => "this is for people with a log-in",
                Role::Crew => "this is for the crew and managers: ask one of them",
                Role::Manager => "this is for managers: ask one of them",
            })),
        }
    }

    /// Does what they proved still hold? To look is no use of it: a session that idles ends.
    ///
    /// # Errors
    /// [`OfficeError`] where that cannot be looked up.
    pub fn is_still_in(&self, office: &Office, now: DateTime<Utc>) -> Result<bool, OfficeError> {
        match (self.how, &self.secret) {
            (How::Session, Some(secret)) => office.session_lives(secret, now),
            (How::Token, Some(secret)) => office.token_lives(secret),
            (How::Loopback, _) => Ok(!office.has_people()?),
            _ => Ok(false),
        }
    }

    /// The name under which a write is noted.
    pub fn who(&self) -> &str {
        self.name.as_deref().unwrap_or("somebody at this machine")
    }
}

/// Put there by [`super::access::guard`]; without it nobody has proved anything.
impl<S: Sync> FromRequestParts<S> for Caller {
    type Rejection = Infallible;

    async fn from_request_parts(parts: &mut Parts, _: &S) -> Result<Self, Infallible> {
        Ok(parts.extensions.get::<Self>().cloned().unwrap_or(Self {
            name: None,
            role: Role::Reader,
            csrf: String::new(),
            how: How::Nobody,
            secret: None,
        }))
    }
}
