//! Groves drawn from the model's own priors, written out effect by effect: no algebra of the fit is
//! in here. The truth is kept beside the rows.
#![allow(dead_code)]

use chrono::{Days, NaiveDate};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use std::collections::BTreeMap;
use xylocast::uptake::fit::{CoefficientPrior, Row, Variances};
use xylocast::uptake::likelihood::Seen;
use xylocast::uptake::predict::Target;

/// How a grove is worked.
#[derive(Debug, Clone, Copy)]
pub struct Plan {
    pub trees: usize,
    pub blocks: usize,
    pub days: usize,
    pub days_between: u64,
    pub draws_a_day: usize,
}

/// Where one draw stands.
#[derive(Debug, Clone, Copy)]
pub struct Place {
    pub tree: usize,
    pub day: usize,
    pub crew: usize,
}

/// A grove with its truth.
pub struct Simulated {
    pub rows: Vec<Row>,
    pub crews: Vec<Option<String>>,
    pub places: Vec<Place>,
    /// Expected ln thirst of each row, and what the bag really drew.
    pub expected: Vec<f64>,
    pub thirst: Vec<f64>,
    pub coefficients: Vec<f64>,
    /// Each tree's effect on the day of its last row: lasting, drifted and planted.
    pub trees: BTreeMap<String, f64>,
    pub days: BTreeMap<NaiveDate, f64>,
}

impl Simulated {
    /// The draw of a row as something to come.
    pub fn target(&self, row: usize) -> Target {
        let row = &self.rows[row];
        Target {
            tree_id: row.tree_id.clone(),
            block: row.block.clone(),
            species: row.species.clone(),
            date: row.date,
            covariates: row.covariates.clone(),
        }
    }
}

pub fn normal(random: &mut ChaCha8Rng) -> f64 {
    StandardNormal.sample(random)
}

pub fn first_date() -> NaiveDate {
    NaiveDate::from_ymd_opt(2025, 5, 1).unwrap()
}

/// Draws a grove. Every day two crews go round; the trees of a day are drawn without repeats.
/// `planted` adds to the ln thirst of a draw what the model does not know of.
pub fn grove(
    seed: u64,
    plan: Plan,
    v: &Variances,
    priors: &[CoefficientPrior],
    planted: &dyn Fn(Place) -> f64,
) -> Simulated {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let r = &mut random;
    let coefficients: Vec<f64> =
        priors.iter().map(|prior| prior.mean + prior.sd.unwrap() * normal(r)).collect();
    let blocks: Vec<f64> = (0..plan.blocks).map(|_| v.block_sd * normal(r)).collect();
    let species = v.species_sd * normal(r);
    let lasting: Vec<f64> = (0..plan.trees).map(|_| v.tree_sd * normal(r)).collect();
    let sizes: Vec<f64> = (0..plan.trees).map(|_| 0.3 * normal(r)).collect();
    let mut drift: Vec<f64> = (0..plan.trees).map(|_| v.drift_sd * normal(r)).collect();
    let mut day_effect = v.day_sd * normal(r);
    let kept = (-(plan.days_between as f64) / v.drift_days).exp();
    let day_kept = v.day_correlation.powf(plan.days_between as f64);
    let mut grove = Simulated {
        rows: Vec::new(),
        crews: Vec::new(),
        places: Vec::new(),
        expected: Vec::new(),
        thirst: Vec::new(),
        coefficients,
        trees: BTreeMap::new(),
        days: BTreeMap::new(),
    };
    for day in 0..plan.days {
        let date = first_date() + Days::new(day as u64 * plan.days_between);
        if day > 0 {
            for drift in &mut drift {
                *drift = kept * *drift + (1.0 - kept * kept).sqrt() * v.drift_sd * normal(r);
            }
            day_effect =
                day_kept * day_effect + (1.0 - day_kept * day_kept).sqrt() * v.day_sd * normal(r);
        }
        grove.days.insert(date, day_effect);
        let mut order: Vec<usize> = (0..plan.trees).collect();
        for index in 0..plan.draws_a_day.min(plan.trees) {
            let other = r.random_range(index..plan.trees);
            order.swap(index, other);
            let place = Place { tree: order[index], day, crew: index % 2 };
            let tree_id = format!("tree {:03}", place.tree);
            let covariates = vec![
                1.0,
                f64::from(r.random_range(4..13)).ln(),
                sizes[place.tree],
                0.2 * normal(r),
            ];
            let own = lasting[place.tree] + drift[place.tree];
            let expected =
                covariates.iter().zip(&grove.coefficients).map(|(x, b)| x * b).sum::<f64>()
                    + blocks[place.tree % plan.blocks]
                    + species
                    + day_effect
                    + own
                    + planted(place);
            let y = expected + v.scale * v.residual.quantile(r.random_range(1e-9..1.0));
            grove.trees.insert(tree_id.clone(), own + planted(place));
            grove.rows.push(Row {
                draw_id: grove.rows.len().to_string(),
                tree_id,
                block: format!("block {}", place.tree % plan.blocks),
                species: "elm".into(),
                date,
                covariates,
                seen: looked_at(y, r),
            });
            grove.crews.push(Some(["north", "south"][place.crew].into()));
            grove.places.push(place);
            grove.expected.push(expected);
            grove.thirst.push(y);
        }
    }
    grove
}

/// Looks as a crew takes them: rounds at a spacing of their own, some bags never seen empty, some
/// empty at the first look, some volumes read.
pub fn looked_at(y: f64, random: &mut ChaCha8Rng) -> Seen {
    let (below, above) = (random.random_range(0.05..0.4), random.random_range(0.05..0.4));
    match random.random_range(0..10) {
        0 => Seen::Between { low: f64::NEG_INFINITY, high: y + 3.0 * above },
        1 => Seen::Between { low: y - 3.0 * below, high: f64::INFINITY },
        2 => Seen::Measured {
            centre: y + 0.1 * normal(random),
            error: 0.1,
            low: f64::NEG_INFINITY,
            high: f64::INFINITY,
        },
        _ => Seen::Between { low: y - below, high: y + above },
    }
}
