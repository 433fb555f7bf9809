//! Beliefs against brute force: members and thirsts are drawn, each bag is emptied by walking its
//! member's clock, and what was counted is held against quantiles, probabilities, shares left and
//! joint counts. Laws also against a fine integral of their definition, a normal uncertainty plus a
//! residual, where one is far sharper than the other.
#![allow(missing_docs)]

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use std::sync::Arc;
use xylocast::belief::joint::{Together, at_least};
use xylocast::belief::{Belief, Course, Finish, Law, Residual};

const DRAWS: usize = 200_000;

/// Three days of demand as unlike as weather members can be: a bright one, a dull one, and one with
/// a night in which next to nothing flows.
fn course() -> Course {
    let minutes: Vec<f64> = (1..=160).map(|k| 5.0 * f64::from(k)).collect();
    let clock = |rate: &dyn Fn(f64) -> f64| {
        let mut total = 0.0;
        minutes
            .iter()
            .map(|t| {
                total += rate(*t) * 5.0 / 60.0;
                total
            })
            .collect::<Vec<f64>>()
    };
    let members = vec![
        clock(&|_| 1.1),
        clock(&|t| 0.3 + 0.2 * (t / 90.0).sin()),
        clock(&|t| if (120.0..500.0).contains(&t) { 0.01 } else { 0.9 }),
    ];
    Course::new(minutes, members)
}

/// Ln thirst about its mean, as the law defines it.
fn thirst(random: &mut ChaCha8Rng, sd: f64, residual: Residual, scale: f64) -> f64 {
    let z: f64 = StandardNormal.sample(random);
    let p: f64 = random.random_range(1e-12..1.0);
    let e = match residual {
        Residual::Logistic => (p / (1.0 - p)).ln(),
        Residual::Normal => StandardNormal.sample(random),
    };
    sd * z + scale * e
}

/// Minutes until a member's clock, straight between its minutes, has offered `wanted`.
fn walked(minutes: &[f64], clock: &[f64], wanted: f64) -> f64 {
    let (mut t0, mut c0) = (0.0, 0.0);
    for (&t1, &c1) in minutes.iter().zip(clock) {
        if c1 >= wanted {
            return t0 + (wanted - c0) / (c1 - c0) * (t1 - t0);
        }
        (t0, c0) = (t1, c1);
    }
    f64::INFINITY
}

/// Minutes and clocks of a course, read back through its own door.
fn tables(course: &Course) -> (Vec<f64>, Vec<Vec<f64>>) {
    let minutes: Vec<f64> = (1..=160).map(|k| 5.0 * f64::from(k)).collect();
    let member = |m: usize| minutes.iter().map(|t| course.demand_hours(m, *t)).collect();
    let members = (0..course.members()).map(member).collect();
    (minutes, members)
}

#[test]
fn quantiles_probabilities_and_shares_left_are_those_of_brute_force() {
    let course = Arc::new(course());
    let (minutes, clocks) = tables(&course);
    let horizon = course.horizon_min();
    let settings = [
        (0.3, Residual::Logistic, 0.15, 2.0),
        (1.4, Residual::Logistic, 0.15, 0.7),
        (0.05, Residual::Logistic, 0.3, 4.0),
        (0.4, Residual::Normal, 0.3, 2.0),
        (0.4, Residual::Normal, 0.3, 9.0),
    ];
    for (seed, (sd, residual, scale, wanted)) in (7..).zip(settings) {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let law = Arc::new(Law::new(sd, residual, scale));
        let belief = Belief::new(course.clone(), law, f64::ln(wanted));
        let (mut finishes, mut left) = (Vec::new(), [0.0; 4]);
        let looks = [20.0, 101.0, 333.0, horizon];
        for draw in 0..DRAWS {
            let member = draw % clocks.len();
            let y = thirst(&mut random, sd, residual, scale);
            finishes.push(walked(&minutes, &clocks[member], wanted * (-y).exp()));
            for (left, look) in left.iter_mut().zip(looks) {
                let gone = course.demand_hours(member, look) * y.exp() / wanted;
                *left += (1.0 - gone).max(0.0) / DRAWS as f64;
            }
        }
        finishes.sort_by(f64::total_cmp);
        let below = |t: f64| finishes.partition_point(|f| *f <= t) as f64 / DRAWS as f64;
        // Four standard errors of a share of 200,000.
        let slack = 4.0 * 0.5 / (DRAWS as f64).sqrt();

        let mut last = 0.0;
        for p in [0.01, 0.1, 0.25, 0.5, 0.75, 0.9, 0.99] {
            let finish = belief.quantile(p);
            match finish {
                Finish::At(t) => {
                    assert!((below(t) - p).abs() < slack, "{sd} {scale}: {p} at {t}, {}", below(t));
                    assert!((belief.empty_by(t).unwrap() - p).abs() < 2e-4);
                }
                Finish::After(t) => {
                    assert!(t == horizon && below(t) < p + slack, "{sd} {scale}: {p} after {t}");
                }
            }
            assert!(finish.at_least_min() >= last, "P10 <= P50 <= P90");
            last = finish.at_least_min();
        }
        for t in [3.0, 17.0, 88.0, 121.0, 300.0, 499.0, 612.0, horizon] {
            let found = belief.empty_by(t).unwrap();
            assert!((found - below(t)).abs() < slack, "{sd} {scale}: by {t} {found} {}", below(t));
            // Given that it was wet at 60 min: Bayes on the draws that were.
            if t >= 60.0 {
                let wet: f64 = 1.0 - below(60.0);
                let then = (below(t) - below(60.0)) / wet;
                let found = belief.empty_by_if_wet_at(t, 60.0).unwrap();
                assert!((found - then).abs() < 2.0 * slack / wet, "{found} {then}");
            }
        }
        assert_eq!(belief.empty_by(horizon + 1.0), None);
        assert_eq!(belief.share_left(horizon + 1.0), None);
        for (look, wanted) in looks.iter().zip(left) {
            let found = belief.share_left(*look).unwrap();
            assert!((found - wanted).abs() < 3e-3, "{sd} {scale}: left at {look} {found} {wanted}");
        }
    }
}

#[test]
fn each_member_reaches_its_mark_where_the_walk_does() {
    let course = course();
    let (minutes, clocks) = tables(&course);
    let mut random = ChaCha8Rng::seed_from_u64(3);
    for _ in 0..2000 {
        let member = random.random_range(0..3);
        let wanted: f64 = f64::exp(random.random_range(-6.0..3.0));
        let walked = walked(&minutes, &clocks[member], wanted);
        match course.reach(member, wanted.ln()) {
            Finish::At(t) => assert!((t - walked).abs() < 1e-6, "{t} {walked}"),
            Finish::After(t) => assert!(t == 800.0 && walked == f64::INFINITY),
        }
    }
}

/// `P(X <= x)` by the midpoint rule on a grid fine against both normal and residual.
fn law_by_integral(x: f64, sd: f64, residual: Residual, scale: f64) -> f64 {
    let steps = 20_000;
    let h = 18.0 / f64::from(steps);
    (0..steps)
        .map(|k| {
            let z = -9.0 + h * (f64::from(k) + 0.5);
            let density = (-0.5 * z * z).exp() / (2.0 * std::f64::consts::PI).sqrt();
            h * density * residual.cumulative((x - sd * z) / scale)
        })
        .sum()
}

/// From a residual ten times as wide as the mean's uncertainty to one a hundredth of it: a grove of
/// few, close-looked draws has the latter.
#[test]
fn laws_are_their_integrals_however_sharp_the_residual() {
    for residual in [Residual::Logistic, Residual::Normal] {
        for (sd, scale) in [
            (0.03, 0.3),
            (0.3, 0.15),
            (1.4, 0.15),
            (1.5, 0.1),
            (1.5, 0.06),
            (0.6, 0.02),
            (1.5, 0.015),
        ] {
            let law = Law::new(sd, residual, scale);
            let deviation = f64::hypot(sd, scale * residual.deviation());
            for k in -16..=16 {
                let x = 0.237 * f64::from(k) * deviation;
                let (found, wanted) = (law.cumulative(x), law_by_integral(x, sd, residual, scale));
                assert!(
                    (found - wanted).abs() < 2e-5,
                    "{residual:?} sd {sd} scale {scale}: P({x}) {found} {wanted}"
                );
            }
        }
    }
}

/// Trees that share a day and a block, written out cause by cause, against the factor's way.
#[test]
fn joint_counts_are_those_of_brute_force() {
    let course = Arc::new(course());
    let (day_sd, block_sd, own_sd, scale) = (0.3, 0.25, 0.4, 0.15);
    let trees = 12;
    // Covariance day + block + own, and its factor by the textbook.
    let same_block = |i: usize, j: usize| f64::from(i % 3 == j % 3);
    let covariance = |i: usize, j: usize| {
        day_sd * day_sd
            + block_sd * block_sd * same_block(i, j)
            + own_sd * own_sd * f64::from(i == j)
    };
    let mut factor = vec![vec![0.0; trees]; trees];
    for i in 0..trees {
        for j in 0..=i {
            let sum: f64 = (0..j).map(|k| factor[i][k] * factor[j][k]).sum();
            let left: f64 = covariance(i, j) - sum;
            factor[i][j] = if i == j { left.sqrt() } else { left / factor[j][j] };
        }
    }
    let wanted: Vec<f64> = (0..trees).map(|i| 0.8 + 0.25 * i as f64).collect();
    let within: Vec<f64> = (0..trees).map(|i| 130.0 + 20.0 * i as f64).collect();
    for residual in [Residual::Logistic, Residual::Normal] {
        let together = Together {
            courses: vec![course.clone(); trees],
            ln_wanted: wanted.iter().map(|w| w.ln()).collect(),
            factor: factor.clone(),
            residual,
            scale,
        };
        let counts = together.empty_counts(&within, 60_000, 11);
        assert!(counts.is_sorted());
        let mut random = ChaCha8Rng::seed_from_u64(12);
        let mut brute: Vec<usize> = (0..60_000)
            .map(|_| {
                let mut normal = |sd: f64| -> f64 {
                    let z: f64 = StandardNormal.sample(&mut random);
                    sd * z
                };
                let day = normal(day_sd);
                let blocks = [normal(block_sd), normal(block_sd), normal(block_sd)];
                let own: Vec<f64> = (0..trees).map(|_| normal(own_sd)).collect();
                let member = random.random_range(0..course.members());
                (0..trees)
                    .filter(|&i| {
                        let e = thirst(&mut random, 0.0, residual, scale);
                        let y = day + blocks[i % 3] + own[i] + e;
                        course.demand_hours(member, within[i]) * y.exp() >= wanted[i]
                    })
                    .count()
            })
            .collect();
        brute.sort_unstable();
        let share = |counts: &[usize], most: usize| {
            counts.partition_point(|c| *c <= most) as f64 / counts.len() as f64
        };
        for most in 0..trees {
            let (found, wanted) = (share(&counts, most), share(&brute, most));
            assert!((found - wanted).abs() < 0.012, "{residual:?} <= {most}: {found} {wanted}");
        }
        // "n of N, as sure as wished": so many or more in that share of the days, one more is not.
        for sure in [0.5, 0.8, 0.9, 0.95] {
            let n = at_least(&counts, sure);
            let reached = |n: usize| brute.iter().filter(|c| **c >= n).count() as f64 / 60_000.0;
            assert!(reached(n) > sure - 0.012 && reached(n + 1) < sure + 0.012, "{sure} {n}");
        }
    }
}

/// Marginals of the joint simulation are the beliefs themselves.
#[test]
fn the_mean_of_the_joint_count_is_the_sum_of_the_beliefs() {
    let course = Arc::new(course());
    let sds = [0.2, 0.5, 0.9, 1.3];
    let factor: Vec<Vec<f64>> = sds.iter().map(|sd| vec![*sd, 0.0, 0.0, 0.0]).collect();
    let together = Together {
        courses: vec![course.clone(); 4],
        ln_wanted: vec![0.5; 4],
        factor,
        residual: Residual::Logistic,
        scale: 0.15,
    };
    let counts = together.empty_counts(&[150.0; 4], 120_000, 5);
    let mean = counts.iter().sum::<usize>() as f64 / counts.len() as f64;
    let sum: f64 = sds
        .iter()
        .map(|sd| {
            let law = Arc::new(Law::new(*sd, Residual::Logistic, 0.15));
            Belief::new(course.clone(), law, 0.5).empty_by(150.0).unwrap()
        })
        .sum();
    assert!((mean - sum).abs() < 0.02, "{mean} {sum}");
}
