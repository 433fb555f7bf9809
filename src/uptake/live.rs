//! Today's looks at hanging bags, taken up at once: what they say of each bag's tree and, by the
//! day, block and coefficients that the bags share, of its neighbours.
//!
//! A fitted posterior makes the bags' expected ln thirsts jointly normal: `f = m + F z + d`, with
//! few shared directions `z` (found by pivoted Cholesky) and a deviation `d` of each bag's own. The
//! looks are added by Newton's method on `z` alone, the `d` being projected out one by one, which
//! costs bags times directions squared. Apart from the likelihood nothing here is shared with the
//! fit, which adds the same looks as rows and starts all over; a test holds the two together.
//!
//! The fit stands on a normal approximation of what each past draw said. Where today's looks may
//! move a draw so far that this no longer holds, the draw's own likelihood stands in for it again.
//!
//! A look at a bag tells of that bag twice over: of its tree, and of this one draw's own residual.
//! [`Updated::without_own`] is the thirst that all the other looks make one expect; the bag's own
//! looks then cut and weigh the law of this one draw, and are counted once.

use super::fit::{Posterior, Row};
use super::likelihood::{GAUSS, Seen};
use super::predict::Target;
use crate::belief::Residual;
use crate::belief::law::ln_normal_density;
use ndarray::{Array1, Array2, Axis, s};

/// Directions are added until what is left of every shared variance is below this.
const NEGLIGIBLE: f64 = 1e-5;
/// The same after many draws, where the past days' effects would be a direction each.
const NEGLIGIBLE_AFTER_MANY: f64 = 2e-4;
const MOST_STEPS: usize = 60;
/// What is left after a step of Newton's that moves no more is about its square.
const SETTLED: f64 = 1e-3;
/// Nor may it gain more, relative to the log posterior: a step cut short moves little as well.
const SETTLED_GAIN: f64 = 1e-5;
/// A past draw is looked at again where its weight changes by this within its standard deviation,
/// in units of what its thirst is known by; at most so many are.
const BENT: f64 = 0.01;
const MOST_AGAIN: usize = 120;
/// With more past draws than these no one day's news bends them, and each would cost a direction.
const MANY_DRAWS: usize = 400;
/// Reading errors to either side that count.
const FARTHEST_READING: f64 = 6.0;

/// Bags whose thirsts are believed jointly, ready for looks.
#[derive(Debug, Clone)]
pub struct Live {
    mean: Vec<f64>,
    /// Shared directions: bags times rank.
    shared: Array2<f64>,
    own: Vec<f64>,
    residual: Residual,
    scale: f64,
    /// Past draws that are looked at again; they stand after the bags.
    again: Vec<(usize, Look)>,
    bags: usize,
}

/// What is believed once the looks are in.
#[derive(Debug, Clone, PartialEq)]
pub struct Updated {
    /// Mean and standard deviation of each bag's expected ln thirst: its tree on that day.
    pub thirst: Vec<(f64, f64)>,
    /// The same from everything but the bag's own looks.
    pub without_own: Vec<(f64, f64)>,
}

/// The search did not settle: the looks cannot all be true of such trees.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("the looks at {looks} bags could not be taken up in {MOST_STEPS} steps")]
pub struct Unsettled {
    /// Bags looked at.
    pub looks: usize,
}

impl Live {
    /// The bags of these targets before any look; `rows` are those of the posterior. Prepared once a
    /// fit; a bag that nobody has looked at, or a draw that is still to come, may stand among them
    /// and is moved by the others.
    pub fn new(posterior: &Posterior, rows: &[Row], targets: &[Target]) -> Self {
        let bent = bent(posterior, rows);
        let bags = targets.len();
        let again =
            bent.iter().enumerate().map(|(i, (_, look))| (bags + i, look.clone())).collect();
        let mut targets = targets.to_vec();
        targets.extend(bent.iter().map(|(row, _)| target(&rows[*row])));
        let joint = posterior.joint(&targets);
        let alone = |i: usize| {
            let same = |j: &usize| targets[*j].tree_id == targets[i].tree_id;
            (0..targets.len()).filter(same).count() == 1
        };
        let n = targets.len();
        let own: Vec<f64> = (0..n).map(|i| if alone(i) { joint.own[i] } else { 0.0 }).collect();
        let mut left: Vec<f64> =
            (0..n).map(|i| (joint.covariance[[i, i]] - own[i]).max(0.0)).collect();
        let many = rows.len() > MANY_DRAWS;
        let negligible = if many { NEGLIGIBLE_AFTER_MANY } else { NEGLIGIBLE };
        let mut columns: Vec<Vec<f64>> = Vec::new();
        while columns.len() < n {
            let pivot = (0..n).fold(0, |best, i| if left[i] > left[best] { i } else { best });
            if left[pivot] < negligible {
                break;
            }
            let root = left[pivot].sqrt();
            let column: Vec<f64> = (0..n)
                .map(|i| {
                    let both = joint.covariance[[i, pivot]] - if i == pivot { own[i] } else { 0.0 };
                    let known: f64 = columns.iter().map(|c| c[i] * c[pivot]).sum();
                    (both - known) / root
                })
                .collect();
            for (left, value) in left.iter_mut().zip(&column) {
                *left = (*left - value * value).max(0.0);
            }
            left[pivot] = 0.0;
            columns.push(column);
        }
        let variances = posterior.variances();
        Self {
            mean: joint.mean.to_vec(),
            shared: Array2::from_shape_fn((n, columns.len()), |(i, j)| columns[j][i]),
            own: own.iter().zip(&left).map(|(own, left)| own + left).collect(),
            residual: variances.residual,
            scale: variances.scale,
            again,
            bags,
        }
    }

    /// Directions that the bags share.
    pub fn rank(&self) -> usize {
        self.shared.ncols()
    }

    /// Mean and standard deviation of each bag's expected ln thirst before any look.
    pub fn at_start(&self) -> Vec<(f64, f64)> {
        (0..self.bags)
            .map(|i| {
                let row = self.shared.row(i);
                (self.mean[i], (row.dot(&row) + self.own[i]).sqrt())
            })
            .collect()
    }

    /// Takes up what was seen of each bag, in the order of the targets; none where nobody looked.
    ///
    /// # Errors
    /// [`Unsettled`].
    ///
    /// # Panics
    /// Where there is not one entry a bag: a fault of the caller.
    pub fn update(&self, seen: &[Option<Seen>]) -> Result<Updated, Unsettled> {
        assert_eq!(seen.len(), self.bags);
        let mut looks: Vec<(usize, Look)> = seen
            .iter()
            .enumerate()
            .filter_map(|(bag, seen)| Some((bag, Look::new(seen.as_ref()?, self))))
            .collect();
        if !looks.is_empty() {
            looks.extend(self.again.iter().cloned());
        }
        let mut at = Point::start(self, looks.len());
        at.value(self, &looks);
        for _ in 0..MOST_STEPS {
            let step = self.step(&looks, &at);
            let (next, moved) = self.improve(&looks, &at, &step);
            let gain = next.value - at.value;
            at = next;
            if moved < SETTLED && gain.abs() < SETTLED_GAIN * (1.0 + at.value.abs()) {
                return Ok(self.finish(&looks, &at));
            }
        }
        Err(Unsettled { looks: looks.len() })
    }

    fn along(&self, bag: usize, z: &Array1<f64>) -> f64 {
        self.shared.row(bag).dot(z)
    }

    /// Lower factor of the precision of `z` with the bags' own deviations projected out, and what
    /// pulls at it.
    fn normal(&self, looks: &[(usize, Look)], at: &Point) -> (Array2<f64>, Array1<f64>) {
        let bags: Vec<usize> = looks.iter().map(|(bag, _)| *bag).collect();
        let rows = self.shared.select(Axis(0), &bags);
        let mut weighed = rows.clone();
        let mut pull = Array1::zeros(self.rank());
        // No root of a weight is taken: a past draw's, looked at again, is a difference of two.
        for ((&bag, slope), mut row) in bags.iter().zip(&at.slopes).zip(weighed.rows_mut()) {
            let left = 1.0 / (1.0 + slope.weight * self.own[bag]);
            pull.scaled_add(left * self.working(at, bag, slope), &row);
            row *= left * slope.weight;
        }
        let mut precision = rows.t().dot(&weighed);
        precision.diag_mut().mapv_inplace(|value| value + 1.0);
        (cholesky(precision), pull)
    }

    /// Weight times what a look would have the deviation from the mean be.
    fn working(&self, at: &Point, bag: usize, slope: &LookSlope) -> f64 {
        slope.weight * (at.expected(self, bag, slope.index) - self.mean[bag]) + slope.first
    }

    fn step(&self, looks: &[(usize, Look)], at: &Point) -> Point {
        let (factor, mut z) = self.normal(looks, at);
        solve(&factor, &mut z);
        let own = looks
            .iter()
            .zip(&at.slopes)
            .map(|((bag, _), slope)| {
                let left = 1.0 / (1.0 + slope.weight * self.own[*bag]);
                let pull = self.working(at, *bag, slope) - slope.weight * self.along(*bag, &z);
                self.own[*bag] * left * pull
            })
            .collect();
        Point { z, own, value: f64::NAN, slopes: Vec::new() }
    }

    /// As far along the step as does not make it worse, and how far that is.
    fn improve(&self, looks: &[(usize, Look)], from: &Point, to: &Point) -> (Point, f64) {
        let mut share = 1.0;
        loop {
            let blend = |a: &Array1<f64>, b: &Array1<f64>| a + share * (b - a);
            let mut next = Point {
                z: blend(&from.z, &to.z),
                own: blend(&from.own, &to.own),
                value: f64::NAN,
                slopes: Vec::new(),
            };
            next.value(self, looks);
            let moved = next
                .z
                .iter()
                .zip(&from.z)
                .chain(next.own.iter().zip(&from.own))
                .fold(0.0, |most: f64, (a, b)| most.max((a - b).abs()));
            if next.value >= from.value - 1e-12 * (1.0 + from.value.abs()) || moved < 1e-10 {
                return (next, moved);
            }
            share *= 0.5;
        }
    }

    fn finish(&self, looks: &[(usize, Look)], at: &Point) -> Updated {
        let (factor, _) = self.normal(looks, at);
        // All bags at once: one by one they cost more than the search.
        let mut white = self.shared.slice(s![..self.bags, ..]).t().to_owned();
        forward(&factor, &mut white);
        let mut slope_of = vec![None; self.mean.len()];
        for ((bag, _), slope) in looks.iter().zip(&at.slopes) {
            slope_of[*bag] = Some(*slope);
        }
        let (mut thirst, mut without_own) = (Vec::new(), Vec::new());
        for (bag, slope) in slope_of.iter().take(self.bags).enumerate() {
            let column = white.column(bag);
            let shared = column.dot(&column);
            let own = self.own[bag];
            let Some(slope) = slope else {
                let told = (self.mean[bag] + self.along(bag, &at.z), (shared + own).sqrt());
                thirst.push(told);
                without_own.push(told);
                continue;
            };
            let left = 1.0 / (1.0 + slope.weight * own);
            let variance = own * left + left * left * shared;
            let expected = at.expected(self, bag, slope.index);
            thirst.push((expected, variance.sqrt()));
            let without = 1.0 / (1.0 / variance - slope.weight).max(1e-12);
            without_own.push((expected - without * slope.first, without.sqrt()));
        }
        Updated { thirst, without_own }
    }
}

/// A point of the search.
struct Point {
    z: Array1<f64>,
    /// Own deviation of each bag that was looked at.
    own: Array1<f64>,
    value: f64,
    slopes: Vec<LookSlope>,
}

/// First slope and minus curvature of one look's log likelihood.
#[derive(Debug, Clone, Copy)]
struct LookSlope {
    index: usize,
    first: f64,
    weight: f64,
}

impl Point {
    fn start(live: &Live, looks: usize) -> Self {
        let (z, own) = (Array1::zeros(live.rank()), Array1::zeros(looks));
        Self { z, own, value: f64::NAN, slopes: Vec::new() }
    }

    fn expected(&self, live: &Live, bag: usize, index: usize) -> f64 {
        live.mean[bag] + live.along(bag, &self.z) + self.own[index]
    }

    /// Log posterior, up to a constant, with the looks' slopes.
    fn value(&mut self, live: &Live, looks: &[(usize, Look)]) {
        let mut value = -0.5 * self.z.dot(&self.z);
        let mut slopes = Vec::with_capacity(looks.len());
        for (index, (bag, look)) in looks.iter().enumerate() {
            let expected = self.expected(live, *bag, index);
            let (ln_likelihood, first, second) = look.at(expected, live.residual, live.scale);
            value += ln_likelihood;
            if live.own[*bag] > 0.0 {
                value -= 0.5 * self.own[index].powi(2) / live.own[*bag];
            }
            slopes.push(LookSlope { index, first, weight: -second });
        }
        (self.value, self.slopes) = (value, slopes);
    }
}

/// A past draw as the regression would predict it.
fn target(row: &Row) -> Target {
    Target {
        tree_id: row.tree_id.clone(),
        block: row.block.clone(),
        species: row.species.clone(),
        date: row.date,
        covariates: row.covariates.clone(),
    }
}

/// The past draws whose normal approximation bends most within what is open of their thirst.
fn bent(posterior: &Posterior, rows: &[Row]) -> Vec<(usize, Look)> {
    if rows.len() > MANY_DRAWS {
        return Vec::new();
    }
    let targets: Vec<Target> = rows.iter().map(target).collect();
    let variances = posterior.variances();
    let slopes = |row: usize, f: f64| rows[row].seen.slopes(variances.residual, f, variances.scale);
    let mut bent: Vec<(f64, usize, Look)> = posterior
        .thirst(&targets)
        .into_iter()
        .enumerate()
        .filter_map(|(row, (_, sd))| {
            let expected = posterior.expected()[row];
            let here = slopes(row, expected);
            let change = [-sd, sd].map(|d| (slopes(row, expected + d).ff - here.ff).abs());
            let bend = sd * sd * change[0].max(change[1]);
            let exact = rows[row].seen.clone();
            let look = Look::Again { exact, expected, first: here.f, weight: -here.ff };
            (bend > BENT).then_some((bend, row, look))
        })
        .collect();
    bent.sort_by(|a, b| b.0.total_cmp(&a.0));
    bent.truncate(MOST_AGAIN);
    bent.into_iter().map(|(_, row, look)| (row, look)).collect()
}

/// One look, made ready to be asked often.
#[derive(Debug, Clone)]
enum Look {
    /// A past draw: its likelihood, and the normal approximation that is in the posterior already.
    Again {
        exact: Seen,
        expected: f64,
        first: f64,
        weight: f64,
    },
    Exact(Seen),
    /// A volume with its reading error, by a rule laid once where the reading is.
    Volume {
        exact: Seen,
        nodes: Vec<(f64, f64)>,
    },
}

impl Look {
    fn new(seen: &Seen, live: &Live) -> Self {
        let exact = seen.clone();
        let (Seen::Measured { centre, error, low, high }, Residual::Logistic) =
            (exact.clone(), live.residual)
        else {
            return Look::Exact(exact);
        };
        let from = (centre - FARTHEST_READING * error).max(low);
        let to = (centre + FARTHEST_READING * error).min(high);
        let panels = ((to - from) / (2.0 * error).min(1.5 * live.scale)).ceil().max(1.0);
        // A reading beside what was seen has its mass at the edge: leave that to the exact sum.
        if !(to - from > error && panels < 40.0) {
            return Look::Exact(exact);
        }
        let width = (to - from) / panels;
        let node = |panel: usize, (at, weight): (f64, f64)| {
            let y = from + width * (panel as f64 + at);
            let ln_density = ln_normal_density((y - centre) / error) - error.ln();
            (y, weight * width * ln_density.exp())
        };
        let nodes = (0..panels as usize).flat_map(|panel| GAUSS.map(|g| node(panel, g))).collect();
        Look::Volume { exact, nodes }
    }

    /// Log likelihood with its first and second derivative in the expected ln thirst.
    fn at(&self, expected: f64, residual: Residual, scale: f64) -> (f64, f64, f64) {
        let (exact, nodes) = match self {
            Look::Again { exact, expected: was, first, weight } => {
                let (slopes, moved) = (exact.slopes(residual, expected, scale), expected - was);
                return (
                    slopes.value - moved * (first - 0.5 * weight * moved),
                    slopes.f - (first - weight * moved),
                    slopes.ff + weight,
                );
            }
            Look::Exact(seen) => (seen, &[][..]),
            Look::Volume { exact, nodes } => (exact, &nodes[..]),
        };
        let (mut sum, mut first, mut second) = (0.0, 0.0, 0.0);
        for (y, weight) in nodes {
            // Logistic density p (1 - p), with slopes of its logarithm 2p - 1 and -2 p (1 - p).
            let p = 1.0 / (1.0 + (-(y - expected) / scale).exp());
            let density = weight * p * (1.0 - p);
            let slope = 2.0 * p - 1.0;
            sum += density;
            first += density * slope;
            second += density * (slope * slope - 2.0 * p * (1.0 - p));
        }
        if sum < 1e-200 {
            let slopes = exact.slopes(residual, expected, scale);
            return (slopes.value, slopes.f, slopes.ff);
        }
        let (first, second) = (first / sum, second / sum);
        let ln_likelihood = (sum / scale).ln();
        let curvature = ((second - first * first) / (scale * scale)).min(0.0);
        (ln_likelihood, first / scale, curvature)
    }
}

/// Lower factor of a matrix; what stands above the diagonal is left as it is.
fn cholesky(mut matrix: Array2<f64>) -> Array2<f64> {
    for i in 0..matrix.nrows() {
        let (above, mut rest) = matrix.view_mut().split_at(Axis(0), i);
        let mut row = rest.row_mut(0);
        for j in 0..i {
            let other = above.row(j);
            let known = row.slice(s![..j]).dot(&other.slice(s![..j]));
            row[j] = (row[j] - known) / other[j];
        }
        let known = row.slice(s![..i]).dot(&row.slice(s![..i]));
        row[i] = (row[i] - known).max(1e-12).sqrt();
    }
    matrix
}

/// `L^-1 b`, in place; what stands above the diagonal of `lower` is not looked at.
fn forward(lower: &Array2<f64>, b: &mut Array2<f64>) {
    for i in 0..lower.nrows() {
        let (above, mut rest) = b.view_mut().split_at(Axis(0), i);
        let mut row = rest.row_mut(0);
        for (j, solved) in above.rows().into_iter().enumerate() {
            row.scaled_add(-lower[[i, j]], &solved);
        }
        row /= lower[[i, i]];
    }
}

/// `(L L^T)^-1 b`, in place.
fn solve(lower: &Array2<f64>, b: &mut Array1<f64>) {
    for i in 0..lower.nrows() {
        let known = lower.slice(s![i, ..i]).dot(&b.slice(s![..i]));
        b[i] = (b[i] - known) / lower[[i, i]];
    }
    for i in (0..lower.nrows()).rev() {
        let known = lower.slice(s![i + 1.., i]).dot(&b.slice(s![i + 1..]));
        b[i] = (b[i] - known) / lower[[i, i]];
    }
}
