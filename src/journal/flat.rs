//! An entry as flat named fields, as a row of a CSV or of a database carries it, and back.

use super::entry::{Act, Entry, Start};
use crate::grove::Seen;
use crate::units::{Head, Millilitres, OutOfRange};
use chrono::{DateTime, Utc};

/// Words of `act`.
pub const ACTS: [&str; 8] =
    ["start", "reading", "refill", "leak", "pause", "resume", "strip", "undo"];

/// Words of `state`.
pub const STATES: [&str; 2] = ["wet", "empty"];

/// An entry as flat named fields.
#[derive(
    Debug, Clone, PartialEq, Default, serde::Serialize, serde::Deserialize, utoipa::ToSchema,
)]
#[schema(as = Entry)]
#[serde(deny_unknown_fields)]
pub struct Flat {
    /// Idempotency key.
    pub key: String,
    /// When it happened.
    pub at: DateTime<Utc>,
    /// When it was noted.
    pub noted: DateTime<Utc>,
    /// By whom.
    pub by: Option<String>,
    /// One of [`ACTS`].
    pub act: String,
    /// Which draw; of all acts but an undo.
    pub draw_id: Option<String>,
    /// Which tree, of a start.
    pub tree_id: Option<String>,
    /// Charge of a start, mL.
    pub charge_ml: Option<f64>,
    /// Ports of a start.
    pub ports: Option<u32>,
    /// Head of a start, m.
    pub head_m: Option<f64>,
    /// Kit of a start.
    pub kit_id: Option<String>,
    /// Is a second bag on the tree meant? Of a start.
    #[serde(default)]
    pub second_bag: bool,
    /// One of [`STATES`], of a reading without a volume.
    pub state: Option<String>,
    /// What was left, of a reading, a leak or a strip, mL.
    pub left_ml: Option<f64>,
    /// What was filled in, of a refill, mL.
    pub added_ml: Option<f64>,
    /// Why, of a pause.
    pub why: Option<String>,
    /// Key of the entry that an undo takes out.
    pub of: Option<String>,
    /// What else the user wrote.
    pub note: Option<String>,
}

/// Why flat fields are no entry.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum FlatFlaw {
    /// No act of ours.
    #[error(
        "act '{0}' is not known; it is one of start, reading, refill, leak, pause, resume, strip, undo"
    )]
    Act(String),
    /// A field that this act needs.
    #[error("{act} needs {field}")]
    Missing {
        /// Which act.
        act: String,
        /// Which field.
        field: &'static str,
    },
    /// A number that cannot be.
    #[error(transparent)]
    Range(#[from] OutOfRange),
}

impl From<&Entry> for Flat {
    fn from(entry: &Entry) -> Self {
        let mut flat = Self {
            key: entry.key.clone(),
            at: entry.at,
            noted: entry.noted,
            by: entry.by.clone(),
            act: entry.act.word().to_owned(),
            draw_id: entry.act.draw_id().map(str::to_owned),
            note: entry.note.clone(),
            ..Self::default()
        };
        match &entry.act {
            Act::Start(start) => {
                flat.tree_id = Some(start.tree_id.clone());
                flat.charge_ml = Some(start.charge.value());
                flat.ports = Some(start.ports);
                flat.head_m = start.head.map(Head::value);
                flat.kit_id.clone_from(&start.kit);
                flat.second_bag = start.second_bag;
            }
            Act::Seen { seen, .. } => match seen {
                Seen::Wet => flat.state = Some("wet".into()),
                Seen::Empty => flat.state = Some("empty".into()),
                Seen::Left(left) => flat.left_ml = Some(left.value()),
                Seen::Refill { added } => flat.added_ml = Some(added.value()),
                Seen::Leak { left } => flat.left_ml = left.map(Millilitres::value),
            },
            Act::Pause { why, .. } => flat.why.clone_from(why),
            Act::Resume { .. } => {}
            Act::Strip { left, .. } => flat.left_ml = left.map(Millilitres::value),
            Act::Undo { of } => flat.of = Some(of.clone()),
        }
        flat
    }
}

impl TryFrom<Flat> for Entry {
    type Error = FlatFlaw;

    fn try_from(flat: Flat) -> Result<Self, FlatFlaw> {
        let act = flat.act()?;
        let Flat { key, at, noted, by, note, .. } = flat;
        Ok(Self { key, at, noted, by, note, act })
    }
}

impl Flat {
    fn act(&self) -> Result<Act, FlatFlaw> {
        let missing = |field| FlatFlaw::Missing { act: self.act.clone(), field };
        let draw_id = || self.draw_id.clone().ok_or_else(|| missing("draw_id"));
        let left = || self.left_ml.map(Millilitres::new).transpose();
        Ok(match self.act.as_str() {
            "start" => Act::Start(Start {
                draw_id: draw_id()?,
                tree_id: self.tree_id.clone().ok_or_else(|| missing("tree_id"))?,
                charge: Millilitres::new(self.charge_ml.ok_or_else(|| missing("charge_ml"))?)?,
                ports: self.ports.ok_or_else(|| missing("ports"))?,
                head: self.head_m.map(Head::new).transpose()?,
                kit: self.kit_id.clone(),
                second_bag: self.second_bag,
            }),
            "reading" => {
                let seen = match (self.state.as_deref(), left()?) {
                    (Some("wet"), None) => Seen::Wet,
                    (Some("empty"), None) => Seen::Empty,
                    (None, Some(left)) if left.value() == 0.0 => Seen::Empty,
                    (None, Some(left)) => Seen::Left(left),
                    _ => return Err(missing("either left_ml, or wet or empty as state")),
                };
                Act::Seen { draw_id: draw_id()?, seen }
            }
            "refill" => {
                let added = Millilitres::new(self.added_ml.ok_or_else(|| missing("added_ml"))?)?;
                Act::Seen { draw_id: draw_id()?, seen: Seen::Refill { added } }
            }
            "leak" => Act::Seen { draw_id: draw_id()?, seen: Seen::Leak { left: left()? } },
            "pause" => Act::Pause { draw_id: draw_id()?, why: self.why.clone() },
            "resume" => Act::Resume { draw_id: draw_id()? },
            "strip" => Act::Strip { draw_id: draw_id()?, left: left()? },
            "undo" => Act::Undo { of: self.of.clone().ok_or_else(|| missing("of"))? },
            other => return Err(FlatFlaw::Act(crate::text::shown(other))),
        })
    }
}
