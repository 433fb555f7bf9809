//! The plain censored regression: coefficients and residual scale by maximum likelihood, without
//! effects or priors. It is the baseline that the hierarchical fit has to beat, and the second way
//! to the same number where the effects vanish.

use super::likelihood::{Seen, Slopes};
use super::linear::{self, LinearError};
use crate::belief::Residual;
use ndarray::{Array1, Array2, Axis, aview1, concatenate, s};

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
/// A step that moves less than this, in proportion, is the last: what is left is about its square.
const SETTLED: f64 = 1e-7;
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
        if moved < SETTLED {
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
    expected: Array1<f64>,
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
        let expected = Array1::zeros(0);
        let mut at = At { place, expected, slopes: Vec::new(), value: f64::NEG_INFINITY };
        let scale = at.scale();
        if scale > 0.0 {
            at.expected = self.x.dot(&at.coefficients());
            let rows = self.seen.iter().zip(&at.expected);
            at.slopes = rows.map(|(seen, f)| seen.slopes(self.residual, *f, scale)).collect();
            at.value = at.slopes.iter().map(|d| d.value).sum();
        }
        at
    }

    /// Slopes and curvatures by the chain rule from those in the expected value `f = x b` and in
    /// `ln scale`, solved for Newton's step.
    fn newton(&self, at: &At) -> Result<Array1<f64>, RegressionError> {
        let scale = at.scale();
        let square = scale * scale;
        let rows = || at.slopes.iter().zip(&at.expected);
        let slope: Array1<f64> = at.slopes.iter().map(|d| d.f * scale).collect();
        let slope_scale: f64 = rows().map(|(d, f)| -scale * (f * d.f + d.s)).sum();
        let curve: Array1<f64> = at.slopes.iter().map(|d| -d.ff * square).collect();
        let mixed: Array1<f64> = rows().map(|(d, f)| square * (f * d.ff + d.fs + d.f)).collect();
        let curve_scale: f64 = rows()
            .map(|(d, f)| -square * (f * f * d.ff + 2.0 * f * (d.fs + d.f) + d.ss + d.s))
            .sum();
        let information = self.bordered(curve, &mixed, curve_scale);
        let factor = linear::factor(&information, "information of the coefficients and the scale")?;
        let slopes = concatenate![Axis(0), self.x.t().dot(&slope), aview1(&[slope_scale])];
        Ok(linear::solve(&factor, &linear::column(&slopes)).remove_axis(Axis(1)))
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
        let curve = slopes.iter().map(|d| -d.ff).collect();
        let mixed = slopes.iter().map(|d| -d.fs).collect();
        self.bordered(curve, &mixed, slopes.iter().map(|d| -d.ss).sum())
    }

    /// `X^T diag(curve) X` with one more row and column: `X^T mixed`, and `corner`.
    fn bordered(&self, curve: Array1<f64>, mixed: &Array1<f64>, corner: f64) -> Array2<f64> {
        let p = self.x.ncols();
        let border = self.x.t().dot(mixed);
        let weighted = self.x * &curve.insert_axis(Axis(1));
        let mut matrix = Array2::from_elem((p + 1, p + 1), corner);
        matrix.slice_mut(s![..p, ..p]).assign(&self.x.t().dot(&weighted));
        matrix.slice_mut(s![..p, p]).assign(&border);
        matrix.slice_mut(s![p, ..p]).assign(&border);
        matrix
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
