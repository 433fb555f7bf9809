//! The main job on one page: is tomorrow a day that pulls, when to start, how long will each tree
//! take, which bag will still be wet?

use super::ahead::{Ahead, Spread, Thirsts, foresee, target};
use super::cautions::{self, Caution};
use super::desk::{Desk, DeskError};
use super::outlook::{Outlook, outlook};
use super::overnight::{self, Overnight};
use super::times::{Minutes, SEED, Turns, empty_by, in_minutes};
use super::window::{Starts, clock_time, crew, listed, local_time, starts};
use crate::belief::joint::{Together, at_least};
use crate::belief::{Belief, Finish};
use crate::demand::ClockError;
use crate::grove::Hang;
use crate::plan::cadence;
use crate::plan::overnight::Call;
use crate::uptake::linear;
use crate::weather::Span;
use chrono::{DateTime, NaiveDate, Utc};
use serde::Serialize;

/// Simulated days behind a joint statement.
const SIMULATIONS: usize = 2000;
/// Keeps a covariance of near-equal trees positive definite.
const JITTER: f64 = 1e-9;

/// The answer for one date.
#[derive(Debug, Serialize)]
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
    /// The typical tree's finish for a start at each quarter of an hour.
    pub start_to_finish: Vec<StartFinish>,
    /// Each tree of the list.
    pub trees: Vec<TreeDay>,
    /// The day's weather.
    pub outlook: Outlook,
    /// What applies tomorrow.
    pub cautions: Vec<Caution>,
    /// What the answer rests on.
    pub rests_on: Vec<String>,
}

/// How many trees.
#[derive(Debug, Clone, Copy, Serialize)]
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
}

/// One point of the start-to-finish curve.
#[derive(Debug, Clone, Serialize)]
pub struct StartFinish {
    /// Start.
    pub start: String,
    /// Finish, P10, P50, P90; none beyond the weather.
    pub finish: [Option<String>; 3],
    /// Probability of being empty in time.
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

/// One tree of the list.
#[derive(Debug, Clone, Serialize)]
pub struct TreeDay {
    /// Which tree.
    pub tree_id: String,
    /// Its block.
    pub block: String,
    /// Ports.
    pub ports: u32,
    /// Charge.
    pub charge_ml: f64,
    /// Planned start; none where the crew or the kits do not reach it.
    pub start: Option<String>,
    /// Minutes to empty.
    pub p10_min: Option<Minutes>,
    /// Even chance.
    pub p50_min: Option<Minutes>,
    /// With probability 0.9.
    pub p90_min: Option<Minutes>,
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
    let thirsts = Thirsts::of(&desk.grove, &desk.model, &list);
    let starts = starts(desk, &ahead, &turns, &thirsts, &list)?;
    let hung = hang(desk, &ahead, &turns, &thirsts, &list, &starts);
    let beliefs: Vec<Result<Belief, ClockError>> =
        foresee(&desk.grove, &desk.model, &ahead, &started(&hung));
    let trees = tree_days(desk, &ahead, &turns, &starts, &hung, &beliefs);
    let counts = counts(desk, &starts, &hung, &beliefs, &trees);
    let worth_it = starts.window.is_some() && counts.hung > 0;
    Ok(Tomorrow {
        answer: answer(desk, &starts, &counts),
        worth_it,
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
        start_to_finish: curve(desk, &starts),
        cautions: cautions::of_day(desk, &outlook, &trees),
        rests_on: rests_on(desk, &ahead, &outlook),
        counts,
        trees,
        outlook,
    })
}

/// The list of a date as the crew's rhythm starts it: what `overnight` looks at where no draw is
/// intended.
///
/// # Errors
/// As [`tomorrow`].
pub fn planned(desk: &Desk, date: NaiveDate) -> Result<Vec<Hang>, DeskError> {
    let (_, ahead, turns) = outlook(desk, date)?;
    let list = listed(desk, date);
    let thirsts = Thirsts::of(&desk.grove, &desk.model, &list);
    let starts = starts(desk, &ahead, &turns, &thirsts, &list)?;
    Ok(started(&hang(desk, &ahead, &turns, &thirsts, &list, &starts)))
}

/// The start window alone, for JSON.
#[derive(Debug, Serialize)]
pub struct Window<'a> {
    answer: &'a str,
    date: NaiveDate,
    time_zone: &'a str,
    start_window: &'a Option<[String; 2]>,
    sure: f64,
    latest_done: &'a str,
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
            start_to_finish: &self.start_to_finish,
            rests_on: &self.rests_on,
        }
    }
}

/// One tree of the list with the start that the crew's rhythm gives it.
struct Hung {
    hang: Hang,
    start: Option<DateTime<Utc>>,
}

fn started(hung: &[Hung]) -> Vec<Hang> {
    hung.iter()
        .filter_map(|tree| tree.start.map(|start| Hang { start, ..tree.hang.clone() }))
        .collect()
}

/// Starts in the list's order at the crew's rhythm; the first bag runs when the window opens. A kit
/// is counted on again when its bag is empty with the wished sureness.
fn hang(
    desk: &Desk,
    ahead: &Ahead,
    turns: &Turns,
    thirsts: &Thirsts,
    list: &[Hang],
    starts: &Starts,
) -> Vec<Hung> {
    let crew = crew(desk);
    let ports: Vec<u32> = list.iter().map(|hang| hang.ports).collect();
    let opening = starts.window.map(|window| window.from).or_else(|| best_start(starts));
    let first_setting = in_minutes(crew.setting_min(ports.first().copied().unwrap_or(1)));
    let from = opening.map_or(turns.day_starts, |at| (at - first_setting).max(turns.day_starts));
    let held_min = |tree: usize, start: DateTime<Utc>| {
        let belief = thirsts.belief(tree, ahead.course(start).ok()?);
        match belief.quantile(starts.sure) {
            Finish::At(minutes) => Some(minutes),
            Finish::After(_) => None,
        }
    };
    let planned = cadence::starts(&crew, &ports, from, starts.latest_done, held_min);
    list.iter()
        .zip(planned)
        .map(|(hang, start)| Hung { hang: hang.clone(), start })
        .collect()
}

fn best_start(starts: &Starts) -> Option<DateTime<Utc>> {
    let open = starts.starts.iter().filter(|start| start.barred.is_empty());
    let best = open.max_by(|a, b| a.sure.unwrap_or(0.0).total_cmp(&b.sure.unwrap_or(0.0)));
    best.map(|start| start.at)
}

fn tree_days(
    desk: &Desk,
    ahead: &Ahead,
    turns: &Turns,
    starts: &Starts,
    hung: &[Hung],
    beliefs: &[Result<Belief, ClockError>],
) -> Vec<TreeDay> {
    let mut beliefs = beliefs.iter();
    hung.iter()
        .map(|tree| {
            let belief = tree.start.and_then(|_| beliefs.next());
            tree_day(desk, ahead, turns, starts, tree, belief)
        })
        .collect()
}

fn tree_day(
    desk: &Desk,
    ahead: &Ahead,
    turns: &Turns,
    starts: &Starts,
    hung: &Hung,
    belief: Option<&Result<Belief, ClockError>>,
) -> TreeDay {
    let tree = &desk.grove.trees[hung.hang.tree];
    let finish = |p: f64| belief.and_then(|belief| belief.as_ref().ok()).map(|b| b.quantile(p));
    let local = |p: f64| match (hung.start, finish(p)) {
        (Some(start), Some(Finish::At(minutes))) => {
            Some(local_time(desk, start + in_minutes(minutes)))
        }
        _ => None,
    };
    let by = |at: DateTime<Utc>| {
        hung.start.zip(belief).and_then(|(start, belief)| empty_by(belief, start, at)).map(rounded)
    };
    let Overnight { call, because, .. } = match hung.start.zip(belief) {
        Some((start, belief)) => overnight::planned(desk, ahead, turns, &hung.hang, start, belief),
        None => Overnight::not_reached(desk, &hung.hang),
    };
    TreeDay {
        tree_id: tree.id.clone(),
        block: tree.block.clone(),
        ports: hung.hang.ports,
        charge_ml: hung.hang.charge.value(),
        start: hung.start.map(|start| local_time(desk, start)),
        p10_min: finish(0.1).map(Minutes::of),
        p50_min: finish(0.5).map(Minutes::of),
        p90_min: finish(0.9).map(Minutes::of),
        empty_p50: local(0.5),
        empty_p90: local(0.9),
        p_in_time: by(starts.latest_done),
        p_empty_by_dusk: turns.dusk.and_then(by),
        call,
        because,
    }
}

fn rounded(p: f64) -> f64 {
    (p * 1e4).round() / 1e4
}

/// The joint statement over all trees that are hung and not called off.
fn counts(
    desk: &Desk,
    starts: &Starts,
    hung: &[Hung],
    beliefs: &[Result<Belief, ClockError>],
    trees: &[TreeDay],
) -> Counts {
    let called = |call: Call| trees.iter().filter(|tree| tree.call == call).count();
    let kept: Vec<(Hang, &Belief)> = started(hung)
        .into_iter()
        .zip(beliefs)
        .zip(trees.iter().filter(|tree| tree.start.is_some()))
        .filter(|(_, tree)| tree.call != Call::DoNotHang)
        .filter_map(|((hang, belief), _)| Some((hang, belief.as_ref().ok()?)))
        .collect();
    Counts {
        listed: hung.len(),
        hung: kept.len(),
        surely_empty: surely_empty(desk, starts, &kept),
        overnight: called(Call::LeaveOvernight),
        strip: called(Call::StripAtDusk),
        do_not_hang: called(Call::DoNotHang),
    }
}

fn surely_empty(desk: &Desk, starts: &Starts, kept: &[(Hang, &Belief)]) -> usize {
    let hangs: Vec<Hang> = kept.iter().map(|(hang, _)| hang.clone()).collect();
    let posterior = desk.model.posterior();
    let mut joint = posterior.joint(&hangs.iter().map(|hang| target(&desk.grove, hang)).collect::<Vec<_>>());
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

fn answer(desk: &Desk, starts: &Starts, counts: &Counts) -> String {
    let done = clock_time(desk, starts.latest_done);
    let sure = (100.0 * starts.sure).round();
    let Some(window) = starts.window.filter(|_| counts.hung > 0) else {
        let best = best_start(starts)
            .and_then(|at| starts.starts.iter().find(|start| start.at == at))
            .and_then(|start| Some((clock_time(desk, start.at), start.sure?)));
        return match best {
            Some((at, p)) => format!(
                "Not a day to hang: no start makes the typical tree empty before {done} with \
                 {sure:.0} % sureness; the best, {at}, gives {:.0} %.",
                100.0 * p
            ),
            None => "Not known: there is no weather for that day. Bring weather/forecast.csv up to \
                     date and ask again."
                .into(),
        };
    };
    let rest = [
        (counts.overnight, "may stay overnight"),
        (counts.strip, "to strip at dusk if still wet"),
        (counts.do_not_hang, "not to hang"),
        (counts.listed - counts.hung - counts.do_not_hang, "not reached by the crew"),
    ];
    let rest: String = rest
        .iter()
        .filter(|(count, _)| *count > 0)
        .map(|(count, words)| format!(", {count} {words}"))
        .collect();
    format!(
        "Good day to hang: start {}-{}; at least {} of {} empty before {done} ({sure:.0} % sure, \
         all together){rest}.",
        clock_time(desk, window.from),
        clock_time(desk, window.to),
        counts.surely_empty,
        counts.hung,
    )
}

/// The day in figures, from dawn to dusk.
fn why(outlook: &Outlook, desk: &Desk) -> Vec<String> {
    let day: Vec<_> = outlook.hours.iter().filter(|hour| !hour.night).collect();
    if day.is_empty() {
        return vec!["no weather for this day".into()];
    }
    let time = |hour: &super::outlook::OutlookHour| clock_time(desk, hour.span.middle());
    let top = |value: fn(&super::outlook::OutlookHour) -> f64| {
        day.iter().copied().max_by(|a, b| value(a).total_cmp(&value(b))).unwrap_or(day[0])
    };
    let (warm, dry, pull) = (top(|h| h.air_temp_c), top(|h| h.vpd_kpa), top(|h| h.demand));
    let cool = day.iter().map(|hour| hour.air_temp_c).fold(f64::INFINITY, f64::min);
    let mut why = vec![
        format!(
            "demand peaks at {:.2} about {} (1 = fair weather: 700 W/m2 and 1.5 kPa)",
            pull.demand,
            time(pull)
        ),
        format!("VPD up to {:.1} kPa about {}", dry.vpd_kpa, time(dry)),
        format!("air {:.0}-{:.0} degC, warmest about {}", cool, warm.air_temp_c, time(warm)),
    ];
    if let Some(et) = outlook.reference_et_mm {
        why.push(format!("reference ET {et:.1} mm over the day (FAO-56)"));
    }
    why.push(rain(outlook, desk));
    if outlook.coverage < 0.999 {
        why.push(format!("weather for {:.0} % of the day only", 100.0 * outlook.coverage));
    }
    why
}

fn rain(outlook: &Outlook, desk: &Desk) -> String {
    let wet: Vec<_> =
        outlook.hours.iter().filter(|h| h.rain_mm >= super::outlook::RAIN_MM).collect();
    match (wet.first(), wet.last()) {
        (Some(first), Some(last)) => format!(
            "rain {:.1} mm between {} and {}",
            outlook.rain_mm,
            clock_time(desk, first.span.from),
            clock_time(desk, last.span.to)
        ),
        _ => "no rain".into(),
    }
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

/// Age of the weather, what was estimated, and what the model rests on.
pub fn rests_on(desk: &Desk, ahead: &Ahead, outlook: &Outlook) -> Vec<String> {
    let mut lines = Vec::new();
    let source = &outlook.source;
    let age = source.age_h.map_or_else(String::new, |age| format!(" ({age:.0} h old)"));
    let stale = if source.stale { "STALE: " } else { "" };
    lines.push(format!("{stale}weather: {}{age}", source.words));
    let mut estimated: Vec<&str> =
        outlook.hours.iter().flat_map(|hour| hour.estimated.iter().copied()).collect();
    estimated.sort_unstable();
    estimated.dedup();
    lines.extend(estimated.into_iter().map(|words| format!("estimated: {words}")));
    lines.push(match ahead.spread {
        Spread::Exact => "weather ahead taken as known".into(),
        Spread::Ensemble => "weather spread: the service's own ensemble members".into(),
        Spread::Stated(error) => format!(
            "weather spread: stated default errors ({} degC, {} % humidity, {:.0} % shortwave), \
             until this grove's own forecasts have been compared",
            error.air_c,
            error.humidity_pct,
            100.0 * error.shortwave_ln
        ),
    });
    lines.extend(model_words(desk));
    lines.push(
        "starts follow the list's order at the crew's rhythm; \"all together\" is a simulation of \
         2000 days in which the trees share day and weather; the column per tree is that tree alone"
            .into(),
    );
    lines
}

/// What the model rests on, in words.
pub fn model_words(desk: &Desk) -> Vec<String> {
    let file = desk.model.file();
    let rests = &file.rests_on;
    let mut lines = match (rests.draws, rests.from, rests.to) {
        (0, _, _) | (_, None, _) | (_, _, None) => {
            vec!["model: prior only - no reading from this grove yet, so the bands are wide".into()]
        }
        (draws, Some(from), Some(to)) => vec![format!(
            "model: {draws} draws of {} trees, {from} to {to}{}",
            rests.trees,
            match rests.silent {
                0 => String::new(),
                silent => format!("; {silent} more tell nothing (see `check`)"),
            }
        )],
    };
    if desk.since_refit > 0 && file.fitted_at.is_some() {
        lines.push(format!(
            "{} draws since the last refit are used, but its demand shape and spreads are older: \
             run `xylocast refit`",
            desk.since_refit
        ));
    }
    if let Some(coverage) = file.coverage {
        lines.push(format!(
            "coverage of the 80 % band when walked forward: {:.0}-{:.0} % of {} draws",
            coverage.surely_pct, coverage.possibly_pct, coverage.draws
        ));
    }
    if rests.after_dusk < super::times::PROVEN_NIGHTS {
        lines.push(format!(
            "night uptake is unproven here: {} of {} looks after dusk",
            rests.after_dusk,
            super::times::PROVEN_NIGHTS
        ));
    }
    lines
}
