//! The predictions of a backtest as rows.

use super::csv;
use crate::app::backtest::{Backtest, Prediction};

/// Every prediction.
pub fn rows(answer: &Backtest) -> Vec<u8> {
    csv(&COLUMNS, answer.predictions.iter().map(cells))
}

fn cells(one: &Prediction) -> Vec<String> {
    let number = |value: Option<f64>| value.map_or_else(String::new, |value| value.to_string());
    let minutes = |value: &Option<crate::app::times::Minutes>| {
        value.as_ref().map_or_else(String::new, ToString::to_string)
    };
    vec![
        one.grove.clone(),
        one.draw_id.clone(),
        one.tree_id.clone(),
        one.block.clone(),
        one.start.clone(),
        one.asked_at.clone(),
        one.lead_time_h.to_string(),
        one.new_tree.to_string(),
        one.rests_on.to_string(),
        minutes(&one.p10_min),
        minutes(&one.p50_min),
        minutes(&one.p90_min),
        number(one.p_empty_by_dusk),
        number(one.p_empty_by_morning),
        number(one.wet_at_min),
        number(one.empty_at_min),
        number(one.true_min),
        one.inside.unwrap_or_default().to_owned(),
        number(one.log_score),
        number(one.crps_min),
        number(one.constant_min),
        number(one.last_time_min),
        number(one.log_linear_min),
        number(one.reference_et_min),
    ]
}

const COLUMNS: [&str; 24] = [
    "grove",
    "draw_id",
    "tree_id",
    "block",
    "start",
    "asked_at",
    "lead_time_h",
    "new_tree",
    "rests_on_draws",
    "p10_min",
    "p50_min",
    "p90_min",
    "p_empty_by_dusk",
    "p_empty_by_morning",
    "wet_at_min",
    "empty_at_min",
    "true_min",
    "inside",
    "log_score",
    "crps_min",
    "constant_min",
    "last_time_min",
    "log_linear_min",
    "reference_et_min",
];
