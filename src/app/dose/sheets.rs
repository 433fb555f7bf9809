//! The sheets ready to read: doses of a block, mixing of a batch, setting up, parts of the kits.

use super::figures::{Figures, signed_percent};
use super::{BlockDose, Dose, DoseNote, Fastest, Kits, NamedSheet, SheetKind};
use crate::app::rests::counted;
use crate::app::sheet::{CautionLine, Column, Fact, Part, Sheet, Step, Table, cautions_at};
use crate::dose::allot::{Basis, Refused};
use crate::dose::cautions::Act;
use crate::dose::hydraulics::Limit;
use crate::dose::mix::TreeDose;
use crate::dose::ports::{CLEAR_SIDEWAYS_CM, Ring};
use crate::dose::sheet::{DoseSheet, Heading, MixingSheet, SetUpSheet, TreeSetUp};
use crate::grove::Settings;

/// Every sheet of an answer, in the order of the work.
pub(super) fn all(dose: &Dose, settings: &Settings) -> Vec<NamedSheet> {
    let figures = &dose.figures;
    let mut sheets = Vec::new();
    let mut add = |kind, sheet| sheets.push(NamedSheet { kind, sheet });
    match &dose.asked_for {
        Some(asked_for) => add(SheetKind::Dose, asking_sheet(dose, asked_for)),
        None => {
            for block in &dose.blocks {
                add(SheetKind::Dose, dose_sheet(dose, block, figures));
            }
        }
    }
    for block in &dose.blocks {
        for batch in &block.mixing {
            add(SheetKind::Mixing, mixing_sheet(batch, figures));
        }
    }
    for block in dose.blocks.iter().filter(|block| !block.set_up.trees.is_empty()) {
        add(SheetKind::SetUp, set_up_sheet(&block.set_up, settings, figures));
    }
    if let (Some(kits), Some(block)) = (&dose.kits, dose.blocks.first()) {
        add(SheetKind::Kit, kit_sheet(kits, &block.set_up.heading, dose, figures));
    }
    for named in &mut sheets {
        if dose.is_demo {
            let invented = "Demo grove: place, trees and weather are invented.";
            named.sheet.first.insert(0, invented.to_owned());
        }
    }
    sheets
}

fn facts(heading: &Heading, block: bool) -> Vec<Fact> {
    let mut facts = vec![Fact::new("Grove", &heading.grove)];
    if block {
        facts.push(Fact::new("Block", &heading.block));
    }
    facts.push(Fact::new("Day", day_words(heading.day)));
    let typed =
        [("Product", &heading.product_name), ("Registration", &heading.registration_number)];
    facts.extend(
        typed.into_iter().filter_map(|(name, value)| Some(Fact::new(name, value.clone()?))),
    );
    facts
}

/// What to type from the label before anything can be dosed. No figure stands in it: an example
/// would be taken for a proposal.
fn asking_sheet(dose: &Dose, asked_for: &str) -> Sheet {
    let lines = [
        "label_rate_ml_per_cm_dbh, label_rate_ml_per_inch_dbh, per_cm_circumference_ml, \
         per_cm2_basal_area_ml or per_tree_ml: the rate, by what the label counts it; with g for ml \
         where the label counts grams",
        "min_water_ml_per_ml_product or min_water_ml_per_g_product: the least water",
        "max_per_tree_ml, max_per_tree_season_ml, max_per_hectare_season_ml or \
         max_per_acre_season_ml, min_interval_days: what the label limits, each if it does",
    ];
    let lines = lines.map(str::to_owned).to_vec();
    let title = "To be typed from the label, under [label] in grove.toml".into();
    Sheet {
        title: "No dose yet".into(),
        facts: vec![Fact::new("Grove", &dose.grove), Fact::new("Day", day_words(dose.day))],
        first: vec![sentence(asked_for)],
        cautions: cautions_at(Act::Planning),
        parts: vec![Part::Notes { title, lines }],
    }
}

fn sentence(words: &str) -> String {
    let mut letters = words.chars();
    let first = letters.next().map(|letter| letter.to_uppercase().to_string());
    format!("{}{}.", first.unwrap_or_default(), letters.as_str())
}

fn day_words(day: chrono::NaiveDate) -> String {
    day.format("%A %Y-%m-%d").to_string()
}

fn dose_sheet(dose: &Dose, block: &BlockDose, figures: &Figures) -> Sheet {
    let heading = &block.set_up.heading;
    let mut sheet = Sheet {
        title: format!("Dose sheet: {}", block.block),
        facts: facts(heading, true),
        first: Vec::new(),
        cautions: cautions_at(Act::Planning),
        parts: Vec::new(),
    };
    sheet.first.extend(block.stopped.iter().map(|why| format!("NO DOSE: {why}.")));
    if let Some(doses) = &block.doses {
        sheet.first.extend(refusals(&doses.refused));
        sheet.facts.push(Fact::new("Label rate, as typed", doses.label_rate.to_string()));
        sheet.facts.push(Fact::new("Dosed by", basis_words(doses, figures)));
        if let Some(trunks) = &doses.trunks {
            let (mean, sd) = (figures.dbh(trunks.mean_dbh_cm), figures.small_length(trunks.sd_cm));
            let unit = figures.small_length_unit();
            let words = format!(
                "{} trunks in trees.csv: mean dbh {mean} {unit}, standard deviation {sd} {unit}",
                trunks.trunks
            );
            sheet.facts.push(Fact::new("Trunks", words));
        }
        if !doses.trees.is_empty() {
            sheet.parts.push(Part::Table(dose_table(doses, figures)));
            sheet.parts.push(totals(block, doses, figures));
        }
        let lines: Vec<String> = doses.notes.iter().map(note_words).collect();
        if !lines.is_empty() {
            sheet.parts.push(Part::Notes { title: "Look at this".into(), lines });
        }
    }
    if !block.not_known.is_empty() {
        let title = "Not known".into();
        sheet.parts.push(Part::Notes { title, lines: block.not_known.clone() });
    }
    sheet.parts.extend(taken(&dose.taken_by_default, "mixing."));
    sheet
}

/// Refusals, with what to do said once after those that ask for the same.
fn refusals(refused: &[Refused]) -> Vec<String> {
    let mut lines = Vec::new();
    let mut remedies: Vec<(String, Vec<&str>)> = Vec::new();
    for Refused { id, why } in refused {
        let words = why.to_string();
        let (what, remedy) = words.split_once("; ").unwrap_or((&words, ""));
        lines.push(format!("NOT DOSED: tree {id}: {what}"));
        match remedies.iter_mut().find(|(known, _)| known == remedy) {
            _ if remedy.is_empty() => {}
            Some((_, ids)) => ids.push(id),
            None => remedies.push((remedy.to_owned(), vec![id])),
        }
    }
    lines.extend(remedies.iter().map(|(remedy, ids)| format!("{}: {remedy}", ids.join(", "))));
    lines
}

/// Habits of the trade that were taken for one table of the settings.
fn taken(lines: &[String], prefix: &str) -> Option<Part> {
    let of_table = |line: &&String| line.starts_with(prefix) || line.starts_with("bag.");
    let lines: Vec<&str> = lines.iter().filter(of_table).map(String::as_str).collect();
    let words = format!("{}. Type them into grove.toml where yours differ.", lines.join("; "));
    (!lines.is_empty()).then(|| Part::Notes {
        title: "Taken where nothing was typed (common practice, no source)".into(),
        lines: vec![words],
    })
}

fn basis_words(doses: &DoseSheet, figures: &Figures) -> String {
    match doses.basis {
        Basis::ByTree => "each tree's own dbh".into(),
        Basis::ByMean { mean_dbh_cm } => format!(
            "the block's mean dbh, {} {}, as the label allows by what you typed",
            figures.dbh(mean_dbh_cm),
            figures.small_length_unit()
        ),
    }
}

fn dose_table(doses: &DoseSheet, figures: &Figures) -> Table {
    let Figures { product, water, pour, .. } = figures;
    let lowered = |tree: &&TreeDose| tree.allotted != tree.label_dose;
    let show_allotted = doses.trees.iter().any(|tree| lowered(&tree));
    let mut columns = vec![
        Column::words("tree"),
        Column::number(format!("dbh\n{}", figures.small_length_unit())),
        Column::number(format!("label\ndose\n{}", product.unit)),
    ];
    if show_allotted {
        columns.push(Column::number(format!("to get\nat most\n{}", product.unit)));
    }
    columns.extend([
        Column::number(format!("gets\nproduct\n{}", product.unit)),
        Column::number(format!("gets\nwater\n{}", water.unit)),
        Column::act_on(format!("mix to\npour\n{}", pour.unit)),
        Column::number("against\nlabel"),
        Column::number("bags"),
        Column::number("re-\nfills"),
        Column::number(format!("last\nfill\n{}", pour.unit)),
    ]);
    let row = |tree: &TreeDose| {
        let mut cells = vec![
            tree.id.clone(),
            figures.dbh(tree.dbh_cm),
            product.between(tree.label_dose.value()),
        ];
        if show_allotted {
            cells.push(product.between(tree.allotted.value()));
        }
        cells.extend([
            product.between(tree.product.value()),
            water.between(tree.water_ml.value()),
            pour.on_mark(tree.mix_ml.value()),
            signed_percent(tree.off_label_dose),
            tree.bags.bags.to_string(),
            tree.bags.refills.to_string(),
            pour.between(tree.bags.last_fill_ml.value()),
        ]);
        cells
    };
    Table {
        title: "Tree by tree".into(),
        columns,
        rows: doses.trees.iter().map(row).collect(),
        total: None,
    }
}

fn totals(block: &BlockDose, doses: &DoseSheet, figures: &Figures) -> Part {
    let totals = &doses.totals;
    let Figures { product, water, pour, .. } = figures;
    let batches = counted(block.mixing.len(), "batch", "batches");
    let facts = vec![
        Fact::large("Product to measure out", figures.product(totals.product)),
        Fact::large("Water to measure out", water.measured(totals.water_ml.value())),
        Fact::new("Mix made", format!("{} in {batches}", pour.amount(totals.mix_ml.value()))),
        Fact::new("Poured for trees", pour.measured(totals.poured_ml.value())),
        Fact::new("Product the trees get", product.amount(totals.product_given.value())),
        Fact::new("Spare and rounding, never applied", pour.amount(totals.left_over_ml.value())),
        Fact::new("Bags to hang", totals.bags.to_string()),
        Fact::new("Refills", totals.refills.to_string()),
    ];
    let trees = counted(doses.trees.len(), "tree", "trees");
    Part::Facts { title: format!("Together, {trees}"), facts }
}

fn note_words(note: &DoseNote) -> String {
    match note {
        DoseNote::LastTreatmentUnknown { ids } => format!(
            "the label has a least interval, and the last treatment is not on record: {}",
            listed(ids)
        ),
        DoseNote::FarFromMean { ids } => {
            format!("more than 25 % off the mean, better dosed one by one: {}", listed(ids))
        }
        DoseNote::CoarseVessel { batch, lost } => format!(
            "batch {batch}: the vessel's mark is coarse and loses {:.0} % of the product; a finer \
             vessel loses less",
            100.0 * lost
        ),
    }
}

fn listed(ids: &[String]) -> String {
    crate::text::listed(ids)
}

fn mixing_sheet(sheet: &MixingSheet, figures: &Figures) -> Sheet {
    let batch = &sheet.batch;
    let Figures { product, water, pour, .. } = figures;
    let rounding = format!(
        "{} (wanted {}, mark {})",
        product.amount(batch.rounding.value()),
        product.amount(batch.product_wanted.value()),
        product.mark_words()
    );
    let measure = vec![
        Fact::large("Product", figures.product(batch.product)),
        Fact::large("Water", water.measured(batch.water_ml.value())),
        Fact::new("Makes", pour.amount(batch.mix_ml.value())),
        Fact::new("Strength", figures.strength(batch.product_per_litre)),
        Fact::new("Rounded off", rounding),
    ];
    let rows = batch
        .pours
        .iter()
        .map(|it| vec![it.id.clone(), pour.on_mark(it.mix_ml.value()), String::new()]);
    let poured: f64 = batch.pours.iter().map(|it| it.mix_ml.value()).sum();
    let table = Table {
        title: "Pour for each tree, and tag the bag".into(),
        columns: vec![
            Column::words("tree"),
            Column::act_on(format!("mix\n{}", pour.unit)),
            Column::words("done"),
        ],
        rows: rows.collect(),
        total: Some(vec!["together".into(), pour.on_mark(poured), String::new()]),
    };
    let left = format!(
        "{} stay in the can: spare and rounding. Not for any tree; use or dispose of it as the \
         label says.",
        pour.amount(batch.left_over_ml.value())
    );
    let by = ["Mixed by", "At", "Water from", "Lot"];
    let write_down = by.iter().map(|name| Fact::new(name, "")).collect();
    Sheet {
        title: format!(
            "Mixing sheet: {}, batch {} of {}",
            sheet.heading.block, batch.number, sheet.batches
        ),
        facts: facts(&sheet.heading, true),
        first: Vec::new(),
        cautions: cautions_at(Act::Mixing),
        parts: vec![
            Part::Facts { title: "Measure out".into(), facts: measure },
            Part::Table(table),
            Part::Notes { title: "Left over".into(), lines: vec![left] },
            Part::Facts { title: "Write down".into(), facts: write_down },
        ],
    }
}

fn set_up_sheet(sheet: &SetUpSheet, settings: &Settings, figures: &Figures) -> Sheet {
    let mut facts = facts(&sheet.heading, true);
    facts.push(Fact::new("Head of a full bag", figures.height(sheet.head_m.value())));
    if let Some(hours) = settings.label.re_entry_h {
        facts.push(Fact::new("Re-entry interval, as typed", format!("{hours} h")));
    }
    let mut parts = vec![Part::Table(set_up_table(sheet, figures))];
    let by_practice = "ports by practice: one to each root flare, never in the valleys between, 6 to \
                       12; by spacing where there are fewer than 6 flares or nobody counted them \
                       (common practice, no source). Where the label gives a number, it prevails";
    let lines = sheet.trees.iter().flat_map(|tree| tree_notes(tree, figures));
    let lines = std::iter::once(by_practice.to_owned()).chain(lines).collect();
    parts.push(Part::Notes { title: "Ports".into(), lines });
    // Each caution once, at the first step that it matters for.
    let mut seen: Vec<CautionLine> = Vec::new();
    let steps = sheet.steps.iter().map(|step| {
        let mut cautions = cautions_at(step.at);
        cautions.retain(|caution| !seen.contains(caution));
        seen.extend(cautions.iter().cloned());
        Step { words: step.words.to_owned(), cautions }
    });
    let title = "At each tree (common practice, no source)".into();
    parts.push(Part::Steps { title, steps: steps.collect() });
    Sheet {
        title: format!("Set-up checklist: {}", sheet.heading.block),
        facts,
        first: Vec::new(),
        cautions: Vec::new(),
        parts,
    }
}

fn set_up_table(sheet: &SetUpSheet, figures: &Figures) -> Table {
    let unit = figures.small_length_unit();
    let columns = vec![
        Column::words("tree"),
        Column::act_on("ports"),
        Column::number(format!("spaced\n{unit}")),
        Column::number("by prac-\ntice"),
        Column::number("bags"),
        Column::number("re-\nfills"),
        Column::act_on(format!("mix\n{}", figures.pour.unit)),
        Column::words("start"),
        Column::words("leak\nlook"),
    ];
    let row = |tree: &TreeSetUp| {
        let bags = |of: fn(&crate::dose::mix::Bags) -> u32| {
            tree.bags.as_ref().map_or("-".into(), |bags| of(bags).to_string())
        };
        vec![
            tree.id.clone(),
            tree.ports.ports.to_string(),
            figures.small_length(tree.ports.spacing_cm),
            tree.by_practice.ports.to_string(),
            bags(|bags| bags.bags),
            bags(|bags| bags.refills),
            tree.mix_ml.map_or("-".into(), |mix| figures.pour.on_mark(mix.value())),
            String::new(),
            String::new(),
        ]
    };
    Table {
        title: "Tree by tree".into(),
        columns,
        rows: sheet.trees.iter().map(row).collect(),
        total: None,
    }
}

fn tree_notes(tree: &TreeSetUp, figures: &Figures) -> Vec<String> {
    let mut lines = Vec::new();
    if tree.ports.close {
        lines.push(format!(
            "{}: {} ports stand {} apart; fewer may do on so thin a trunk",
            tree.id,
            tree.ports.ports,
            figures.small_length_words(tree.ports.spacing_cm)
        ));
    }
    lines.extend(
        tree.ring.as_ref().map(|ring| format!("{}: {}", tree.id, ring_words(ring, figures))),
    );
    lines
}

fn ring_words(ring: &Ring, figures: &Figures) -> String {
    let length = |cm: f64| figures.small_length_words(cm);
    let first = ring.holes.first().map_or(0.0, |hole| hole.along_cm);
    let spacing = match ring.holes.as_slice() {
        [first, second, ..] => format!(", then every {}", length(second.along_cm - first.along_cm)),
        _ => String::new(),
    };
    let at = format!("first hole {} clockwise of north{spacing}", length(first));
    let unplaced = match ring.unplaced {
        0 => String::new(),
        holes => format!(
            "; {} at this height without a direction on record: look for them",
            counted(holes, "old hole", "old holes")
        ),
    };
    let words = match ring.clearance_cm {
        None => format!("old holes are far above or below; {at}"),
        Some(clear) if clear + 1e-9 >= CLEAR_SIDEWAYS_CM => {
            format!("{at}: {} from the nearest old hole", length(clear))
        }
        Some(clear) => format!(
            "NOT CLEAR of old holes: an even ring comes within {} of one, and {} is the least; take \
             fewer ports, or a height more than 30 cm (12 in) above or below",
            length(clear),
            length(CLEAR_SIDEWAYS_CM)
        ),
    };
    words + &unplaced
}

fn kit_sheet(kits: &Kits, heading: &Heading, dose: &Dose, figures: &Figures) -> Sheet {
    let parts = &kits.parts;
    let kit = &parts.kit;
    let row = |part: &str, one: String, all: String| vec![part.to_owned(), one, all];
    let rows = vec![
        row("bag", kit.bags.to_string(), parts.bags.to_string()),
        row("hanger or hook", "1".into(), parts.hangers.to_string()),
        row(
            &format!("line, {} bore", figures.bore(parts.bore_mm)),
            figures.length_up(kit.line_m.value()),
            figures.length_up(parts.line_m),
        ),
        row("stopcock", kit.stopcocks.to_string(), parts.stopcocks.to_string()),
        row("tee", kit.tees.to_string(), parts.tees.to_string()),
        row("tip", kit.tips.to_string(), parts.tips.to_string()),
    ];
    let table = Table {
        title: format!("Parts for {}", counted(parts.kits as usize, "kit", "kits")),
        columns: vec![
            Column::words("part"),
            Column::number("one kit"),
            Column::act_on("all, with\nspares"),
        ],
        rows,
        total: None,
    };
    let pour = &figures.pour;
    let hang = vec![
        Fact::large("Hook above ground", figures.height(kit.hook_above_ground_m)),
        Fact::new(
            "Line volume: to purge, catch and pour back",
            format!(
                "{} a kit, {} in all",
                pour.amount(kit.purge_ml.value()),
                pour.amount(parts.purge_ml.value())
            ),
        ),
        Fact::new("Cut for", format!("tree {}, the thickest", kits.cut_for)),
    ];
    let mut first = Vec::new();
    if let Some(fastest) = kits.fastest.as_ref().filter(|it| it.check.limit == Limit::Line) {
        first.push(format!("THE LINE IS TOO NARROW: {}.", line_words(fastest, figures)));
    }
    if let Some(owned) = kits.kits_owned {
        first.push(format!(
            "{} are listed and the crew has {owned}: hang in turns, or bring more.",
            counted(parts.kits as usize, "kit", "kits")
        ));
    }
    Sheet {
        title: "Kit parts".into(),
        facts: facts(heading, dose.blocks.len() == 1),
        first,
        cautions: cautions_at(Act::Purging),
        parts: vec![
            Part::Table(table),
            Part::Facts { title: "Hang and purge".into(), facts: hang },
            Part::Notes {
                title: "Does the line keep up?".into(),
                lines: flow_lines(kits, figures),
            },
        ],
    }
}

fn flow_lines(kits: &Kits, figures: &Figures) -> Vec<String> {
    let mut lines = vec![format!(
        "a full bag's head gives {}; the longest way from bag to tip, {}, carries {} of water \
         at {} (clear, without kinks)",
        figures.pressure(kits.head_kpa.value()),
        figures.length(kits.parts.kit.longest_way_m.value()),
        figures.conductance(kits.line.value()),
        figures.temperature(kits.mix_temp_c.value())
    )];
    lines.push(match &kits.fastest {
        Some(fastest) => line_words(fastest, figures),
        None => "how fast the trees draw is not known: look at a drip at the tips".into(),
    });
    lines
}

fn line_words(fastest: &Fastest, figures: &Figures) -> String {
    let basis = if fastest.prior_only { "by the prior alone" } else { "by the model" };
    let turbulent = if fastest.check.laminar { "" } else { ", more as the flow is not laminar" };
    let lost = 100.0 * fastest.check.lost;
    let lost = if lost < 1.0 { "less than 1".to_owned() } else { format!("{lost:.0}") };
    format!(
        "tree {} draws fastest {basis}: {}, perhaps {} (one chance in ten above), in fair weather; \
         the line then takes {lost} % of the head{turbulent}: {}",
        fastest.tree_id,
        figures.flow(fastest.p50_ml_per_min),
        figures.flow(fastest.p90_ml_per_min),
        fastest.check.limit.words()
    )
}
