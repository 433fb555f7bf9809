//! Pages, pictures and calendars of what `app` gives, one file a page. Every text is escaped; no
//! script, no outside address.

pub mod calendar;
pub mod charts;
pub mod compare;
pub mod dayplan;
pub mod draws;
pub mod fault;
pub mod figures;
pub mod first_run;
pub mod lanes;
pub mod log_in;
pub mod parts;
pub mod people;
pub mod plan;
pub mod problems;
pub mod record;
pub mod records;
pub mod sheet;
pub mod site;
pub mod today;
pub mod tomorrow;
pub mod tree;
pub mod trees;
pub mod weather;

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
