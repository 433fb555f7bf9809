//! The kinds of problem (RFC 9457): each has a name, a title, and a page at its `type`'s address.

use super::fault::Fault;
use super::server::Server;
use crate::pages::problems;
use crate::pages::site::Place;
use axum::Router;
use axum::extract::Path;
use axum::response::Html;
use axum::routing::get;
use serde::{Serialize, Serializer};
use std::sync::Arc;

/// Where the kinds are explained.
pub const PROBLEMS: &str = "/problems";

/// A kind of problem.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[expect(missing_docs, reason = "each is told by its title and its page")]
pub enum Kind {
    CannotBeRead,
    CannotBeDone,
    NotAllowed,
    NotFound,
    DoesNotGoTogether,
    CannotBeChanged,
    GroveFlawed,
    ModelUnusable,
    LogInNeeded,
    UnknownToken,
    NotFromHere,
    OtherName,
    NotThisWay,
    NoSuchForm,
    TooLarge,
    OtherForm,
    TooOften,
    KeyUsed,
    OnItsWay,
    NobodyAnswered,
    NotReady,
    StoreUnusable,
    OwnFault,
}

impl Kind {
    /// All of them.
    pub const ALL: [Self; 23] = [
        Self::CannotBeRead,
        Self::CannotBeDone,
        Self::NotAllowed,
        Self::NotFound,
        Self::DoesNotGoTogether,
        Self::CannotBeChanged,
        Self::GroveFlawed,
        Self::ModelUnusable,
        Self::LogInNeeded,
        Self::UnknownToken,
        Self::NotFromHere,
        Self::OtherName,
        Self::NotThisWay,
        Self::NoSuchForm,
        Self::TooLarge,
        Self::OtherForm,
        Self::TooOften,
        Self::KeyUsed,
        Self::OnItsWay,
        Self::NobodyAnswered,
        Self::NotReady,
        Self::StoreUnusable,
        Self::OwnFault,
    ];

    /// Its title, what it means, and what to do.
    const fn told(self) -> [&'static str; 3] {
        match self {
            Self::CannotBeRead => [
                "cannot be read",
                "What was asked is not in the form that this address takes: a date that is none, a \
                 field that is not known, text that is no JSON.",
                "The detail names the place. The form of every question stands in \
                 /api/v1/openapi.json.",
            ],
            Self::CannotBeDone => [
                "cannot be done",
                "The question can be read, but a value in it is outside what is allowed, or this \
                 grove lacks what the answer needs.",
                "The detail says which, with the allowed range; change it and ask again.",
            ],
            Self::NotAllowed => [
                "not allowed",
                "Who asks has a role that may not do this. Readers read, the crew logs, managers \
                 change groves, models and people.",
                "Ask a manager to do it, or for a role or token that may.",
            ],
            Self::NotFound => [
                "not found",
                "There is no such address here, no such grove, or no such tree in it.",
                "Correct the address; /api/v1/groves lists the groves, and each grove's trees stand \
                 under it.",
            ],
            Self::DoesNotGoTogether => [
                "does not go together",
                "What was sent goes against what is known of the grove: a bag that was stripped \
                 already, a key that was used for another entry, a refit that would predict worse.",
                "Look at what is noted, correct the one that is wrong, and send again. Nothing was \
                 changed.",
            ],
            Self::CannotBeChanged => [
                "cannot be changed",
                "The demo is part of the program and can be read only; weather of a copy of it is \
                 invented too and is not pulled.",
                "Make a copy of the demo, or a grove of your own, and write to that.",
            ],
            Self::GroveFlawed => [
                "the grove is flawed",
                "A file or row cannot be what it says: a value out of its range, a tree that is not \
                 there, a row that is stored with other content.",
                "The list of flaws tells each with its file, row, column and what to do. Nothing was \
                 changed.",
            ],
            Self::ModelUnusable => [
                "the model cannot be used",
                "A stored model cannot be read, or the draws cannot be fitted.",
                "The detail says which; earlier models of the grove stay where they are.",
            ],
            Self::LogInNeeded => [
                "log-in needed",
                "People are kept here, so each question needs to know who asks.",
                "Log in on the pages, or send a token as Authorization: Bearer TOKEN; a manager \
                 makes tokens on the page of people.",
            ],
            Self::UnknownToken => [
                "unknown token",
                "The token opens nothing: it was revoked, its person was disabled, or it was never \
                 given.",
                "Ask a manager for another one.",
            ],
            Self::NotFromHere => [
                "not from a page of this service",
                "A write came with a log-in's cookie, but without the sign that only pages of this \
                 service carry, or from another site.",
                "Open the page again and send it from there; programs send a token instead of a \
                 cookie.",
            ],
            Self::OtherName => [
                "not this service's name",
                "The name in the address is none that this service answers to.",
                "Whoever runs the service names it in the setting hosts.",
            ],
            Self::NotThisWay => [
                "not this way",
                "There is something at this address, but it does not take this method.",
                "The header Allow, or /api/v1/openapi.json, tells the methods of each address.",
            ],
            Self::NoSuchForm => [
                "no such form",
                "The answer does not come in any form that the header Accept lets through.",
                "The detail names the forms that there are; application/json is always one.",
            ],
            Self::TooLarge => {
                ["too large", "More was sent at once than is taken.", "Send less at once."]
            }
            Self::OtherForm => [
                "another form is needed",
                "What was sent is of another media type than this address takes.",
                "Send application/json with its Content-Type where /api/v1/openapi.json says so.",
            ],
            Self::TooOften => [
                "too often",
                "This was tried too often in a short time.",
                "Wait as long as the header Retry-After says.",
            ],
            Self::KeyUsed => [
                "the key was used before",
                "The Idempotency-Key was sent before with something else, so it is not clear which \
                 of the two is meant.",
                "Give a new wish a new key. Nothing was done this time.",
            ],
            Self::OnItsWay => [
                "on its way",
                "The same is being done at this moment, sent with the same Idempotency-Key.",
                "Wait as long as Retry-After says and send it again: the first answer comes back.",
            ],
            Self::NobodyAnswered => [
                "no weather service answered",
                "None of the weather services of the grove's settings gave an answer.",
                "What was stored stays as it is. The detail says what each said; try again later.",
            ],
            Self::NotReady => [
                "not ready",
                "The service stops, or the store of a grove is not where it was.",
                "Try again; if it stays so, whoever runs the service has to look.",
            ],
            Self::StoreUnusable => [
                "the store cannot be used",
                "A file or database is busy, full, damaged or not there.",
                "Try again as Retry-After says; if it stays so, whoever runs the service has to \
                 look at the disk and the log.",
            ],
            Self::OwnFault => [
                "fault of the service",
                "The service failed at this question. It is not the asker's doing.",
                "It was noted in the service's log under the x-request-id of the answer; tell whoever \
                 runs it.",
            ],
        }
    }

    /// Its title.
    pub const fn title(self) -> &'static str {
        self.told()[0]
    }

    /// Its name in addresses.
    pub fn name(self) -> String {
        self.title().replace(' ', "-").replace('\'', "")
    }

    /// The address of its page, which names it in problems.
    pub fn address(self) -> String {
        format!("{PROBLEMS}/{}", self.name())
    }

    fn of(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.name() == name)
    }
}

impl Serialize for Kind {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        to.serialize_str(self.title())
    }
}

/// Addresses.
pub fn routes() -> Router<Arc<Server>> {
    Router::new().route("/problems", get(all)).route("/problems/{name}", get(one))
}

async fn all() -> Html<String> {
    let links = Kind::ALL.map(|kind| (kind.address(), kind.title()));
    Html(problems::list(&Place::of_no_grove(), &links))
}

async fn one(Path(name): Path<String>) -> Result<Html<String>, Fault> {
    let kind = Kind::of(&name);
    let kind = kind.ok_or_else(|| {
        Fault::not_found(format!("no problem is called '{name}'; {PROBLEMS} lists them"))
    })?;
    let [title, means, remedy] = kind.told();
    Ok(Html(problems::page(&Place::of_no_grove(), title, means, remedy)))
}
