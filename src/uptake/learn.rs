//! Learning what the fit takes as given: the demand shape, the residual's scale and the spread of
//! days, by the evidence of the grove's own draws under priors.
//!
//! The evidence is Laplace's marginal likelihood, so a parameter moves from its prior only as far
//! as the draws pay for it: with few draws the prior stays.

use super::fit::{CoefficientPrior, FitError, Posterior, Row, Variances, fit_near};
use crate::demand::{Kind, Shape};
use argmin::core::{CostFunction, Error as SearchError, Executor, Gradient, State};
use argmin::solver::linesearch::MoreThuenteLineSearch;
use argmin::solver::quasinewton::LBFGS;
use serde::{Deserialize, Serialize};
use std::sync::Mutex;

/// A positive parameter and what is believed of it: normal in its logarithm.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Belief {
    /// Median.
    pub median: f64,
    /// Standard deviation of its logarithm.
    pub ln_sd: f64,
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
}

/// One parameter as the search sees it.
#[derive(Debug, Clone, Copy)]
enum Knob {
    HalfLight,
    DeficitSlope,
    Lag,
    NightFloor,
    Scale,
    DaySd,
}

/// Step of the finite differences, in ln units: the evidence is smooth to 1e-9.
const STEP: f64 = 1e-3;
const MOST_ITERATIONS: u64 = 40;
/// Ranges that keep a draw-poor grove from a shape that no tree has.
const LARGEST_SLOPE: f64 = 0.95;

impl Knob {
    fn all(kind: Kind) -> &'static [Knob] {
        match kind {
            Kind::LightAndDeficit { .. } => &[
                Knob::HalfLight,
                Knob::DeficitSlope,
                Knob::Lag,
                Knob::NightFloor,
                Knob::Scale,
                Knob::DaySd,
            ],
            Kind::ReferenceEt => &[Knob::Lag, Knob::NightFloor, Knob::Scale, Knob::DaySd],
        }
    }

    fn belief(self, beliefs: &Beliefs) -> Belief {
        match self {
            Knob::HalfLight => beliefs.half_light_w_m2,
            Knob::DeficitSlope => beliefs.deficit_slope,
            Knob::Lag => beliefs.lag_h,
            Knob::NightFloor => beliefs.night_floor,
            Knob::Scale => beliefs.scale,
            Knob::DaySd => beliefs.day_sd,
        }
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
            (Knob::Scale, _) => variances.scale = value,
            (Knob::DaySd, _) => variances.day_sd = value,
        }
    }
}

impl Beliefs {
    /// The shape and variances at the medians.
    pub fn at_medians(&self, shape: Shape, variances: Variances) -> (Shape, Variances) {
        let (mut shape, mut variances) = (shape, variances);
        for &knob in Knob::all(shape.pull) {
            knob.turn(knob.belief(self).median, &mut shape, &mut variances);
        }
        (shape, variances)
    }
}

/// Learns shape and variances from the rows that `rows_at` makes under each shape tried.
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
    let search = Search {
        shape,
        variances,
        beliefs,
        knobs: Knob::all(shape.pull),
        priors,
        rows_at,
        near: Mutex::new(None),
    };
    let medians = vec![0.0; search.knobs.len()];
    let has_rows = !rows_at(&shape).is_empty();
    let best = if has_rows { search.best(medians) } else { medians };
    let (shape, variances) = search.at(&best);
    let night_floor_ln_sd =
        if has_rows { search.night_floor_ln_sd(&best) } else { beliefs.night_floor.ln_sd };
    let posterior = fit_near(&rows_at(&shape), priors, &variances, None)?;
    Ok(Learned { shape, variances, night_floor_ln_sd, posterior })
}

/// The search works in units of prior standard deviations from the prior medians.
struct Search<'a> {
    shape: Shape,
    variances: Variances,
    beliefs: &'a Beliefs,
    knobs: &'static [Knob],
    priors: &'a [CoefficientPrior],
    rows_at: &'a (dyn Fn(&Shape) -> Vec<Row> + Sync),
    /// The last fit, from which the next one starts.
    near: Mutex<Option<Posterior>>,
}

impl Search<'_> {
    fn at(&self, z: &[f64]) -> (Shape, Variances) {
        let (mut shape, mut variances) = (self.shape, self.variances);
        for (&knob, z) in self.knobs.iter().zip(z) {
            let belief = knob.belief(self.beliefs);
            knob.turn(belief.median * (belief.ln_sd * z).exp(), &mut shape, &mut variances);
        }
        (shape, variances)
    }

    /// Minus log of evidence times prior; a fit that fails is a wall.
    fn loss(&self, z: &[f64]) -> f64 {
        if z.iter().any(|z| !z.is_finite() || z.abs() > 6.0) {
            return 1e9;
        }
        let (shape, variances) = self.at(z);
        let rows = (self.rows_at)(&shape);
        let near = self.near.lock().ok().and_then(|near| near.clone());
        match fit_near(&rows, self.priors, &variances, near.as_ref()) {
            Ok(posterior) => {
                let loss = 0.5 * z.iter().map(|z| z * z).sum::<f64>() - posterior.log_evidence();
                if let Ok(mut near) = self.near.lock() {
                    *near = Some(posterior);
                }
                loss
            }
            Err(_) => 1e9,
        }
    }

    fn best(&self, start: Vec<f64>) -> Vec<f64> {
        let solver = LBFGS::new(MoreThuenteLineSearch::new(), 6)
            .with_tolerance_cost(1e-5)
            .and_then(|solver| solver.with_tolerance_grad(1e-3));
        let Ok(solver) = solver else { return start };
        let found = Executor::new(Target(self), solver)
            .configure(|state| state.param(start.clone()).max_iters(MOST_ITERATIONS))
            .timer(false)
            .run();
        let best = found.ok().and_then(|found| found.state().get_best_param().cloned());
        best.unwrap_or(start)
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
        Ok((0..z.len())
            .map(|knob| (along(knob, STEP) - along(knob, -STEP)) / (2.0 * STEP))
            .collect())
    }
}
