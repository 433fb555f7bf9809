//! Fields that common rules ask for, each with its rule and how that rule is known here.
//!
//! No rule was read in full and in its current text, and each message says so. That nothing is
//! missing is no sign that a rule is met.

use super::line::Line;
use serde::Serialize;

/// A field that is missing, and the rules that ask for it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, utoipa::ToSchema)]
#[schema(as = MissingField)]
pub struct Missing {
    /// What is missing, in words.
    pub field: &'static str,
    /// Where it is written.
    pub write: &'static str,
    /// The rules that ask for it, and how each is known.
    pub asked_by: Vec<&'static str>,
}

/// US records of restricted-use products.
pub const US_RESTRICTED: &str = "7 CFR 110.3 (text of 2006)";
/// US records of commercial applicators.
pub const US_COMMERCIAL: &str = "40 CFR 171.303(b)(7) (a summary was read)";
/// EU records of professional users.
pub const EU_RECORDS: &str = "EU 1107/2009 art. 67(1) (its recital was read)";
/// EU form of these records.
pub const EU_FORM: &str =
    "EU 2023/564 (a page about it was read, not its annex; where the authorisation asks for it)";

/// What is missing in a line. A product that nobody named may be plain water: then only that is
/// told.
pub fn missing(line: &Line) -> Vec<Missing> {
    let all = [US_RESTRICTED, US_COMMERCIAL, EU_RECORDS];
    let product = line.amounts.product_ml.or(line.amounts.product_g);
    let text = |text: &Option<String>| text.is_some();
    let fields: [(bool, &'static str, &'static str, &[&'static str]); 13] = [
        (text(&line.product_name), "product name", "product_name in applications.csv", &all),
        (
            text(&line.registration_number),
            "registration number",
            "registration_number in applications.csv or grove.toml [label]",
            &[US_RESTRICTED, US_COMMERCIAL, EU_FORM],
        ),
        (product.is_some(), "amount of product", "product_ml in applications.csv", &all),
        (
            line.amounts.delivered_ml.is_some(),
            "what went into the tree",
            "recovered_ml (and leaked_ml) in applications.csv, or the draw's strip",
            &[EU_RECORDS],
        ),
        (
            line.species.is_some() || line.crop.is_some(),
            "crop or kind of tree",
            "species in trees.csv, or crop in grove.toml [record]",
            &all,
        ),
        (
            line.size_ha.is_some(),
            "size of the treated area",
            "size_ha in grove.toml [record]",
            &all,
        ),
        (
            text(&line.applicator),
            "applicator's name",
            "applicator in applications.csv or grove.toml [record]",
            &[US_RESTRICTED, US_COMMERCIAL],
        ),
        (
            text(&line.licence),
            "applicator's licence number",
            "licence in applications.csv or grove.toml [record]",
            &[US_RESTRICTED, US_COMMERCIAL],
        ),
        (
            text(&line.customer),
            "customer's name and address (work for hire)",
            "customer in grove.toml [record]",
            &[US_COMMERCIAL],
        ),
        (
            text(&line.supervised),
            "supervised applicators, or the word none",
            "supervised in grove.toml [record]",
            &[US_COMMERCIAL],
        ),
        (
            text(&line.crop_code),
            "EPPO code of the crop",
            "crop_code in grove.toml [record]",
            &[EU_FORM],
        ),
        (text(&line.growth_stage), "BBCH stage", "growth_stage in grove.toml [record]", &[EU_FORM]),
        (text(&line.draw_id), "start and end", "draw_id in applications.csv", &[EU_FORM]),
    ];
    let missing = fields.into_iter().filter(|(there, ..)| !there);
    missing
        .map(|(_, field, write, asked_by)| Missing { field, write, asked_by: asked_by.to_vec() })
        .collect()
}

/// How long records are kept, as far as known here.
pub const KEPT: &str = "Keep it: 2 years (US restricted use and commercial, summaries read), 3 \
                        years in the EU (from memory) and in some US states; yours may ask for more.";
