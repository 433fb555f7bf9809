//! Several days: which to go, how many trees on which, and which not to go.

use super::lay::lay;
use super::{Asked, planned};
use crate::app::desk::{Desk, DeskError};
use crate::app::window::clock_time;
use crate::plan::day::{Effort, Why};
use chrono::{Days, NaiveDate};
use serde::Serialize;
use std::collections::HashMap;

/// Moves of the search for each day that is looked at.
const MOVES: usize = 300;

/// Days to come and what they are good for.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct Campaign {
    /// The answer in one sentence.
    pub answer: String,
    /// Grove.
    pub grove: String,
    /// IANA zone of all times.
    pub time_zone: String,
    /// The embedded demo, all invented?
    pub is_demo: bool,
    /// Trees on the list.
    pub listed: usize,
    /// Each day.
    pub days: Vec<CampaignDay>,
    /// Trees that no day takes.
    pub left: Vec<String>,
    /// What it rests on.
    pub rests_on: Vec<String>,
}

/// One day.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct CampaignDay {
    /// The date.
    pub date: NaiveDate,
    /// Go?
    pub go: bool,
    /// Trees surely empty in time, were all of the list still to do.
    pub could_take: usize,
    /// The trees of this day.
    pub trees: Vec<String>,
    /// When the crew would be done, local time.
    pub ends: Option<String>,
    /// Reference ET, mm; none where the weather does not cover the day.
    pub reference_et_mm: Option<f64>,
    /// Rain, mm.
    pub rain_mm: f64,
    /// Why, in words.
    pub because: String,
}

/// Chooses among days: most trees, then fewest days, then the earliest last day, of three ways to
/// share the list out: day after day; day after day without those that take less than half of what the
/// best one takes; and again and again the day that takes most of what is left.
///
/// # Errors
/// As [`super::dayplan`].
pub fn campaign(
    desk: &Desk,
    first: NaiveDate,
    count: u32,
    asked: &Asked,
) -> Result<Campaign, DeskError> {
    let dates: Vec<NaiveDate> =
        (0..u64::from(count)).filter_map(|day| first.checked_add_days(Days::new(day))).collect();
    let looked: Vec<Looked> =
        dates.iter().map(|date| look(desk, *date, asked, None)).collect::<Result<_, _>>()?;
    let mut week = Week { desk, dates: &dates, asked, looked };
    let looked = &week.looked;
    let all: Vec<String> =
        looked.first().map_or(Vec::new(), |it| it.trees.iter().chain(&it.left).cloned().collect());
    let could: Vec<usize> = looked.iter().map(|it| it.trees.len()).collect();
    let most = could.iter().copied().max().unwrap_or(0);
    let some: Vec<usize> = (0..dates.len()).filter(|&day| could[day] > 0).collect();
    let good: Vec<usize> = some.iter().copied().filter(|&day| 2 * could[day] >= most).collect();
    let mut by_size = some.clone();
    by_size.sort_by_key(|&day| (std::cmp::Reverse(could[day]), day));
    let mut best: Option<Shared> = None;
    for order in [some, good, by_size] {
        let shared = week.share_out(&order, &all)?;
        if best.as_ref().is_none_or(|best| shared.key() < best.key()) {
            best = Some(shared);
        }
    }
    let Shared { mut taken, rest } = best.unwrap_or_default();
    let days: Vec<CampaignDay> = dates
        .iter()
        .zip(week.looked)
        .enumerate()
        .map(|(which, (date, looked))| {
            let mine = taken.remove(&which);
            CampaignDay {
                date: *date,
                go: mine.is_some(),
                because: match (&mine, looked.trees.is_empty()) {
                    (Some(mine), _) => format!("takes {}", mine.trees.len()),
                    (None, true) => looked.why,
                    (None, false) => "not needed".into(),
                },
                could_take: looked.trees.len(),
                ends: mine.as_ref().and_then(|mine| mine.ends.clone()),
                trees: mine.map_or_else(Vec::new, |mine| mine.trees),
                reference_et_mm: looked.reference_et_mm,
                rain_mm: looked.rain_mm,
            }
        })
        .collect();
    Ok(Campaign {
        answer: answer(&days, all.len(), rest.len()),
        grove: desk.grove.settings.name.clone(),
        time_zone: desk.grove.settings.zone.name().into(),
        is_demo: desk.is_demo,
        listed: all.len(),
        left: rest,
        days,
        rests_on: vec![
            "each day is planned for trees surely empty that day; nothing is left overnight here"
                .into(),
            "weather further ahead is less certain: ask again every evening".into(),
            "the label, local law and licensed practice prevail".into(),
        ],
    })
}

/// A list shared out among days.
#[derive(Default)]
struct Shared {
    taken: HashMap<usize, Looked>,
    rest: Vec<String>,
}

impl Shared {
    fn key(&self) -> (usize, usize, Option<usize>) {
        (self.rest.len(), self.taken.len(), self.taken.keys().copied().max())
    }
}

/// The days with the best that was found for each: what a day could take and what it takes are told
/// from these alone.
struct Week<'a> {
    desk: &'a Desk,
    dates: &'a [NaiveDate],
    asked: &'a Asked,
    looked: Vec<Looked>,
}

impl Week<'_> {
    /// Each day of an order takes what it can of what is left.
    fn share_out(&mut self, order: &[usize], all: &[String]) -> Result<Shared, DeskError> {
        let mut shared = Shared { taken: HashMap::new(), rest: all.to_vec() };
        for &day in order {
            if shared.rest.is_empty() {
                break;
            }
            let looked = self.day(day, &shared.rest)?;
            if !looked.trees.is_empty() {
                shared.rest.retain(|tree| !looked.trees.contains(tree));
                shared.taken.insert(day, looked);
            }
        }
        Ok(shared)
    }

    /// What a day takes of the trees left. Where that is more than was found for the whole list, the
    /// day could take as much of the whole list too.
    fn day(&mut self, day: usize, rest: &[String]) -> Result<Looked, DeskError> {
        let whole = &mut self.looked[day];
        if whole.trees.iter().all(|tree| rest.contains(tree)) {
            // Fewer trees to choose from make no day better than the whole list does.
            return Ok(whole.clone());
        }
        let mine = look(self.desk, self.dates[day], self.asked, Some(rest))?;
        if mine.trees.len() > whole.trees.len() {
            let left = whole.trees.iter().chain(&whole.left);
            let left = left.filter(|tree| !mine.trees.contains(tree)).cloned().collect();
            *whole = Looked { left, ..mine.clone() };
        }
        Ok(mine)
    }
}

#[derive(Clone)]
struct Looked {
    trees: Vec<String>,
    left: Vec<String>,
    ends: Option<String>,
    why: String,
    reference_et_mm: Option<f64>,
    rain_mm: f64,
}

/// One day for the trees still to do, none of them left overnight.
fn look(
    desk: &Desk,
    date: NaiveDate,
    asked: &Asked,
    only: Option<&[String]>,
) -> Result<Looked, DeskError> {
    let mut asked = Asked { earlier: None, ..asked.clone() };
    if let Some(only) = only {
        asked.trees = only.to_vec();
        asked.blocks.clear();
    }
    let mut laid = lay(desk, date, &asked)?;
    laid.problem.trees.iter_mut().for_each(|tree| tree.due = false);
    let (plan, score) = planned(&laid, None, Effort { moves: MOVES, seed: 1 })?;
    let id = |tree: usize| desk.grove.trees[laid.hangs[tree].tree].id.clone();
    let fresh = |tree: usize| laid.problem.trees[tree].hung.is_none();
    let hung: Vec<usize> =
        plan.draws.iter().map(|draw| draw.tree).filter(|it| fresh(*it)).collect();
    let outlook = &laid.outlook;
    let why = match plan.left.iter().map(|left| left.why).next() {
        _ if outlook.hours.is_empty() => "no weather for that day".into(),
        Some(Why::NoStart) => {
            let shut = laid.problem.closed.iter().max_by_key(|shut| shut.to - shut.from);
            format!("no start is allowed: {}", shut.map_or("", |shut| shut.why.as_str()))
        }
        Some(why) if hung.is_empty() => why.words().into(),
        _ => String::new(),
    };
    Ok(Looked {
        ends: (!hung.is_empty()).then(|| clock_time(desk, laid.at(score.end))),
        trees: hung.into_iter().map(id).collect(),
        left: plan.left.iter().map(|left| id(left.tree)).collect(),
        why,
        reference_et_mm: outlook.reference_et_mm,
        rain_mm: outlook.rain_mm,
    })
}

fn answer(days: &[CampaignDay], listed: usize, left: usize) -> String {
    let going: Vec<String> = days
        .iter()
        .filter(|day| day.go)
        .map(|day| format!("{} ({})", day.date.format("%a %-d %b"), day.trees.len()))
        .collect();
    if going.is_empty() {
        return format!("None of these {} days takes a tree of the list.", days.len());
    }
    let rest = match left {
        0 => "all".to_owned(),
        left => format!("{} of", listed - left),
    };
    format!("Go on {}: {rest} {listed} trees surely empty on their day.", going.join(", "))
}
