//! What the kinds of problem mean that the API answers with.

use super::site::{Place, page as whole};
use maud::html;

/// All kinds: addresses and titles.
pub fn list(place: &Place, kinds: &[(String, &str)]) -> String {
    let body = html! {
        h1 { "Problems" }
        p { "What the API answers where it cannot do what was asked. Each answer names its kind in "
            code { "type" } "." }
        ul { @for (address, title) in kinds { li { a href=(address) { (title) } } } }
    };
    whole(place, "Problems", &body)
}

/// One kind.
pub fn page(place: &Place, title: &str, means: &str, remedy: &str) -> String {
    let body = html! {
        h1 { "Problem: " (title) }
        p { (means) }
        h2 { "What to do" }
        p { (remedy) }
        p { a href="/problems" { "All problems" } }
    };
    whole(place, title, &body)
}
