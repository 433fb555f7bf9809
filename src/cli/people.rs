//! `xylocast people` and `xylocast token`: the terminal's side of who may use the service.

use super::Answer;
use super::people_args::{People, Token};
use crate::app::access::{self, AccessError};
use crate::app::desk::DeskError;
use crate::store::office::{Office, OfficeError};
use chrono::{DateTime, Utc};
use std::fmt::Write as _;
use std::io::{self, BufRead, IsTerminal};
use std::path::Path;

fn told(error: impl std::fmt::Display) -> DeskError {
    DeskError::Unanswerable(error.to_string())
}

fn say(text: String) -> Result<Answer, DeskError> {
    Ok(Answer { text, no: false })
}

/// Adds, lists and changes people.
pub fn answer(people: &People, now: DateTime<Utc>) -> Result<Answer, DeskError> {
    let office = |data: &Path| Office::open(data).map_err(told);
    match people {
        People::Add { name, role, keep } => {
            let office = office(&keep.data)?;
            let password = password(keep.password_file.as_deref(), name)?;
            let person = access::add_person(&office, (name, *role), &password, now);
            let person = person.map_err(told)?;
            say(format!("{} may log in, as {}.\n", person.name, person.role))
        }
        People::List { data } => {
            let people = office(data)?.people().map_err(told)?;
            let mut text = String::new();
            for person in &people {
                let disabled = if person.disabled { ", disabled" } else { "" };
                let since = person.added.format("%Y-%m-%d");
                let _ = writeln!(text, "{}: {}{disabled}, since {since}", person.name, person.role);
            }
            if people.is_empty() {
                text.push_str("Nobody yet: at the machine itself no log-in is asked for.\n");
            }
            say(text)
        }
        People::Role { name, role, data } => {
            office(data)?.change_role(name, *role).map_err(told)?;
            say(format!("{name} is {role} now.\n"))
        }
        People::Disable { name, data } => {
            office(data)?.disable(name, true).map_err(told)?;
            say(format!("{name} may no longer log in; their sessions and tokens open nothing.\n"))
        }
        People::Enable { name, data } => {
            office(data)?.disable(name, false).map_err(told)?;
            say(format!("{name} may log in again.\n"))
        }
        People::Password { name, keep } => {
            let office = office(&keep.data)?;
            // Nobody types a password for nobody.
            if office.with_password(name).map_err(told)?.is_none() {
                return Err(told(OfficeError::Nobody { name: name.clone() }));
            }
            let password = password(keep.password_file.as_deref(), name)?;
            access::change_password(&office, name, &password).map_err(told)?;
            say(format!("{name} has a new password, and has to log in again everywhere.\n"))
        }
    }
}

/// Adds, lists and revokes tokens.
pub fn token(token: &Token, now: DateTime<Utc>) -> Result<Answer, DeskError> {
    let office = |data: &Path| Office::open(data).map_err(told);
    match token {
        Token::Add { name, of, role, data } => {
            let made = access::add_token(&office(data)?, (name, *role), of, now);
            let secret = made.map_err(told)?;
            super::say(
                "note: keep this token now, it is shown this once; send it as `Authorization: Bearer TOKEN`",
            );
            say(format!("{}\n", secret.text()))
        }
        Token::List { data } => {
            let mut text = String::new();
            let day = |at: DateTime<Utc>| at.format("%Y-%m-%d").to_string();
            for token in office(data)?.tokens().map_err(told)? {
                let used =
                    token.used.map_or("never used".into(), |at| format!("last used {}", day(at)));
                let _ = write!(text, "{}: {}, for {}, ", token.name, token.role, token.person);
                let _ = match token.revoked {
                    Some(at) => writeln!(text, "revoked {}", day(at)),
                    None => writeln!(text, "made {}, {used}", day(token.created)),
                };
            }
            say(if text.is_empty() { "No token yet.\n".into() } else { text })
        }
        Token::Revoke { name, data } => {
            office(data)?.revoke_token(name, now).map_err(told)?;
            say(format!("The token '{name}' opens nothing any more.\n"))
        }
    }
}

/// A password from a file, from whoever sits at the terminal, or from standard input: its first
/// line.
fn password(file: Option<&Path>, name: &str) -> Result<String, DeskError> {
    let unread = |path: &Path, error| DeskError::File { path: path.to_owned(), error };
    if let Some(path) = file {
        let text = std::fs::read_to_string(path).map_err(|error| unread(path, error))?;
        return Ok(text.lines().next().unwrap_or_default().to_owned());
    }
    if io::stdin().is_terminal() {
        let ask = |words: String| {
            rpassword::prompt_password(words).map_err(|error| unread(Path::new("terminal"), error))
        };
        let once =
            ask(format!("Password of {name}, at least {} characters: ", access::LEAST_PASSWORD))?;
        if once != ask("The same again: ".to_owned())? {
            return Err(told("the two are not the same; nothing was changed"));
        }
        return Ok(once);
    }
    let mut line = String::new();
    let read = io::stdin().lock().read_line(&mut line);
    read.map_err(|error| unread(Path::new("standard input"), error))?;
    let line = line.trim_end_matches(['\n', '\r']);
    if line.is_empty() {
        return Err(told(AccessError::Short { length: 0 }));
    }
    Ok(line.to_owned())
}
