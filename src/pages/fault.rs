//! What went wrong, for people.

use super::site::{Place, page as whole};
use maud::html;

/// The page.
pub fn page(place: &Place, title: &str, detail: &str, flaws: &[String]) -> String {
    let body = html! {
        h1 { "That did not go: " (title) }
        @if flaws.is_empty() { p { (detail) } } @else {
            ul { @for flaw in flaws { li { (flaw) } } }
        }
        p { a.button href="/" { "Back to the groves" } }
    };
    whole(place, title, &body)
}
