//! Today's looks taken up at once against the fit that starts all over with the same looks as rows:
//! two programs that share the likelihood and nothing below it. Then the quick sum over a reading
//! error against the exact one, and what a look must do to its neighbours.
#![allow(missing_docs)]

mod simulated;

use simulated::{Plan, grove};
use xylocast::belief::Law;
use xylocast::uptake::likelihood::Seen;
use xylocast::uptake::live::{Live, Updated};
use xylocast::uptake::model::{Model, ModelFile};
use xylocast::uptake::predict::Target;

fn model(rows: &[xylocast::uptake::fit::Row]) -> Model {
    Model::conditioned(ModelFile::prior(), rows.to_vec(), Default::default()).unwrap()
}

/// The largest difference of a P10, P50 or P90 in minutes, in per cent: thirst and minutes are
/// inverse at a steady demand.
fn apart_pct(a: &[(f64, f64)], b: &[(f64, f64)], model: &Model) -> f64 {
    let v = model.posterior().variances();
    let mut most: f64 = 0.0;
    for ((mean_a, sd_a), (mean_b, sd_b)) in a.iter().zip(b) {
        let [law_a, law_b] = [sd_a, sd_b].map(|sd| Law::new(*sd, v.residual, v.scale));
        for p in [0.1, 0.5, 0.9] {
            let minutes = |mean: f64, law: &Law| (law.quantile(p) - mean).exp();
            let (a, b) = (minutes(*mean_a, &law_a), minutes(*mean_b, &law_b));
            most = most.max(100.0 * (a / b - 1.0).abs());
        }
    }
    most
}

/// A grove with a history, whose last day is today: some bags of it looked at, some not.
fn both_ways(seed: u64, days: usize, draws_a_day: usize) -> (f64, Updated, Vec<(f64, f64)>) {
    let file = ModelFile::prior();
    let priors: Vec<_> = file.coefficients.iter().map(|c| c.prior.clone()).collect();
    let plan = Plan { trees: 40, blocks: 3, days, days_between: 2, draws_a_day };
    let grove = grove(seed, plan, &file.variances, &priors, &|_| 0.0);
    let today = grove.rows.last().unwrap().date;
    let first = grove.rows.iter().position(|row| row.date == today).unwrap();
    let (before, hanging) = grove.rows.split_at(first);
    let looked = |index: usize| index % 4 != 3;
    let mut rows = before.to_vec();
    rows.extend((0..hanging.len()).filter(|i| looked(*i)).map(|i| hanging[i].clone()));
    let targets: Vec<Target> = (first..grove.rows.len()).map(|row| grove.target(row)).collect();
    let seen: Vec<Option<Seen>> =
        (0..hanging.len()).map(|i| looked(i).then(|| hanging[i].seen.clone())).collect();
    let full = model(&rows).posterior().thirst(&targets);
    let base = model(before);
    let updated = Live::new(base.posterior(), &base.file().rows, &targets).update(&seen).unwrap();
    (apart_pct(&updated.thirst, &full, &base), updated, full)
}

#[test]
fn an_update_is_the_full_refit_within_one_per_cent_in_minutes() {
    for (seed, days, draws_a_day) in
        [(1, 1, 20), (2, 2, 10), (3, 3, 20), (4, 6, 30), (5, 20, 12), (6, 30, 30)]
    {
        let (apart, _, _) = both_ways(seed, days, draws_a_day);
        println!("{days} days of {draws_a_day} draws: {apart:.3} % apart at most");
        assert!(apart < 1.0, "{days} days of {draws_a_day} draws: {apart} % apart");
    }
}

/// Without history the two solve the same problem, and agree to rounding.
#[test]
fn without_history_the_two_are_the_same_maximum() {
    for seed in 10..14 {
        let (apart, _, _) = both_ways(seed, 1, 24);
        assert!(apart < 1e-3, "{apart} %");
    }
}

/// The thirst that the others make one expect is the refit without that bag.
#[test]
fn without_its_own_looks_a_bag_is_what_a_refit_without_them_says() {
    let file = ModelFile::prior();
    let priors: Vec<_> = file.coefficients.iter().map(|c| c.prior.clone()).collect();
    let plan = Plan { trees: 30, blocks: 2, days: 8, days_between: 2, draws_a_day: 16 };
    let grove = grove(21, plan, &file.variances, &priors, &|_| 0.0);
    let first = grove.rows.len() - plan.draws_a_day;
    let base = model(&grove.rows[..first]);
    let targets: Vec<Target> = (first..grove.rows.len()).map(|row| grove.target(row)).collect();
    let seen: Vec<Option<Seen>> =
        grove.rows[first..].iter().map(|r| Some(r.seen.clone())).collect();
    let updated = Live::new(base.posterior(), &base.file().rows, &targets).update(&seen).unwrap();
    for left_out in 0..targets.len() {
        let mut rows = grove.rows.clone();
        rows.remove(first + left_out);
        let refit = model(&rows).posterior().thirst(&targets[left_out..=left_out]);
        let apart = apart_pct(&updated.without_own[left_out..=left_out], &refit, &base);
        // Leaving a normal approximation out again is one itself: 2 % of the minutes.
        assert!(apart < 2.0, "bag {left_out}: {apart} %");
    }
}

#[test]
fn looks_move_the_neighbours_and_no_look_moves_nothing() {
    let base = model(&[]);
    let target = |tree: &str| Target {
        tree_id: tree.into(),
        block: "north".into(),
        species: String::new(),
        date: simulated::first_date(),
        covariates: vec![1.0, 8f64.ln(), 0.0, 0.0],
    };
    let targets = [target("a"), target("b"), target("c")];
    let live = Live::new(base.posterior(), &base.file().rows, &targets);
    let none = live.update(&[None, None, None]).unwrap();
    assert_eq!(none.thirst, live.at_start());
    let (before, _) = none.thirst[2];
    let slow = Seen::Between { low: f64::NEG_INFINITY, high: before - 0.5 };
    let fast = Seen::Between { low: before + 0.5, high: f64::INFINITY };
    let after = |seen: &Seen| {
        live.update(&[Some(seen.clone()), Some(seen.clone()), None]).unwrap().thirst[2]
    };
    assert!(after(&slow).0 < before - 0.1 && after(&fast).0 > before + 0.1);
    assert!(after(&slow).1 < none.thirst[2].1);
    // Two bags on one tree share all but their residuals.
    let twice = [target("a"), target("a")];
    let live = Live::new(base.posterior(), &[], &twice);
    let told = live.update(&[Some(slow), None]).unwrap();
    assert!((told.thirst[0].0 - told.thirst[1].0).abs() < 1e-6);
}
