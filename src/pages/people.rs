//! People and tokens, for managers.

use super::site::{Place, page as whole};
use crate::app::members::{Given, Member, Members};
use chrono::{DateTime, Utc};
use maud::{Markup, html};

/// What has just happened, told on the page.
#[derive(Debug, Clone, Copy, Default)]
pub struct Said<'s> {
    /// What went wrong.
    pub wrong: Option<&'s str>,
    /// A new token, which is shown this once.
    pub token: Option<&'s str>,
    /// Can people be kept at all? Not without a data folder.
    pub has_data: bool,
}

fn day(at: DateTime<Utc>) -> String {
    at.format("%Y-%m-%d %H:%M UTC").to_string()
}

fn roles(members: &Members, id: &str, chosen: &str) -> Markup {
    html! {
        select id=(id) name="role" {
            @for role in &members.roles {
                option value=(role) selected[*role == chosen] { (role) }
            }
        }
    }
}

/// The page.
pub fn page(place: &Place, members: &Members, said: &Said) -> String {
    let body = html! {
        h1 { "People" }
        @if let Some(wrong) = said.wrong { p .wrong role="alert" { (wrong) } }
        @if let Some(token) = said.token {
            section aria-labelledby="new-token" {
                h2 #new-token { "The new token" }
                p { "Copy it now: it is shown this once. Send it as " code { "Authorization: Bearer" } "." }
                p { code .token { (token) } }
            }
        }
        @if !said.has_data {
            p { "This service keeps no people: whoever runs it names a folder for them in its \
                setting " code { "data" } "." }
        } @else {
            (list(place, members))
            (adding(place, members))
            (tokens(place, members))
            (writes(members))
        }
    };
    whole(place, "People", &body)
}

fn list(place: &Place, members: &Members) -> Markup {
    if members.people.is_empty() {
        return html! {
            p { "Nobody yet: whoever sits at this machine may do all. As soon as the first manager is \
                 added, everybody has to log in." }
        };
    }
    html! {
        p { "A reader reads; crew logs readings too; a manager does all." }
        ul .people { @for (at, member) in members.people.iter().enumerate() { li { (person(place, members, member, at)) } } }
    }
}

fn person(place: &Place, members: &Members, member: &Member, at: usize) -> Markup {
    let (role_id, password_id) = (format!("role-{at}"), format!("password-{at}"));
    html! {
        h2 { (member.name) ", " (member.role) @if member.disabled { " (disabled)" } }
        form method="post" action="/people/role" {
            (place.csrf_field())
            input type="hidden" name="name" value=(member.name);
            label for=(role_id) { "Role of " (member.name) } " "
            (roles(members, &role_id, member.role)) " "
            button { "Change the role" }
        }
        form method="post" action="/people/disable" {
            (place.csrf_field())
            input type="hidden" name="name" value=(member.name);
            input type="hidden" name="disabled" value=(if member.disabled { "no" } else { "yes" });
            button { @if member.disabled { "Let " (member.name) " in again" } @else { "Disable " (member.name) } }
        }
        form method="post" action="/people/password" {
            (place.csrf_field())
            input type="hidden" name="name" value=(member.name);
            label for=(password_id) { "New password of " (member.name) } " "
            input id=(password_id) name="password" type="password" required autocomplete="new-password" minlength="10"; " "
            button { "Set it" }
        }
    }
}

fn adding(place: &Place, members: &Members) -> Markup {
    let first = if members.people.is_empty() { "manager" } else { "crew" };
    html! {
        section aria-labelledby="add" {
            h2 #add { "Add somebody" }
            form method="post" action="/people/add" {
                (place.csrf_field())
                p { label for="name" { "Name" } input #name name="name" required maxlength="64" autocomplete="off"; }
                p { label for="role" { "Role" } (roles(members, "role", first)) }
                p {
                    label for="password" { "First password, at least 10 characters; they can change it" }
                    input #password name="password" type="password" required minlength="10" autocomplete="new-password";
                }
                p { button { "Add" } }
            }
        }
    }
}

fn tokens(place: &Place, members: &Members) -> Markup {
    html! {
        section aria-labelledby="tokens" {
            h2 #tokens { "Tokens for programs" }
            @if members.tokens.is_empty() { p { "None is in use." } } @else {
                ul { @for token in &members.tokens { li { (given(place, token)) } } }
            }
            @if !members.people.is_empty() {
                form method="post" action="/people/token" {
                    (place.csrf_field())
                    p { label for="token" { "What the token is for" } input #token name="token" required maxlength="64" autocomplete="off"; }
                    p {
                        label for="of" { "Acts for" }
                        select #of name="name" { @for member in members.people.iter().filter(|member| !member.disabled) {
                            option value=(member.name) { (member.name) }
                        } }
                    }
                    p { label for="token-role" { "May, at most, do what a" } (roles(members, "token-role", "reader")) }
                    p { button { "Make a token" } }
                }
            }
        }
    }
}

fn given(place: &Place, token: &Given) -> Markup {
    html! {
        p {
            b { (token.name) } ": " (token.role) ", for " (token.person) ", made " (day(token.created)) ", "
            @match token.used { Some(used) => { "last used " (day(used)) } None => "never used" }
        }
        form method="post" action="/people/revoke" {
            (place.csrf_field())
            input type="hidden" name="token" value=(token.name);
            button { "Revoke " (token.name) }
        }
    }
}

fn writes(members: &Members) -> Markup {
    html! {
        section aria-labelledby="writes" {
            h2 #writes { "Last writes" }
            @if members.writes.is_empty() { p { "None yet." } }
            @else { div .wide tabindex="0" role="region" aria-label="Last writes" { table {
                thead { tr { th scope="col" { "When" } th scope="col" { "Who" } th scope="col" { "By" } th scope="col" { "What" } th scope="col" { "Answer" } } }
                tbody { @for write in &members.writes { tr {
                    td { (day(write.at)) } td { (write.who) } td { (write.how) } td { (write.what) }
                    td { @match write.status { Some(status) => (status), None => "none" } }
                } } }
            } } }
        }
    }
}
