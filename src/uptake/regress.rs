//! The plain censored regression: coefficients and residual scale by maximum likelihood, without
//! effects or priors. It is the baseline that the hierarchical fit has to beat, and the second way
//! to the same number where the effects vanish.

use super::likelihood::{Seen, Slopes};
use super::linear::{self, LinearError};
use crate::belief::Residual;
use ndarray::{Array1, Array2, s};

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

/// Fits by Newton's method: at a given scale the coefficients by weighted least squares (linfa),
/// the scale by the slope and curvature of the likelihood along the coefficients' maximum.
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
    let typical = 0.0;
    let middles: Array1<f64> = seen.iter().map(|seen| seen.middle(typical)).collect();
    let mut coefficients = linear::least_squares(x.clone(), middles)?;
    let mut ln_scale = 0.0;
    for _ in 0..MOST_STEPS {
        coefficients = problem.coefficients(coefficients, ln_scale)?;
        let slopes = problem.slopes(&coefficients, ln_scale);
        let information = problem.information(&slopes);
        let p = x.ncols();
        let factor = linear::factor(
            &information.slice(s![..p, ..p]).to_owned(),
            "information of the coefficients",
        )?;
        let mixed = information.slice(s![..p, p..]).to_owned();
        let explained = mixed.t().dot(&linear::solve(&factor, &mixed))[[0, 0]];
        let curvature = information[[p, p]] - explained;
        let slope: f64 = slopes.iter().map(|d| d.s).sum();
        let step = if curvature > 0.0 { slope / curvature } else { slope.signum() * 0.3 };
        ln_scale += step.clamp(-0.5, 0.5);
        if step.abs() < 1e-10 {
            return problem.finish(coefficients, ln_scale);
        }
    }
    Err(RegressionError::Unsettled(MOST_STEPS))
}

struct Problem<'a> {
    x: &'a Array2<f64>,
    seen: &'a [Seen],
    residual: Residual,
}

impl Problem<'_> {
    fn slopes(&self, coefficients: &Array1<f64>, ln_scale: f64) -> Vec<Slopes> {
        let scale = ln_scale.exp();
        let expected = self.x.dot(coefficients);
        self.seen.iter().zip(&expected).map(|(s, f)| s.slopes(self.residual, *f, scale)).collect()
    }

    /// The maximum at a given scale: iteratively reweighted least squares, halved where it would
    /// fall.
    fn coefficients(
        &self,
        start: Array1<f64>,
        ln_scale: f64,
    ) -> Result<Array1<f64>, RegressionError> {
        let value = |b: &Array1<f64>| self.slopes(b, ln_scale).iter().map(|d| d.value).sum::<f64>();
        let least = 1e-9 * (-2.0 * ln_scale).exp();
        let mut at = start;
        for _ in 0..MOST_STEPS {
            let slopes = self.slopes(&at, ln_scale);
            let mut rows = self.x.clone();
            let mut target = Array1::zeros(rows.nrows());
            for ((mut row, target), d) in rows.rows_mut().into_iter().zip(&mut target).zip(&slopes)
            {
                let root = (-d.ff).max(least).sqrt();
                row *= root;
                *target = d.f / root;
            }
            let mut step = linear::least_squares(rows, target)?;
            let before = value(&at);
            while value(&(&at + &step)) < before - 1e-12 * before.abs() {
                step *= 0.5;
            }
            at += &step;
            if step.iter().all(|d| d.abs() < 1e-11) {
                return Ok(at);
            }
        }
        Err(RegressionError::Unsettled(MOST_STEPS))
    }

    /// Minus the second derivatives in coefficients and ln scale.
    fn information(&self, slopes: &[Slopes]) -> Array2<f64> {
        let p = self.x.ncols();
        let mut information = Array2::zeros((p + 1, p + 1));
        for (row, d) in self.x.rows().into_iter().zip(slopes) {
            for i in 0..p {
                for j in 0..p {
                    information[[i, j]] -= d.ff * row[i] * row[j];
                }
                information[[i, p]] -= d.fs * row[i];
                information[[p, i]] -= d.fs * row[i];
            }
            information[[p, p]] -= d.ss;
        }
        information
    }

    fn finish(
        &self,
        coefficients: Array1<f64>,
        ln_scale: f64,
    ) -> Result<Regression, RegressionError> {
        let slopes = self.slopes(&coefficients, ln_scale);
        let factor = linear::factor(&self.information(&slopes), "observed information")?;
        Ok(Regression {
            log_likelihood: slopes.iter().map(|d| d.value).sum(),
            covariance: linear::inverse(&factor),
            coefficients,
            ln_scale,
        })
    }
}
