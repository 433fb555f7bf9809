//! Simpler ways to the same answer, for the model to be held against: a constant, last time's, a
//! log-linear rule in the weather at the start, and the clock of reference ET.
//!
//! They are given what the model is given and no more. All but last time's are fitted to intervals.

use super::ahead::Ahead;
use super::past::{Past, local_date, outcome};
use super::times::Turns;
use crate::belief::score::Outcome;
use crate::belief::{Belief, Law, Residual};
use crate::evapo::humidity::vapour_pressure_deficit;
use crate::grove::{Draw, Grove, Hang};
use crate::uptake::fit::{CoefficientPrior, Posterior, Row, Variances, fit};
use crate::uptake::likelihood::Seen;
use crate::uptake::model::ModelFile;
use crate::uptake::predict::Target;
use crate::uptake::regress::regress;
use crate::weather::Series;
use chrono::{DateTime, Utc};
use ndarray::Array2;

/// A rival's answer.
#[derive(Debug, Clone, Copy)]
pub struct Guess {
    /// Minutes, even chance.
    pub p50_min: f64,
    /// Minutes, P10 and P90; none where it has no band.
    pub band_min: Option<(f64, f64)>,
    /// Probability that the bag is empty by dusk.
    pub p_empty_by_dusk: Option<f64>,
    /// Log probability of what was seen of it later, for the score alone.
    pub log_score: Option<f64>,
}

/// What each rival says; none where it has nothing to go by.
#[derive(Debug, Clone, Copy, Default)]
pub struct Guesses {
    /// The same for every draw.
    pub constant: Option<Guess>,
    /// When this tree's last bag was seen empty, by its charge; of a tree without one, the constant.
    pub last_time: Option<Guess>,
    /// Log-linear in charge, ports and the weather at the start, with an effect of tree and day.
    pub log_linear: Option<Guess>,
    /// This program's model on the clock of FAO-56 reference ET.
    pub reference_et: Option<Guess>,
}

/// Scales that the log-linear rule's residual is chosen from, by evidence.
const SCALES: [f64; 4] = [0.15, 0.25, 0.4, 0.6];
/// Shortwave added so that night has a logarithm, W/m2.
const TWILIGHT_W_M2: f64 = 50.0;

/// Fitted rivals.
pub struct Rivals<'a> {
    grove: &'a Grove,
    /// Middle and scale of ln minutes.
    constant: Option<(f64, f64)>,
    /// Tree, minutes until seen empty, charge; in order of time.
    last: Vec<(usize, f64, f64)>,
    log_linear: Option<Posterior>,
}

impl<'a> Rivals<'a> {
    /// The rivals as of the past.
    pub fn new(grove: &'a Grove, past: &Past<'a>, observed: &Series) -> Self {
        let mut known: Vec<(&Draw, Outcome)> =
            past.first_fillings().filter_map(|(draw, seen)| Some((draw, outcome(seen)?))).collect();
        known.sort_by_key(|(draw, _)| draw.started);
        let seen: Vec<Seen> = known.iter().map(|(_, outcome)| ln_minutes(*outcome)).collect();
        let ones = Array2::ones((seen.len(), 1));
        let constant = regress(&ones, &seen, Residual::Logistic)
            .ok()
            .map(|found| (found.coefficients[0], found.ln_scale.exp()))
            .filter(|(middle, scale)| middle.is_finite() && scale.is_finite());
        let last = known
            .iter()
            .filter_map(|(draw, told)| Some((draw.tree, told.by_min?, draw.charge.value())))
            .collect();
        let rows: Vec<Row> = known
            .iter()
            .zip(seen)
            .filter_map(|((draw, _), seen)| {
                let covariates =
                    covariates(observed, draw.started, draw.charge.value(), f64::from(draw.ports))?;
                let target = target(grove, draw.tree, draw.started, covariates);
                let Target { tree_id, block, species, date, covariates } = target;
                let draw_id = draw.id.clone();
                Some(Row { draw_id, tree_id, block, species, date, covariates, seen })
            })
            .collect();
        Self { grove, constant, last, log_linear: log_linear(&rows) }
    }

    /// What they say of a draw; `came` is for the score alone.
    pub fn guesses(
        &self,
        hang: &Hang,
        by_et: Option<Belief>,
        ahead: &Ahead,
        turns: &Turns,
        came: Option<Outcome>,
    ) -> Guesses {
        let dusk = turns.dusk.map(|dusk| (dusk - hang.start).num_seconds() as f64 / 60.0);
        let constant = self.constant.map(|(middle, scale)| {
            law_guess(middle, &Law::new(0.0, Residual::Logistic, scale), dusk, came)
        });
        let last = self.last.iter().rev().find(|(tree, ..)| *tree == hang.tree);
        let last = last.map(|(_, minutes, charge)| {
            let p50_min = minutes * hang.charge.value() / charge;
            let p_empty_by_dusk = dusk.map(|dusk| f64::from(p50_min <= dusk));
            Guess { p50_min, band_min: None, p_empty_by_dusk, log_score: None }
        });
        let (charge, ports) = (hang.charge.value(), f64::from(hang.ports));
        let log_linear = self.log_linear.as_ref().and_then(|posterior| {
            let covariates = covariates(&ahead.series, hang.start, charge, ports)?;
            let target = target(self.grove, hang.tree, hang.start, covariates);
            let (mean, sd) = posterior.thirst(&[target])[0];
            let variances = posterior.variances();
            let law = Law::new(sd, variances.residual, variances.scale);
            Some(law_guess(mean, &law, dusk, came))
        });
        let reference_et = by_et.map(|belief| Guess {
            p50_min: belief.quantile(0.5).at_least_min(),
            band_min: Some((
                belief.quantile(0.1).at_least_min(),
                belief.quantile(0.9).at_least_min(),
            )),
            p_empty_by_dusk: dusk.and_then(|dusk| belief.empty_by(dusk.max(0.0))),
            log_score: came.map(|came| belief.log_score(came)),
        });
        Guesses { constant, last_time: last.or(constant), log_linear, reference_et }
    }
}

/// A guess whose ln minutes spread about `middle` by a law.
fn law_guess(middle: f64, law: &Law, dusk_min: Option<f64>, came: Option<Outcome>) -> Guess {
    let at = |p: f64| (middle + law.quantile(p)).exp();
    let upto = |minutes: f64| law.cumulative(minutes.ln() - middle);
    let score = |came: Outcome| {
        let below = if came.after_min > 0.0 { upto(came.after_min) } else { 0.0 };
        (came.by_min.map_or(1.0, upto) - below).max(f64::MIN_POSITIVE).ln()
    };
    Guess {
        p50_min: at(0.5),
        band_min: Some((at(0.1), at(0.9))),
        p_empty_by_dusk: dusk_min.map(|dusk| upto(dusk.max(1e-3))),
        log_score: came.map(score),
    }
}

fn ln_minutes(outcome: Outcome) -> Seen {
    Seen::Between {
        low: outcome.after_min.ln(),
        high: outcome.by_min.map_or(f64::INFINITY, f64::ln),
    }
}

/// One, ln charge, ln ports, ln VPD and ln shortwave at the start; none without weather.
fn covariates(
    weather: &Series,
    start: DateTime<Utc>,
    charge_ml: f64,
    ports: f64,
) -> Option<Vec<f64>> {
    let hour = weather.at(start)?;
    let deficit = vapour_pressure_deficit(hour.air, hour.vapour_pressure).value();
    let sun = hour.shortwave.value() + TWILIGHT_W_M2;
    Some(vec![1.0, charge_ml.ln(), ports.ln(), deficit.max(0.05).ln(), (sun / 500.0).ln()])
}

fn target(grove: &Grove, tree: usize, start: DateTime<Utc>, covariates: Vec<f64>) -> Target {
    let tree = &grove.trees[tree];
    Target {
        tree_id: tree.id.clone(),
        block: tree.block.clone(),
        species: tree.species.clone().unwrap_or_default(),
        date: local_date(start, grove.settings.zone),
        covariates,
    }
}

/// The rule at the scale with the most evidence.
fn log_linear(rows: &[Row]) -> Option<Posterior> {
    let prior =
        |name: &str, mean: f64, sd: f64| CoefficientPrior { name: name.into(), mean, sd: Some(sd) };
    let priors = [
        prior("intercept", 0.0, 3.0),
        prior("ln charge", 1.0, 0.3),
        prior("ln ports", -1.0, 0.3),
        prior("ln VPD", -0.3, 0.5),
        prior("ln shortwave", -0.3, 0.5),
    ];
    let spreads = ModelFile::prior().variances;
    let fitted = |scale: f64| {
        let variances = Variances { scale, ..spreads };
        fit(rows, &priors, &variances).ok()
    };
    if rows.is_empty() {
        return None;
    }
    SCALES
        .into_iter()
        .filter_map(fitted)
        .max_by(|a, b| a.log_evidence().total_cmp(&b.log_evidence()))
}
