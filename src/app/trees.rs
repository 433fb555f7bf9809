//! The trees of a grove: the list, and what is known of one.

use super::compare::{Compared, of_tree};
use super::desk::{Desk, DeskError};
use super::diagnosis::{Named, diagnosis};
use super::draws::{DrawLine, known_tree, line};
use super::rests::model_words;
use crate::grove::{Draw, Tree};
use crate::uptake::diagnose::Kind;
use chrono::NaiveDate;
use serde::Serialize;

/// Half width of a 95 % interval in standard deviations.
const NINETY_FIVE: f64 = 1.96;

/// How thirsty a tree is against the others of its block, species and size.
#[derive(Debug, Clone, Copy, Serialize, utoipa::ToSchema)]
pub struct Thirst {
    /// Times as thirsty.
    pub times: f64,
    /// 95 % interval of that.
    pub interval: [f64; 2],
}

/// One tree.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct TreeLine {
    /// Its id.
    pub tree_id: String,
    /// Its block.
    pub block: String,
    /// Species, as the user writes it.
    pub species: Option<String>,
    /// Row in the block.
    pub row: Option<String>,
    /// Position in the row.
    pub position: Option<String>,
    /// Diameter at breast height, cm.
    pub dbh_cm: f64,
    /// Ports.
    pub ports: u32,
    /// Root flares.
    pub flares: Option<u32>,
    /// Charge of its own, mL.
    pub charge_ml: Option<f64>,
    /// Is it to be hung? None where the user did not say.
    pub hang: Option<bool>,
    /// Draws started by now.
    pub draws: usize,
    /// Day of its last draw.
    pub last_draw: Option<NaiveDate>,
    /// Day of the last treatment, by the working record or as the user says.
    pub last_treated: Option<NaiveDate>,
    /// First day on which the label lets it be treated again; none where the last treatment or the
    /// label's interval is not known.
    pub next_earliest: Option<NaiveDate>,
    /// Thirst against its block; none before a draw of it told something.
    pub thirst: Option<Thirst>,
    /// What the user wrote.
    pub note: Option<String>,
}

/// The trees.
#[derive(Debug, Serialize, utoipa::ToSchema)]
pub struct Trees {
    /// Grove.
    pub grove: String,
    /// The embedded demo, all invented?
    pub is_demo: bool,
    /// Does the grove tell the label's shortest interval?
    pub interval_days: Option<u32>,
    /// Each tree, in the order of the file.
    pub trees: Vec<TreeLine>,
    /// What thirsts rest on.
    pub rests_on: Vec<String>,
}

/// A hole drilled.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct Hole {
    /// When.
    pub date: NaiveDate,
    /// Number of the hole of that day.
    pub hole: u32,
    /// Above the ground, cm.
    pub height_cm: f64,
    /// Clockwise from north, degrees.
    pub azimuth_deg: Option<f64>,
    /// What the user wrote.
    pub note: Option<String>,
}

/// All that is known of one tree.
#[derive(Debug, Serialize, utoipa::ToSchema)]
pub struct TreeStory {
    /// Grove.
    pub grove: String,
    /// IANA zone of all times.
    pub time_zone: String,
    /// The embedded demo, all invented?
    pub is_demo: bool,
    /// The tree.
    pub tree: TreeLine,
    /// Is it out of the ordinary?
    pub odd: Option<Named>,
    /// In leaf on the desk's day? None where the season is not known.
    pub in_leaf: Option<bool>,
    /// In bloom?
    pub in_bloom: Option<bool>,
    /// Its draws, the newest first.
    pub draws: Vec<DrawLine>,
    /// Predicted and seen of those that tell something, in order of start.
    pub compared: Vec<Compared>,
    /// Holes of which a place is known, the newest first.
    pub holes: Vec<Hole>,
    /// What thirst and predictions rest on.
    pub rests_on: Vec<String>,
}

/// The list.
pub fn trees(desk: &Desk) -> Trees {
    Trees {
        grove: desk.grove.settings.name.clone(),
        is_demo: desk.is_demo,
        interval_days: desk.grove.settings.label.min_interval_days,
        trees: (0..desk.grove.trees.len()).map(|index| tree_line(desk, index)).collect(),
        rests_on: model_words(desk),
    }
}

/// One tree.
///
/// # Errors
/// [`DeskError::Unanswerable`] where there is no such tree; other ones where a fit fails.
pub fn tree(desk: &Desk, tree_id: &str) -> Result<TreeStory, DeskError> {
    let index = known_tree(desk, tree_id)?;
    let known = &desk.grove.trees[index];
    let today = desk.local_date(desk.as_of);
    let season = desk.grove.season(known);
    let mut draws: Vec<&Draw> = own_draws(desk, index).collect();
    draws.sort_by_key(|draw| std::cmp::Reverse(draw.started));
    let is_it = |named: &Named| named.kind == Kind::Tree && named.name == tree_id;
    let mut holes: Vec<Hole> = desk
        .grove
        .ports
        .iter()
        .filter(|port| port.tree_id == tree_id && port.date <= today)
        .map(|port| Hole {
            date: port.date,
            hole: port.hole,
            height_cm: port.height_cm,
            azimuth_deg: port.azimuth_deg,
            note: port.note.clone(),
        })
        .collect();
    holes.sort_by_key(|hole| (std::cmp::Reverse(hole.date), hole.hole));
    Ok(TreeStory {
        grove: desk.grove.settings.name.clone(),
        time_zone: desk.grove.settings.zone.name().into(),
        is_demo: desk.is_demo,
        tree: tree_line(desk, index),
        odd: diagnosis(desk)?.named.into_iter().find(is_it),
        in_leaf: season.leaf_on(today),
        in_bloom: season.in_bloom(today),
        draws: draws.into_iter().map(|draw| line(desk, draw)).collect(),
        compared: of_tree(desk, tree_id)?,
        holes,
        rests_on: model_words(desk),
    })
}

fn own_draws(desk: &Desk, index: usize) -> impl Iterator<Item = &Draw> {
    let own = move |draw: &&Draw| draw.tree == index && draw.started <= desk.as_of;
    desk.grove.draws.iter().filter(own)
}

fn tree_line(desk: &Desk, index: usize) -> TreeLine {
    let tree = &desk.grove.trees[index];
    let last_draw = own_draws(desk, index).map(|draw| draw.started).max();
    TreeLine {
        tree_id: tree.id.clone(),
        block: tree.block.clone(),
        species: tree.species.clone(),
        row: tree.row.clone(),
        position: tree.position.clone(),
        dbh_cm: (tree.dbh.value() * 10.0).round() / 10.0,
        ports: tree.ports,
        flares: tree.flares,
        charge_ml: tree.charge.map(|charge| charge.value()),
        hang: tree.hang,
        draws: own_draws(desk, index).count(),
        last_draw: last_draw.map(|at| desk.local_date(at)),
        last_treated: last_treated(desk, tree),
        next_earliest: desk.grove.earliest_next(tree),
        thirst: thirst(desk, tree),
        note: tree.note.clone(),
    }
}

fn last_treated(desk: &Desk, tree: &Tree) -> Option<NaiveDate> {
    let own = desk.grove.applications.iter().filter(|application| application.tree_id == tree.id);
    own.map(|application| desk.local_date(application.applied)).chain(tree.last_treated).max()
}

fn thirst(desk: &Desk, tree: &Tree) -> Option<Thirst> {
    let today = desk.local_date(desk.as_of);
    let (mean, sd) = desk.model.posterior().tree_effect(&tree.id, today)?;
    let times = |ln: f64| (ln.exp() * 100.0).round() / 100.0;
    let interval = [times(mean - NINETY_FIVE * sd), times(mean + NINETY_FIVE * sd)];
    Some(Thirst { times: times(mean), interval })
}
