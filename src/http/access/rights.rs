//! What each address needs: the one place where roles are held to. What is not named here needs a
//! manager as soon as it writes.

use crate::http::caller::Role;
use axum::http::Method;

/// What an address needs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Need {
    /// At least this role; none where nobody needs to have logged in.
    pub role: Option<Role>,
    /// Does it write? Then its form must be ours, and the audit notes it.
    pub writes: bool,
}

/// Parts of a grove that the crew writes to.
const LOGGING: [&str; 4] = ["log", "entries", "journal", "today"];
/// Questions to a grove that are too long for an address: they write nothing.
const QUESTIONS: [&str; 8] =
    ["dayplan", "plan", "times", "overnight", "window", "dose", "measure", "tomorrow"];

/// What a method needs at a path.
pub fn need(method: &Method, path: &str) -> Need {
    let parts: Vec<&str> = path.split('/').filter(|part| !part.is_empty()).collect();
    match matches!(*method, Method::GET | Method::HEAD | Method::OPTIONS) {
        true => Need { role: of_reading(&parts), writes: false },
        false => of_writing(&parts),
    }
}

fn of_reading(parts: &[&str]) -> Option<Role> {
    match parts {
        ["log-in" | "live" | "ready" | "sw.js" | "manifest.webmanifest"]
        | ["assets" | "problems", ..] => None,
        ["people", ..] | ["new", ..] | ["g", _, "add"] => Some(Role::Manager),
        ["api", "v1", "people" | "tokens" | "audit", ..] => Some(Role::Manager),
        _ => Some(Role::Reader),
    }
}

fn of_writing(parts: &[&str]) -> Need {
    let role = |role| Need { role: Some(role), writes: true };
    match parts {
        ["log-in"] => Need { role: None, writes: true },
        ["log-out" | "password" | "units"] => role(Role::Reader),
        ["g", _, part, ..] | ["api", "v1", "groves" | "g", _, part, ..] => match *part {
            part if LOGGING.contains(&part) => role(Role::Crew),
            part if QUESTIONS.contains(&part) => Need { role: Some(Role::Reader), writes: false },
            _ => role(Role::Manager),
        },
        _ => role(Role::Manager),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_not_named_needs_a_manager_to_write_and_a_reader_to_read() {
        for (method, path, role, writes) in [
            ("GET", "/", Some(Role::Reader), false),
            ("GET", "/metrics", Some(Role::Reader), false),
            ("GET", "/who", Some(Role::Reader), false),
            ("GET", "/live", None, false),
            ("GET", "/assets/style.css", None, false),
            ("GET", "/log-in", None, false),
            ("GET", "/log-in/../people", Some(Role::Reader), false),
            ("GET", "/people", Some(Role::Manager), false),
            ("HEAD", "//people/", Some(Role::Manager), false),
            ("POST", "/log-in", None, true),
            ("POST", "/log-out", Some(Role::Reader), true),
            ("POST", "/g/west/log", Some(Role::Crew), true),
            ("POST", "/api/v1/groves/west/entries", Some(Role::Crew), true),
            ("POST", "/api/v1/groves/west/dayplan", Some(Role::Reader), false),
            ("POST", "/api/v1/groves/west/refit", Some(Role::Manager), true),
            ("POST", "/g/log/add/tree", Some(Role::Manager), true),
            ("DELETE", "/g/west/anything", Some(Role::Manager), true),
            ("PATCH", "/nothing/of/ours", Some(Role::Manager), true),
            ("BREW", "/", Some(Role::Manager), true),
        ] {
            let method = Method::from_bytes(method.as_bytes()).unwrap();
            assert_eq!(need(&method, path), Need { role, writes }, "{method} {path}");
        }
    }
}
