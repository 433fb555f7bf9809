//! Who is out of the ordinary: trees, crews, days and blocks, estimated jointly, so that a crew's
//! bad day is not laid at the door of the trees that it set.
//!
//! One fit holds all effects at once: the model's own (coefficients, block, species, day, a tree's
//! lasting effect and its drift), and one more for each crew and each crew on each day. Each effect
//! is then held against what is ordinary:
//!
//! - a crew, and a crew on one day, against no effect at all: the estimate without its prior, over
//!   its standard error;
//! - a day and a block against their own spread: the posterior mean, over the standard deviation
//!   that this mean has among ordinary ones, `sqrt(prior - posterior variance)`;
//! - a tree, as it is on the last day, against the other trees of its block: trees differ by
//!   nature, so that only a difference beyond [`ORDINARY_RATIO`] counts (the test against a
//!   threshold of McCarthy and Smyth 2009, Bioinformatics 25:765-771).
//!
//! Of each kind, false alarms are held to a share of [`FALSE_SHARE`] of what is named (Benjamini
//! and Hochberg 1995, J. R. Statist. Soc. B 57:289-300).

use super::fit::{CoefficientPrior, FitError, Grouping, Posterior, Row, Variances, fit_grouped};
use super::predict::Target;
use crate::belief::law::normal_cumulative;
use chrono::NaiveDate;
use std::collections::{BTreeMap, BTreeSet};

/// Share of false ones among all that are named of a kind, on average.
pub const FALSE_SHARE: f64 = 0.05;
/// A tree that takes up to so many times as long as its block, or as little, is an ordinary tree
/// (judgement).
pub const ORDINARY_RATIO: f64 = 1.25;
/// Standard deviation of crews, and of a crew's days, in ln thirst (judgement).
const CREW_SD: f64 = 0.1;
const CREW_DAY_SD: f64 = 0.1;
/// Below this share of the prior variance taken off, the draws tell nothing of an effect.
const LEAST_TOLD: f64 = 1e-3;

/// What may be out of the ordinary.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, serde::Serialize, utoipa::ToSchema,
)]
#[schema(as = NamedKind)]
#[serde(rename_all = "snake_case")]
pub enum Kind {
    /// A tree against the others of its block.
    Tree,
    /// A crew.
    Crew,
    /// A crew on one day.
    CrewDay,
    /// A day, all trees together.
    Day,
    /// A block.
    Block,
}

/// One effect, held against what is ordinary.
#[derive(Debug, Clone, PartialEq)]
pub struct Effect {
    /// What it is.
    pub kind: Kind,
    /// Which one: a tree's id, a crew, a block; empty for a day.
    pub name: String,
    /// The day of a day or of a crew's day.
    pub date: Option<NaiveDate>,
    /// Draws behind it.
    pub draws: usize,
    /// Posterior mean of its effect on ln thirst; below 0 is slow.
    pub ln_thirst: f64,
    /// Posterior standard deviation.
    pub sd: f64,
    /// Probability of an estimate as far out, were it ordinary.
    pub p: f64,
    /// Is it named, with the false ones of its kind held to [`FALSE_SHARE`]?
    pub out: bool,
}

impl Effect {
    /// How many times as long it makes a draw, with a 95 % interval.
    pub fn times_as_long(&self) -> (f64, [f64; 2]) {
        let longer = |y: f64| (-y).exp();
        let half = 1.96 * self.sd;
        (longer(self.ln_thirst), [longer(self.ln_thirst + half), longer(self.ln_thirst - half)])
    }
}

/// All effects of a set of draws, sorted by kind and, within a kind, from the furthest out.
///
/// `crews` names who set each draw, where that was logged. A crew's day is told apart from the day
/// only where two crews worked on it, a crew only where there are two.
///
/// # Errors
/// [`FitError`] where the fit fails.
///
/// # Panics
/// Where there is not one crew a row: a fault of the caller.
pub fn diagnose(
    rows: &[Row],
    crews: &[Option<String>],
    priors: &[CoefficientPrior],
    variances: &Variances,
) -> Result<Vec<Effect>, FitError> {
    assert_eq!(rows.len(), crews.len());
    let (crew_names, crew) = levels(rows.iter().zip(crews).map(|(_, crew)| crew.clone()));
    let shared_days = days_of_two(rows, crews);
    let (crew_days, crew_day) = levels(rows.iter().zip(crews).map(|(row, crew)| {
        crew.clone().filter(|_| shared_days.contains(&row.date)).map(|crew| (row.date, crew))
    }));
    let alone = crew_names.len() < 2;
    let crew = if alone { vec![None; rows.len()] } else { crew };
    let crew_names = if alone { Vec::new() } else { crew_names };
    let groupings =
        [Grouping { sd: CREW_SD, level: crew }, Grouping { sd: CREW_DAY_SD, level: crew_day }];
    let posterior = fit_grouped(rows, priors, variances, &groupings, None)?;
    let [blocks, levels, days] = posterior.shared_effects();
    let (of_crews, of_crew_days) = levels.split_at(crew_names.len());
    let count = |is: &dyn Fn(&Row, &Option<String>) -> bool| {
        rows.iter().zip(crews).filter(|(row, crew)| is(row, crew)).count()
    };
    let mut effects = of_trees(rows, &posterior, variances);
    for (name, &told) in crew_names.iter().zip(of_crews) {
        let draws = count(&|_, crew| crew.as_ref() == Some(name));
        let p = against_none(told, CREW_SD);
        effects.push(effect(Kind::Crew, name.clone(), None, draws, told, p));
    }
    for ((date, name), &told) in crew_days.iter().zip(of_crew_days) {
        let draws = count(&|row, crew| row.date == *date && crew.as_ref() == Some(name));
        let p = against_none(told, CREW_DAY_SD);
        effects.push(effect(Kind::CrewDay, name.clone(), Some(*date), draws, told, p));
    }
    for (&date, &told) in posterior.shared.dates.iter().zip(&days) {
        let draws = count(&|row, _| row.date == date);
        let p = against_spread(told, variances.day_sd);
        effects.push(effect(Kind::Day, String::new(), Some(date), draws, told, p));
    }
    for (name, &told) in posterior.shared.blocks.iter().zip(&blocks) {
        let draws = count(&|row, _| row.block == *name);
        let p = against_spread(told, variances.block_sd);
        effects.push(effect(Kind::Block, name.clone(), None, draws, told, p));
    }
    effects.sort_by(|a, b| a.kind.cmp(&b.kind).then(a.p.total_cmp(&b.p)));
    for kind in effects.chunk_by_mut(|a, b| a.kind == b.kind) {
        let named = discoveries(&kind.iter().map(|effect| effect.p).collect::<Vec<_>>());
        kind[..named].iter_mut().for_each(|effect| effect.out = true);
    }
    Ok(effects)
}

/// How many of these probabilities, from the smallest on, are discoveries with the false ones held
/// to [`FALSE_SHARE`]; they must be sorted.
pub fn discoveries(sorted: &[f64]) -> usize {
    let all = sorted.len() as f64;
    let held = |(rank, p): (usize, &f64)| *p <= FALSE_SHARE * (rank + 1) as f64 / all;
    (1..=sorted.len()).rev().find(|&n| held((n - 1, &sorted[n - 1]))).unwrap_or(0)
}

/// Each tree against the mean of the others of its block on the last day of all: what they have in
/// common (coefficients, block, species, day) falls out of the difference.
fn of_trees(rows: &[Row], posterior: &Posterior, variances: &Variances) -> Vec<Effect> {
    let Some(date) = rows.iter().map(|row| row.date).max() else { return Vec::new() };
    let mut of_block: BTreeMap<&str, BTreeMap<&str, usize>> = BTreeMap::new();
    for row in rows {
        *of_block.entry(&row.block).or_default().entry(&row.tree_id).or_default() += 1;
    }
    let own_sd = variances.tree_covariance(date, date).sqrt();
    let mut effects = Vec::new();
    for (block, trees) in of_block.iter().filter(|(_, trees)| trees.len() > 1) {
        let targets: Vec<Target> = trees
            .keys()
            .map(|tree| Target {
                tree_id: (*tree).into(),
                block: (*block).into(),
                species: String::new(),
                date,
                covariates: vec![0.0; rows[0].covariates.len()],
            })
            .collect();
        let joint = posterior.joint(&targets);
        let others = (targets.len() - 1) as f64;
        let (all, whole) = (joint.mean.sum(), joint.covariance.sum());
        let prior_sd = own_sd * (1.0 + 1.0 / others).sqrt();
        for (i, (tree, draws)) in trees.iter().enumerate() {
            let own = joint.covariance[[i, i]];
            let with_all = joint.covariance.row(i).sum();
            let mean = joint.mean[i] - (all - joint.mean[i]) / others;
            let variance = own - 2.0 * (with_all - own) / others
                + (whole - 2.0 * with_all + own) / (others * others);
            let told = (mean, variance.max(0.0).sqrt());
            let p = beyond_ordinary(told, prior_sd);
            effects.push(effect(Kind::Tree, (*tree).into(), None, *draws, told, p));
        }
    }
    effects
}

fn effect(
    kind: Kind,
    name: String,
    date: Option<NaiveDate>,
    draws: usize,
    (ln_thirst, sd): (f64, f64),
    p: f64,
) -> Effect {
    Effect { kind, name, date, draws, ln_thirst, sd, p, out: false }
}

/// The levels that occur, in order, and each row's place among them.
fn levels<T: Ord + Clone>(of: impl Iterator<Item = Option<T>>) -> (Vec<T>, Vec<Option<usize>>) {
    let of: Vec<Option<T>> = of.collect();
    let known: Vec<T> = of.iter().flatten().cloned().collect::<BTreeSet<T>>().into_iter().collect();
    let place = |level: &T| known.partition_point(|other| other < level);
    let places = of.iter().map(|level| level.as_ref().map(place)).collect();
    (known, places)
}

fn days_of_two(rows: &[Row], crews: &[Option<String>]) -> BTreeSet<NaiveDate> {
    let mut of_day: BTreeMap<NaiveDate, BTreeSet<&str>> = BTreeMap::new();
    for (row, crew) in rows.iter().zip(crews) {
        of_day.entry(row.date).or_default().extend(crew.as_deref());
    }
    of_day.into_iter().filter(|(_, crews)| crews.len() > 1).map(|(date, _)| date).collect()
}

/// What the rows alone say: the posterior with its prior taken off, as estimate and standard error;
/// none where they say nothing.
fn without_prior((mean, sd): (f64, f64), prior_sd: f64) -> Option<(f64, f64)> {
    let (prior, left) = (prior_sd * prior_sd, sd * sd);
    let taken = prior - left;
    (taken > LEAST_TOLD * prior).then(|| (mean * prior / taken, (left * prior / taken).sqrt()))
}

fn two_sided(z: f64) -> f64 {
    2.0 * normal_cumulative(-z.abs())
}

fn against_none(told: (f64, f64), prior_sd: f64) -> f64 {
    without_prior(told, prior_sd).map_or(1.0, |(estimate, error)| two_sided(estimate / error))
}

fn against_spread((mean, sd): (f64, f64), prior_sd: f64) -> f64 {
    let taken = prior_sd * prior_sd - sd * sd;
    if taken > LEAST_TOLD * prior_sd * prior_sd { two_sided(mean / taken.sqrt()) } else { 1.0 }
}

/// The largest probability of an estimate as far out over all ordinary trees.
fn beyond_ordinary(told: (f64, f64), prior_sd: f64) -> f64 {
    without_prior(told, prior_sd)
        .map_or(1.0, |(estimate, error)| {
            let (far, room) = (estimate.abs(), ORDINARY_RATIO.ln());
            normal_cumulative((room - far) / error) + normal_cumulative(-(room + far) / error)
        })
        .min(1.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The worked example of Benjamini and Hochberg 1995, table 1: fifteen hypotheses, of which
    /// their procedure at 5 % rejects the first four.
    #[test]
    fn the_published_example_has_four_discoveries() {
        let p = [
            0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262,
            0.5719, 0.6528, 0.7590, 1.0000,
        ];
        assert_eq!(discoveries(&p), 4);
        assert_eq!((discoveries(&[]), discoveries(&[0.2]), discoveries(&[0.04])), (0, 0, 1));
    }

    /// A normal prior and a normal estimate: taking the prior off gives the estimate back.
    #[test]
    fn taking_the_prior_off_gives_the_estimate_back() {
        let (estimate, error, prior_sd) = (-0.7f64, 0.3f64, 0.2f64);
        let left = 1.0 / (error.powi(-2) + prior_sd.powi(-2));
        let told = (left * estimate / error.powi(2), left.sqrt());
        let (found, found_error) = without_prior(told, prior_sd).unwrap();
        assert!((found - estimate).abs() < 1e-12 && (found_error - error).abs() < 1e-12);
        assert_eq!(without_prior((0.0, prior_sd), prior_sd), None);
        assert!((against_none(told, prior_sd) - two_sided(0.7 / 0.3)).abs() < 1e-12);
    }
}
