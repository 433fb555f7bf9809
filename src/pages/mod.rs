//! Pages, pictures and calendars of what `app` gives, one file a page. Every text is escaped; no
//! script, no outside address.

pub mod calendar;
pub mod dayplan;
pub mod fault;
pub mod lanes;
pub mod record;
pub mod sheet;
pub mod site;

use maud::{DOCTYPE, Markup, PreEscaped, html};

/// A whole file with its own style, in which no script runs and which fetches nothing.
fn whole(title: &str, style: &str, body: Markup) -> String {
    let page = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta http-equiv="Content-Security-Policy"
                    content="default-src 'none'; style-src 'unsafe-inline'";
                title { (title) }
                style { (PreEscaped(style)) }
            }
            body { (body) }
        }
    };
    page.into_string()
}
