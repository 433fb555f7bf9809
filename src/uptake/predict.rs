//! From the fitted posterior to the thirst of a draw to come, one by one or jointly.

use super::fit::{Posterior, TreeFit};
use super::linear;
use chrono::NaiveDate;
use ndarray::{Array1, Array2, Axis, s};

/// A draw to come, as the regression sees it.
#[derive(Debug, Clone, PartialEq)]
pub struct Target {
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
}

/// Expected ln thirst of several draws: means and their covariance, without the residual.
#[derive(Debug, Clone)]
pub struct Joint {
    /// Means.
    pub mean: Array1<f64>,
    /// Covariance, shared causes (coefficients, block, day) included.
    pub covariance: Array2<f64>,
    /// Part of each variance that is its tree's alone, on that date.
    pub own: Array1<f64>,
}

/// How one target hangs on coefficients and shared effects, and what is left over.
struct Loaded<'a> {
    target: &'a Target,
    loading: Array1<f64>,
    /// Mean that the tree's own rows add.
    own_mean: f64,
    /// The tree, and its whitened covariance with this target.
    tree: Option<(&'a TreeFit, Array1<f64>)>,
    /// Whitened covariance of the target's date with the dates of the fit; none for a date of it.
    date: Option<Array1<f64>>,
    block_is_new: bool,
    species_is_new: bool,
}

impl Posterior {
    /// Mean and standard deviation of the expected ln thirst of each target.
    pub fn thirst(&self, targets: &[Target]) -> Vec<(f64, f64)> {
        let loaded: Vec<Loaded> = targets.iter().map(|target| self.loaded(target)).collect();
        let spread = self.loadings(&loaded).dot(&self.covariance);
        loaded
            .iter()
            .zip(spread.rows())
            .map(|(target, row)| {
                let variance = target.loading.dot(&row) + self.left_over(target, target);
                (self.mean(target), variance.max(0.0).sqrt())
            })
            .collect()
    }

    /// Joint distribution of the expected ln thirst of all targets.
    pub fn joint(&self, targets: &[Target]) -> Joint {
        let loaded: Vec<Loaded> = targets.iter().map(|target| self.loaded(target)).collect();
        let loadings = self.loadings(&loaded);
        let mut covariance = loadings.dot(&self.covariance).dot(&loadings.t());
        for (i, a) in loaded.iter().enumerate() {
            for (j, b) in loaded.iter().enumerate().take(i + 1) {
                let both = covariance[[i, j]] + self.left_over(a, b);
                covariance[[i, j]] = both;
                covariance[[j, i]] = both;
            }
        }
        Joint {
            mean: loaded.iter().map(|target| self.mean(target)).collect(),
            covariance,
            own: loaded.iter().map(|target| self.own(target)).collect(),
        }
    }

    /// What sets a tree apart from its block, species and size on a date: mean and standard
    /// deviation of its effect on ln thirst; none for a tree without a row.
    pub fn tree_effect(&self, tree_id: &str, date: NaiveDate) -> Option<(f64, f64)> {
        let index = self.trees.binary_search_by(|tree| tree.tree_id.as_str().cmp(tree_id)).ok()?;
        let tree = &self.trees[index];
        let white = self.whitened_tree(tree, date);
        let p = self.coefficients().len();
        let mut loading = Array1::zeros(self.effects.len());
        loading.slice_mut(s![..p]).assign(&white.dot(&tree.white.covariates()));
        for (&column, load) in tree.columns.iter().zip(&white.dot(&tree.white.loadings())) {
            loading[p + column] = *load;
        }
        let variance = self.variances.tree_covariance(date, date) - white.dot(&white)
            + loading.dot(&self.covariance.dot(&loading));
        Some((white.dot(&tree.white.left()), variance.max(0.0).sqrt()))
    }

    /// What all trees share on a date of the fit: mean and standard deviation; none for another date.
    pub fn day_effect(&self, date: NaiveDate) -> Option<(f64, f64)> {
        let index = self.shared.dates.binary_search(&date).ok()?;
        let [_, _, days] = self.shared_effects();
        days.get(index).copied()
    }

    /// Mean and standard deviation of the effects shared between trees, in order: blocks, levels of
    /// the groupings, dates.
    pub(super) fn shared_effects(&self) -> [Vec<(f64, f64)>; 3] {
        let shared = &self.shared;
        let p = self.coefficients().len();
        let part = |from: usize, to: usize| -> Vec<(f64, f64)> {
            (p + from..p + to)
                .map(|at| (self.effects[at], self.covariance[[at, at]].max(0.0).sqrt()))
                .collect()
        };
        let (level, date) = (shared.first_level(), shared.first_date());
        [part(0, shared.blocks.len()), part(level, date), part(date, self.effects.len() - p)]
    }

    fn loadings(&self, loaded: &[Loaded]) -> Array2<f64> {
        let mut all = Array2::zeros((loaded.len(), self.effects.len()));
        for (mut row, target) in all.rows_mut().into_iter().zip(loaded) {
            row.assign(&target.loading);
        }
        all
    }

    fn mean(&self, target: &Loaded) -> f64 {
        target.loading.dot(&self.effects) + target.own_mean
    }

    fn loaded<'a>(&'a self, target: &'a Target) -> Loaded<'a> {
        let p = target.covariates.len();
        let (blocks, first_date) = (self.shared.blocks.len(), self.shared.first_date());
        let mut loading = Array1::zeros(self.effects.len());
        loading.slice_mut(s![..p]).assign(&Array1::from_vec(target.covariates.clone()));
        let block = self.shared.blocks.binary_search(&target.block).ok();
        if let Some(block) = block {
            loading[p + block] += 1.0;
        }
        let species = self.shared.species.binary_search(&target.species).ok();
        if let Some(species) = species {
            loading[p + blocks + species] += 1.0;
        }
        let date = match self.shared.dates.binary_search(&target.date) {
            Ok(date) => {
                loading[p + first_date + date] += 1.0;
                None
            }
            Err(_) => {
                let white = self.whitened_date(target.date);
                let weights = linear::backward(&self.shared.date_factor, &linear::column(&white));
                let mut dates = loading.slice_mut(s![p + first_date..]);
                dates += &weights.column(0);
                Some(white)
            }
        };
        let tree = self
            .trees
            .binary_search_by(|tree| tree.tree_id.as_str().cmp(&target.tree_id))
            .ok()
            .map(|index| (&self.trees[index], self.whitened_tree(&self.trees[index], target.date)));
        let mut own_mean = 0.0;
        if let Some((tree, white)) = &tree {
            own_mean = white.dot(&tree.left_before_effects(&self.effects, p));
            let mut covariates = loading.slice_mut(s![..p]);
            covariates -= &white.dot(&tree.white.covariates());
            let shared = white.dot(&tree.white.loadings());
            for (&column, load) in tree.columns.iter().zip(&shared) {
                loading[p + column] -= load;
            }
        }
        Loaded {
            target,
            loading,
            own_mean,
            tree,
            date,
            block_is_new: block.is_none(),
            species_is_new: species.is_none(),
        }
    }

    fn whitened_date(&self, date: NaiveDate) -> Array1<f64> {
        let with: Array1<f64> = self
            .shared
            .dates
            .iter()
            .map(|known| self.variances.day_covariance(*known, date))
            .collect();
        linear::forward(&self.shared.date_factor, &linear::column(&with)).remove_axis(Axis(1))
    }

    fn whitened_tree(&self, tree: &TreeFit, date: NaiveDate) -> Array1<f64> {
        let with: Array1<f64> =
            tree.dates.iter().map(|known| self.variances.tree_covariance(*known, date)).collect();
        tree.white.whitened(with)
    }

    /// What a tree's own rows leave open of its effect.
    fn own(&self, target: &Loaded) -> f64 {
        let date = target.target.date;
        let known = target.tree.as_ref().map_or(0.0, |(_, white)| white.dot(white));
        (self.variances.tree_covariance(date, date) - known).max(0.0)
    }

    /// Prior covariance of two targets that neither coefficients nor shared effects of the fit
    /// carry: a new block or species, a new date, and what the trees' own rows leave open.
    fn left_over(&self, a: &Loaded, b: &Loaded) -> f64 {
        let variances = &self.variances;
        let mut left = 0.0;
        if a.block_is_new && b.block_is_new && a.target.block == b.target.block {
            left += variances.block_sd.powi(2);
        }
        if a.species_is_new && b.species_is_new && a.target.species == b.target.species {
            left += variances.species_sd.powi(2);
        }
        if let (Some(white_a), Some(white_b)) = (&a.date, &b.date) {
            left += variances.day_covariance(a.target.date, b.target.date) - white_a.dot(white_b);
        }
        if a.target.tree_id == b.target.tree_id {
            left += variances.tree_covariance(a.target.date, b.target.date);
            if let (Some((_, white_a)), Some((_, white_b))) = (&a.tree, &b.tree) {
                left -= white_a.dot(white_b);
            }
        }
        left
    }
}
