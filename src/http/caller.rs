//! Who asks, and what they may do.

use super::fault::Fault;
use axum::extract::FromRequestParts;
use axum::http::request::Parts;
use std::convert::Infallible;

/// What people may do; each may do what those before it may.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Role {
    /// Reads.
    Reader,
    /// Logs readings too.
    Crew,
    /// Changes groves, models and people too.
    Manager,
}

/// Who asks.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Caller {
    /// Their name; none where no log-in is asked for.
    pub name: Option<String>,
    /// What they may do.
    pub role: Role,
    /// The token that their forms must send back.
    pub csrf: String,
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

    /// The name under which a write is noted.
    pub fn who(&self) -> &str {
        self.name.as_deref().unwrap_or("somebody at this machine")
    }
}

impl<S: Sync> FromRequestParts<S> for Caller {
    type Rejection = Infallible;

    async fn from_request_parts(_: &mut Parts, _: &S) -> Result<Self, Infallible> {
        Ok(Self { name: None, role: Role::Manager, csrf: String::new() })
    }
}
