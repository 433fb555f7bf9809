//! The main job on one page: is tomorrow a day that pulls, when to start, how long will each tree
//! take, which bag will still be wet?

use super::ahead::{Foreseen, Thirsts, target};
use super::cautions::{self, Caution};
use super::desk::{Desk, DeskError};
use super::diagnosis::{Diagnosis, Named, diagnosis};
use super::outlook::{Outlook, outlook};
use super::overnight::Overnight;
pub use super::rests::model_words;
use super::rests::rests_on;
use super::rhythm::{Hung, Rhythm};
use super::sentence::{Subject, why};
use super::times::{Minutes, SEED, Turns, empty_by, in_minutes, rounded};
use super::window::{List, Starts, listed, local_time, starts};
use crate::belief::joint::{Together, at_least};
use crate::belief::{Belief, Finish};
use crate::grove::Hang;
use crate::plan::overnight::Call;
use crate::uptake::diagnose::Kind;
use crate::uptake::linear;
use crate::weather::Span;
use chrono::{DateTime, NaiveDate, Utc};
use serde::Serialize;

/// Simulated days behind a joint statement.
const SIMULATIONS: usize = 2000;
/// A bad day is worth a word for so long.
const FORTNIGHT_DAYS: i64 = 14;
/// Keeps a covariance of near-equal trees positive definite.
const JITTER: f64 = 1e-9;

/// The answer for one date.
#[derive(Debug, Serialize, utoipa::ToSchema)]
pub struct Tomorrow {
    /// The answer in one sentence.
    pub answer: String,
    /// Is it a day to hang?
    pub worth_it: bool,
    /// Why, in words with figures.
    pub why: Vec<String>,
    /// Grove and date.
    pub grove: String,
    /// The date.
    pub date: NaiveDate,
    /// IANA zone of all times.
    pub time_zone: String,
    /// The embedded demo, all invented?
    pub is_demo: bool,
    /// First and last start that meet the wish.
    pub start_window: Option<[String; 2]>,
    /// The wish.
    pub sure: f64,
    /// By when bags should be empty.
    pub latest_done: String,
    /// Trees listed, hung by the crew's rhythm, and surely empty in time, all together.
    pub counts: Counts,
    /// The tree that stands for the list: its charge asks for the median demand.
    pub typical_tree: String,
    /// The typical tree's finish for a start at each quarter of an hour.
    pub start_to_finish: Vec<StartFinish>,
    /// Each tree of the list.
    pub trees: Vec<TreeDay>,
    /// The day's weather.
    pub outlook: Outlook,
    /// What of this list, or of the last fortnight, is out of the ordinary.
    pub diagnosis: Vec<Named>,
    /// What applies tomorrow.
    pub cautions: Vec<Caution>,
    /// What the answer rests on.
    pub rests_on: Vec<String>,
}

/// How many trees.
#[derive(Debug, Clone, Copy, Serialize, utoipa::ToSchema)]
pub struct Counts {
    /// On the list.
    pub listed: usize,
    /// That can be started in time by the crew's rhythm.
    pub hung: usize,
    /// Empty by the latest finish with the wished sureness, all together.
    pub surely_empty: usize,
    /// Called to be left overnight.
    pub overnight: usize,
    /// Called to be stripped at dusk if still wet.
    pub strip: usize,
    /// Called not to be hung.
    pub do_not_hang: usize,
    /// Not reached by people or kits.
    pub not_reached: usize,
    /// Unknown for want of weather.
    pub not_known: usize,
}

/// One point of the start-to-finish curve.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct StartFinish {
    /// Start.
    pub start: String,
    /// Finish, P10, P50, P90; none beyond the weather.
    pub finish: [Option<String>; 3],
    /// Probability of being empty in time.
    #[serde(rename = "p_in_time")]
    pub sure: Option<f64>,
    /// Why not to start then.
    pub barred: Vec<&'static str>,
    /// The instant and the minutes, for pictures.
    #[serde(skip)]
    pub at: DateTime<Utc>,
    /// Minutes after the start.
    #[serde(skip)]
    pub minutes: [Finish; 3],
}

impl StartFinish {
    /// Does a start then meet the wish? In words, with what speaks against it.
    pub fn meets(&self, wish: f64) -> String {
        match (self.barred.is_empty(), self.sure) {
            (true, Some(sure)) if sure >= wish => "yes".into(),
            (true, Some(_)) => "no".into(),
            (true, None) => "not known".into(),
            (false, _) => format!("no: {}", self.barred.join(", ")),
        }
    }
}

/// One tree of the list.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct TreeDay {
    /// Which tree.
    pub tree_id: String,
    /// Its block.
    pub block: String,
    /// Ports.
    pub ports: u32,
    /// Charge.
    pub charge_ml: f64,
    /// Planned start; none where nobody starts it. Of a tree that is not to be hung, the start that
    /// it was judged at.
    pub start: Option<String>,
    /// Does the start lie in the start window? None without a start.
    pub in_window: Option<bool>,
    /// Minutes to empty.
    pub p10_min: Option<Minutes>,
    /// Even chance.
    pub p50_min: Option<Minutes>,
    /// With probability 0.9.
    pub p90_min: Option<Minutes>,
    /// Local time of the P10.
    pub empty_p10: Option<String>,
    /// Local time of the P50.
    pub empty_p50: Option<String>,
    /// Local time of the P90.
    pub empty_p90: Option<String>,
    /// Probability that it is empty in time; of this tree alone.
    pub p_in_time: Option<f64>,
    /// Probability that it is empty by civil dusk.
    pub p_empty_by_dusk: Option<f64>,
    /// What to do with it.
    pub call: Call,
    /// Why.
    pub because: String,
}

/// Answers for a date.
///
/// # Errors
/// [`DeskError`] where no tree is listed or the date has no almanac.
pub fn tomorrow(desk: &Desk, date: NaiveDate) -> Result<Tomorrow, DeskError> {
    let (outlook, ahead, turns) = outlook(desk, date)?;
    let list = listed(desk, date);
    let thirsts = Thirsts::of(&desk.grove, &desk.model, &list.hangs);
    let starts = starts(desk, &ahead, &turns, &thirsts, &list.hangs)?;
    let rhythm = Rhythm { desk, ahead: &ahead, turns: &turns, thirsts: &thirsts, starts: &starts };
    let hung = rhythm.hang(&list);
    let counts = counts(desk, &starts, &hung);
    let trees: Vec<TreeDay> =
        hung.iter().map(|tree| tree_day(desk, &turns, &starts, tree)).collect();
    let subject =
        Subject { desk, ahead: &ahead, outlook: &outlook, starts: &starts, counts: &counts };
    Ok(Tomorrow {
        answer: subject.answer(),
        worth_it: starts.window.is_some() && counts.hung > 0,
        why: why(&outlook, desk),
        grove: desk.grove.settings.name.clone(),
        date,
        time_zone: desk.grove.settings.zone.name().into(),
        is_demo: desk.is_demo,
        start_window: starts
            .window
            .map(|window| [local_time(desk, window.from), local_time(desk, window.to)]),
        sure: starts.sure,
        latest_done: local_time(desk, starts.latest_done),
        typical_tree: starts.typical_tree.clone(),
        start_to_finish: curve(desk, &starts),
        diagnosis: concerned(diagnosis(desk)?, &trees, date),
        cautions: cautions::of_day(desk, &outlook, &trees),
        rests_on: rests_on(desk, &ahead, &outlook, list.typed),
        counts,
        trees,
        outlook,
    })
}

/// What concerns a date: trees of its list, crews and blocks, and days not long gone.
fn concerned(found: Diagnosis, trees: &[TreeDay], date: NaiveDate) -> Vec<Named> {
    let concerns = |named: &Named| match named.kind {
        Kind::Tree => trees.iter().any(|tree| tree.tree_id == named.name),
        Kind::Crew | Kind::Block => true,
        Kind::CrewDay | Kind::Day => {
            named.date.is_some_and(|day| (date - day).num_days() <= FORTNIGHT_DAYS)
        }
    };
    found.named.into_iter().filter(concerns).collect()
}

/// The list of a date as it is hung: what `times` and `overnight` look at where no draw is intended.
/// A tree that nobody starts is left out.
///
/// # Errors
/// As [`tomorrow`].
pub fn planned(desk: &Desk, date: NaiveDate) -> Result<Vec<Hang>, DeskError> {
    let (_, ahead, turns) = outlook(desk, date)?;
    let list: List = listed(desk, date);
    let thirsts = Thirsts::of(&desk.grove, &desk.model, &list.hangs);
    let starts = starts(desk, &ahead, &turns, &thirsts, &list.hangs)?;
    let rhythm = Rhythm { desk, ahead: &ahead, turns: &turns, thirsts: &thirsts, starts: &starts };
    let hung = rhythm.hang(&list).into_iter();
    Ok(hung.filter(|tree| tree.start.is_some()).map(|tree| tree.hang).collect())
}

/// The start window alone, for JSON.
#[derive(Debug, Serialize, utoipa::ToSchema)]
pub struct Window<'a> {
    answer: &'a str,
    date: NaiveDate,
    time_zone: &'a str,
    start_window: &'a Option<[String; 2]>,
    sure: f64,
    latest_done: &'a str,
    typical_tree: &'a str,
    start_to_finish: &'a [StartFinish],
    rests_on: &'a [String],
}

impl Tomorrow {
    /// The start window alone.
    pub fn window(&self) -> Window<'_> {
        Window {
            answer: &self.answer,
            date: self.date,
            time_zone: &self.time_zone,
            start_window: &self.start_window,
            sure: self.sure,
            latest_done: &self.latest_done,
            typical_tree: &self.typical_tree,
            start_to_finish: &self.start_to_finish,
            rests_on: &self.rests_on,
        }
    }
}

fn tree_day(desk: &Desk, turns: &Turns, starts: &Starts, hung: &Hung) -> TreeDay {
    let tree = &desk.grove.trees[hung.hang.tree];
    let start = hung.start.as_ref().map(|(at, _)| *at);
    let belief = hung.start.as_ref().and_then(|(_, seen)| seen.as_ref().ok());
    let finish = [0.1, 0.5, 0.9].map(|p| belief.map(|belief| belief.quantile(p)));
    let [p10, p50, p90] = finish.map(|finish| finish.map(Minutes::of));
    let [empty_p10, empty_p50, empty_p90] = finish.map(|finish| match (start, finish) {
        (Some(start), Some(Finish::At(minutes))) => {
            Some(local_time(desk, start + in_minutes(minutes)))
        }
        _ => None,
    });
    let by = |at: DateTime<Utc>| {
        hung.start.as_ref().and_then(|(start, seen)| empty_by(seen, *start, at)).map(rounded)
    };
    let Overnight { call, because, .. } = hung.call.clone();
    TreeDay {
        tree_id: tree.id.clone(),
        block: tree.block.clone(),
        ports: hung.hang.ports,
        charge_ml: hung.hang.charge.value(),
        start: start.map(|start| local_time(desk, start)),
        in_window: start.map(|at| starts.window.is_some_and(|w| w.from <= at && at <= w.to)),
        p10_min: p10,
        p50_min: p50,
        p90_min: p90,
        empty_p10,
        empty_p50,
        empty_p90,
        p_in_time: by(starts.latest_done),
        p_empty_by_dusk: turns.dusk.and_then(by),
        call,
        because,
    }
}

/// The joint statement over all trees that are hung and not called off.
fn counts(desk: &Desk, starts: &Starts, hung: &[Hung]) -> Counts {
    let called = |call: Call| hung.iter().filter(|tree| tree.call.call == call).count();
    let kept: Vec<(&Hung, &Foreseen)> = hung
        .iter()
        .filter(|tree| tree.is_hung() && tree.call.call != Call::NotKnown)
        .filter_map(|tree| Some((tree, &tree.start.as_ref()?.1)))
        .collect();
    let believed: Vec<(Hang, &Belief)> = kept
        .iter()
        .filter_map(|(tree, seen)| Some((tree.hang.clone(), seen.as_ref().ok()?)))
        .collect();
    Counts {
        listed: hung.len(),
        hung: believed.len(),
        surely_empty: surely_empty(desk, starts, &believed),
        overnight: called(Call::LeaveOvernight),
        strip: called(Call::StripAtDusk),
        do_not_hang: called(Call::DoNotHang),
        not_reached: called(Call::NotReached),
        not_known: called(Call::NotKnown),
    }
}

fn surely_empty(desk: &Desk, starts: &Starts, kept: &[(Hang, &Belief)]) -> usize {
    let hangs: Vec<Hang> = kept.iter().map(|(hang, _)| hang.clone()).collect();
    let posterior = desk.model.posterior();
    let targets: Vec<_> = hangs.iter().map(|hang| target(&desk.grove, hang)).collect();
    let mut joint = posterior.joint(&targets);
    joint.covariance.diag_mut().mapv_inplace(|variance| variance + JITTER);
    let Ok(factor) = linear::factor(&joint.covariance, "covariance of the trees") else { return 0 };
    let variances = posterior.variances();
    let together = Together {
        courses: kept.iter().map(|(_, belief)| belief.shared_course()).collect(),
        ln_wanted: kept.iter().map(|(_, belief)| belief.ln_wanted()).collect(),
        factor: factor.rows().into_iter().map(|row| row.to_vec()).collect(),
        residual: variances.residual,
        scale: variances.scale,
    };
    let within: Vec<f64> = hangs
        .iter()
        .map(|hang| Span { from: hang.start, to: starts.latest_done }.hours().max(0.0) * 60.0)
        .collect();
    at_least(&together.empty_counts(&within, SIMULATIONS, SEED), starts.sure)
}

fn curve(desk: &Desk, starts: &Starts) -> Vec<StartFinish> {
    starts
        .starts
        .iter()
        .map(|start| StartFinish {
            start: local_time(desk, start.at),
            finish: start.finish.map(|finish| match finish {
                Finish::At(minutes) => Some(local_time(desk, start.at + in_minutes(minutes))),
                Finish::After(_) => None,
            }),
            sure: start.sure.map(rounded),
            barred: start.barred.clone(),
            at: start.at,
            minutes: start.finish,
        })
        .collect()
}
