//! All draws, the newest first.

use super::figures::Figures;
use super::parts::{cell, in_address, number, or_dash, table, tree_link, words};
use super::site::{Place, page as whole};
use crate::app::draws::{DrawLine, Draws, Page, State};
use crate::app::words::{clock, day_clock};
use maud::{Markup, html};

/// The page.
pub fn page(place: &Place, draws: &Draws) -> String {
    let asked = match (&draws.tree_id, draws.date) {
        (Some(tree), Some(date)) => format!(" of tree {tree} on {date}"),
        (Some(tree), None) => format!(" of tree {tree}"),
        (None, Some(date)) => format!(" of {date}"),
        (None, None) => String::new(),
    };
    let address = format!("{}/draws", place.base);
    let body = html! {
        h1 { "Draws" (asked) }
        form.days method="get" action=(address) {
            span.field { label for="tree" { "Tree" }
                input id="tree" name="tree" size="8" value=(draws.tree_id.as_deref().unwrap_or("")); }
            span.field { label for="date" { "Day" }
                input id="date" type="date" name="date" value=[draws.date]; }
            button type="submit" { "Show" }
            @if !asked.is_empty() { a.button href=(address) { "All draws" } }
        }
        p { (draws.total) " draws, the newest first. Times in " (draws.time_zone) "." }
        @if !draws.draws.is_empty() { (table_of(place, "Draws", &draws.draws)) }
        (pages(&address, draws))
    };
    whole(place, "Draws", &body)
}

/// Draws as a table.
pub(super) fn table_of(place: &Place, caption: &str, draws: &[DrawLine]) -> Markup {
    let figures = Figures::of(place);
    let charge = format!("charge {}", figures.volume_unit());
    let left = format!("left {}", figures.volume_unit());
    // What is of the day of the start is told by the clock alone.
    let on = |draw: &DrawLine, time: &Option<String>| {
        let day = draw.start.get(..10).and_then(|day| day.parse().ok()).unwrap_or_default();
        cell(clock(time.as_deref(), day))
    };
    let has_kits = draws.iter().any(|draw| draw.kit.is_some());
    let columns = [
        words("start"),
        words("tree"),
        words("state"),
        number(&charge),
        words("last wet"),
        words("empty seen"),
        words("stripped"),
        number(&left),
        number("ports"),
        words("crew"),
        number("looks"),
        words("draw"),
        words("note"),
    ];
    let kit = [words("kit")];
    let (before, after) = columns.split_at(columns.len() - 3);
    let columns = [before, if has_kits { &kit } else { &[] }, after].concat();
    let row = |draw: &DrawLine| {
        let kit = has_kits.then(|| or_dash(draw.kit.as_deref()));
        let before = [
            cell(day_clock(&draw.start)),
            tree_link(&place.base, &draw.tree_id),
            html! { span.wet[draw.state != State::Empty] { (draw.state.words()) } },
            cell(figures.volume_value(draw.charge_ml)),
            on(draw, &draw.last_wet),
            on(draw, &draw.first_empty),
            on(draw, &draw.stripped),
            or_dash(draw.left_ml.map(|ml| figures.volume_value(ml)).as_deref()),
            cell(draw.ports.to_string()),
            or_dash(draw.crew.as_deref()),
        ];
        let after =
            [cell(draw.looks.to_string()), cell(&draw.draw_id), or_dash(draw.note.as_deref())];
        before.into_iter().chain(kit).chain(after).collect()
    };
    html! { div.notes { (table(caption, &columns, &draws.iter().map(row).collect::<Vec<Vec<_>>>())) } }
}

fn pages(address: &str, draws: &Draws) -> Markup {
    let mut asked = String::new();
    if let Some(tree) = &draws.tree_id {
        asked += &format!("&tree={}", in_address(tree));
    }
    if let Some(date) = draws.date {
        asked += &format!("&date={date}");
    }
    let to = |page: usize| format!("{address}?page={page}{asked}");
    html! {
        @if let Some(Page { number, of }) = draws.page.filter(|page| page.of > 1) {
            nav.days aria-label="Pages" {
                @if number > 1 { a.button rel="prev" href=(to(number - 1)) { "Newer" } }
                span { "Page " (number) " of " (of) }
                @if number < of { a.button rel="next" href=(to(number + 1)) { "Older" } }
            }
        }
    }
}
