//! Least squares by linfa, with the checks that linfa leaves to its caller, and the little dense
//! algebra that the fit stands on.

use linfa::traits::Fit;
use linfa::{Dataset, DatasetBase};
use linfa_linalg::cholesky::Cholesky;
use linfa_linalg::triangular::{SolveTriangular, UPLO};
use linfa_linear::LinearRegression;
use ndarray::{Array1, Array2};

/// Why a linear system has no answer.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum LinearError {
    /// A matrix that should be a covariance or a precision is not positive definite.
    #[error("{what} is not positive definite")]
    NotPositiveDefinite {
        /// Which matrix.
        what: &'static str,
    },
    /// The rows do not determine every coefficient.
    #[error("the rows do not determine all {columns} coefficients")]
    Undetermined {
        /// Number of coefficients.
        columns: usize,
    },
}

/// Coefficients `b` that minimise `|x b - y|`, by linfa's QR.
///
/// linfa answers a rank-deficient system with huge numbers and no error, so the normal equations
/// are checked here.
pub fn least_squares(x: Array2<f64>, y: Array1<f64>) -> Result<Array1<f64>, LinearError> {
    let columns = x.ncols();
    let undetermined = || LinearError::Undetermined { columns };
    if x.iter().chain(&y).any(|value| !value.is_finite()) {
        return Err(undetermined());
    }
    let data: DatasetBase<_, _> = Dataset::new(x, y);
    let fitted = LinearRegression::new()
        .with_intercept(false)
        .fit(&data)
        .map_err(|_| undetermined())?
        .params()
        .to_owned();
    let (x, y) = (data.records(), data.targets());
    let left = y - &x.dot(&fitted);
    let normal = x.t().dot(&left);
    let sizes = x.t().dot(y).mapv(f64::abs).sum() + x.iter().map(|v| v * v).sum::<f64>();
    let solved = normal.iter().all(|v| v.abs() <= 1e-7 * (1.0 + sizes));
    let sane = fitted.iter().all(|v| v.is_finite() && v.abs() < 1e8);
    if solved && sane { Ok(fitted) } else { Err(undetermined()) }
}

/// Lower Cholesky factor.
pub fn factor(matrix: &Array2<f64>, what: &'static str) -> Result<Array2<f64>, LinearError> {
    if matrix.is_empty() {
        return Ok(matrix.clone());
    }
    let factor = matrix.cholesky().map_err(|_| LinearError::NotPositiveDefinite { what })?;
    if factor.diag().iter().all(|d| d.is_finite() && *d > 0.0) {
        Ok(factor)
    } else {
        Err(LinearError::NotPositiveDefinite { what })
    }
}

/// `L^-1 b`, for a lower factor with a positive diagonal.
pub fn forward(lower: &Array2<f64>, b: &Array2<f64>) -> Array2<f64> {
    if b.is_empty() {
        return b.clone();
    }
    lower.solve_triangular(b, UPLO::Lower).expect("a factor from `factor` is square and regular")
}

/// `L^-T b`, for a lower factor with a positive diagonal.
pub fn backward(lower: &Array2<f64>, b: &Array2<f64>) -> Array2<f64> {
    if b.is_empty() {
        return b.clone();
    }
    let upper = lower.t().to_owned();
    upper.solve_triangular(b, UPLO::Upper).expect("a factor from `factor` is square and regular")
}

/// `(L L^T)^-1 b`.
pub fn solve(lower: &Array2<f64>, b: &Array2<f64>) -> Array2<f64> {
    backward(lower, &forward(lower, b))
}

/// `(L L^T)^-1`.
pub fn inverse(lower: &Array2<f64>) -> Array2<f64> {
    solve(lower, &Array2::eye(lower.nrows()))
}

/// `ln det (L L^T)`.
pub fn ln_determinant(lower: &Array2<f64>) -> f64 {
    2.0 * lower.diag().iter().map(|d| d.ln()).sum::<f64>()
}

/// A vector as a matrix of one column.
pub fn column(vector: &Array1<f64>) -> Array2<f64> {
    vector.clone().insert_axis(ndarray::Axis(1))
}
