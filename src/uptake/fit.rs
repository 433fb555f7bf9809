//! The fit: expected ln thirst as a regression with tree, block and day effects, from intervals.
//!
//! `y = x b + block + day + tree(t) + residual`. Given the variances, coefficients and effects are
//! the maximum of the penalised likelihood, found by Newton's method. One step is a weighted least
//! squares in which the effects are projected out exactly (Frisch, Waugh and Lovell: regress the
//! rows and the target on the effects, then regress what is left), so that linfa solves for the
//! coefficients alone; shrinkage to prior means enters as rows of its own. The curvature at the
//! maximum gives the covariance (Laplace) and the evidence by which variances are chosen.

use super::likelihood::{Seen, Slopes};
use super::linear::{self, LinearError};
use super::shared::Shared;
use crate::belief::Residual;
use chrono::NaiveDate;
use ndarray::{Array1, Array2, ArrayView1, ArrayView2, Axis, s};
use serde::{Deserialize, Serialize};
use std::collections::HashMap;

/// One draw as the regression sees it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Row {
    /// Which draw; for messages only.
    pub draw_id: String,
    /// Which tree.
    pub tree_id: String,
    /// Which block.
    pub block: String,
    /// Which species; empty where nobody wrote it down.
    pub species: String,
    /// Local date of the start.
    pub date: NaiveDate,
    /// Covariates, in the order of the coefficients.
    pub covariates: Vec<f64>,
    /// What was seen.
    pub seen: Seen,
}

/// How far the effects spread, and the residual.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Variances {
    /// Shape of the residual.
    pub residual: Residual,
    /// Its scale.
    pub scale: f64,
    /// Standard deviation of a tree about its block, for good.
    pub tree_sd: f64,
    /// Standard deviation of a tree's drift about its own mean.
    pub drift_sd: f64,
    /// Days in which a drift is forgotten to 1/e.
    pub drift_days: f64,
    /// Standard deviation of the blocks.
    pub block_sd: f64,
    /// Standard deviation of the species.
    pub species_sd: f64,
    /// Standard deviation of the days, shared by all trees.
    pub day_sd: f64,
    /// Correlation of one day with the next.
    pub day_correlation: f64,
}

/// What is believed of a coefficient before any row.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CoefficientPrior {
    /// Name, with the unit of its covariate where it has one.
    pub name: String,
    /// Mean.
    pub mean: f64,
    /// Standard deviation; none where nothing is believed.
    pub sd: Option<f64>,
}

impl Variances {
    /// Covariance of one tree's effect at two dates.
    pub fn tree_covariance(&self, a: NaiveDate, b: NaiveDate) -> f64 {
        let days = (a - b).num_days().abs() as f64;
        self.tree_sd.powi(2) + self.drift_sd.powi(2) * (-days / self.drift_days).exp()
    }

    /// Covariance of the shared effect of two days.
    pub fn day_covariance(&self, a: NaiveDate, b: NaiveDate) -> f64 {
        let days = (a - b).num_days().abs() as f64;
        self.day_sd.powi(2) * self.day_correlation.powf(days)
    }
}

/// One more way in which rows belong together, beside tree, block, species and day: the crew that
/// set them, say. Its levels are independent of each other.
#[derive(Debug, Clone, PartialEq)]
pub struct Grouping {
    /// Standard deviation of its levels.
    pub sd: f64,
    /// Level of each row, counted from 0; none for a row that belongs to no level.
    pub level: Vec<Option<usize>>,
}

impl Grouping {
    pub(super) fn levels(&self) -> usize {
        self.level.iter().flatten().max().map_or(0, |most| most + 1)
    }
}

/// Why a fit failed.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum FitError {
    /// A linear system had no answer.
    #[error(transparent)]
    Linear(#[from] LinearError),
    /// The search did not settle.
    #[error("the fit did not settle in {steps} steps")]
    Unsettled {
        /// Steps taken.
        steps: usize,
    },
    /// A row has the wrong number of covariates.
    #[error("draw {draw_id} has {found} covariates, not {wanted}")]
    Covariates {
        /// Which draw.
        draw_id: String,
        /// How many it has.
        found: usize,
        /// How many coefficients there are.
        wanted: usize,
    },
}

/// The fitted posterior: all that a prediction needs.
#[derive(Debug, Clone)]
pub struct Posterior {
    pub(super) variances: Variances,
    pub(super) trees: Vec<TreeFit>,
    pub(super) shared: Shared,
    /// Coefficients followed by shared effects, and their joint covariance.
    pub(super) effects: Array1<f64>,
    pub(super) covariance: Array2<f64>,
    coefficients: usize,
    log_evidence: f64,
    log_likelihood: f64,
    expected: Array1<f64>,
    pull: Array1<f64>,
}

/// What is kept of one tree.
#[derive(Debug, Clone)]
pub(super) struct TreeFit {
    pub tree_id: String,
    pub dates: Vec<NaiveDate>,
    /// The shared effects that its rows touch.
    pub columns: Vec<usize>,
    pub white: White,
}

/// One tree's rows, whitened by their own covariance.
#[derive(Debug, Clone)]
pub(super) struct White {
    /// Square roots of the likelihood's curvatures.
    weights: Array1<f64>,
    /// Cholesky factor of `I + W^1/2 K W^1/2`.
    factor: Array2<f64>,
    /// Whitened: covariates, loadings on the shared effects that the rows touch, residual.
    rows: Array2<f64>,
    /// How many of the columns are covariates.
    p: usize,
}

const MOST_STEPS: usize = 200;
/// Step from which on a fit has settled.
const SETTLED: f64 = 1e-9;
/// Smallest weight of a row, relative to a residual's: keeps working responses finite where the
/// likelihood is flat; the maximum does not depend on it.
const LEAST_WEIGHT: f64 = 1e-7;

/// Fits coefficients and effects at given variances.
///
/// With no rows the posterior is the prior.
///
/// # Errors
/// [`FitError`] where a row does not fit the coefficients, a coefficient without prior is not
/// determined, or the search does not settle.
pub fn fit(
    rows: &[Row],
    priors: &[CoefficientPrior],
    variances: &Variances,
) -> Result<Posterior, FitError> {
    fit_near(rows, priors, variances, None)
}

/// [`fit`], searching from an earlier posterior of the same draws: quicker, same answer.
///
/// # Errors
/// As [`fit`].
pub fn fit_near(
    rows: &[Row],
    priors: &[CoefficientPrior],
    variances: &Variances,
    near: Option<&Posterior>,
) -> Result<Posterior, FitError> {
    fit_grouped(rows, priors, variances, &[], near)
}

/// [`fit_near`] with further effects, one for each level of each grouping.
///
/// # Errors
/// As [`fit`].
///
/// # Panics
/// Where a grouping has not one entry a row: a fault of the caller.
pub fn fit_grouped(
    rows: &[Row],
    priors: &[CoefficientPrior],
    variances: &Variances,
    groupings: &[Grouping],
    near: Option<&Posterior>,
) -> Result<Posterior, FitError> {
    assert!(groupings.iter().all(|grouping| grouping.level.len() == rows.len()));
    let problem = Problem::new(rows, priors, variances, groupings)?;
    let start = problem.start(near.map(|near| (&near.effects, &near.pull)));
    let (state, step) = problem.settled(start, SETTLED)?;
    Ok(problem.finish(state, step))
}

/// A place from which to search, and its evidence.
#[derive(Debug, Clone)]
pub(super) struct Near {
    effects: Array1<f64>,
    pull: Array1<f64>,
    /// Laplace's approximation of the log marginal likelihood.
    pub log_evidence: f64,
}

/// The evidence alone, without the covariances that predictions need; settled once a step moves
/// nothing by more than `settled`: what is left is its square, since Newton's steps shrink so.
///
/// # Errors
/// As [`fit`].
pub(super) fn evidence(
    rows: &[Row],
    priors: &[CoefficientPrior],
    variances: &Variances,
    near: Option<&Near>,
    settled: f64,
) -> Result<Near, FitError> {
    let problem = Problem::new(rows, priors, variances, &[])?;
    let start = problem.start(near.map(|near| (&near.effects, &near.pull)));
    let (state, step) = problem.settled(start, settled)?;
    let log_evidence = problem.log_evidence(&state, &step);
    Ok(Near { effects: state.effects, pull: state.pull, log_evidence })
}

struct Problem<'a> {
    rows: &'a [Row],
    priors: &'a [CoefficientPrior],
    variances: Variances,
    x: Array2<f64>,
    /// Shared states of each row: its block, its species, its levels and its date.
    states: Vec<Vec<usize>>,
    groups: Vec<Group>,
    shared: Shared,
}

/// The rows of one tree, their prior covariance and the shared states that they touch.
struct Group {
    tree_id: String,
    rows: Vec<usize>,
    dates: Vec<NaiveDate>,
    prior: Array2<f64>,
    columns: Vec<usize>,
}

/// A point of the search. `pull` is `K^-1 v` for the tree effects `v`, which keeps the penalty
/// finite however small a variance is.
#[derive(Debug, Clone)]
struct State {
    expected: Array1<f64>,
    /// Of each row at its expected value.
    slopes: Vec<Slopes>,
    pull: Array1<f64>,
    effects: Array1<f64>,
    objective: f64,
}

impl State {
    fn log_likelihood(&self) -> f64 {
        self.slopes.iter().map(|slopes| slopes.value).sum()
    }
}

/// One Newton step: where it leads, and the algebra that the posterior needs.
struct Step {
    target: State,
    /// Of each group.
    white: Vec<White>,
    /// Factor of the shared states' precision given the coefficients.
    shared_factor: Array2<f64>,
    /// Shared states' loading on the coefficients, `H^-1 G`.
    projected: Array2<f64>,
    /// Factor of the coefficients' precision.
    coefficient_factor: Array2<f64>,
}

impl<'a> Problem<'a> {
    fn new(
        rows: &'a [Row],
        priors: &'a [CoefficientPrior],
        variances: &Variances,
        groupings: &[Grouping],
    ) -> Result<Self, FitError> {
        let wanted = priors.len();
        if let Some(row) = rows.iter().find(|row| row.covariates.len() != wanted) {
            let (draw_id, found) = (row.draw_id.clone(), row.covariates.len());
            return Err(FitError::Covariates { draw_id, found, wanted });
        }
        let shared = Shared::new(rows, variances, groupings)?;
        let states: Vec<Vec<usize>> =
            (0..rows.len()).map(|row| shared.states(&rows[row], groupings, row)).collect();
        Ok(Self {
            rows,
            priors,
            variances: *variances,
            groups: groups(rows, variances, &states),
            states,
            x: Array2::from_shape_fn((rows.len(), wanted), |(row, column)| {
                rows[row].covariates[column]
            }),
            shared,
        })
    }

    /// From effects and pulls nearby, where they are of as many rows and states.
    fn start(&self, near: Option<(&Array1<f64>, &Array1<f64>)>) -> State {
        let size = self.priors.len() + self.shared.len();
        let fits = |near: &(&Array1<f64>, &Array1<f64>)| {
            near.0.len() == size && near.1.len() == self.rows.len()
        };
        match near.filter(fits) {
            Some((effects, pull)) => {
                self.valued(self.expected(effects, pull), pull.clone(), effects.clone())
            }
            None => {
                let mut effects = Array1::zeros(size);
                for (effect, prior) in effects.iter_mut().zip(self.priors) {
                    *effect = prior.mean;
                }
                let pull = Array1::zeros(self.rows.len());
                self.valued(self.expected(&effects, &pull), pull, effects)
            }
        }
    }

    /// Newton's steps until one moves nothing by more than `settled`.
    fn settled(&self, start: State, settled: f64) -> Result<(State, Step), FitError> {
        let slack = settled.powi(2).max(1e-10);
        let mut state = start;
        let mut step = self.newton(&state)?;
        for _ in 0..MOST_STEPS {
            let (next, moved) = self.improve(&state, &step.target);
            let gain = next.objective - state.objective;
            state = next;
            step = self.newton(&state)?;
            if moved < settled && gain.abs() < slack * (1.0 + state.objective.abs()) {
                return Ok((state, step));
            }
        }
        Err(FitError::Unsettled { steps: MOST_STEPS })
    }

    /// Expected value of each row from all effects.
    fn expected(&self, effects: &Array1<f64>, pull: &Array1<f64>) -> Array1<f64> {
        let (coefficients, shared) = effects.view().split_at(Axis(0), self.priors.len());
        let mut expected = self.x.dot(&coefficients);
        for (row, states) in self.states.iter().enumerate() {
            expected[row] += states.iter().map(|&state| shared[state]).sum::<f64>();
        }
        for group in &self.groups {
            let effect = group.prior.dot(&pull.select(Axis(0), &group.rows));
            for (&row, own) in group.rows.iter().zip(&effect) {
                expected[row] += own;
            }
        }
        expected
    }

    fn valued(&self, expected: Array1<f64>, pull: Array1<f64>, effects: Array1<f64>) -> State {
        let Variances { residual, scale, .. } = self.variances;
        let slopes = self.rows.iter().zip(&expected);
        let slopes = slopes.map(|(row, &f)| row.seen.slopes(residual, f, scale)).collect();
        let mut state = State { expected, slopes, pull, effects, objective: 0.0 };
        state.objective = state.log_likelihood() - self.penalty(&state);
        state
    }

    fn penalty(&self, state: &State) -> f64 {
        let p = self.priors.len();
        let coefficients: f64 = self
            .priors
            .iter()
            .zip(&state.effects)
            .map(|(prior, b)| prior.precision() * (b - prior.mean).powi(2))
            .sum();
        let shared = self.shared.root.dot(&state.effects.slice(s![p..]));
        let trees: f64 = self
            .groups
            .iter()
            .map(|group| {
                let pull = state.pull.select(Axis(0), &group.rows);
                pull.dot(&group.prior.dot(&pull))
            })
            .sum();
        0.5 * (coefficients + shared.dot(&shared) + trees)
    }

    /// The best point on the way from `from` to a Newton target, and how far it moved.
    fn improve(&self, from: &State, target: &State) -> (State, f64) {
        let mut share = 1.0;
        loop {
            let along = |a: &Array1<f64>, b: &Array1<f64>| a + &((b - a) * share);
            let next = match share {
                1.0 => target.clone(),
                _ => self.valued(
                    along(&from.expected, &target.expected),
                    along(&from.pull, &target.pull),
                    along(&from.effects, &target.effects),
                ),
            };
            let moved = (&next.expected - &from.expected)
                .iter()
                .chain(&(&next.effects - &from.effects))
                .fold(0.0, |most: f64, d| most.max(d.abs()));
            let slack = 1e-12 * (1.0 + from.objective.abs());
            if next.objective >= from.objective - slack || moved < 1e-10 {
                return (next, moved);
            }
            share *= 0.5;
        }
    }

    fn newton(&self, state: &State) -> Result<Step, LinearError> {
        let (n, p, q) = (self.rows.len(), self.priors.len(), self.shared.len());
        let mut white = self
            .groups
            .iter()
            .map(|group| self.whiten(group, state))
            .collect::<Result<Vec<_>, _>>()?;
        let mut all = Array2::zeros((n + q + p, p + 1));
        // its upper half is not read
        let mut precision = self.shared.precision.clone();
        let mut cross = Array2::<f64>::zeros((q, p + 1));
        let mut at = 0;
        for (group, white) in self.groups.iter().zip(&white) {
            let mut block = all.slice_mut(s![at..at + group.rows.len(), ..]);
            block.slice_mut(s![.., ..p]).assign(&white.covariates());
            block.column_mut(p).assign(&white.left());
            let products = white.loadings().t().dot(&white.rows);
            for (i, &a) in group.columns.iter().enumerate() {
                let (mut precision, mut cross) = (precision.row_mut(a), cross.row_mut(a));
                for (j, &b) in group.columns[..=i].iter().enumerate() {
                    precision[b] += products[[i, p + j]];
                }
                for j in 0..p {
                    cross[j] += products[[i, j]];
                }
                cross[p] += products[[i, p + group.columns.len()]];
            }
            at += group.rows.len();
        }
        let shared_factor = linear::factor(&precision, "precision of shared effects")?;
        let projected = linear::solve(&shared_factor, &cross);
        let mut at = 0;
        for (group, white) in self.groups.iter().zip(&white) {
            let mut block = all.slice_mut(s![at..at + group.rows.len(), ..]);
            block -= &white.loadings().dot(&projected.select(Axis(0), &group.columns));
            at += group.rows.len();
        }
        all.slice_mut(s![n..n + q, ..]).assign(&-self.shared.root.dot(&projected));
        for (j, prior) in self.priors.iter().enumerate() {
            let root = prior.precision().sqrt();
            all[[n + q + j, j]] = root;
            all[[n + q + j, p]] = root * prior.mean;
        }
        let design = all.slice(s![.., ..p]).to_owned();
        let coefficient_factor =
            linear::factor(&design.t().dot(&design), "precision of the coefficients")?;
        let coefficients = linear::least_squares(design, all.column(p).to_owned())?;
        let shared = &projected.column(p) - &projected.slice(s![.., ..p]).dot(&coefficients);
        let mut effects = Array1::zeros(p + q);
        effects.slice_mut(s![..p]).assign(&coefficients);
        effects.slice_mut(s![p..]).assign(&shared);
        let target = self.target(&mut white, effects);
        let projected = projected.slice(s![.., ..p]).to_owned();
        Ok(Step { target, white, shared_factor, projected, coefficient_factor })
    }

    /// One tree's rows divided by the root of their own covariance, `(W^-1 + K)^1/2`; `left` is
    /// the target until the effects are known.
    fn whiten(&self, group: &Group, state: &State) -> Result<White, LinearError> {
        let (m, p) = (group.rows.len(), self.priors.len());
        let least = LEAST_WEIGHT / self.variances.scale.powi(2);
        let slopes: Vec<Slopes> = group.rows.iter().map(|&row| state.slopes[row]).collect();
        let weights: Array1<f64> = slopes.iter().map(|d| (-d.ff).max(least).sqrt()).collect();
        let mut inner = Array2::eye(m);
        for ((i, j), value) in inner.indexed_iter_mut() {
            *value += weights[i] * group.prior[[i, j]] * weights[j];
        }
        let factor = linear::factor(&inner, "covariance of one tree's rows")?;
        let c = group.columns.len();
        let mut scaled = Array2::zeros((m, p + c + 1));
        for (i, &row) in group.rows.iter().enumerate() {
            for j in 0..p {
                scaled[[i, j]] = weights[i] * self.x[[row, j]];
            }
            for &state in &self.states[row] {
                let column = group.columns.partition_point(|&c| c < state);
                scaled[[i, p + column]] = weights[i];
            }
            scaled[[i, p + c]] = weights[i] * state.expected[row] + slopes[i].f / weights[i];
        }
        Ok(White { weights, rows: linear::forward(&factor, &scaled), factor, p })
    }

    /// The point that the effects lead to; completes each tree's whitened residual.
    fn target(&self, white: &mut [White], effects: Array1<f64>) -> State {
        let (coefficients, shared) = effects.view().split_at(Axis(0), self.priors.len());
        let mut pull = Array1::zeros(self.rows.len());
        for (group, white) in self.groups.iter().zip(white) {
            let taken = white.covariates().dot(&coefficients)
                + white.loadings().dot(&shared.select(Axis(0), &group.columns));
            let left = white.rows.ncols() - 1;
            let mut left = white.rows.column_mut(left);
            left -= &taken;
            for (&row, own) in group.rows.iter().zip(&white.pull()) {
                pull[row] = *own;
            }
        }
        self.valued(self.expected(&effects, &pull), pull, effects)
    }

    fn finish(self, state: State, step: Step) -> Posterior {
        let (p, q) = (self.priors.len(), self.shared.len());
        let coefficient_covariance = linear::inverse(&step.coefficient_factor);
        let carried = step.projected.dot(&coefficient_covariance);
        let shared_covariance =
            linear::inverse(&step.shared_factor) + carried.dot(&step.projected.t());
        let mut covariance = Array2::zeros((p + q, p + q));
        covariance.slice_mut(s![..p, ..p]).assign(&coefficient_covariance);
        covariance.slice_mut(s![p.., p..]).assign(&shared_covariance);
        covariance.slice_mut(s![p.., ..p]).assign(&-&carried);
        covariance.slice_mut(s![..p, p..]).assign(&-carried.t().to_owned());
        let log_evidence = self.log_evidence(&state, &step);
        let kept = |(group, white): (Group, White)| {
            let Group { tree_id, dates, columns, .. } = group;
            TreeFit { tree_id, dates, columns, white }
        };
        Posterior {
            variances: self.variances,
            log_evidence,
            trees: self.groups.into_iter().zip(step.white).map(kept).collect(),
            shared: self.shared,
            covariance,
            coefficients: p,
            log_likelihood: state.log_likelihood(),
            effects: state.effects,
            expected: state.expected,
            pull: state.pull,
        }
    }

    fn log_evidence(&self, state: &State, step: &Step) -> f64 {
        let trees: f64 = step.white.iter().map(|white| linear::ln_determinant(&white.factor)).sum();
        let priors: f64 = self
            .priors
            .iter()
            .map(CoefficientPrior::precision)
            .filter(|l| *l > 0.0)
            .map(f64::ln)
            .sum();
        let curvature = trees
            + linear::ln_determinant(&step.shared_factor)
            + self.shared.ln_determinant
            + linear::ln_determinant(&step.coefficient_factor)
            - priors;
        state.objective - 0.5 * curvature
    }
}

impl White {
    pub fn covariates(&self) -> ArrayView2<'_, f64> {
        self.rows.slice(s![.., ..self.p])
    }

    pub fn loadings(&self) -> ArrayView2<'_, f64> {
        self.rows.slice(s![.., self.p..self.rows.ncols() - 1])
    }

    /// What is left of the target once all effects are known; until then the target.
    pub fn left(&self) -> ArrayView1<'_, f64> {
        self.rows.slice(s![.., -1])
    }

    /// Whitens the covariance of something with the tree's effect at its rows' dates.
    pub fn whitened(&self, with: Array1<f64>) -> Array1<f64> {
        linear::forward(&self.factor, &linear::column(&(with * &self.weights))).remove_axis(Axis(1))
    }

    /// `K^-1 v` of the tree's own effects.
    fn pull(&self) -> Array1<f64> {
        let back = linear::backward(&self.factor, &linear::column(&self.left().to_owned()));
        &back.column(0) * &self.weights
    }
}

impl TreeFit {
    /// Whitened target before coefficients and shared effects are taken off.
    pub fn left_before_effects(&self, effects: &Array1<f64>, coefficients: usize) -> Array1<f64> {
        let (own, shared) = effects.view().split_at(Axis(0), coefficients);
        &self.white.left()
            + &self.white.covariates().dot(&own)
            + self.white.loadings().dot(&shared.select(Axis(0), &self.columns))
    }
}

impl CoefficientPrior {
    fn precision(&self) -> f64 {
        self.sd.map_or(0.0, |sd| 1.0 / (sd * sd))
    }
}

impl Posterior {
    /// Coefficients, in the order of their priors.
    pub fn coefficients(&self) -> Vec<f64> {
        self.effects.slice(s![..self.coefficients]).to_vec()
    }

    /// Covariance of the coefficients.
    pub fn coefficient_covariance(&self) -> Array2<f64> {
        let p = self.coefficients;
        self.covariance.slice(s![..p, ..p]).to_owned()
    }

    /// Has this tree a row?
    pub fn knows_tree(&self, tree_id: &str) -> bool {
        self.trees.binary_search_by(|tree| tree.tree_id.as_str().cmp(tree_id)).is_ok()
    }

    /// Laplace's approximation of the log marginal likelihood.
    pub fn log_evidence(&self) -> f64 {
        self.log_evidence
    }

    /// Log-likelihood of the rows at the fitted effects, without penalty.
    pub fn log_likelihood(&self) -> f64 {
        self.log_likelihood
    }

    /// Expected ln thirst of each row, as fitted.
    pub fn expected(&self) -> &Array1<f64> {
        &self.expected
    }

    /// The variances that it was fitted with.
    pub fn variances(&self) -> &Variances {
        &self.variances
    }
}

fn groups(rows: &[Row], variances: &Variances, states: &[Vec<usize>]) -> Vec<Group> {
    let mut members: HashMap<&str, Vec<usize>> = HashMap::new();
    for (index, row) in rows.iter().enumerate() {
        members.entry(&row.tree_id).or_default().push(index);
    }
    let mut members: Vec<(&str, Vec<usize>)> = members.into_iter().collect();
    members.sort_unstable_by_key(|(tree_id, _)| *tree_id);
    members
        .into_iter()
        .map(|(tree_id, members)| {
            let dates: Vec<NaiveDate> = members.iter().map(|&row| rows[row].date).collect();
            let m = dates.len();
            let mut columns: Vec<usize> =
                members.iter().flat_map(|&row| states[row].iter().copied()).collect();
            columns.sort_unstable();
            columns.dedup();
            Group {
                tree_id: tree_id.to_owned(),
                rows: members,
                prior: Array2::from_shape_fn((m, m), |(i, j)| {
                    variances.tree_covariance(dates[i], dates[j])
                }),
                dates,
                columns,
            }
        })
        .collect()
}
