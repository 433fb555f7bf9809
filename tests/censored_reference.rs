//! The censored regression against two other programs, on the four data sets of
//! `tests/reference/censored_fit.json`, and the hierarchical fit against both.

use chrono::NaiveDate;
use ndarray::Array2;
use serde_json::Value;
use xylocast::belief::Residual;
use xylocast::uptake::fit::{CoefficientPrior, Row, Variances, fit};
use xylocast::uptake::likelihood::Seen;
use xylocast::uptake::regress::regress;

const NAMES: [&str; 5] = ["intercept", "log_dbh", "vpd_kpa", "soil_dry", "ring_porous"];

struct Reference {
    x: Array2<f64>,
    seen: Vec<Seen>,
    /// Sum of ln t over exact rows: the reference has the density of t, we that of ln t.
    ln_t: f64,
    expected: Value,
}

fn read(name: &str) -> Reference {
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/reference/");
    let json = std::fs::read_to_string(format!("{folder}censored_fit.json")).unwrap();
    let all: Value = serde_json::from_str(&json).unwrap();
    let expected = all["data_sets"][name].clone();
    let mut reader =
        csv::Reader::from_path(format!("{folder}{}", expected["file"].as_str().unwrap())).unwrap();
    let (mut x, mut seen, mut ln_t) = (Vec::new(), Vec::new(), 0.0);
    for record in reader.records() {
        let record = record.unwrap();
        let number = |column: usize| record[column].parse::<f64>().unwrap();
        let low = number(1).ln();
        let high = if record[2].is_empty() { f64::INFINITY } else { number(2).ln() };
        seen.push(match &record[3] {
            "exact" => {
                ln_t += low;
                Seen::Exactly(low)
            }
            _ => Seen::Between { low, high },
        });
        x.extend([1.0, number(4), number(5), number(6), number(7)]);
    }
    Reference { x: Array2::from_shape_vec((seen.len(), 5), x).unwrap(), seen, ln_t, expected }
}

fn number(value: &Value) -> f64 {
    value.as_f64().unwrap()
}

#[test]
fn equals_the_direct_maximum_of_two_other_programs() {
    for name in ["n60", "n400", "n3000", "exact_n200"] {
        let data = read(name);
        let fitted = regress(&data.x, &data.seen, Residual::Normal).unwrap();
        let want = &data.expected;
        for (index, coefficient) in NAMES.iter().enumerate() {
            let expected = number(&want["coefficients"][coefficient]);
            let found = fitted.coefficients[index];
            assert!((found - expected).abs() < 1e-5, "{name} {coefficient}: {found} {expected}");
            let se = fitted.covariance[[index, index]].sqrt();
            let expected = number(&want["standard_errors"][coefficient]);
            assert!((se / expected - 1.0).abs() < 1e-4, "{name} se {coefficient}: {se} {expected}");
        }
        let expected = number(&want["log_sigma"]);
        assert!((fitted.ln_scale - expected).abs() < 1e-5, "{name} {} {expected}", fitted.ln_scale);
        let se = fitted.covariance[[5, 5]].sqrt();
        assert!((se / number(&want["se_log_sigma"]) - 1.0).abs() < 1e-4, "{name} se {se}");
        let expected = number(&want["log_likelihood"]) + data.ln_t;
        assert!(
            (fitted.log_likelihood - expected).abs() < 1e-5,
            "{name} {}",
            fitted.log_likelihood
        );
    }
}

#[test]
fn the_hierarchical_fit_meets_it_where_effects_vanish() {
    for name in ["n60", "n400"] {
        let data = read(name);
        let direct = regress(&data.x, &data.seen, Residual::Normal).unwrap();
        let rows: Vec<Row> = data
            .seen
            .iter()
            .enumerate()
            .map(|(index, seen)| Row {
                draw_id: index.to_string(),
                tree_id: format!("tree {}", index % 17),
                block: format!("block {}", index % 3),
                species: String::new(),
                date: NaiveDate::from_ymd_opt(2024, 5, 1 + index as u32 % 28).unwrap(),
                covariates: data.x.row(index).to_vec(),
                seen: seen.clone(),
            })
            .collect();
        let priors: Vec<CoefficientPrior> = NAMES
            .iter()
            .map(|name| CoefficientPrior { name: (*name).into(), mean: 0.0, sd: None })
            .collect();
        let nothing = 1e-5;
        let variances = Variances {
            residual: Residual::Normal,
            scale: direct.ln_scale.exp(),
            tree_sd: nothing,
            drift_sd: nothing,
            drift_days: 20.0,
            block_sd: nothing,
            species_sd: nothing,
            day_sd: nothing,
            day_correlation: 0.5,
        };
        let fitted = fit(&rows, &priors, &variances).unwrap();
        for (found, expected) in fitted.coefficients().iter().zip(&direct.coefficients) {
            assert!((found - expected).abs() < 1e-6, "{name}: {found} {expected}");
        }
        assert!((fitted.log_likelihood() - direct.log_likelihood).abs() < 1e-6);
    }
}
