//! What a grove holds as rows: trees, draws, the journal, drawdowns.

use super::{csv, or_blank, word};
use crate::app::drawdown::{Drawdown, Left};
use crate::app::draws::DrawLine;
use crate::app::log::{Entries, EntryTold};
use crate::app::trees::TreeLine;

/// The trees that are known.
pub fn known_trees(trees: &[TreeLine]) -> Vec<u8> {
    let header = [
        "tree_id",
        "block",
        "species",
        "row",
        "position",
        "dbh_cm",
        "ports",
        "flares",
        "charge_ml",
        "hang",
        "draws",
        "last_draw",
        "last_treated",
        "next_earliest",
        "thirst_times",
        "thirst_low",
        "thirst_high",
        "note",
    ];
    let row = |tree: &TreeLine| {
        let thirst = tree.thirst;
        vec![
            tree.tree_id.clone(),
            tree.block.clone(),
            or_blank(&tree.species),
            or_blank(&tree.row),
            or_blank(&tree.position),
            tree.dbh_cm.to_string(),
            tree.ports.to_string(),
            or_blank(&tree.flares),
            or_blank(&tree.charge_ml),
            or_blank(&tree.hang),
            tree.draws.to_string(),
            or_blank(&tree.last_draw),
            or_blank(&tree.last_treated),
            or_blank(&tree.next_earliest),
            or_blank(&thirst.map(|thirst| thirst.times)),
            or_blank(&thirst.map(|thirst| thirst.interval[0])),
            or_blank(&thirst.map(|thirst| thirst.interval[1])),
            or_blank(&tree.note),
        ]
    };
    csv(&header, trees.iter().map(row))
}

/// Draws.
pub fn draws(draws: &[DrawLine]) -> Vec<u8> {
    let header = [
        "draw_id",
        "tree_id",
        "block",
        "start",
        "charge_ml",
        "ports",
        "crew",
        "kit",
        "state",
        "last_wet",
        "first_empty",
        "stripped",
        "left_ml",
        "looks",
        "pauses",
        "note",
    ];
    let row = |draw: &DrawLine| {
        vec![
            draw.draw_id.clone(),
            draw.tree_id.clone(),
            draw.block.clone(),
            draw.start.clone(),
            draw.charge_ml.to_string(),
            draw.ports.to_string(),
            or_blank(&draw.crew),
            or_blank(&draw.kit),
            word(&draw.state),
            or_blank(&draw.last_wet),
            or_blank(&draw.first_empty),
            or_blank(&draw.stripped),
            or_blank(&draw.left_ml),
            draw.looks.to_string(),
            draw.pauses.to_string(),
            or_blank(&draw.note),
        ]
    };
    csv(&header, draws.iter().map(row))
}

/// Entries of the journal.
pub fn journal(entries: &Entries) -> Vec<u8> {
    let header = [
        "key",
        "at",
        "noted",
        "by",
        "act",
        "draw_id",
        "tree_id",
        "charge_ml",
        "ports",
        "head_m",
        "kit_id",
        "second_bag",
        "state",
        "left_ml",
        "added_ml",
        "why",
        "of",
        "note",
        "says",
        "undone",
    ];
    let row = |EntryTold { says, undone, entry }: &EntryTold| {
        vec![
            entry.key.clone(),
            entry.at.to_rfc3339(),
            entry.noted.to_rfc3339(),
            or_blank(&entry.by),
            entry.act.clone(),
            or_blank(&entry.draw_id),
            or_blank(&entry.tree_id),
            or_blank(&entry.charge_ml),
            or_blank(&entry.ports),
            or_blank(&entry.head_m),
            or_blank(&entry.kit_id),
            entry.second_bag.to_string(),
            or_blank(&entry.state),
            or_blank(&entry.left_ml),
            or_blank(&entry.added_ml),
            or_blank(&entry.why),
            or_blank(&entry.of),
            or_blank(&entry.note),
            says.clone(),
            undone.to_string(),
        ]
    };
    csv(&header, entries.entries.iter().map(row))
}

/// How bags fall: a row each step believed and each look.
pub fn drawdowns(drawdowns: &[Drawdown]) -> Vec<u8> {
    let header = [
        "draw_id",
        "tree_id",
        "what",
        "at",
        "minutes",
        "left_ml",
        "at_start_p10_ml",
        "at_start_p50_ml",
        "at_start_p90_ml",
        "now_p10_ml",
        "now_p50_ml",
        "now_p90_ml",
    ];
    let three = |left: &Option<Left>| {
        let of = |ml: fn(&Left) -> f64| or_blank(&left.as_ref().map(ml));
        [of(|left| left.p10_ml), of(|left| left.p50_ml), of(|left| left.p90_ml)]
    };
    let rows = drawdowns.iter().flat_map(|drawn| {
        let head = |what: &str, at: &str, minutes: f64| {
            let ids = [drawn.draw_id.clone(), drawn.tree_id.clone()];
            ids.into_iter().chain([what.to_owned(), at.to_owned(), minutes.to_string()])
        };
        let steps = drawn.steps.iter().map(move |step| {
            let believed = three(&step.at_start).into_iter().chain(three(&step.now));
            head("believed", &step.at, step.minutes)
                .chain([String::new()])
                .chain(believed)
                .collect()
        });
        let looks = drawn.looks.iter().map(move |look| {
            let left = [or_blank(&look.left_ml)].into_iter();
            let blank = std::iter::repeat_n(String::new(), 6);
            head("seen", &look.at, look.minutes).chain(left).chain(blank).collect()
        });
        steps.chain(looks).collect::<Vec<Vec<String>>>()
    });
    csv(&header, rows)
}
