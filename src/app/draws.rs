//! All draws, the newest first: what hangs, what is over and how, and what nobody looked at.

use super::desk::{Desk, DeskError};
use super::hanging::LONGEST;
use super::parts::{Part, beside, per_page};
use super::window::local_time;
use crate::grove::{Draw, Seen};
use chrono::{DateTime, NaiveDate, Utc};
use serde::Serialize;

/// Which draws are asked for.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Asked {
    /// Of this tree only.
    pub tree_id: Option<String>,
    /// Started on this local date only.
    pub date: Option<NaiveDate>,
    /// Which part of the list.
    pub part: Part<Place>,
    /// Draws in that part; as many as a part has where none is said.
    pub per_page: Option<usize>,
}

/// Place of a draw in the list: its start and its id.
pub type Place = (DateTime<Utc>, String);

/// How a draw stands as of the desk's instant.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, utoipa::ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum State {
    /// Hangs and runs.
    Hanging,
    /// Hangs, its line clamped shut.
    Clamped,
    /// Seen empty.
    Empty,
    /// Taken off with something left, or before anybody saw it empty.
    Stripped,
    /// It leaked: what came after tells nothing of the tree.
    Leaked,
    /// Neither seen empty nor taken off, days ago: nobody logged its end.
    NotClosed,
}

impl State {
    /// In words.
    pub const fn words(self) -> &'static str {
        match self {
            Self::Hanging => "hangs",
            Self::Clamped => "hangs, clamped shut",
            Self::Empty => "empty",
            Self::Stripped => "stripped",
            Self::Leaked => "leaked",
            Self::NotClosed => "end not logged",
        }
    }
}

/// One draw.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct DrawLine {
    /// Which draw.
    pub draw_id: String,
    /// Which tree.
    pub tree_id: String,
    /// Its block.
    pub block: String,
    /// When the bag started.
    pub start: String,
    /// Loaded by now, refills and all, mL.
    pub charge_ml: f64,
    /// Ports.
    pub ports: u32,
    /// Who set it.
    pub crew: Option<String>,
    /// Which kit.
    pub kit: Option<String>,
    /// How it stands.
    pub state: State,
    /// Last seen wet; the start where nobody looked.
    pub last_wet: Option<String>,
    /// First seen empty.
    pub first_empty: Option<String>,
    /// Taken off.
    pub stripped: Option<String>,
    /// What was left when it was taken off, mL.
    pub left_ml: Option<f64>,
    /// Looks logged.
    pub looks: usize,
    /// Times clamped shut.
    pub pauses: usize,
    /// What the user wrote.
    pub note: Option<String>,
}

/// A page of draws.
#[derive(Debug, Serialize, utoipa::ToSchema)]
pub struct Draws {
    /// Grove.
    pub grove: String,
    /// IANA zone of all times.
    pub time_zone: String,
    /// The embedded demo, all invented?
    pub is_demo: bool,
    /// Of this tree only.
    pub tree_id: Option<String>,
    /// Of this date only.
    pub date: Option<NaiveDate>,
    /// All that were asked for.
    pub total: usize,
    /// Draws of this part, the newest first.
    pub draws: Vec<DrawLine>,
    /// Which page that is.
    #[serde(skip)]
    pub page: Option<Page>,
    /// From where the next older ones go on; none where there are none.
    #[serde(skip)]
    pub older: Option<Place>,
    /// Up to where the next newer ones go; none where there are none.
    #[serde(skip)]
    pub newer: Option<Place>,
}

/// A page by its number.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Page {
    /// From 1.
    pub number: usize,
    /// How many there are; at least one.
    pub of: usize,
}

/// The draws started by the desk's instant.
///
/// # Errors
/// [`DeskError::Unanswerable`] where there is no such tree or page.
pub fn draws(desk: &Desk, asked: &Asked) -> Result<Draws, DeskError> {
    if let Some(tree_id) = &asked.tree_id {
        known_tree(desk, tree_id)?;
    }
    let trees = &desk.grove.trees;
    let mut all: Vec<&Draw> = desk
        .grove
        .draws
        .iter()
        .filter(|draw| draw.started <= desk.as_of)
        .filter(|draw| asked.tree_id.as_ref().is_none_or(|id| trees[draw.tree].id == *id))
        .filter(|draw| asked.date.is_none_or(|date| desk.local_date(draw.started) == date))
        .collect();
    let place = |draw: &Draw| (draw.started, draw.id.clone());
    all.sort_by_key(|draw| std::cmp::Reverse(place(draw)));
    let per_page = per_page(asked.per_page)?;
    let part = asked.part.of(&all, per_page, |draw| place(draw))?;
    let page = match asked.part {
        Part::Page(_) => Some(Page {
            number: part.start / per_page + 1,
            of: all.len().div_ceil(per_page).max(1),
        }),
        _ => None,
    };
    let (newer, older) = beside(&all, &part, |draw| place(draw));
    let shown = all[part].iter();
    Ok(Draws {
        grove: desk.grove.settings.name.clone(),
        time_zone: desk.grove.settings.zone.name().into(),
        is_demo: desk.is_demo,
        tree_id: asked.tree_id.clone(),
        date: asked.date,
        total: all.len(),
        draws: shown.map(|draw| line(desk, draw)).collect(),
        page,
        older,
        newer,
    })
}

/// Place of a tree in the grove's trees.
///
/// # Errors
/// [`DeskError::NoSuch`] where it has none of that name.
pub(super) fn known_tree(desk: &Desk, tree_id: &str) -> Result<usize, DeskError> {
    let at = desk.grove.trees.iter().position(|tree| tree.id == tree_id);
    at.ok_or_else(|| DeskError::NoSuch { what: "tree", name: tree_id.to_owned() })
}

/// One draw, as far as it was seen by the desk's instant.
pub(super) fn line(desk: &Desk, draw: &Draw) -> DrawLine {
    let tree = &desk.grove.trees[draw.tree];
    let by_now = |at: &DateTime<Utc>| *at <= desk.as_of;
    let local = |at: Option<DateTime<Utc>>| at.filter(by_now).map(|at| local_time(desk, at));
    let seen = || draw.readings.iter().filter(|reading| by_now(&reading.at));
    let added = seen().map(|reading| match reading.seen {
        Seen::Refill { added } => added.value(),
        _ => 0.0,
    });
    let over = draw.stripped.or(draw.first_empty).is_some_and(|at| by_now(&at));
    DrawLine {
        draw_id: draw.id.clone(),
        tree_id: tree.id.clone(),
        block: tree.block.clone(),
        start: local_time(desk, draw.started),
        charge_ml: draw.charge.value() + added.sum::<f64>(),
        ports: draw.ports,
        crew: draw.crew.clone(),
        kit: draw.kit.clone(),
        state: state(desk, draw),
        last_wet: local(Some(draw.last_wet).filter(|at| *at > draw.started)),
        first_empty: local(draw.first_empty),
        stripped: local(draw.stripped),
        left_ml: draw
            .left
            .filter(|_| draw.stripped.is_some_and(|at| by_now(&at)))
            .map(|l| l.value()),
        looks: seen().count(),
        pauses: draw.pauses.iter().filter(|pause| by_now(&pause.from)).count(),
        note: draw.note.clone().filter(|_| over),
    }
}

fn state(desk: &Desk, draw: &Draw) -> State {
    let now = desk.as_of;
    let by_now = |at: Option<DateTime<Utc>>| at.is_some_and(|at| at <= now);
    let leaked = draw
        .readings
        .iter()
        .any(|reading| reading.at <= now && matches!(reading.seen, Seen::Leak { .. }));
    if leaked {
        State::Leaked
    } else if by_now(draw.first_empty) {
        State::Empty
    } else if by_now(draw.stripped) {
        State::Stripped
    } else if now - draw.started >= LONGEST {
        State::NotClosed
    } else if draw.pauses.iter().any(|p| p.from <= now && p.to.is_none_or(|to| to > now)) {
        State::Clamped
    } else {
        State::Hanging
    }
}
