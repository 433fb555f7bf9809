//! One tree: its draws, its thirst, its holes, and how its draws went against what was predicted.

use super::charts::scatter;
use super::draws::table_of;
use super::figures::Figures;
use super::parts::{cell, in_address, lines, number, or_dash, table, words};
use super::site::{Place, page as whole};
use super::trees::{day, interval, stands};
use crate::app::trees::{Hole, TreeStory};
use crate::app::words::odd;
use maud::{Markup, html};

/// The page.
pub fn page(place: &Place, story: &TreeStory) -> String {
    let figures = Figures::of(place);
    let title = format!("Tree {}", story.tree.tree_id);
    let tree_draws = format!("{}/draws?tree={}", place.base, in_address(&story.tree.tree_id));
    let body = html! {
        p { a.button href=(format!("{}/trees", place.base)) { "All trees" } }
        h1 { (title) }
        @if let Some(named) = &story.odd { p.warning { (figures.sentence(&odd(named))) } }
        (facts(story, figures))
        section { h2 { "Predicted and seen" }
            @if story.compared.is_empty() { p { "No draw of it tells anything yet." } }
            (scatter::chart(&place.base, &story.compared))
        }
        section { h2 { "Draws" }
            @if story.draws.is_empty() { p { "Nothing hung on it yet." } } @else {
                p { a.button href=(tree_draws) { "In the list of draws" } }
                (table_of(place, "Draws of this tree", &story.draws))
            }
        }
        section { h2 { "Ports and old holes" } (holes(&story.holes, figures)) }
        (lines("What this rests on", &figures.sentences(&story.rests_on)))
        p.small { "Times in " (story.time_zone) "." }
    };
    whole(place, &title, &body)
}

fn facts(story: &TreeStory, figures: Figures) -> Markup {
    let tree = &story.tree;
    let season = |is: Option<bool>, yes: &'static str, no: &'static str| match is {
        Some(true) => yes,
        Some(false) => no,
        None => "not known",
    };
    let thirst = tree.thirst.map_or("not known: no draw told anything yet".to_owned(), |thirst| {
        format!("{:.2} times its block's ({})", thirst.times, interval(thirst))
    });
    let next = match (tree.last_treated, tree.next_earliest) {
        (_, Some(date)) => date.to_string(),
        (None, None) => "not known: no treatment is recorded".into(),
        (Some(_), None) => "not known: the settings do not tell the label's interval".into(),
    };
    let facts: [(&str, Markup); 11] = [
        ("Block", cell(&tree.block)),
        ("Row, position", or_dash(stands(tree).as_deref())),
        ("Species", or_dash(tree.species.as_deref())),
        ("dbh", cell(figures.small_length(tree.dbh_cm))),
        ("Ports", cell(tree.ports.to_string())),
        ("Thirst, 95 %", cell(thirst)),
        ("Leaves", cell(season(story.in_leaf, "in leaf", "out of leaf"))),
        ("Bloom", cell(season(story.in_bloom, "in bloom", "no bloom"))),
        ("Last treated", day(tree.last_treated)),
        ("Next earliest treatment", cell(next)),
        ("Note", or_dash(tree.note.as_deref())),
    ];
    html! { dl.facts { @for (name, value) in &facts { div { dt { (name) } dd { (value) } } } } }
}

fn holes(holes: &[Hole], figures: Figures) -> Markup {
    if holes.is_empty() {
        return html! { p { "No hole is recorded: put them into ports.csv, a row each." } };
    }
    let height = format!("height {}", figures.small_length_unit());
    let columns =
        [words("drilled"), number("hole"), number(&height), number("azimuth deg"), words("note")];
    let rows: Vec<Vec<Markup>> = holes
        .iter()
        .map(|hole| {
            vec![
                cell(hole.date.to_string()),
                cell(hole.hole.to_string()),
                cell(figures.small_length_value(hole.height_cm)),
                cell(hole.azimuth_deg.map_or("-".into(), |deg| format!("{deg:.0}"))),
                or_dash(hole.note.as_deref()),
            ]
        })
        .collect();
    table("Holes, the newest first", &columns, &rows)
}
