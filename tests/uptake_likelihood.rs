//! The likelihood of what was seen against its definition: `tests/reference/likelihood.json` holds
//! log-likelihoods and their derivatives to 40 digits, made by `make_likelihood.py` beside it from
//! `F(b) - F(a)` and from integrals over the reading error alone; here finite differences are the
//! second way again, at random points. Then what the readings must do to a fit, whatever the
//! numbers: wet later means slower, empty earlier means thirstier.
#![allow(missing_docs)]

use chrono::NaiveDate;
use proptest::prelude::*;
use serde_json::Value;
use xylocast::belief::{Law, Residual};
use xylocast::uptake::fit::{CoefficientPrior, Row, Variances, fit};
use xylocast::uptake::likelihood::{Seen, Slopes};
use xylocast::uptake::model::ModelFile;
use xylocast::uptake::predict::Target;

const INF: f64 = f64::INFINITY;

fn close(found: f64, wanted: f64, relative: f64, absolute: f64) -> bool {
    (found - wanted).abs() <= absolute + relative * wanted.abs()
}

#[test]
fn equals_the_definition_to_forty_digits_also_far_out() {
    let file = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/reference/likelihood.json");
    let entries: Vec<Value> =
        serde_json::from_str(&std::fs::read_to_string(file).unwrap()).unwrap();
    assert!(entries.len() > 90);
    let mut wrong = Vec::new();
    for entry in &entries {
        let seen: Seen = serde_json::from_value(entry["seen"].clone()).unwrap();
        let residual: Residual = serde_json::from_value(entry["residual"].clone()).unwrap();
        let number = |name: &str| entry["slopes"][name].as_f64().unwrap();
        let (f, scale) = (entry["expected"].as_f64().unwrap(), entry["scale"].as_f64().unwrap());
        let found = seen.slopes(residual, f, scale);
        let (relative, absolute): (f64, f64) = match seen {
            Seen::Measured { .. } => (1e-8, 1e-8),
            _ => (1e-6, 1e-9),
        };
        for (name, found) in [
            ("value", found.value),
            ("f", found.f),
            ("ff", found.ff),
            ("s", found.s),
            ("ss", found.ss),
            ("fs", found.fs),
        ] {
            // Curvatures are differences of larger numbers: 1e-9 of the largest of them.
            let most = ["f", "ff", "s", "ss", "fs"]
                .map(|n| number(n).abs())
                .into_iter()
                .fold(1.0, f64::max);
            if !close(found, number(name), relative, absolute.max(1e-9 * most)) {
                wrong.push(format!(
                    "{residual:?} {seen:?} {name}: {found:e} not {:e}",
                    number(name)
                ));
            }
        }
    }
    assert!(wrong.is_empty(), "{} wrong:\n{}", wrong.len(), wrong.join("\n"));
}

fn any_residual() -> impl Strategy<Value = Residual> {
    prop_oneof![Just(Residual::Logistic), Just(Residual::Normal)]
}

/// Something seen, with the ends given in residual scales from the expected value.
fn any_seen(f: f64, scale: f64) -> impl Strategy<Value = Seen> {
    let at = move |x: f64| f + scale * x;
    let place = -40.0..40.0;
    prop_oneof![
        (place.clone(), -7.0f64..4.0).prop_map(move |(a, ln_width)| Seen::Between {
            low: at(a),
            high: at(a + ln_width.exp()),
        }),
        place.clone().prop_map(move |b| Seen::Between { low: -INF, high: at(b) }),
        place.clone().prop_map(move |a| Seen::Between { low: at(a), high: INF }),
        place.clone().prop_map(move |x| Seen::Exactly(at(x))),
        (-15.0..15.0, -3.0f64..0.7).prop_map(move |(x, ln_error)| Seen::Measured {
            centre: at(x),
            error: scale * ln_error.exp(),
            low: -INF,
            high: INF,
        }),
        (-15.0..15.0, -3.0f64..0.7, -2.0f64..2.0, 0.3f64..4.0).prop_map(
            move |(x, ln_error, low, width)| {
                let error = scale * ln_error.exp();
                let low = at(x) + error * low;
                Seen::Measured { centre: at(x), error, low, high: low + error * width }
            }
        ),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig {
        cases: 400,
        failure_persistence: None,
        ..ProptestConfig::default()
    })]

    #[test]
    fn slopes_are_the_differences_of_the_value(
        residual in any_residual(),
        (f, scale, seen) in (-2.0f64..2.0, 0.05f64..0.6)
            .prop_flat_map(|(f, scale)| (Just(f), Just(scale), any_seen(f, scale))),
    ) {
        let h = 1e-4;
        let at = |df: f64, ds: f64| seen.slopes(residual, f + df * scale, scale * ds.exp());
        let here = at(0.0, 0.0);
        let central = |part: fn(&Slopes) -> f64| {
            let along_f = (part(&at(h, 0.0)) - part(&at(-h, 0.0))) / (2.0 * h * scale);
            let along_s = (part(&at(0.0, h)) - part(&at(0.0, -h))) / (2.0 * h);
            (along_f, along_s)
        };
        let (f1, s1) = central(|d| d.value);
        let (ff1, fs1) = central(|d| d.f);
        let (sf1, ss1) = central(|d| d.s);
        // Sizes that a derivative can have here, against which rounding is judged.
        let far = 1.0 + here.s.abs() + here.ss.abs();
        for (name, found, wanted, size) in [
            ("f", here.f, f1, 1.0 / scale),
            ("s", here.s, s1, 1.0),
            ("ff", here.ff, ff1, 1.0 / scale.powi(2)),
            ("fs", here.fs, fs1, 1.0 / scale),
            ("fs again", here.fs, sf1, 1.0 / scale),
            ("ss", here.ss, ss1, 1.0),
        ] {
            prop_assert!(
                close(found, wanted, 1e-4, 1e-5 * size * far),
                "{name}: {found} {wanted} for {seen:?} {residual:?} f {f} scale {scale}"
            );
        }
        prop_assert!(here.ff <= 1e-9, "log-concave: {}", here.ff);
    }

    /// Splitting what was seen adds up: `P(low..high) = P(low..cut) + P(cut..high)`.
    #[test]
    fn the_parts_of_an_interval_make_the_whole(
        residual in any_residual(),
        f in -2.0f64..2.0,
        scale in 0.05f64..0.6,
        a in -38.0f64..38.0,
        widths in (0.01f64..3.0, 0.01f64..3.0),
    ) {
        let cuts = [a, a + widths.0, a + widths.0 + widths.1].map(|x| f + scale * x);
        let value = |low, high| Seen::Between { low, high }.slopes(residual, f, scale).value;
        let whole = value(cuts[0], cuts[2]);
        let parts = (value(cuts[0], cuts[1]) - whole).exp() + (value(cuts[1], cuts[2]) - whole).exp();
        prop_assert!((parts - 1.0).abs() < 1e-8, "{parts}");
        let sides = [(-INF, cuts[0]), (cuts[0], INF)].map(|(low, high)| value(low, high).exp());
        prop_assert!((sides[0] + sides[1] - 1.0).abs() < 1e-12);
    }

    #[test]
    fn p10_p50_and_p90_stand_in_order(
        residual in any_residual(),
        sd in prop_oneof![Just(0.0), 0.001f64..2.0],
        scale in 0.02f64..1.0,
        p in 0.001f64..0.999,
        q in 0.001f64..0.999,
    ) {
        let law = Law::new(sd, residual, scale);
        let [p10, p50, p90] = [0.1, 0.5, 0.9].map(|p| law.quantile(p));
        prop_assert!(p10 < p50 && p50 < p90 && p50.abs() < 1e-12 && (p10 + p90).abs() < 1e-9);
        prop_assert!((p <= q) == (law.quantile(p) <= law.quantile(q)));
        prop_assert!((law.cumulative(law.quantile(p)) - p).abs() < 1e-8);
    }
}

// What readings do to a fit. --------------------------------------------------------------------

fn row(day: u32, tree: &str, low: f64, high: f64) -> Row {
    Row {
        draw_id: format!("{tree}{day}"),
        tree_id: tree.into(),
        block: "b".into(),
        species: String::new(),
        date: NaiveDate::from_ymd_opt(2025, 6, day).unwrap(),
        covariates: vec![1.0, 8f64.ln(), 0.0, 0.0],
        seen: Seen::Between { low, high },
    }
}

fn prior() -> (Vec<CoefficientPrior>, Variances) {
    let file = ModelFile::prior();
    (file.coefficients.iter().map(|c| c.prior.clone()).collect(), file.variances)
}

/// Expected ln thirst of the next draw of tree `a`, and its P10, P50 and P90.
fn next(rows: &[Row], residual: Residual) -> (f64, [f64; 3]) {
    let (priors, variances) = prior();
    let variances = Variances { residual, ..variances };
    let fitted = fit(rows, &priors, &variances).unwrap();
    let row = row(9, "a", 0.0, 1.0);
    let target = Target {
        tree_id: row.tree_id,
        block: row.block,
        species: row.species,
        date: row.date,
        covariates: row.covariates,
    };
    let (mean, sd) = fitted.thirst(&[target])[0];
    let law = Law::new(sd, residual, variances.scale);
    (mean, [0.1, 0.5, 0.9].map(|p| mean + law.quantile(p)))
}

#[test]
fn each_kind_of_reading_moves_the_fit_its_way() {
    for residual in [Residual::Logistic, Residual::Normal] {
        let nothing = next(&[], residual).0;
        let mean = |low: f64, high: f64| {
            let (mean, [p10, p50, p90]) = next(&[row(1, "a", low, high)], residual);
            assert!(p10 < p50 && p50 < p90);
            mean
        };
        // y = ln V - ln C: seen wet later bounds thirst from above, the lower the later.
        let (quick, slow) = (nothing + 0.5, nothing - 0.5);
        assert!(mean(-INF, slow) < mean(-INF, nothing), "wet later is slower");
        assert!(mean(-INF, nothing) < nothing, "never seen empty lowers thirst");
        assert!((mean(-INF, nothing + 9.0) - nothing).abs() < 0.01, "what was sure says nothing");
        assert!(mean(quick, INF) > mean(nothing, INF), "empty earlier is thirstier");
        assert!(mean(nothing, INF) > nothing, "empty at the first look raises thirst");
        // An interval pulls towards itself, and a tighter one on one side moves away from it.
        assert!(mean(quick, quick + 0.3) > nothing && mean(slow - 0.3, slow) < nothing);
        assert!(mean(quick, quick + 0.1) < mean(quick, quick + 0.6));
        assert!(mean(slow - 0.1, slow) > mean(slow - 0.6, slow));
        // Wet for a long time and then found empty: between the two one-sided answers.
        let both = mean(slow, quick);
        assert!(mean(-INF, quick) < both && both < mean(slow, INF));
    }
}

#[test]
fn volumes_read_off_move_the_fit_like_the_curve_they_lie_on() {
    for residual in [Residual::Logistic, Residual::Normal] {
        let (nothing, [low, _, high]) = next(&[], residual);
        let with = |seen: Seen| {
            let row = Row { seen, ..row(1, "a", 0.0, 1.0) };
            next(&[row], residual)
        };
        let measured =
            |centre: f64, error: f64| with(Seen::Measured { centre, error, low: -INF, high: INF });
        let centre = nothing + 1.0;
        let exactly = with(Seen::Exactly(centre));
        let near = measured(centre, 1e-4);
        assert!((near.0 - exactly.0).abs() < 1e-4, "no error is exact");
        let (sure, loose, hardly) =
            (measured(centre, 0.02).0, measured(centre, 0.4).0, measured(centre, 1.5).0);
        assert!(nothing < hardly && hardly < loose && loose < sure && sure <= exactly.0 + 1e-9);
        assert!(measured(nothing - 1.0, 0.1).0 < nothing);
        // Any reading narrows the band.
        let [p10, _, p90] = measured(centre, 0.1).1;
        assert!(p90 - p10 < high - low);
    }
}

/// A typing error thirty residuals off must neither break the fit nor drag the other trees along.
#[test]
fn a_wild_reading_is_survived() {
    for residual in [Residual::Logistic, Residual::Normal] {
        for wild in [-40.0, -9.0, 9.0, 40.0] {
            let at = next(&[], residual).0;
            let mut rows: Vec<Row> =
                (1..9).map(|day| row(day, "other", at - 0.1, at + 0.1)).collect();
            rows.push(row(5, "a", at + wild, at + wild + 0.2));
            let (priors, variances) = prior();
            let variances = Variances { residual, ..variances };
            let fitted = fit(&rows, &priors, &variances).unwrap();
            assert!(
                fitted.expected().iter().all(|f| f.is_finite())
                    && fitted.log_evidence().is_finite()
            );
            let moved = fitted.expected()[0] - at;
            assert!(moved.signum() == wild.signum() || moved.abs() < 0.2);
            // The maximum it is: no neighbour along any row's own effect is better.
            let slope: f64 = rows
                .iter()
                .zip(fitted.expected())
                .map(|(row, &f)| row.seen.slopes(residual, f, variances.scale).f)
                .sum();
            let intercept = fitted.coefficients()[0] - priors[0].mean;
            let pull = intercept / priors[0].sd.unwrap().powi(2);
            assert!(
                (slope - pull).abs() < 1e-5 * (1.0 + pull.abs()),
                "{residual:?} {wild}: {slope} {pull}"
            );
        }
    }
}
