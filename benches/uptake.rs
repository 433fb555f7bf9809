//! A fit of 3,000 draws on 300 trees, none of whose finishes was seen. `cargo bench --bench uptake`
#![allow(missing_docs)]

use chrono::{Days, NaiveDate};
use criterion::{Criterion, criterion_group, criterion_main};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use std::hint::black_box;
use xylocast::units::{Centimetres, Head};
use xylocast::uptake::fit::{CoefficientPrior, Row, fit};
use xylocast::uptake::likelihood::Seen;
use xylocast::uptake::live::Live;
use xylocast::uptake::model::{Model, ModelFile, covariates};
use xylocast::uptake::predict::Target;

const TREES: usize = 300;
const DRAWS_OF_A_TREE: usize = 10;
const BLOCKS: usize = 6;
const SEASON_DAYS: u64 = 84;
/// Bags of the last day; 200 of them on trees without a draw.
const HANGING: usize = 500;

fn normal(random: &mut ChaCha8Rng, sd: f64) -> f64 {
    let z: f64 = StandardNormal.sample(random);
    sd * z
}

/// Nobody saw it empty, it was empty at the first look, or it lies between two looks.
fn looked_at(y: f64, random: &mut ChaCha8Rng) -> Seen {
    let (before, after) = (random.random_range(0.02..0.4), random.random_range(0.02..0.4));
    let (low, high) = (y - before, y + after);
    match random.random_range(0..10) {
        0 => Seen::Between { low, high: f64::INFINITY },
        1 => Seen::Between { low: f64::NEG_INFINITY, high },
        _ => Seen::Between { low, high },
    }
}

fn season(model: &ModelFile) -> Vec<Row> {
    let random = &mut ChaCha8Rng::seed_from_u64(3);
    let spread = model.variances;
    let days: Vec<f64> = (0..SEASON_DAYS).map(|_| normal(random, spread.day_sd)).collect();
    let blocks: Vec<f64> = (0..BLOCKS).map(|_| normal(random, spread.block_sd)).collect();
    let first = NaiveDate::from_ymd_opt(2026, 1, 5).unwrap();
    let mut rows = Vec::with_capacity(TREES * DRAWS_OF_A_TREE);
    for tree in 0..TREES {
        let block = tree % BLOCKS;
        let own = normal(random, spread.tree_sd) + blocks[block];
        let dbh = Centimetres::computed(random.random_range(20.0..90.0));
        for _ in 0..DRAWS_OF_A_TREE {
            let day = random.random_range(0..SEASON_DAYS);
            let head = Some(Head::computed(random.random_range(1.0..2.5)));
            let covariates = covariates(random.random_range(4..14), dbh, head);
            let expected: f64 =
                covariates.iter().zip(&model.coefficients).map(|(x, b)| x * b.mean).sum();
            let y = expected + own + days[day as usize] + normal(random, 1.8 * spread.scale);
            rows.push(Row {
                draw_id: rows.len().to_string(),
                tree_id: format!("tree {tree}"),
                block: format!("block {block}"),
                species: String::new(),
                date: first + Days::new(day),
                covariates,
                seen: looked_at(y, random),
            });
        }
    }
    rows
}

fn a_season(criterion: &mut Criterion) {
    let model = ModelFile::prior();
    let rows = season(&model);
    let priors: Vec<CoefficientPrior> =
        model.coefficients.iter().map(|coefficient| coefficient.prior.clone()).collect();
    let mut group = criterion.benchmark_group("fit");
    group.sample_size(20);
    group.bench_function("3,000 draws of 300 trees", |bench| {
        bench.iter(|| fit(black_box(&rows), &priors, &model.variances).unwrap());
    });
    group.finish();
}

/// Five hundred bags hang, each looked at: wet, empty, or read off. The preparation belongs to the
/// fit; the update is what a look costs.
fn today(criterion: &mut Criterion) {
    let model = ModelFile::prior();
    let rows = season(&model);
    let base = Model::conditioned(model.clone(), rows.clone(), Default::default()).unwrap();
    let random = &mut ChaCha8Rng::seed_from_u64(4);
    let date = rows.iter().map(|row| row.date).max().unwrap() + Days::new(1);
    let targets: Vec<Target> = (0..HANGING)
        .map(|tree| Target {
            tree_id: format!("tree {tree}"),
            block: format!("block {}", tree % BLOCKS),
            species: String::new(),
            date,
            covariates: covariates(random.random_range(4..14), Centimetres::computed(40.0), None),
        })
        .collect();
    let thirsts = base.posterior().thirst(&targets);
    let seen: Vec<Option<Seen>> = thirsts
        .iter()
        .enumerate()
        .map(|(bag, (mean, sd))| {
            let y = mean + normal(random, *sd) + normal(random, 1.8 * model.variances.scale);
            Some(match bag % 3 {
                0 => Seen::Between { low: f64::NEG_INFINITY, high: y + 0.4 },
                1 => Seen::Between { low: y - 0.1, high: y + 0.1 },
                _ => {
                    let (low, high) = (f64::NEG_INFINITY, y + 0.5);
                    Seen::Measured { centre: y, error: 0.06, low, high }
                }
            })
        })
        .collect();
    let mut group = criterion.benchmark_group("live");
    group.sample_size(20);
    group.bench_function("preparing 500 bags", |bench| {
        bench.iter(|| Live::new(base.posterior(), black_box(&rows), &targets));
    });
    let live = Live::new(base.posterior(), &rows, &targets);
    println!("500 bags share {} directions", live.rank());
    group.bench_function("looks at 500 bags", |bench| {
        bench.iter(|| live.update(black_box(&seen)).unwrap());
    });
    group.finish();
}

criterion_group!(benches, a_season, today);
criterion_main!(benches);
