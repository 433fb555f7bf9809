//! The log-in, and a new password.

use super::site::{Place, page as whole};
use maud::html;

/// What a log-in shows.
#[derive(Debug, Clone, Copy, Default)]
pub struct LogIn<'l> {
    /// The name as it was typed.
    pub name: &'l str,
    /// The address that it leads to.
    pub to: &'l str,
    /// What went wrong at the last try.
    pub wrong: Option<&'l str>,
}

/// The page.
pub fn page(place: &Place, log_in: &LogIn) -> String {
    let body = html! {
        h1 { "Log in" }
        @if let Some(wrong) = log_in.wrong { p #wrong .wrong role="alert" { (wrong) } }
        form method="post" action="/log-in" {
            (place.csrf_field())
            input type="hidden" name="to" value=(log_in.to);
            p {
                label for="name" { "Name" }
                input #name name="name" value=(log_in.name) required autocomplete="username"
                    autocapitalize="none" spellcheck="false" maxlength="64"
                    aria-describedby=[log_in.wrong.map(|_| "wrong")];
            }
            p {
                label for="password" { "Password" }
                input #password name="password" type="password" required
                    autocomplete="current-password"
                    aria-describedby=[log_in.wrong.map(|_| "wrong")];
            }
            p { button { "Log in" } }
        }
        p { "No name yet, or the password is lost: ask a manager." }
    };
    whole(place, "Log in", &body)
}

/// The page of a new password.
pub fn password_page(place: &Place, wrong: Option<&str>) -> String {
    let fields = [
        ("old", "Present password", "current-password"),
        ("new", "New password, at least 10 characters", "new-password"),
        ("again", "The new one again", "new-password"),
    ];
    let body = html! {
        h1 { "Change your password" }
        @if let Some(wrong) = wrong { p #wrong .wrong role="alert" { (wrong) } }
        form method="post" action="/password" {
            (place.csrf_field())
            @for (name, words, kind) in fields { p {
                label for=(name) { (words) }
                input id=(name) name=(name) type="password" required autocomplete=(kind)
                    aria-describedby=[wrong.map(|_| "wrong")];
            } }
            p { button { "Change it" } }
        }
        p { "All other phones and browsers where you are logged in are logged out." }
    };
    whole(place, "Change your password", &body)
}
