//! The trees of a grove as a list.

use super::figures::Figures;
use super::parts::{cell, lines, number, or_dash, table, tree_link, words};
use super::site::{Place, page as whole};
use crate::app::trees::{Thirst, TreeLine, Trees};
use chrono::NaiveDate;
use maud::{Markup, html};

/// The page.
pub fn page(place: &Place, trees: &Trees) -> String {
    let figures = Figures::of(place);
    let dbh = format!("dbh {}", figures.small_length_unit());
    let columns = [
        words("tree"),
        words("block"),
        words("row, position"),
        words("species"),
        number(&dbh),
        number("ports"),
        number("draws"),
        number("thirst"),
        number("95 %"),
        words("last draw"),
        words("last treated"),
        words("next earliest"),
    ];
    let rows: Vec<Vec<Markup>> = trees.trees.iter().map(|tree| row(place, tree, figures)).collect();
    let body = html! {
        h1 { "Trees" }
        p { (trees.trees.len()) " trees. Thirst is against the others of the block, species and size: \
            1 is as they are, 2 takes up twice as fast." }
        @if place.may_manage { p { a.button href=(format!("{}/add", place.base)) { "Add trees or files" } } }
        @if trees.interval_days.is_none() {
            p { "When a tree may be treated again is not known: the settings do not tell the label's \
                shortest interval (label.min_interval_days)." }
        }
        (table("Trees", &columns, &rows))
        (lines("What this rests on", &figures.sentences(&trees.rests_on)))
    };
    whole(place, "Trees", &body)
}

fn row(place: &Place, tree: &TreeLine, figures: Figures) -> Vec<Markup> {
    vec![
        tree_link(&place.base, &tree.tree_id),
        cell(&tree.block),
        or_dash(stands(tree).as_deref()),
        or_dash(tree.species.as_deref()),
        cell(figures.small_length_value(tree.dbh_cm)),
        cell(tree.ports.to_string()),
        cell(tree.draws.to_string()),
        cell(tree.thirst.map_or("-".into(), |thirst| format!("{:.2}", thirst.times))),
        cell(tree.thirst.map_or("-".into(), interval)),
        day(tree.last_draw),
        day(tree.last_treated),
        day(tree.next_earliest),
    ]
}

/// Where it stands in its block.
pub(super) fn stands(tree: &TreeLine) -> Option<String> {
    let parts = [tree.row.as_deref(), tree.position.as_deref()];
    let parts: Vec<&str> = parts.into_iter().flatten().collect();
    (!parts.is_empty()).then(|| parts.join(", "))
}

/// The interval of a thirst.
pub(super) fn interval(thirst: Thirst) -> String {
    format!("{:.2}-{:.2}", thirst.interval[0], thirst.interval[1])
}

/// A date, a dash where there is none.
pub(super) fn day(date: Option<NaiveDate>) -> Markup {
    or_dash(date.map(|date| date.to_string()).as_deref())
}
