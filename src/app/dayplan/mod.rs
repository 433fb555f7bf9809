//! The day plan: who sets, looks at and strips which tree when, and with which kit.

mod again;
mod lay;
mod odds;
mod tell;
mod week;

pub use again::{Kept, read_kept};
pub use lay::{Laid, lay};
pub use odds::{Odds, WhatIf};
pub use week::{Campaign, CampaignDay, campaign};

use super::cautions::Caution;
use super::desk::{About, Desk, DeskError};
use crate::plan::check::check;
use crate::plan::day::{Effort, Plan, Score, solve};
use crate::plan::overnight::Call;
use chrono::{DateTime, NaiveDate, Utc};
use odds::Days;
use serde::Serialize;

/// A plan made again is searched for with one part in so many of the moves.
const AGAIN: usize = 8;

/// What is asked of a day plan.
#[derive(Debug, Clone, Default)]
pub struct Asked {
    /// Trees of these blocks only.
    pub blocks: Vec<String>,
    /// These trees, whatever the list says.
    pub trees: Vec<String>,
    /// So many people instead of the crew's.
    pub people: Option<u32>,
    /// So many kits instead of the crew's.
    pub kits: Option<u32>,
    /// Who of them is gone, by number from 1.
    pub gone: Vec<u32>,
    /// Which of the kits are broken, by number from 1.
    pub broken: Vec<u32>,
    /// The earlier plan, to be kept as far as it still goes.
    pub earlier: Option<Kept>,
    /// Start so much before the working day, min.
    pub earlier_min: i32,
}

impl Asked {
    /// Did the user name trees?
    pub fn is_typed(&self) -> bool {
        !self.trees.is_empty()
    }
}

/// A day's plan as it is told.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct DayPlan {
    /// The answer in one sentence.
    pub answer: String,
    /// Is anything to be hung?
    pub worth_it: bool,
    /// Grove.
    pub grove: String,
    /// The date.
    pub date: NaiveDate,
    /// IANA zone of all times.
    pub time_zone: String,
    /// The embedded demo, all invented?
    pub is_demo: bool,
    /// The wish.
    pub sure: f64,
    /// By when bags should be empty.
    pub latest_done: String,
    /// How good the plan is, as the checker finds it.
    pub score: Score,
    /// End of the last act.
    pub ends: Option<String>,
    /// Each person's day.
    pub people: Vec<PersonDay>,
    /// Each tree that is hung, by start.
    pub trees: Vec<TreeDay>,
    /// Each kit's trees, in their order; kits that are not used are left out.
    pub kits: Vec<KitDay>,
    /// Trees left for another day.
    pub left: Vec<LeftTree>,
    /// When no bag may be started.
    pub closed: Vec<Shut>,
    /// What is to be expected of it on days that are not as believed.
    pub odds: Option<Odds>,
    /// What more would buy.
    pub what_if: Vec<WhatIf>,
    /// What differs from the earlier plan.
    pub changes: Option<Vec<String>>,
    /// What applies that day.
    pub cautions: Vec<Caution>,
    /// What the plan rests on.
    pub rests_on: Vec<String>,
    /// The plan itself, to be kept for `--from`.
    pub kept: Kept,
}

/// One person's day.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct PersonDay {
    /// Who.
    pub person: String,
    /// What they do, walks left out; looks on one way are one check round.
    pub acts: Vec<Doing>,
    /// Minutes walked.
    pub walking_min: i32,
}

/// One thing that a person does.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct Doing {
    /// What: set, check round, refill, strip, break.
    pub what: &'static str,
    /// At which trees.
    pub trees: Vec<String>,
    /// From.
    pub from: String,
    /// To.
    pub to: String,
    /// With which kit.
    pub kit: Option<usize>,
    /// What to know of it.
    pub note: Option<String>,
    /// The instants, for pictures.
    #[serde(skip)]
    pub at: [DateTime<Utc>; 2],
}

/// One tree that is hung.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
#[schema(as = PlannedTree)]
pub struct TreeDay {
    /// Which.
    pub tree_id: String,
    /// Its block.
    pub block: String,
    /// Its ports.
    pub ports: u32,
    /// Its charge, all fillings.
    pub charge_ml: f64,
    /// Fillings.
    pub fillings: u32,
    /// Which kit, from 1.
    pub kit: usize,
    /// Who sets it and looks after it.
    pub person: String,
    /// When its bag runs.
    pub start: String,
    /// Hangs already?
    pub hanging: bool,
    /// Empty with even chance.
    pub empty_p50: Option<String>,
    /// Empty with probability 0.9.
    pub empty_p90: Option<String>,
    /// Empty with the wished sureness.
    pub empty_sure: Option<String>,
    /// When it is refilled.
    pub refills: Vec<String>,
    /// When it is stripped; none where it stays.
    pub strip: Option<String>,
    /// What to do with it.
    pub call: Call,
    /// Start, sure finish and strip, for pictures.
    #[serde(skip)]
    pub span: [Option<DateTime<Utc>>; 4],
}

/// One kit's day.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct KitDay {
    /// Its number, from 1.
    pub kit: usize,
    /// Most ports that it serves.
    pub ports: u32,
    /// The trees that it hangs on, one after the other.
    pub trees: Vec<String>,
}

/// A tree left for another day.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct LeftTree {
    /// Which.
    pub tree_id: String,
    /// Why.
    pub why: &'static str,
}

/// A span in which no bag may be started.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct Shut {
    /// From.
    pub from: String,
    /// To.
    pub to: String,
    /// Why.
    pub why: String,
    /// The instants, for pictures.
    #[serde(skip)]
    pub at: [DateTime<Utc>; 2],
}

/// Plans a date.
///
/// # Errors
/// [`DeskError`] where nothing is on the list, or the plan breaks a rule: such a plan is not shown.
pub fn dayplan(desk: &Desk, date: NaiveDate, asked: &Asked) -> Result<DayPlan, DeskError> {
    let laid = lay(desk, date, asked)?;
    let earlier = asked.earlier.as_ref().map(|kept| kept.on(desk, &laid)).transpose()?;
    let whole = Effort::for_size(&laid.problem);
    // The foreman waits: what is there already is a good start.
    let (effort, count) = match &earlier {
        Some(_) => (Effort { moves: whole.moves / AGAIN, ..whole }, odds::DAYS_AGAIN),
        None => (whole, odds::DAYS),
    };
    let (plan, score) = planned(&laid, earlier.as_ref(), effort)?;
    let days = Days::of(desk, &laid, count);
    let odds = days.as_ref().map(|days| days.odds(&laid.problem, &plan));
    let starts_ahead =
        laid.base - desk.as_of > chrono::TimeDelta::minutes(odds::EARLIER_MIN.into());
    let what_if = match (&days, asked.earlier.is_some()) {
        (Some(days), false) => days.what_if(&laid.problem, &plan, starts_ahead),
        _ => Vec::new(),
    };
    let changes = earlier.map(|earlier| again::changes(desk, &laid, asked, &earlier, &plan));
    Ok(tell::told(desk, &laid, &plan, score, odds, what_if, changes))
}

/// A plan that the checker passes, with its score.
fn planned(
    laid: &Laid,
    earlier: Option<&Plan>,
    effort: Effort,
) -> Result<(Plan, Score), DeskError> {
    let plan = solve(&laid.problem, effort, earlier);
    match check(&laid.problem, &plan) {
        Ok(score) => {
            // An earlier plan that still goes stays as it is, unless a tree or a night is saved.
            let goes = earlier.and_then(|plan| Some((plan, check(&laid.problem, plan).ok()?)));
            let trees = |score: &Score| (score.not_empty, score.overnight);
            Ok(match goes.filter(|(_, was)| trees(was) <= trees(&score)) {
                Some((earlier, was)) => (earlier.clone(), was),
                None => (plan, score),
            })
        }
        Err(breaches) => {
            let fact = format!(
                "the plan made for {} breaks {} of its rules and is not shown (a fault of the \
                 program; the first: {}); another number of people or kits, or other trees, may go",
                laid.date,
                breaches.len(),
                breaches[0]
            );
            Err(DeskError::Ask { fact, about: About::Means })
        }
    }
}
