//! Doses, batches, set-up and parts as CSV rows: a row to each tree, pour, tree or part.

use super::{csv, word};
use crate::app::dose::{BlockDose, Dose, SheetKind, Units};
use crate::app::measure::Measured;

/// Rows of one kind of sheet; of doses where none is named.
pub fn rows(dose: &Dose, kind: Option<SheetKind>) -> Vec<u8> {
    match kind.unwrap_or(SheetKind::Dose) {
        SheetKind::Dose => doses(dose),
        SheetKind::Mixing => mixing(dose),
        SheetKind::SetUp => set_up(dose),
        SheetKind::Kit => kit(dose),
    }
}

fn table(header: &[String], rows: Vec<Vec<String>>) -> Vec<u8> {
    let header: Vec<&str> = header.iter().map(String::as_str).collect();
    csv(&header, rows)
}

fn length_unit(units: Units) -> &'static str {
    match units {
        Units::Metric => "cm",
        Units::Us => "in",
    }
}

/// Trees with their doses, and the trees that get none with the reason.
fn doses(dose: &Dose) -> Vec<u8> {
    let figures = &dose.figures;
    let (product, water, pour) = (figures.product, figures.water, figures.pour);
    let header = [
        "block".into(),
        "tree_id".into(),
        format!("dbh_{}", length_unit(figures.units)),
        format!("label_dose_{}", product.key),
        format!("at_most_{}", product.key),
        format!("product_{}", product.key),
        format!("water_{}", water.key),
        format!("mix_{}", pour.key),
        "off_label_dose_pct".into(),
        "bags".into(),
        "refills".into(),
        format!("last_fill_{}", pour.key),
        "refused".into(),
    ];
    let blank = |count: usize| std::iter::repeat_n(String::new(), count);
    let mut rows = Vec::new();
    for block in &dose.blocks {
        if let Some(why) = &block.stopped {
            let head = [block.block.clone()].into_iter().chain(blank(11));
            rows.push(head.chain([why.clone()]).collect());
        }
        let Some(doses) = &block.doses else { continue };
        rows.extend(doses.trees.iter().map(|tree| {
            vec![
                block.block.clone(),
                tree.id.clone(),
                figures.dbh(tree.dbh_cm),
                product.between(tree.label_dose.value()),
                product.between(tree.allotted.value()),
                product.between(tree.product.value()),
                water.between(tree.water_ml.value()),
                pour.on_mark(tree.mix_ml.value()),
                format!("{:.1}", 100.0 * tree.off_label_dose),
                tree.bags.bags.to_string(),
                tree.bags.refills.to_string(),
                pour.between(tree.bags.last_fill_ml.value()),
                String::new(),
            ]
        }));
        rows.extend(doses.refused.iter().map(|refused| {
            let head = [block.block.clone(), refused.id.clone()].into_iter().chain(blank(10));
            head.chain([refused.why.to_string()]).collect()
        }));
    }
    table(&header, rows)
}

fn mixing(dose: &Dose) -> Vec<u8> {
    let figures = &dose.figures;
    let (product, water, pour) = (figures.product, figures.water, figures.pour);
    let header = [
        "block".into(),
        "batch".into(),
        format!("batch_product_{}", product.key),
        format!("batch_water_{}", water.key),
        format!("batch_mix_{}", pour.key),
        format!("left_over_{}", pour.key),
        "tree_id".into(),
        format!("pour_{}", pour.key),
    ];
    let batches =
        dose.blocks.iter().flat_map(|block| block.mixing.iter().map(move |it| (block, it)));
    let rows = batches.flat_map(|(block, sheet)| {
        let batch = &sheet.batch;
        batch.pours.iter().map(move |it| {
            vec![
                block.block.clone(),
                batch.number.to_string(),
                product.on_mark(batch.product.value()),
                water.on_mark(batch.water_ml.value()),
                pour.between(batch.mix_ml.value()),
                pour.between(batch.left_over_ml.value()),
                it.id.clone(),
                pour.on_mark(it.mix_ml.value()),
            ]
        })
    });
    table(&header, rows.collect())
}

fn set_up(dose: &Dose) -> Vec<u8> {
    let figures = &dose.figures;
    let unit = length_unit(figures.units);
    let header = [
        "block".into(),
        "tree_id".into(),
        "ports".into(),
        format!("spacing_{unit}"),
        "ports_by_practice".into(),
        "practice".into(),
        format!("first_hole_clockwise_of_north_{unit}"),
        format!("nearest_old_hole_{unit}"),
        "clear_of_old_holes".into(),
        "bags".into(),
        "refills".into(),
        format!("mix_{}", figures.pour.key),
    ];
    let row = |block: &BlockDose, at: usize| {
        let tree = &block.set_up.trees[at];
        let ring = tree.ring.as_ref();
        let first = ring.and_then(|ring| ring.holes.first());
        let or_blank = |value: Option<String>| value.unwrap_or_default();
        vec![
            block.block.clone(),
            tree.id.clone(),
            tree.ports.ports.to_string(),
            figures.small_length(tree.ports.spacing_cm),
            tree.by_practice.ports.to_string(),
            word(&tree.by_practice.because),
            or_blank(first.map(|hole| figures.small_length(hole.along_cm))),
            or_blank(ring.and_then(|ring| Some(figures.small_length(ring.clearance_cm?)))),
            or_blank(ring.map(|ring| ring.clear.to_string())),
            or_blank(tree.bags.map(|bags| bags.bags.to_string())),
            or_blank(tree.bags.map(|bags| bags.refills.to_string())),
            or_blank(tree.mix_ml.map(|mix| figures.pour.on_mark(mix.value()))),
        ]
    };
    let blocks = dose.blocks.iter();
    let rows = blocks.flat_map(|it| (0..it.set_up.trees.len()).map(move |at| row(it, at)));
    table(&header, rows.collect())
}

fn kit(dose: &Dose) -> Vec<u8> {
    let sheets = dose.sheets_of(Some(SheetKind::Kit));
    let parts = sheets.iter().flat_map(|sheet| sheet.tables()).flat_map(|table| table.rows.clone());
    csv(&["part", "one_kit", "all_with_spares"], parts)
}

/// Trunks with their distance from the mean.
pub fn measured(answer: &Measured, units: Units) -> Vec<u8> {
    let (unit, per_unit) = match units {
        Units::Metric => ("cm", 1.0),
        Units::Us => ("in", 2.54),
    };
    let header = [
        "tree_id".into(),
        format!("circumference_{unit}"),
        format!("dbh_{unit}"),
        "off_mean_pct".into(),
        "one_by_one".into(),
    ];
    let row = |trunk: &crate::app::measure::MeasuredTrunk| {
        vec![
            trunk.id.clone(),
            format!("{:.1}", trunk.circumference_cm / per_unit),
            format!("{:.2}", trunk.dbh_cm / per_unit),
            format!("{:.1}", 100.0 * trunk.off_mean),
            if trunk.one_by_one { "yes" } else { "no" }.into(),
        ]
    };
    table(&header, answer.trunks.iter().map(row).collect())
}
