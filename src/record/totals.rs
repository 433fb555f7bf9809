//! Sums over trees, and an independent look at whether they add up.

use super::amounts::Thousandths;
use super::line::Line;
use chrono::NaiveDate;
use serde::Serialize;
use std::collections::BTreeMap;

/// Sums over the applications of one product in one block on one day.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, utoipa::ToSchema)]
pub struct Total {
    /// Day, in the grove's zone.
    pub date: NaiveDate,
    /// Block.
    pub block: String,
    /// Product; none where nobody named it.
    pub product_name: Option<String>,
    /// Its registration number.
    pub registration_number: Option<String>,
    /// Applications.
    pub applications: usize,
    /// Product loaded, mL.
    pub product_ml: Thousandths,
    /// Product loaded, g.
    pub product_g: Thousandths,
    /// Mix loaded, of those whose every amount is known, mL.
    pub loaded_ml: Thousandths,
    /// Mix taken back, of the same, mL.
    pub recovered_ml: Thousandths,
    /// Mix that ran out, of the same, mL.
    pub leaked_ml: Thousandths,
    /// Mix that went in, of the same, mL.
    pub delivered_ml: Thousandths,
    /// Applications of which some amount is not known; they are not in the four sums above.
    pub not_known: usize,
}

/// Day, block, product and its registration number.
type Group<'l> = (NaiveDate, &'l str, Option<&'l str>, Option<&'l str>);

/// Sums by day, block and product, in this order.
pub fn totals(lines: &[Line]) -> Vec<Total> {
    let mut groups: BTreeMap<Group, Vec<&Line>> = BTreeMap::new();
    for line in lines {
        let (product, number) = (line.product_name.as_deref(), line.registration_number.as_deref());
        groups.entry((line.date, &line.block, product, number)).or_default().push(line);
    }
    let total = |((date, block, product, number), lines): (Group, Vec<&Line>)| {
        let known: Vec<&&Line> =
            lines.iter().filter(|line| line.amounts.delivered_ml.is_some()).collect();
        let sum = |amount: fn(&Line) -> Option<Thousandths>| {
            known.iter().filter_map(|line| amount(line)).sum()
        };
        Total {
            date,
            block: block.to_owned(),
            product_name: product.map(str::to_owned),
            registration_number: number.map(str::to_owned),
            applications: lines.len(),
            product_ml: lines.iter().filter_map(|line| line.amounts.product_ml).sum(),
            product_g: lines.iter().filter_map(|line| line.amounts.product_g).sum(),
            loaded_ml: sum(|line| line.amounts.loaded_ml),
            recovered_ml: sum(|line| line.amounts.recovered_ml),
            leaked_ml: sum(|line| line.amounts.leaked_ml),
            delivered_ml: sum(|line| line.amounts.delivered_ml),
            not_known: lines.len() - known.len(),
        }
    };
    groups.into_iter().map(total).collect()
}

/// Whether every line, every total and all of them together add up: what does not, in words.
///
/// It shares nothing with what made the sums but the numbers themselves.
pub fn adds_up(lines: &[Line], totals: &[Total]) -> Vec<String> {
    let mut wrong = Vec::new();
    for line in lines {
        let a = &line.amounts;
        if let (Some(l), Some(r), Some(k), Some(d)) =
            (a.loaded_ml, a.recovered_ml, a.leaked_ml, a.delivered_ml)
            && r + k + d != l
        {
            wrong.push(format!(
                "application {}: {r} mL back, {k} mL leaked and {d} mL delivered are not the {l} mL \
                 loaded",
                line.application_id
            ));
        }
    }
    for total in totals {
        let Total { loaded_ml: l, recovered_ml: r, leaked_ml: k, delivered_ml: d, .. } = *total;
        if r + k + d != l {
            wrong.push(format!(
                "total of {} {}: {r} + {k} + {d} is not {l}",
                total.date, total.block
            ));
        }
    }
    let delivered = |line: &Line| line.amounts.delivered_ml.map_or(0.0, Thousandths::value);
    let of_lines: f64 = lines.iter().map(delivered).sum();
    let of_totals: f64 = totals.iter().map(|total| total.delivered_ml.value()).sum();
    let counted: usize = totals.iter().map(|total| total.applications).sum();
    // Summed as floats, another way than the sums themselves, and so to a millionth of a mL.
    if (of_lines - of_totals).abs() > 1e-6 * (1.0 + lines.len() as f64) {
        wrong.push(format!("trees sum to {of_lines} mL delivered, totals to {of_totals} mL"));
    }
    if counted != lines.len() {
        wrong.push(format!("totals count {counted} applications, there are {}", lines.len()));
    }
    wrong
}
