//! Learning what the fit takes as given: the demand shape, the residual's scale and the spread of
//! days, by the evidence of the grove's own draws under priors.
//!
//! The evidence is Laplace's marginal likelihood, so a parameter moves from its prior only as far
//! as the draws pay for it: with few draws the prior stays.

use super::fit::{CoefficientPrior, FitError, Near, Posterior, Row, Variances, evidence, fit};
use crate::demand::{Kind, MOST_LEAD_H, Shape};
use argmin::core::{
    CostFunction, Error as SearchError, Executor, Gradient, State, TerminationReason,
};
use argmin::solver::linesearch::MoreThuenteLineSearch;
use argmin::solver::quasinewton::LBFGS;
use serde::{Deserialize, Serialize};
use std::sync::{Mutex, PoisonError};

/// A positive parameter and what is believed of it: normal in its logarithm.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Belief {
    /// Median.
    pub median: f64,
    /// Standard deviation of its logarithm.
    pub ln_sd: f64,
}

/// A parameter of either sign and what is believed of it: normal.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Offset {
    /// Mean.
    pub mean: f64,
    /// Standard deviation.
    pub sd: f64,
}

/// What is believed of everything that is learned by evidence.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Beliefs {
    /// Shortwave at which light limits by half, W/m2.
    pub half_light_w_m2: Belief,
    /// Fall of stomatal conductance with ln VPD.
    pub deficit_slope: Belief,
    /// Lag behind the pull, hours.
    pub lag_h: Belief,
    /// Night floor, before normalising.
    pub night_floor: Belief,
    /// Lead over the weather's clock, hours.
    pub lead_h: Offset,
    /// Residual scale.
    pub scale: Belief,
    /// Standard deviation of the days.
    pub day_sd: Belief,
}

/// Everything that [`learn`] settles.
#[derive(Debug, Clone)]
pub struct Learned {
    /// The demand shape.
    pub shape: Shape,
    /// The variances.
    pub variances: Variances,
    /// Standard deviation of the logarithm of the night floor, the others held.
    pub night_floor_ln_sd: f64,
    /// The fit at these.
    pub posterior: Posterior,
    /// Why the search stopped before it had settled; none where it settled.
    pub unsettled: Option<String>,
}

/// One parameter as the search sees it.
#[derive(Debug, Clone, Copy)]
enum Knob {
    HalfLight,
    DeficitSlope,
    Lag,
    NightFloor,
    Lead,
    Scale,
    DaySd,
}

/// Step of the finite differences, in ln units: the evidence is smooth to 1e-9.
const STEP: f64 = 1e-3;
const MOST_ITERATIONS: u64 = 40;
/// The search ends once a step gains less, or the slope is less: a hundredth of a prior standard
/// deviation from the best place, or a ten-thousandth in log evidence.
const TOLERANCE_LOSS: f64 = 1e-4;
const TOLERANCE_SLOPE: f64 = 1e-2;
/// Settling of the fits in between.
const SETTLED: f64 = 1e-5;
/// Ranges that keep a draw-poor grove from a shape that no tree has.
const LARGEST_SLOPE: f64 = 0.95;
/// Prior standard deviations to which the search is kept.
const FARTHEST: f64 = 6.0;
/// The loss where nothing can be fitted.
const WALL: f64 = 1e9;

/// How a knob's value hangs on prior standard deviations from the prior's middle.
enum Scale {
    Ln(Belief),
    Plain(Offset),
}

impl Scale {
    fn value(&self, z: f64) -> f64 {
        match self {
            Scale::Ln(belief) => belief.median * (belief.ln_sd * z).exp(),
            Scale::Plain(offset) => offset.mean + offset.sd * z,
        }
    }

    fn place(&self, value: f64) -> f64 {
        match self {
            Scale::Ln(belief) => (value / belief.median).ln() / belief.ln_sd,
            Scale::Plain(offset) => (value - offset.mean) / offset.sd,
        }
    }
}

impl Knob {
    fn all(kind: Kind) -> &'static [Knob] {
        const ALL: [Knob; 7] = [
            Knob::HalfLight,
            Knob::DeficitSlope,
            Knob::Lag,
            Knob::NightFloor,
            Knob::Lead,
            Knob::Scale,
            Knob::DaySd,
        ];
        match kind {
            Kind::LightAndDeficit { .. } => &ALL,
            Kind::ReferenceEt => &ALL[2..],
        }
    }

    fn scale(self, beliefs: &Beliefs) -> Scale {
        Scale::Ln(match self {
            Knob::HalfLight => beliefs.half_light_w_m2,
            Knob::DeficitSlope => beliefs.deficit_slope,
            Knob::Lag => beliefs.lag_h,
            Knob::NightFloor => beliefs.night_floor,
            Knob::Lead => return Scale::Plain(beliefs.lead_h),
            Knob::Scale => beliefs.scale,
            Knob::DaySd => beliefs.day_sd,
        })
    }

    fn turn(self, value: f64, shape: &mut Shape, variances: &mut Variances) {
        match (self, &mut shape.pull) {
            (Knob::HalfLight, Kind::LightAndDeficit { half_light_w_m2, .. }) => {
                *half_light_w_m2 = value.clamp(1.0, 2000.0);
            }
            (Knob::DeficitSlope, Kind::LightAndDeficit { deficit_slope, .. }) => {
                *deficit_slope = value.clamp(0.05, LARGEST_SLOPE);
            }
            (Knob::HalfLight | Knob::DeficitSlope, Kind::ReferenceEt) => {}
            (Knob::Lag, _) => shape.lag_h = value.clamp(0.01, 6.0),
            (Knob::NightFloor, _) => shape.night_floor = value.clamp(0.001, 1.0),
            (Knob::Lead, _) => shape.lead_h = value.clamp(-MOST_LEAD_H, MOST_LEAD_H),
            (Knob::Scale, _) => variances.scale = value,
            (Knob::DaySd, _) => variances.day_sd = value,
        }
    }

    fn value(self, shape: &Shape, variances: &Variances) -> f64 {
        match (self, shape.pull) {
            (Knob::HalfLight, Kind::LightAndDeficit { half_light_w_m2, .. }) => half_light_w_m2,
            (Knob::DeficitSlope, Kind::LightAndDeficit { deficit_slope, .. }) => deficit_slope,
            (Knob::HalfLight | Knob::DeficitSlope, Kind::ReferenceEt) => f64::NAN,
            (Knob::Lag, _) => shape.lag_h,
            (Knob::NightFloor, _) => shape.night_floor,
            (Knob::Lead, _) => shape.lead_h,
            (Knob::Scale, _) => variances.scale,
            (Knob::DaySd, _) => variances.day_sd,
        }
    }
}

impl Beliefs {
    /// The shape and variances at the medians.
    pub fn at_medians(&self, shape: Shape, variances: Variances) -> (Shape, Variances) {
        let (mut shape, mut variances) = (shape, variances);
        for &knob in Knob::all(shape.pull) {
            knob.turn(knob.scale(self).value(0.0), &mut shape, &mut variances);
        }
        (shape, variances)
    }
}

/// Learns shape and variances from the rows that `rows_at` makes under each shape tried. The search
/// begins at `shape` and `variances`: anything near the answer makes it quicker.
///
/// With no rows the answer is the medians of the beliefs.
///
/// # Errors
/// [`FitError`] where the fit at the answer fails.
pub fn learn(
    shape: Shape,
    variances: Variances,
    beliefs: &Beliefs,
    priors: &[CoefficientPrior],
    rows_at: &(dyn Fn(&Shape) -> Vec<Row> + Sync),
) -> Result<Learned, FitError> {
    let knobs = Knob::all(shape.pull);
    if rows_at(&shape).is_empty() {
        let (shape, variances) = beliefs.at_medians(shape, variances);
        let posterior = fit(&[], priors, &variances)?;
        let night_floor_ln_sd = beliefs.night_floor.ln_sd;
        return Ok(Learned { shape, variances, night_floor_ln_sd, posterior, unsettled: None });
    }
    let start: Vec<f64> = knobs
        .iter()
        .map(|knob| knob.scale(beliefs).place(knob.value(&shape, &variances)))
        .map(|z| if z.is_finite() { z.clamp(-FARTHEST, FARTHEST) } else { 0.0 })
        .collect();
    let search =
        Search { shape, variances, beliefs, knobs, priors, rows_at, tried: Mutex::default() };
    let (best, unsettled) = search.best(start);
    let (shape, variances) = search.at(&best);
    let night_floor_ln_sd = search.night_floor_ln_sd(&best);
    let posterior = fit(&rows_at(&shape), priors, &variances)?;
    Ok(Learned { shape, variances, night_floor_ln_sd, posterior, unsettled })
}

/// The search works in units of prior standard deviations from the prior's middle.
struct Search<'a> {
    shape: Shape,
    variances: Variances,
    beliefs: &'a Beliefs,
    knobs: &'static [Knob],
    priors: &'a [CoefficientPrior],
    rows_at: &'a (dyn Fn(&Shape) -> Vec<Row> + Sync),
    tried: Mutex<Tried>,
}

/// What the search has found so far.
#[derive(Default)]
struct Tried {
    /// The last fit, from which the next one starts.
    near: Option<Near>,
    /// The least loss, and where.
    best: Option<(f64, Vec<f64>)>,
}

impl Search<'_> {
    fn at(&self, z: &[f64]) -> (Shape, Variances) {
        let (mut shape, mut variances) = (self.shape, self.variances);
        for (&knob, z) in self.knobs.iter().zip(z) {
            knob.turn(knob.scale(self.beliefs).value(*z), &mut shape, &mut variances);
        }
        (shape, variances)
    }

    /// Minus log of evidence times prior; a fit that fails is a wall.
    fn loss(&self, z: &[f64]) -> f64 {
        if z.iter().any(|z| !z.is_finite() || z.abs() > FARTHEST) {
            return WALL;
        }
        let (shape, variances) = self.at(z);
        let rows = (self.rows_at)(&shape);
        let mut tried = self.tried.lock().unwrap_or_else(PoisonError::into_inner);
        let near = tried.near.as_ref();
        let Ok(found) = evidence(&rows, self.priors, &variances, near, SETTLED) else {
            return WALL;
        };
        let loss = 0.5 * z.iter().map(|z| z * z).sum::<f64>() - found.log_evidence;
        tried.near = Some(found);
        if tried.best.as_ref().is_none_or(|(least, _)| loss < *least) {
            tried.best = Some((loss, z.to_vec()));
        }
        loss
    }

    /// The best place found, and why the search stopped early, where it did.
    fn best(&self, start: Vec<f64>) -> (Vec<f64>, Option<String>) {
        let ended = LBFGS::new(MoreThuenteLineSearch::new(), 7)
            .with_tolerance_cost(TOLERANCE_LOSS)
            .and_then(|solver| solver.with_tolerance_grad(TOLERANCE_SLOPE))
            .and_then(|solver| {
                Executor::new(Target(self), solver)
                    .configure(|state| state.param(start.clone()).max_iters(MOST_ITERATIONS))
                    .timer(false)
                    .run()
            });
        let unsettled = match &ended {
            Err(error) => Some(error.to_string()),
            Ok(ended) => match ended.state().get_termination_reason() {
                Some(TerminationReason::MaxItersReached) => {
                    Some(format!("not settled in {MOST_ITERATIONS} steps"))
                }
                _ => None,
            },
        };
        let tried = self.tried.lock().unwrap_or_else(PoisonError::into_inner);
        (tried.best.as_ref().map_or(start, |(_, best)| best.clone()), unsettled)
    }

    /// From the curvature of the loss along the night floor, never wider than its prior.
    fn night_floor_ln_sd(&self, best: &[f64]) -> f64 {
        let prior = self.beliefs.night_floor.ln_sd;
        let Some(floor) = self.knobs.iter().position(|knob| matches!(knob, Knob::NightFloor))
        else {
            return prior;
        };
        let along = |step: f64| {
            let mut z = best.to_vec();
            z[floor] += step;
            self.loss(&z)
        };
        let wide = 0.1;
        let curvature = (along(wide) - 2.0 * along(0.0) + along(-wide)) / (wide * wide);
        prior / curvature.max(1.0).sqrt()
    }
}

/// What argmin minimises.
struct Target<'a, 'b>(&'a Search<'b>);

impl CostFunction for Target<'_, '_> {
    type Param = Vec<f64>;
    type Output = f64;

    fn cost(&self, z: &Vec<f64>) -> Result<f64, SearchError> {
        Ok(self.0.loss(z))
    }
}

impl Gradient for Target<'_, '_> {
    type Param = Vec<f64>;
    type Gradient = Vec<f64>;

    fn gradient(&self, z: &Vec<f64>) -> Result<Vec<f64>, SearchError> {
        let along = |knob: usize, step: f64| {
            let mut z = z.clone();
            z[knob] += step;
            self.0.loss(&z)
        };
        let here = self.0.loss(z);
        Ok((0..z.len()).map(|knob| (along(knob, STEP) - here) / STEP).collect())
    }
}
