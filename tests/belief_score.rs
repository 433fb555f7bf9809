//! The scores against second ways to the same numbers: the CRPS as an integral over quantiles, the
//! area under the curve by all pairs, Brier by hand, the clustered interval in cases whose answer is
//! known, log scores as probabilities that add up to one.
#![allow(missing_docs)]

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use std::sync::Arc;
use xylocast::belief::score::*;
use xylocast::belief::{Belief, Course, Finish, Law, Residual};

/// A draw on invented weather: several members, a night in which little happens.
fn belief(seed: u64, horizon_min: f64) -> Belief {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let mut minutes = vec![0.25];
    while *minutes.last().unwrap() < horizon_min {
        let last: f64 = *minutes.last().unwrap();
        minutes.push((last + (0.25 * last).min(10.0)).min(horizon_min));
    }
    let members = random.random_range(1..12);
    let clocks = (0..members)
        .map(|_| {
            let strength: f64 = random.random_range(0.5..1.5);
            let (mut total, mut before) = (0.0, 0.0);
            minutes
                .iter()
                .map(|&minute| {
                    let night = (400.0..900.0).contains(&minute);
                    total += (minute - before) / 60.0 * strength * if night { 0.05 } else { 1.0 };
                    before = minute;
                    total
                })
                .collect()
        })
        .collect();
    let law = Law::new(random.random_range(0.05..0.6), Residual::Logistic, 0.15);
    let ln_wanted = random.random_range(0.5f64.ln()..6f64.ln());
    Belief::new(Arc::new(Course::new(minutes, clocks)), Arc::new(law), ln_wanted)
}

/// `2 int_0^1 (1{y <= q} - p)(q - y) dp` over quantiles (Laio and Tamea 2007, Hydrol. Earth Syst.
/// Sci. 11:1267-1277), by the midpoint rule; later than the weather counts as its end.
fn crps_by_quantiles(belief: &Belief, truth_min: f64) -> f64 {
    const SLICES: usize = 4_000;
    let loss = |slice: usize| {
        let p = (slice as f64 + 0.5) / SLICES as f64;
        let q = belief.quantile(p).at_least_min();
        2.0 * (f64::from(truth_min <= q) - p) * (q - truth_min)
    };
    (0..SLICES).map(loss).sum::<f64>() / SLICES as f64
}

#[test]
fn the_crps_is_the_integral_of_quantile_losses() {
    for seed in 0..12 {
        let belief = belief(seed, 1500.0);
        let truth_min = 20.0 + 120.0 * seed as f64;
        let found = belief.crps_min(Outcome::exactly(truth_min));
        let wanted = crps_by_quantiles(&belief, truth_min);
        assert!((found - wanted).abs() < 0.004 * wanted + 0.05, "{seed}: {found} {wanted}");
        // What is not known of the finish is left out: never more than with any finish inside.
        let apart = Outcome { after_min: truth_min - 15.0, by_min: Some(truth_min + 10.0) };
        let least = belief.crps_min(apart);
        assert!(least <= found && found <= least + 25.0, "{least} {found}");
    }
}

#[test]
fn log_scores_are_probabilities_that_add_up_to_one() {
    for seed in 0..20 {
        let belief = belief(seed, 700.0);
        let looks = [0.0, 60.0, 130.0, 131.0, 300.0, 690.0];
        let between: f64 = looks
            .windows(2)
            .map(|pair| Outcome { after_min: pair[0], by_min: Some(pair[1]) })
            .chain([Outcome { after_min: 690.0, by_min: None }])
            .map(|outcome| belief.log_score(outcome).exp())
            .sum();
        assert!((between - 1.0).abs() < 1e-9, "{between}");
        let beyond = Outcome { after_min: 800.0, by_min: Some(900.0) };
        let horizon = belief.empty_by(700.0).unwrap();
        assert!((belief.log_score(beyond).exp() - (1.0 - horizon)).abs() < 1e-9);
    }
}

#[test]
fn an_interval_is_inside_surely_possibly_or_not() {
    let band = (Finish::At(60.0), Finish::At(120.0));
    let inside =
        |after_min: f64, by_min: Option<f64>| Outcome { after_min, by_min }.inside(band.0, band.1);
    assert_eq!(inside(60.0, Some(120.0)), Inside::Surely);
    assert_eq!(inside(30.0, Some(90.0)), Inside::Possibly);
    assert_eq!(inside(100.0, None), Inside::Possibly);
    assert_eq!(inside(0.0, Some(59.0)), Inside::No);
    assert_eq!(inside(121.0, None), Inside::No);
    let open = Outcome { after_min: 500.0, by_min: None };
    assert_eq!(open.inside(Finish::At(60.0), Finish::After(400.0)), Inside::Surely);

    let seen = Outcome { after_min: 80.0, by_min: Some(100.0) };
    let miss = seen.miss(120.0);
    assert_eq!((miss.least_min, miss.most_min), (20.0, Some(40.0)));
    assert_eq!((miss.least_pct, miss.most_pct), (20.0, Some(50.0)));
    assert_eq!(seen.miss(90.0).least_pct, 0.0);
    assert_eq!(Outcome { after_min: 80.0, by_min: None }.miss(40.0).least_pct, 50.0);
    assert_eq!(Outcome { after_min: 80.0, by_min: None }.miss(40.0).most_pct, None);
    assert_eq!([79.0, 90.0, 100.0].map(|at| seen.empty_by(at)), [Some(false), None, Some(true)]);
}

#[test]
fn the_area_under_the_curve_is_the_share_of_pairs_in_order() {
    for seed in 0..50 {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let count = random.random_range(2..60);
        let told: Vec<(f64, bool)> = (0..count)
            .map(|_| {
                // Few values, so that there are ties.
                let p = f64::from(random.random_range(0..8)) / 7.0;
                (p, random.random_bool(0.2 + 0.6 * p))
            })
            .collect();
        let of = |wanted: bool| told.iter().filter(move |told| told.1 == wanted).map(|told| told.0);
        let (mut pairs, mut right) = (0.0, 0.0);
        for yes in of(true) {
            for no in of(false) {
                pairs += 1.0;
                right += f64::from(yes > no) + 0.5 * f64::from(yes == no);
            }
        }
        match auc(&told) {
            Some(auc) => assert!((auc - right / pairs).abs() < 1e-12, "{auc}"),
            None => assert_eq!(pairs, 0.0),
        }
    }
}

#[test]
fn brier_and_calibration_by_hand() {
    let told = [(0.9, true), (0.5, false), (1.0, true), (0.1, true)];
    // (0.01 + 0.25 + 0 + 0.81) / 4
    assert!((brier(&told).unwrap() - 0.2675).abs() < 1e-12);
    assert_eq!(brier(&[]), None);
    let bins = calibration(&told, &[0.0, 0.5, 0.9, 1.0]);
    let counts: Vec<usize> = bins.iter().map(|bin| bin.count).collect();
    assert_eq!(counts, [1, 1, 2]);
    assert!((bins[2].told - 0.95).abs() < 1e-12 && bins[2].happened == 1.0);
    assert_eq!(
        (median([3.0, 1.0, 2.0].into_iter()), median([4.0, 1.0].into_iter())),
        (Some(2.0), Some(2.5))
    );
    assert_eq!((median(std::iter::empty()), mean(std::iter::empty())), (None, None));
}

#[test]
fn the_clustered_interval_is_that_of_the_clusters() {
    let mut random = ChaCha8Rng::seed_from_u64(7);
    let normal: Vec<f64> = (0..200).map(|_| StandardNormal.sample(&mut random)).collect();
    let of = |all: &[f64]| mean(all.iter().copied());
    let (middle, n) = (of(&normal).unwrap(), normal.len() as f64);
    let sd = (normal.iter().map(|z| (z - middle).powi(2)).sum::<f64>() / (n - 1.0)).sqrt();
    // Of independent values, the interval of the mean: 1.96 sd / sqrt n to either side.
    let alone: Vec<Vec<f64>> = normal.iter().map(|z| vec![*z]).collect();
    let (low, high) = clustered(&alone, of, 4000, 1).unwrap();
    let half = 1.96 * sd / n.sqrt();
    assert!((low - middle + half).abs() < 0.1 * half, "{low} {high} {half}");
    assert!((high - middle - half).abs() < 0.1 * half, "{low} {high} {half}");
    // Nine copies a day tell no more than one.
    let copied: Vec<Vec<f64>> = normal.iter().map(|z| vec![*z; 9]).collect();
    let (low9, high9) = clustered(&copied, of, 4000, 1).unwrap();
    assert!((low9 - low).abs() < 1e-9 && (high9 - high).abs() < 1e-9);
    // As single draws they would seem to.
    let loose: Vec<Vec<f64>> = copied.iter().flatten().map(|z| vec![*z]).collect();
    let (low1, high1) = clustered(&loose, of, 1000, 1).unwrap();
    assert!(high1 - low1 < 0.4 * (high - low));
    assert_eq!(clustered(&alone[..4], of, 100, 1), None);
}
