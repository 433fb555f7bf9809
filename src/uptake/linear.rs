//! Least squares by linfa, with the checks that linfa leaves to its caller, and the little dense
//! algebra that the fit stands on.

use linfa::traits::Fit;
use linfa::{Dataset, DatasetBase};
use linfa_linear::LinearRegression;
use ndarray::linalg::general_mat_mul;
use ndarray::{Array1, Array2, ArrayView2, ArrayViewMut2, Axis, s};

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

/// Rows of a block: what is larger is done block by block, most of it as products of matrices.
const BLOCK: usize = 64;

/// Lower Cholesky factor, read off the lower half of a symmetric matrix.
///
/// # Errors
/// [`LinearError::NotPositiveDefinite`], naming the matrix as `what`.
pub fn factor(matrix: &Array2<f64>, what: &'static str) -> Result<Array2<f64>, LinearError> {
    let n = matrix.nrows();
    if n <= BLOCK {
        return factor_by_rows(matrix.view(), what);
    }
    let mut lower = matrix.clone();
    for (first, next) in blocks(n) {
        let (done, mut open) = lower.view_mut().split_at(Axis(1), first);
        let mut panel = open.slice_mut(s![first.., ..next - first]);
        if first > 0 {
            let (below, rows) = (done.slice(s![first.., ..]), done.slice(s![first..next, ..]));
            general_mat_mul(-1.0, &below, &rows.t(), 1.0, &mut panel);
        }
        let (mut on_diagonal, mut below) = panel.split_at(Axis(0), next - first);
        let corner = factor_by_rows(on_diagonal.view(), what)?;
        below.assign(&forward(&corner, &below.t().to_owned()).t());
        on_diagonal.assign(&corner);
        lower.slice_mut(s![first..next, next..]).fill(0.0);
    }
    Ok(lower)
}

/// Written out by rows: a fit factors hundreds of matrices of some ten rows, for which the slices of
/// a library made for large ones cost more than the arithmetic.
fn factor_by_rows(
    matrix: ArrayView2<'_, f64>,
    what: &'static str,
) -> Result<Array2<f64>, LinearError> {
    let n = matrix.nrows();
    let mut lower = vec![0.0; n * n];
    for i in 0..n {
        let (above, row) = lower.split_at_mut(i * n);
        for j in 0..i {
            let other = &above[j * n..j * n + j + 1];
            let taken = dot(&row[..j], &other[..j]);
            row[j] = (matrix[[i, j]] - taken) / other[j];
        }
        let left = matrix[[i, i]] - dot(&row[..i], &row[..i]);
        if !(left > 0.0 && left.is_finite()) {
            return Err(LinearError::NotPositiveDefinite { what });
        }
        row[i] = left.sqrt();
    }
    Ok(square(n, n, lower))
}

/// `L^-1 b`, for a lower factor with a positive diagonal.
pub fn forward(lower: &Array2<f64>, b: &Array2<f64>) -> Array2<f64> {
    let mut x = b.as_standard_layout().into_owned();
    for (first, next) in blocks(x.nrows()) {
        let (solved, open) = x.view_mut().split_at(Axis(0), first);
        let mut open = open.slice_move(s![..next - first, ..]);
        if first > 0 {
            general_mat_mul(-1.0, &lower.slice(s![first..next, ..first]), &solved, 1.0, &mut open);
        }
        forward_by_rows(lower.slice(s![first..next, first..next]), open);
    }
    x
}

fn forward_by_rows(lower: ArrayView2<'_, f64>, mut x: ArrayViewMut2<'_, f64>) {
    let k = x.ncols();
    let x = x.as_slice_mut().expect("rows one after the other");
    for i in 0..lower.nrows() {
        let (above, row) = x.split_at_mut(i * k);
        let row = &mut row[..k];
        for (j, solved) in above.chunks_exact(k.max(1)).enumerate() {
            take(row, lower[[i, j]], solved);
        }
        row.iter_mut().for_each(|value| *value /= lower[[i, i]]);
    }
}

/// `L^-T b`, for a lower factor with a positive diagonal.
pub fn backward(lower: &Array2<f64>, b: &Array2<f64>) -> Array2<f64> {
    let mut x = b.as_standard_layout().into_owned();
    for (first, next) in blocks(x.nrows()).rev() {
        let (open, solved) = x.view_mut().split_at(Axis(0), next);
        let mut open = open.slice_move(s![first.., ..]);
        if !solved.is_empty() {
            let below = lower.slice(s![next.., first..next]);
            general_mat_mul(-1.0, &below.t(), &solved, 1.0, &mut open);
        }
        backward_by_rows(lower.slice(s![first..next, first..next]), open);
    }
    x
}

fn backward_by_rows(lower: ArrayView2<'_, f64>, mut x: ArrayViewMut2<'_, f64>) {
    let k = x.ncols();
    let x = x.as_slice_mut().expect("rows one after the other");
    for i in (0..lower.nrows()).rev() {
        let (above, row) = x.split_at_mut(i * k);
        let row = &mut row[..k];
        row.iter_mut().for_each(|value| *value /= lower[[i, i]]);
        for (j, open) in above.chunks_exact_mut(k.max(1)).enumerate() {
            take(open, lower[[i, j]], row);
        }
    }
}

/// First and last row of each block of `n` rows, the last one excluded.
fn blocks(n: usize) -> impl DoubleEndedIterator<Item = (usize, usize)> {
    (0..n.div_ceil(BLOCK)).map(move |block| (block * BLOCK, ((block + 1) * BLOCK).min(n)))
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

/// Takes a multiple of one row off another.
fn take(from: &mut [f64], times: f64, row: &[f64]) {
    if times != 0.0 {
        from.iter_mut().zip(row).for_each(|(value, other)| *value -= times * other);
    }
}

fn square(rows: usize, columns: usize, values: Vec<f64>) -> Array2<f64> {
    Array2::from_shape_vec((rows, columns), values).expect("as many values as cells")
}

/// `(L L^T)^-1 b`.
pub fn solve(lower: &Array2<f64>, b: &Array2<f64>) -> Array2<f64> {
    backward(lower, &forward(lower, b))
}

/// `(L L^T)^-1`.
pub fn inverse(lower: &Array2<f64>) -> Array2<f64> {
    let n = lower.nrows();
    let mut root = Array2::eye(n);
    for (first, next) in blocks(n) {
        let (solved, mut open) = root.view_mut().split_at(Axis(0), first);
        let mut open = open.slice_mut(s![..next - first, ..]);
        if first > 0 {
            // the root is lower as well: right of the diagonal there is nothing to take off
            let mut left = open.slice_mut(s![.., ..first]);
            let (rows, solved) =
                (lower.slice(s![first..next, ..first]), solved.slice(s![.., ..first]));
            general_mat_mul(-1.0, &rows, &solved, 1.0, &mut left);
        }
        forward_by_rows(lower.slice(s![first..next, first..next]), open);
    }
    let mut inverse = Array2::zeros((n, n));
    for (first, next) in blocks(n) {
        let below = root.slice(s![first.., ..next]);
        let rows = below.slice(s![.., first..]).t().dot(&below);
        inverse.slice_mut(s![first..next, ..next]).assign(&rows);
        inverse.slice_mut(s![..next, first..next]).assign(&rows.t());
    }
    inverse
}

/// `ln det (L L^T)`.
pub fn ln_determinant(lower: &Array2<f64>) -> f64 {
    2.0 * lower.diag().iter().map(|d| d.ln()).sum::<f64>()
}

/// A vector as a matrix of one column.
pub fn column(vector: &Array1<f64>) -> Array2<f64> {
    vector.clone().insert_axis(Axis(1))
}

#[cfg(test)]
mod tests {
    use super::*;
    use linfa_linalg::cholesky::Cholesky;
    use linfa_linalg::triangular::{SolveTriangular, UPLO};

    #[test]
    fn factor_and_solutions_are_those_of_linfa() {
        for n in [1, 2, 7, 40, 64, 65, 200] {
            let wave = |i: usize, j: usize| ((1 + i * n + 3 * j) as f64 * 0.7).sin();
            let root = Array2::from_shape_fn((n, n), |(i, j)| wave(i, j));
            let matrix = root.dot(&root.t()) + 0.5 * Array2::<f64>::eye(n);
            let b = Array2::from_shape_fn((n, 3), |(i, j)| wave(j, i));
            let lower = factor(&matrix, "a test").unwrap();
            let theirs = matrix.cholesky().unwrap();
            let close = |a: &Array2<f64>, b: &Array2<f64>| {
                assert!(a.iter().zip(b).all(|(a, b)| (a - b).abs() < 1e-9 * (1.0 + b.abs())));
            };
            close(&lower, &theirs);
            close(&forward(&lower, &b), &theirs.solve_triangular(&b, UPLO::Lower).unwrap());
            let upper = theirs.t().to_owned();
            close(&backward(&lower, &b), &upper.solve_triangular(&b, UPLO::Upper).unwrap());
            close(&matrix.dot(&solve(&lower, &b)), &b);
            close(&matrix.dot(&inverse(&lower)), &Array2::eye(n));
        }
        let not = Array2::from_shape_vec((2, 2), vec![1.0, 2.0, 2.0, 1.0]).unwrap();
        assert!(factor(&not, "a test").is_err());
        for (n, bad) in [(64, 63), (65, 64), (200, 70), (200, 199)] {
            for value in [-1.0, 0.0, f64::NAN, f64::INFINITY] {
                let mut matrix = Array2::<f64>::eye(n);
                matrix[[bad, bad]] = value;
                assert!(factor(&matrix, "a test").is_err(), "{value} at {bad} of {n}");
            }
        }
        assert!(factor(&Array2::from_elem((1, 1), f64::NAN), "a test").is_err());
        assert_eq!(factor(&Array2::zeros((0, 0)), "nothing").unwrap().dim(), (0, 0));
    }
}
