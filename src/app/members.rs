//! People and tokens as a manager sees them.

use crate::store::office::{Office, OfficeError, Role};
use chrono::{DateTime, Utc};

/// One of the people.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Member {
    /// Their name.
    pub name: String,
    /// What they may do.
    pub role: &'static str,
    /// May they no longer log in?
    pub disabled: bool,
}

/// A token in use.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Given {
    /// What it is called.
    pub name: String,
    /// What it may do, at most.
    pub role: &'static str,
    /// For whom it acts.
    pub person: String,
    /// When it was made.
    pub created: DateTime<Utc>,
    /// When it was last used.
    pub used: Option<DateTime<Utc>>,
}

/// A write that somebody asked for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Write {
    /// When.
    pub at: DateTime<Utc>,
    /// By whom.
    pub who: String,
    /// How they proved it.
    pub how: &'static str,
    /// What: method and path.
    pub what: String,
    /// Status of the answer; none where the service ended before it.
    pub status: Option<u16>,
}

/// People, tokens in use, and the last writes.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Members {
    /// People, by name.
    pub people: Vec<Member>,
    /// Tokens in use, by name.
    pub tokens: Vec<Given>,
    /// The last writes, the newest first.
    pub writes: Vec<Write>,
    /// Words for all roles, the least first.
    pub roles: Vec<&'static str>,
}

/// Writes that are shown.
const LAST: u32 = 30;

/// All of them.
///
/// # Errors
/// [`OfficeError`] where the office cannot be read.
pub fn members(office: &Office) -> Result<Members, OfficeError> {
    let people = office.people()?.into_iter().map(|person| Member {
        name: person.name,
        role: person.role.word(),
        disabled: person.disabled,
    });
    let tokens = office.tokens()?.into_iter().filter(|token| token.revoked.is_none());
    let tokens = tokens.map(|token| Given {
        name: token.name,
        role: token.role.word(),
        person: token.person,
        created: token.created,
        used: token.used,
    });
    let writes = office.last_writes(LAST)?.into_iter().map(|write| Write {
        at: write.at,
        who: write.who,
        how: write.how.word(),
        what: format!("{} {}", write.method, write.path),
        status: write.status,
    });
    Ok(Members {
        people: people.collect(),
        tokens: tokens.collect(),
        writes: writes.collect(),
        roles: Role::ALL.map(Role::word).to_vec(),
    })
}
