//! A plan: plain data.

use serde::{Deserialize, Serialize};

/// Who does what when, and what becomes of every tree.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, utoipa::ToSchema)]
#[schema(as = PlanKept)]
pub struct Plan {
    /// The acts of each person in their order.
    pub people: Vec<Vec<Act>>,
    /// The trees whose bags hang today, by start.
    pub draws: Vec<Draw>,
    /// The trees left for another day.
    pub left: Vec<Left>,
}

/// One act of one person.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[schema(as = PlanAct)]
pub struct Act {
    /// What.
    pub deed: Deed,
    /// From when.
    pub from: i32,
    /// To when.
    pub to: i32,
    /// Where: a place as in the problem; of a walk, where to.
    pub at: usize,
}

/// What a person does.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Deed {
    /// Goes to a tree.
    Walk,
    /// Sets a tree; at its end the bag runs.
    Set,
    /// Stays for the leak check.
    LeakCheck,
    /// Looks at a bag on a check round.
    Look,
    /// Fills a bag again; at its end the next filling runs.
    Refill,
    /// Takes a kit off.
    Strip,
    /// Rests.
    Break,
}

/// One bag of the day.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[schema(as = PlanDraw)]
pub struct Draw {
    /// Which tree.
    pub tree: usize,
    /// With which kit.
    pub kit: usize,
    /// Who set it and looks after it.
    pub person: usize,
    /// When its first filling runs.
    pub start: i32,
    /// When its last filling is empty: even chance; none beyond the weather.
    pub p50: Option<i32>,
    /// With probability 0.9.
    pub p90: Option<i32>,
    /// With the wished sureness.
    pub sure: Option<i32>,
    /// Does it stay overnight?
    pub overnight: bool,
}

/// A tree left for another day.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[schema(as = PlanLeft)]
pub struct Left {
    /// Which.
    pub tree: usize,
    /// Why.
    pub why: Why,
}

/// Why a tree is left for another day.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, utoipa::ToSchema)]
#[schema(as = PlanWhy)]
#[serde(rename_all = "snake_case")]
pub enum Why {
    /// No kit has that many ports.
    NoSuchKit,
    /// No start is allowed that day.
    NoStart,
    /// From no start would it be surely empty in time, and it may not stay.
    TooSlow,
    /// It could be done alone, but not beside the others.
    NotReached,
    /// Its setting takes longer than the looks at other bags allow, or more than the day.
    TooLong,
}

impl Why {
    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Why::NoSuchKit => "no kit serves that many ports",
            Why::NoStart => "no start is allowed that day",
            Why::TooSlow => "from no start surely empty in time, and it may not stay overnight",
            Why::NotReached => "people, kits or hours do not reach it that day",
            Why::TooLong => "setting it takes longer than the day or the looks allow",
        }
    }
}

/// How good a plan is; the smaller the better, the first field that differs decides.
#[derive(
    Debug,
    Clone,
    Copy,
    PartialEq,
    Eq,
    PartialOrd,
    Ord,
    Hash,
    Serialize,
    Deserialize,
    utoipa::ToSchema,
)]
#[schema(as = PlanScore)]
pub struct Score {
    /// Trees not surely empty in time.
    pub not_empty: usize,
    /// Due trees left for another day.
    pub due_left: usize,
    /// Bags that stay overnight.
    pub overnight: usize,
    /// When the last act ends.
    pub end: i32,
    /// Walking of all people.
    pub walking_min: i32,
}
