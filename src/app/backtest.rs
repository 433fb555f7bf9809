//! How good is the model here? Every draw predicted from what had been seen before its day, and held
//! against what came, beside simpler ways to the same answer.

use super::desk::DeskError;
use super::rivals::Guess;
use super::times::Minutes;
use super::verdicts::{Calibration, Probabilities, Score, Scored, probabilities, score};
use super::walk::{Walk, WalkError, Walked, Way};
use crate::belief::score::{Inside, Outcome};
use crate::demand::Kind;
use crate::grove::{Grove, read_truth};
use crate::store::demo;
use crate::store::home::{Home, read_model};
use crate::text::format_time;
use crate::uptake::model::ModelFile;
use chrono::{DateTime, Timelike, Utc};
use rayon::prelude::*;
use serde::Serialize;
use std::collections::{BTreeMap, HashMap};
use std::path::Path;

/// Fewer draws than this, or days, say little.
pub const FEWEST_DRAWS: usize = 20;
/// See [`FEWEST_DRAWS`].
pub const FEWEST_DAYS: usize = 5;
/// A finish known to so many minutes is taken as known for the CRPS, unless told otherwise.
pub const KNOWN_WITHIN_MIN: f64 = 30.0;

/// What is asked.
#[derive(Debug)]
pub struct Question<'a> {
    /// Groves; one or more.
    pub groves: &'a [Grove],
    /// The model before any draw.
    pub base: &'a ModelFile,
    /// How to walk.
    pub way: Way,
    /// Draws started and looks taken after this do not exist.
    pub as_of: DateTime<Utc>,
    /// A finish known to so many minutes is known.
    pub known_within_min: f64,
    /// When each bag truly ran empty, by id of the draw: for the score alone.
    pub truth: Option<&'a HashMap<String, DateTime<Utc>>>,
}

/// What was typed.
#[derive(Debug)]
pub struct Asked<'a> {
    /// Grove folders; the embedded demo where none is named.
    pub folders: &'a [&'a Path],
    /// A model whose beliefs to begin with, instead of the prior.
    pub model: Option<&'a Path>,
    /// A file of true finishes.
    pub truth: Option<&'a Path>,
    /// Demand by reference ET.
    pub reference_et: bool,
    /// The instant that replaces the clock.
    pub as_of: Option<DateTime<Utc>>,
    /// How to walk.
    pub way: Way,
    /// See [`Question::known_within_min`].
    pub known_within_min: f64,
}

impl Asked<'_> {
    /// Reads what is named, walks and scores.
    ///
    /// # Errors
    /// [`DeskError`] where a file is flawed, there is no draw, or a fit fails.
    pub fn answered(
        &self,
        now: DateTime<Utc>,
        progress: &(dyn Fn(usize, usize) + Sync),
    ) -> Result<Backtest, DeskError> {
        let (groves, now) = match self.folders {
            [] => (vec![demo::grove()?], demo::as_of()),
            folders => {
                let read = folders.iter().map(|path| Home::of(Some(path)).grove(now));
                (read.collect::<Result<Vec<Grove>, _>>()?, now)
            }
        };
        let base = self.model.map_or_else(|| Ok(ModelFile::prior()), read_model)?;
        let kind = if self.reference_et { Kind::ReferenceEt } else { base.demand.pull };
        let truth = self.truth.map(|path| read_truth_file(path, &groves)).transpose()?;
        let question = Question {
            groves: &groves,
            base: &base.pulled_by(kind),
            way: self.way,
            as_of: self.as_of.unwrap_or(now),
            known_within_min: self.known_within_min,
            truth: truth.as_ref(),
        };
        backtest(&question, progress)
    }
}

fn read_truth_file(
    path: &Path,
    groves: &[Grove],
) -> Result<HashMap<String, DateTime<Utc>>, DeskError> {
    let bytes =
        std::fs::read(path).map_err(|error| DeskError::File { path: path.to_owned(), error })?;
    let zone = groves.first().map_or(chrono_tz::UTC, |grove| grove.settings.zone);
    Ok(read_truth(&path.display().to_string(), &bytes, zone)?)
}

/// One draw: what was believed and what came.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct Prediction {
    /// Its grove.
    pub grove: String,
    /// Which draw.
    pub draw_id: String,
    /// Which tree.
    pub tree_id: String,
    /// Its block.
    pub block: String,
    /// Start, in the grove's zone.
    pub start: String,
    /// When the question was asked.
    pub asked_at: String,
    /// Hours from the question to the start.
    pub lead_time_h: f64,
    /// Did the fit hold no draw of this tree?
    pub new_tree: bool,
    /// Draws that the fit held.
    pub rests_on: usize,
    /// Minutes, P10; none where there is no weather.
    pub p10_min: Option<Minutes>,
    /// P50.
    pub p50_min: Option<Minutes>,
    /// P90.
    pub p90_min: Option<Minutes>,
    /// Probability of being empty by civil dusk.
    pub p_empty_by_dusk: Option<f64>,
    /// Probability of being empty when the next working day starts.
    pub p_empty_by_morning: Option<f64>,
    /// Last seen wet so many minutes after the start.
    pub wet_at_min: Option<f64>,
    /// First seen empty.
    pub empty_at_min: Option<f64>,
    /// Truly empty, where that is known.
    pub true_min: Option<f64>,
    /// Inside the band? None where nothing was seen.
    pub inside: Option<&'static str>,
    /// Log probability of what was seen.
    pub log_score: Option<f64>,
    /// CRPS where the finish is known, minutes.
    pub crps_min: Option<f64>,
    /// P50 of the rivals, minutes.
    pub constant_min: Option<f64>,
    /// See `constant_min`.
    pub last_time_min: Option<f64>,
    /// See `constant_min`.
    pub log_linear_min: Option<f64>,
    /// See `constant_min`.
    pub reference_et_min: Option<f64>,
}

/// The scores of a group of draws.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
#[schema(as = BacktestGroup)]
pub struct Group {
    /// What groups them.
    pub by: &'static str,
    /// Which group.
    pub name: String,
    /// Scores.
    pub score: Score,
}

/// The whole answer.
#[derive(Debug, Serialize, utoipa::ToSchema)]
pub struct Backtest {
    /// Draws predicted.
    pub draws: usize,
    /// Days.
    pub days: usize,
    /// Draws without an outcome, or without weather at their start.
    pub unscored: usize,
    /// Is there too little to score?
    pub too_little: bool,
    /// Scores of all, against the truth where it was given.
    pub all: Option<Score>,
    /// Scores of the model and its rivals on the same draws.
    pub rivals: Vec<Group>,
    /// By grove (worst first), block, hour of start, tree, lead time and end.
    pub groups: Vec<Group>,
    /// "Empty before dusk".
    pub by_dusk: Option<Probabilities>,
    /// "Empty by morning".
    pub by_morning: Option<Probabilities>,
    /// Calibration of the two.
    pub calibration: Vec<Calibration>,
    /// How it was done.
    pub rests_on: Vec<String>,
    /// Every draw.
    pub predictions: Vec<Prediction>,
}

/// Walks forward through all groves and scores what was believed. `progress` is told days done and
/// days in all.
///
/// # Errors
/// [`DeskError`] where there is no draw, or a fit fails.
pub fn backtest(
    question: &Question,
    progress: &(dyn Fn(usize, usize) + Sync),
) -> Result<Backtest, DeskError> {
    let Question { groves, base, way, as_of, .. } = *question;
    let walks: Vec<Walk> = groves.iter().map(|grove| Walk::new(grove, base, way, as_of)).collect();
    let all_days = walks.iter().map(|walk| walk.days().len()).sum();
    if all_days == 0 {
        return Err(DeskError::Unanswerable(
            "no draw to walk through yet: log draws in draws.csv, and weather for their hours in \
             weather/observed.csv"
                .into(),
        ));
    }
    let done = std::sync::atomic::AtomicUsize::new(0);
    let day_done = || {
        let done = 1 + done.fetch_add(1, std::sync::atomic::Ordering::Relaxed);
        progress(done, all_days);
    };
    let walked: Vec<Vec<Walked>> = walks
        .par_iter()
        .map(|walk| walk.walked(&day_done))
        .collect::<Result<_, WalkError>>()
        .map_err(|error| match error {
            WalkError::Fit { error, .. } => DeskError::Fit(error),
            WalkError::Almanac(error) => DeskError::Almanac(error),
        })?;
    let judged: Vec<Judged> = groves
        .iter()
        .zip(&walked)
        .flat_map(|(grove, walked)| walked.iter().map(|one| judged(question, grove, one)))
        .collect();
    Ok(answered(question, judged, all_days))
}

/// A draw with all that a score needs.
struct Judged {
    prediction: Prediction,
    hour: u32,
    by_dusk: Option<bool>,
    own: Option<Scored>,
    /// Of the rivals that answered.
    rivals: Vec<(&'static str, Scored)>,
}

fn judged(question: &Question, grove: &Grove, walked: &Walked) -> Judged {
    let zone = grove.settings.zone;
    let draw = walked.draw;
    let tree = &grove.trees[draw.tree];
    let minutes = |at: DateTime<Utc>| (at - draw.started).num_milliseconds() as f64 / 60_000.0;
    let belief = walked.belief.as_ref().ok();
    let finish = |p: f64| belief.map(|belief| belief.quantile(p));
    let truth = question.truth.and_then(|truth| truth.get(&draw.id)).map(|at| minutes(*at));
    let outcome = truth.map(Outcome::exactly).or(walked.outcome);
    let by = |at: Option<DateTime<Utc>>| at.map(|at| minutes(at).max(0.0));
    let (dusk, morning) = (by(walked.turns.dusk), by(Some(walked.turns.morning)));
    let sure = |at: Option<f64>| belief.zip(at).and_then(|(belief, at)| belief.empty_by(at));
    let (p_dusk, p_morning) = (sure(dusk), sure(morning));
    let came = |at: Option<f64>| outcome.zip(at).and_then(|(outcome, at)| outcome.empty_by(at));
    let day = format!("{} {}", grove.settings.name, walked.date);
    let own = belief.zip(outcome).map(|(belief, outcome)| {
        let (low, middle, high) =
            (belief.quantile(0.1), belief.quantile(0.5), belief.quantile(0.9));
        Scored {
            day: day.clone(),
            miss: outcome.miss(middle.at_least_min()),
            inside: Some(outcome.inside(low, high)),
            band_min: Some((low.at_least_min(), high.at_least_min())),
            log_score: Some(belief.log_score(walked.outcome.unwrap_or(outcome))),
            crps_min: outcome
                .is_within(question.known_within_min)
                .then(|| belief.crps_min(outcome)),
            dusk: p_dusk.zip(came(dusk)),
            morning: p_morning.zip(came(morning)),
        }
    });
    let guesses = &walked.guesses;
    let named = [
        ("constant", guesses.constant),
        ("last time, this tree", guesses.last_time),
        ("log-linear in start weather", guesses.log_linear),
        ("reference-ET clock", guesses.reference_et),
    ];
    let rival = |guess: Guess, outcome: Outcome| {
        let at = |minutes: f64| crate::belief::Finish::At(minutes);
        Scored {
            day: day.clone(),
            miss: outcome.miss(guess.p50_min),
            inside: guess.band_min.map(|(low, high)| outcome.inside(at(low), at(high))),
            band_min: guess.band_min,
            log_score: guess.log_score,
            crps_min: None,
            dusk: guess.p_empty_by_dusk.zip(came(dusk)),
            morning: None,
        }
    };
    let rivals = named
        .into_iter()
        .filter_map(|(name, guess)| Some((name, rival(guess?, outcome?))))
        .collect();
    let p50 = |guess: Option<Guess>| guess.map(|guess| tenth(guess.p50_min));
    let seen = walked.outcome;
    Judged {
        hour: draw.started.with_timezone(&zone).hour(),
        by_dusk: came(dusk),
        prediction: Prediction {
            grove: grove.settings.name.clone(),
            draw_id: draw.id.clone(),
            tree_id: tree.id.clone(),
            block: tree.block.clone(),
            start: format_time(draw.started, zone),
            asked_at: format_time(walked.asked_at, zone),
            lead_time_h: (minutes(walked.asked_at) / -6.0).round() / 10.0,
            new_tree: walked.new_tree,
            rests_on: walked.rests_on,
            p10_min: finish(0.1).map(Minutes::of),
            p50_min: finish(0.5).map(Minutes::of),
            p90_min: finish(0.9).map(Minutes::of),
            p_empty_by_dusk: p_dusk.map(super::times::rounded),
            p_empty_by_morning: p_morning.map(super::times::rounded),
            wet_at_min: seen.map(|seen| seen.after_min).filter(|after| *after > 0.0).map(tenth),
            empty_at_min: seen.and_then(|seen| seen.by_min).map(tenth),
            true_min: truth.map(tenth),
            inside: own.as_ref().and_then(|own| own.inside).map(inside_word),
            log_score: own.as_ref().and_then(|own| own.log_score).map(super::times::rounded),
            crps_min: own.as_ref().and_then(|own| own.crps_min).map(tenth),
            constant_min: p50(guesses.constant),
            last_time_min: p50(guesses.last_time),
            log_linear_min: p50(guesses.log_linear),
            reference_et_min: p50(guesses.reference_et),
        },
        own,
        rivals,
    }
}

fn tenth(minutes: f64) -> f64 {
    (10.0 * minutes).round() / 10.0
}

fn inside_word(inside: Inside) -> &'static str {
    match inside {
        Inside::Surely => "surely",
        Inside::Possibly => "possibly",
        Inside::No => "no",
    }
}

fn answered(question: &Question, judged: Vec<Judged>, days: usize) -> Backtest {
    let own: Vec<&Scored> = judged.iter().filter_map(|one| one.own.as_ref()).collect();
    let too_little = own.len() < FEWEST_DRAWS || days < FEWEST_DAYS;
    let (by_dusk, dusk_bins) = probabilities("empty before dusk", own.iter().map(|s| s.dusk));
    let (by_morning, morning_bins) =
        probabilities("empty by morning", own.iter().map(|s| s.morning));
    Backtest {
        draws: judged.len(),
        days,
        unscored: judged.len() - own.len(),
        too_little,
        all: score(&own),
        rivals: rivals(&judged),
        groups: groups(question, &judged),
        by_dusk,
        by_morning,
        calibration: dusk_bins.into_iter().chain(morning_bins).collect(),
        rests_on: rests_on(question),
        predictions: judged.into_iter().map(|one| one.prediction).collect(),
    }
}

/// All on the draws to which the model and every rival have an answer.
fn rivals(judged: &[Judged]) -> Vec<Group> {
    let most = judged.iter().map(|one| one.rivals.len()).max().unwrap_or(0);
    let common: Vec<(&Scored, &[(&str, Scored)])> = judged
        .iter()
        .filter(|one| one.rivals.len() == most && most > 0)
        .filter_map(|one| Some((one.own.as_ref()?, one.rivals.as_slice())))
        .collect();
    let group = |name: &str, scored: Vec<&Scored>| {
        Some(Group { by: "way", name: name.into(), score: score(&scored)? })
    };
    let mut all: Vec<Group> =
        group("this model", common.iter().map(|(own, _)| *own).collect()).into_iter().collect();
    for place in 0..most {
        let name = common.first().map_or("", |(_, rivals)| rivals[place].0);
        all.extend(group(name, common.iter().map(|(_, rivals)| &rivals[place].1).collect()));
    }
    all
}

fn groups(question: &Question, judged: &[Judged]) -> Vec<Group> {
    let mut all = Vec::new();
    let mut by = |by: &'static str, name: &dyn Fn(&Judged) -> Option<String>| {
        let mut parts: BTreeMap<String, Vec<&Scored>> = BTreeMap::new();
        for one in judged {
            if let Some((name, own)) = name(one).zip(one.own.as_ref()) {
                parts.entry(name).or_default().push(own);
            }
        }
        let scored =
            |(name, part): (String, Vec<&Scored>)| Some(Group { by, name, score: score(&part)? });
        let mut groups: Vec<Group> = parts.into_iter().filter_map(scored).collect();
        if by == "grove" {
            groups.sort_by(|a, b| b.score.error_pct.total_cmp(&a.score.error_pct));
        }
        all.append(&mut groups);
    };
    if question.groves.len() > 1 {
        by("grove", &|one| Some(one.prediction.grove.clone()));
    } else {
        by("block", &|one| Some(one.prediction.block.clone()));
    }
    by("hour of start", &|one| {
        Some(match one.hour {
            0..9 => "00:00-09:00".into(),
            9..12 => "09:00-12:00".into(),
            12..15 => "12:00-15:00".into(),
            _ => "15:00-24:00".into(),
        })
    });
    by("tree", &|one| {
        let new = if one.prediction.new_tree { "no draw in the fit" } else { "known" };
        Some(new.into())
    });
    by("lead time", &|one| {
        let hours = one.prediction.lead_time_h;
        let from = [0, 2, 4, 8, 16, 32].into_iter().rfind(|from| f64::from(*from) <= hours)?;
        Some(format!("{from:02}-{:02} h", if from == 0 { 2 } else { 2 * from }))
    });
    by("end", &|one| {
        one.by_dusk.map(|by| if by { "before dusk".into() } else { "after dusk".into() })
    });
    all
}

fn rests_on(question: &Question) -> Vec<String> {
    let Question { way, truth, known_within_min, base, .. } = question;
    let mut lines = vec![
        format!(
            "each day predicted {} before its first start from the draws and looks seen by then; \
             coefficients, effects, demand shape and spreads learned anew each day from {}",
            match way.before.num_minutes() {
                1 => "a minute".to_owned(),
                minutes if minutes < 120 => format!("{minutes} min"),
                minutes => format!("{:.1} h", minutes as f64 / 60.0),
            },
            if base.name == "prior" { "the prior" } else { base.name.as_str() }
        ),
        match way.forecast {
            true => {
                "weather ahead as the latest forecast issued by then had it, with its errors".into()
            }
            false => {
                "weather ahead as it came, taken as known: a forecast adds its own error".into()
            }
        },
    ];
    if way.withhold_trees {
        lines.push("each tree's own draws withheld from every fit that predicts it".into());
    }
    lines.push(match truth {
        Some(truth) => format!(
            "scored with {} true finishes, read after every prediction was made",
            truth.len()
        ),
        None => format!(
            "a finish lies between two looks: errors and shares are told as at least - at most; \
             CRPS only where the two are within {known_within_min:.0} min"
        ),
    });
    lines
}
