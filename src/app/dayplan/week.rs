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
#[derive(Debug, Clone, Serialize)]
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
#[derive(Debug, Clone, Serialize)]
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

/// Chooses among days: again and again the day that takes most of what is left, the earlier of equals.
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
    let mut days = Vec::new();
    let mut taken: HashMap<usize, Looked> = HashMap::new();
    let mut rest: Option<Vec<String>> = None;
    for (which, date) in dates.iter().enumerate() {
        let looked = look(desk, *date, asked, None)?;
        if rest.is_none() {
            rest = Some(looked.trees.iter().chain(&looked.left).cloned().collect());
        }
        days.push(CampaignDay {
            date: *date,
            go: false,
            could_take: looked.trees.len(),
            trees: Vec::new(),
            ends: None,
            reference_et_mm: looked.reference_et_mm,
            rain_mm: looked.rain_mm,
            because: looked.why.clone(),
        });
        taken.insert(which, looked);
    }
    let mut rest = rest.unwrap_or_default();
    let listed = rest.len();
    let mut open: Vec<usize> = (0..days.len()).collect();
    while !rest.is_empty() {
        open.retain(|which| !days[*which].go);
        for &which in &open {
            let narrowed = look(desk, dates[which], asked, Some(&rest))?;
            taken.insert(which, narrowed);
        }
        let best =
            open.iter().copied().max_by_key(|which| (taken[which].trees.len(), usize::MAX - which));
        let Some(best) = best.filter(|which| !taken[which].trees.is_empty()) else { break };
        let looked = &taken[&best];
        rest.retain(|tree| !looked.trees.contains(tree));
        let day = &mut days[best];
        (day.go, day.trees, day.ends) = (true, looked.trees.clone(), looked.ends.clone());
        day.because = format!("takes {} of those still to do", looked.trees.len());
    }
    for day in days.iter_mut().filter(|day| !day.go && day.could_take > 0) {
        day.because = "not needed: other days take the list".into();
        if !rest.is_empty() {
            day.because = "takes none of those still to do".into();
        }
    }
    Ok(Campaign {
        answer: answer(&days, listed, rest.len()),
        grove: desk.grove.settings.name.clone(),
        time_zone: desk.grove.settings.zone.name().into(),
        is_demo: desk.is_demo,
        listed,
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
