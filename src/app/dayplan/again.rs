//! An earlier plan, kept as JSON, and what a new one changes of it.

use super::Asked;
use super::lay::{Laid, ids};
use crate::app::desk::{About, Desk, DeskError};
use crate::app::rests::counted;
use crate::app::window::clock_time;
use crate::plan::day::{Act, Deed, Draw, Left, Plan, UNMOVED_MIN, Why};
use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use serde::{Deserialize, Serialize};
use std::collections::{BTreeSet, HashMap, VecDeque};
use std::path::Path;

/// A plan as it is kept: with the ids of its trees, so that it is read again on another list.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, utoipa::ToSchema)]
pub struct Kept {
    /// Form of this record; another one is refused.
    pub schema: u32,
    /// The date.
    pub date: NaiveDate,
    /// Minute 0.
    pub base: DateTime<Utc>,
    /// Ids of the trees, in the order of the plan's indices.
    pub tree_ids: Vec<String>,
    /// The plan.
    pub plan: Plan,
}

/// The form that this program writes and reads.
pub const SCHEMA: u32 = 1;

/// Reads the plan out of what `dayplan --json` wrote.
///
/// # Errors
/// [`DeskError`] where the file cannot be read, or is none of a known form.
pub fn read_kept(path: &Path) -> Result<Kept, DeskError> {
    #[derive(Deserialize)]
    struct Whole {
        kept: Kept,
    }
    let text = std::fs::read_to_string(path)
        .map_err(|error| DeskError::File { path: path.into(), error })?;
    let whole: Whole = serde_json::from_str(&text).map_err(|error| {
        DeskError::Unanswerable(format!(
            "{}: {error}; name a file that `xylocast dayplan --json` wrote",
            path.display()
        ))
    })?;
    if whole.kept.schema != SCHEMA {
        let words = format!(
            "{}: a plan of form {}, this program reads {SCHEMA}: make the plan again",
            path.display(),
            whole.kept.schema
        );
        return Err(DeskError::Unanswerable(words));
    }
    Ok(whole.kept)
}

/// No plan of one date reaches further from its minute 0.
const LONGEST_MIN: i32 = 7 * 24 * 60;

fn none_of_ours() -> DeskError {
    let fact = "the earlier plan is none that this program made: send it as it was given".into();
    DeskError::Ask { fact, about: About::EarlierPlan }
}

impl Kept {
    /// Refuses what no plan of ours can be, whoever sent it.
    fn hold(&self) -> Result<(), DeskError> {
        let Plan { people, draws, .. } = &self.plan;
        let near = |minute: i32| minute.unsigned_abs() <= LONGEST_MIN.unsigned_abs();
        let mut acts = people.iter().flatten();
        let mut trees: Vec<usize> = draws.iter().map(|draw| draw.tree).collect();
        let all = trees.len();
        trees.sort_unstable();
        trees.dedup();
        let is_ours = self.schema == SCHEMA
            && acts.all(|act| near(act.from) && near(act.to) && act.from <= act.to)
            && draws.iter().all(|draw| near(draw.start) && draw.person < people.len())
            && trees.len() == all;
        if is_ours { Ok(()) } else { Err(none_of_ours()) }
    }

    /// Where each of its trees stands on another list; none where it does not. Of a tree that hangs two
    /// bags the first is the first.
    pub(super) fn places(&self, tree_ids: &[&String]) -> Vec<Option<usize>> {
        let mut free: HashMap<&String, VecDeque<usize>> = HashMap::new();
        for (place, id) in tree_ids.iter().enumerate() {
            free.entry(id).or_default().push_back(place);
        }
        self.tree_ids.iter().map(|id| free.get_mut(id)?.pop_front()).collect()
    }

    /// A plan with the names of its trees, and the kits by their places on the whole list.
    pub fn of(desk: &Desk, laid: &Laid, plan: &Plan) -> Self {
        let mut plan = plan.clone();
        plan.draws.iter_mut().for_each(|draw| draw.kit = laid.kit_places[draw.kit]);
        Self {
            schema: SCHEMA,
            date: laid.date,
            base: laid.base,
            tree_ids: ids(desk, &laid.hangs).into_iter().cloned().collect(),
            plan,
        }
    }

    /// The same plan on the trees and from the minute that are laid out now; trees that are no longer
    /// there fall away.
    ///
    /// # Errors
    /// [`DeskError`] where it is another date's.
    pub fn on(&self, desk: &Desk, laid: &Laid) -> Result<Plan, DeskError> {
        if self.date != laid.date {
            let fact = format!(
                "the earlier plan is for {}, not for {}: ask for its date, or leave it out",
                self.date, laid.date
            );
            return Err(DeskError::Ask { fact, about: About::EarlierPlan });
        }
        self.hold()?;
        let shift = laid.minute(self.base);
        if shift.abs() > LONGEST_MIN {
            return Err(none_of_ours());
        }
        let places = self.places(&ids(desk, &laid.hangs));
        let place = |old: usize| *places.get(old)?;
        let van = laid.hangs.len();
        let old_van = self.tree_ids.len();
        let act = |act: &Act| {
            let at = if act.at == old_van { Some(van) } else { place(act.at) }?;
            Some(Act { from: act.from + shift, to: act.to + shift, at, ..act.clone() })
        };
        let people = self.plan.people.iter().map(|acts| acts.iter().filter_map(act).collect());
        let draw = |draw: &Draw| {
            let tree = place(draw.tree)?;
            let kit = laid.kit_at(draw.kit).unwrap_or(laid.kit_places.len());
            Some(Draw { tree, kit, start: draw.start + shift, ..draw.clone() })
        };
        let left = |left: &Left| place(left.tree).map(|tree| Left { tree, why: left.why });
        Ok(Plan {
            people: people.collect(),
            draws: self.plan.draws.iter().filter_map(draw).collect(),
            left: self.plan.left.iter().filter_map(left).collect(),
        })
    }
}

/// What a new plan changes, in words.
pub fn changes(desk: &Desk, laid: &Laid, asked: &Asked, earlier: &Plan, now: &Plan) -> Vec<String> {
    let mut words = Vec::new();
    if earlier.people.len() != now.people.len() {
        words.push(format!("people: {} (was {})", now.people.len(), earlier.people.len()));
    }
    let missing = |numbers: &[u32]| BTreeSet::from_iter(numbers.iter().copied());
    words.extend(missing(&asked.gone).iter().map(|who| format!("person {who} is gone")));
    words.extend(missing(&asked.broken).iter().map(|kit| format!("kit {kit} is broken")));
    let id = |tree: usize| &desk.grove.trees[laid.hangs[tree].tree].id;
    let at = |minute: i32| clock_time(desk, laid.base + TimeDelta::minutes(minute.into()));
    let (mut told, mut waiting) = (Vec::new(), 0);
    for draw in &now.draws {
        let tree = draw.tree;
        let is_hung = laid.problem.trees[tree].hung.is_some();
        let Some(was) = earlier.draws.iter().find(|it| it.tree == tree) else {
            if !is_hung {
                told.push(format!("{}: hung after all, at {}", id(tree), at(draw.start)));
            }
            continue;
        };
        waiting += usize::from(!is_hung);
        let mut parts = Vec::new();
        if !is_hung && (draw.start - was.start).abs() > UNMOVED_MIN {
            parts.push(format!("starts {} (was {})", at(draw.start), at(was.start)));
        }
        if !is_hung && draw.person != was.person {
            parts.push(format!("set by person {} (was {})", draw.person + 1, was.person + 1));
        }
        if draw.overnight != was.overnight {
            let stays =
                if draw.overnight { "stays overnight" } else { "no longer stays overnight" };
            parts.push(stays.into());
        }
        let strips = [strip(now, tree), strip(earlier, tree)];
        if let ([Some(strip), Some(was)], true) = (strips, is_hung)
            && (strip - was).abs() > UNMOVED_MIN
        {
            parts.push(format!("stripped {} (was {})", at(strip), at(was)));
        }
        if !parts.is_empty() {
            told.push(format!("{}: {}", id(tree), parts.join(", ")));
        }
    }
    let same = now.draws.iter().filter(|draw| {
        let was = earlier.draws.iter().find(|it| it.tree == draw.tree);
        laid.problem.trees[draw.tree].hung.is_none()
            && was.is_some_and(|was| (draw.start - was.start).abs() <= UNMOVED_MIN)
    });
    let same = same.count();
    if same < waiting {
        let of = counted(waiting, "planned start", "planned starts");
        words.push(format!("{same} of {of} kept to {UNMOVED_MIN} min"));
    }
    words.extend(told);
    for left in &now.left {
        if earlier.draws.iter().any(|draw| draw.tree == left.tree) {
            let why: Why = left.why;
            words.push(format!("{}: left for another day: {}", id(left.tree), why.words()));
        }
    }
    words
}

/// When a plan strips a tree's bag.
fn strip(plan: &Plan, tree: usize) -> Option<i32> {
    let acts = plan.people.iter().flatten();
    acts.filter(|act| act.deed == Deed::Strip && act.at == tree).map(|act| act.from).next()
}
