//! The plain censored regression: coefficients and residual scale by maximum likelihood, without
//! effects or priors. It is the baseline that the hierarchical fit has to beat, and the second way
//! to the same number where the effects vanish.

use super::likelihood::{Seen, Slopes};
use super::linear::{self, LinearError};
use crate::belief::Residual;
use ndarray::{Array1, Array2, Axis, s};

/// A maximum-likelihood fit of `y = x b + scale e` to intervals of `y`.
#[derive(Debug, Clone)]
pub struct Regression {
    /// Coefficients, one per column of `x`.
    pub coefficients: Array1<f64>,
    /// `ln` of the residual scale.
    pub ln_scale: f64,
    /// Log-likelihood at the maximum.
    pub log_likelihood: f64,
    /// Inverse of the observed information in coefficients and `ln scale`, in that order.
    pub covariance: Array2<f64>,
}

/// Why there is no maximum.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum RegressionError {
    /// Rows and observations differ in number.
    #[error("{rows} rows of covariates for {seen} observations")]
    Lengths {
        /// Rows of `x`.
        rows: usize,
        /// Observations.
        seen: usize,
    },
    /// The rows do not determine the coefficients.
    #[error(transparent)]
    Linear(#[from] LinearError),
    /// The search did not settle; the likelihood may have no maximum.
    #[error("no maximum found in {0} steps")]
    Unsettled(usize),
}

const MOST_STEPS: usize = 300;
/// Smallest scale that a search begins from: middles of intervals may lie on a plane exactly.
const LEAST_SCALE: f64 = 1e-3;

/// Fits by Newton's method, coefficients and scale together, from the least squares of the intervals'
/// middles (linfa).
///
/// The search runs on `t = 1 / scale` and `b t`, in which the log-likelihood of any log-concave
/// residual is concave, intervals and exact values alike: Olsen, R. J., "Note on the uniqueness of the
/// maximum likelihood estimator for the Tobit model", Econometrica 46 (1978), from memory; so that a
/// maximum is the only one, and halving a step that overshoots always finds it.
///
/// # Errors
/// [`RegressionError`] where lengths differ, the rows leave a coefficient open, or no maximum is
/// found.
pub fn regress(
    x: &Array2<f64>,
    seen: &[Seen],
    residual: Residual,
) -> Result<Regression, RegressionError> {
    if x.nrows() != seen.len() {
        return Err(RegressionError::Lengths { rows: x.nrows(), seen: seen.len() });
    }
    let problem = Problem { x, seen, residual };
    let mut at = problem.start()?;
    for _ in 0..MOST_STEPS {
        let step = problem.newton(&at)?;
        let (next, moved) = problem.improve(at, &step);
        at = next;
        if moved < 1e-10 {
            return problem.finish(&at);
        }
    }
    Err(RegressionError::Unsettled(MOST_STEPS))
}

struct Problem<'a> {
    x: &'a Array2<f64>,
    seen: &'a [Seen],
    residual: Residual,
}

/// A place of the search: coefficients over scale, then one over scale.
struct At {
    place: Array1<f64>,
    slopes: Vec<Slopes>,
    value: f64,
}

impl At {
    fn scale(&self) -> f64 {
        1.0 / self.place[self.place.len() - 1]
    }

    fn coefficients(&self) -> Array1<f64> {
        self.place.slice(s![..-1]).to_owned() * self.scale()
    }
}

impl Problem<'_> {
    fn start(&self) -> Result<At, RegressionError> {
        let typical = 0.0;
        let middles: Array1<f64> = self.seen.iter().map(|seen| seen.middle(typical)).collect();
        let coefficients = linear::least_squares(self.x.clone(), middles.clone())?;
        let left = middles - self.x.dot(&coefficients);
        let scale = (left.dot(&left) / left.len().max(1) as f64).sqrt().max(LEAST_SCALE);
        let mut place = Array1::from_elem(coefficients.len() + 1, 1.0 / scale);
        place.slice_mut(s![..-1]).assign(&(coefficients / scale));
        Ok(self.at(place))
    }

    fn at(&self, place: Array1<f64>) -> At {
        let mut at = At { place, slopes: Vec::new(), value: f64::NEG_INFINITY };
        let scale = at.scale();
        if scale > 0.0 {
            let expected = self.x.dot(&at.coefficients());
            let rows = self.seen.iter().zip(&expected);
            at.slopes = rows.map(|(seen, f)| seen.slopes(self.residual, *f, scale)).collect();
            at.value = at.slopes.iter().map(|d| d.value).sum();
        }
        at
    }

    /// Slopes and curvatures by the chain rule from those in the expected value `f = x b` and in
    /// `ln scale`, solved for Newton's step.
    fn newton(&self, at: &At) -> Result<Array1<f64>, RegressionError> {
        let p = self.x.ncols();
        let scale = at.scale();
        let expected = self.x.dot(&at.coefficients());
        let mut slope = Array1::zeros(p + 1);
        let mut information = Array2::zeros((p + 1, p + 1));
        for ((x, d), f) in self.x.rows().into_iter().zip(&at.slopes).zip(&expected) {
            let in_place = d.f * scale;
            let in_scale = -scale * (f * d.f + d.s);
            let curve = d.ff * scale * scale;
            let mixed = -scale * scale * (f * d.ff + d.fs + d.f);
            let curve_scale = scale * scale * (f * f * d.ff + 2.0 * f * (d.fs + d.f) + d.ss + d.s);
            for i in 0..p {
                slope[i] += in_place * x[i];
                for j in 0..=i {
                    information[[i, j]] -= curve * x[i] * x[j];
                }
                information[[p, i]] -= mixed * x[i];
            }
            slope[p] += in_scale;
            information[[p, p]] -= curve_scale;
        }
        mirror(&mut information);
        let factor = linear::factor(&information, "information of the coefficients and the scale")?;
        Ok(linear::solve(&factor, &linear::column(&slope)).remove_axis(Axis(1)))
    }

    /// The best place along a step, halved where it would fall, and how far it moved in proportion.
    fn improve(&self, from: At, step: &Array1<f64>) -> (At, f64) {
        let mut share = 1.0;
        loop {
            let next = self.at(&from.place + &(step * share));
            let moved = share * step.iter().fold(0.0, |most: f64, d| most.max(d.abs()));
            let moved =
                moved / (1.0 + from.place.iter().fold(0.0, |most: f64, v| most.max(v.abs())));
            if next.value >= from.value - 1e-12 * from.value.abs() {
                return (next, moved);
            }
            if moved < 1e-10 {
                return (from, moved);
            }
            share *= 0.5;
        }
    }

    /// Minus the second derivatives in coefficients and ln scale.
    fn information(&self, slopes: &[Slopes]) -> Array2<f64> {
        let p = self.x.ncols();
        let mut information = Array2::zeros((p + 1, p + 1));
        for (x, d) in self.x.rows().into_iter().zip(slopes) {
            for i in 0..p {
                for j in 0..=i {
                    information[[i, j]] -= d.ff * x[i] * x[j];
                }
                information[[p, i]] -= d.fs * x[i];
            }
            information[[p, p]] -= d.ss;
        }
        mirror(&mut information);
        information
    }

    fn finish(&self, at: &At) -> Result<Regression, RegressionError> {
        let factor = linear::factor(&self.information(&at.slopes), "observed information")?;
        Ok(Regression {
            log_likelihood: at.value,
            covariance: linear::inverse(&factor),
            coefficients: at.coefficients(),
            ln_scale: at.scale().ln(),
        })
    }
}

/// Fills the upper half of a symmetric matrix from the lower.
fn mirror(matrix: &mut Array2<f64>) {
    for i in 0..matrix.nrows() {
        for j in 0..i {
            matrix[[j, i]] = matrix[[i, j]];
        }
    }
}
