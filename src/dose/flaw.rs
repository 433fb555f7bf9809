//! Why no dose, or no mix, can be given: for the whole work, or for one tree.

use super::rate::Product;
use chrono::NaiveDate;
use serde::Serialize;

/// What stops the whole work.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[expect(missing_docs, reason = "each variant is told by its message, each field by its name")]
pub enum DoseFlaw {
    #[error(
        "no label rate is set, and none is ever filled in. It stands in the label's directions for \
         use, under the crop or pest and under trunk injection or infusion, often as a table by \
         trunk diameter; type it as label_rate_ml_per_cm_dbh, or the key of the unit that the \
         label uses. If the label does not name this crop and this method, do not treat"
    )]
    NoRate,
    #[error(
        "the least dilution is not set, and none is ever filled in. It stands beside the rate in \
         the directions for use, as parts of water to one of product; type it as \
         min_water_ml_per_{}_product, 0 only where the label has the product go in undiluted",
        .unit.to_lowercase()
    )]
    NoDilution { unit: &'static str },
    #[error("{figure} {value} is outside 0 to {high}; copy it from the label again")]
    Figure { figure: &'static str, value: f64, high: f64 },
    #[error(
        "{figure} is typed in {unit} ({value}) and the rate in {rate_unit}; type both in the unit \
         of the label's rate"
    )]
    OtherUnit { figure: &'static str, value: f64, unit: &'static str, rate_unit: &'static str },
    #[error("there is no tree to dose; name at least one")]
    NoTrees,
    #[error("tree {id} is named twice and would be dosed twice; take one out")]
    Twice { id: String },
    #[error(
        "the label has a maximum per area and season, and the area of the block is not known; write \
         it into blocks.csv as area_ha or area_acres"
    )]
    NoArea,
    #[error(
        "the label has a maximum per area and season, trees of this block were treated this season, \
         and how much they were given is not on record; write it into trees.csv as \
         given_this_season_ml or given_this_season_g"
    )]
    AreaGivenUnknown,
    #[error("the block's area of {hectares} ha is outside 0.0001 to 100,000 ha; correct it")]
    Area { hectares: f64 },
    #[error(
        "the trees would get {planned} together; with {given} given this season that is over the \
         label's maximum of {most} for this block's area. Leave trees out or wait for the next \
         season"
    )]
    OverArea { planned: Product, given: Product, most: Product },
    #[error("{vessel} of {value} is outside {low} to {high} {unit}; correct it")]
    Vessel { vessel: &'static str, value: f64, unit: &'static str, low: f64, high: f64 },
    #[error("a spare share of {share} is outside 0 to 0.5 (0 to 50 %)")]
    Spare { share: f64 },
    #[error(
        "{wished} mL of water to one of product is wished, less than the label's {least}; mix at \
         least as thin as the label says"
    )]
    TooStrong { wished: f64, least: f64 },
    #[error("a product in grams cannot go in without water; set the least water from the label")]
    PowderWithoutWater,
    #[error(
        "the mixing can of {can_ml} mL does not hold one mark of product ({mark}) with its water \
         ({needed_ml} mL of mix); take a larger can or a finer vessel"
    )]
    CanTooSmall { can_ml: f64, mark: Product, needed_ml: f64 },
    #[error(
        "{trees} together need {wanted}, less than the first mark of the measuring vessel \
         ({mark}); take a finer vessel, or mix for more trees at once"
    )]
    BelowMark { trees: String, wanted: Product, mark: Product },
    #[error(
        "tree {id} is to get {mix_ml} mL of mix, less than the first mark of the vessel that it is \
         poured with ({mark_ml} mL); take a finer vessel or more water"
    )]
    BelowPour { id: String, mix_ml: f64, mark_ml: f64 },
}

/// Why one tree is not dosed, while others may be.
#[derive(Debug, Clone, PartialEq, thiserror::Error, Serialize, utoipa::ToSchema)]
#[schema(as = NoDose)]
#[serde(rename_all = "snake_case", tag = "refusal")]
#[expect(missing_docs, reason = "each variant is told by its message, each field by its name")]
pub enum Refusal {
    #[error(
        "{dose} is over the label's maximum of {most} per tree; where the label allows less than its \
         rate, write {most} into trees.csv as product_at_most_{} of this tree; else leave it out",
        .most.unit().to_lowercase()
    )]
    OverTree { dose: Product, most: Product },
    #[error(
        "it was treated this season, how much it was given is not on record, and the label's maximum \
         is {most} per tree and season; write the amount into trees.csv as given_this_season_{}",
        .most.unit().to_lowercase()
    )]
    GivenUnknown { most: Product },
    #[error(
        "{dose} with {given} given this season is over the label's maximum of {most} per tree and \
         season"
    )]
    OverTreeSeason { dose: Product, given: Product, most: Product },
    #[error(
        "the dose by the mean, {mean}, is more than its own label rate gives, {own}; dose it by its \
         own dbh, or type mean_dose_allowed = true if the label allows a mean or class dose"
    )]
    MeanOverOwn { mean: Product, own: Product },
    #[error(
        "last treated on {last}, {days} days before; the label asks for {least} days, so not \
         before {next}"
    )]
    TooSoon { last: NaiveDate, days: i64, least: u32, next: NaiveDate },
    #[error("last treated on {last}, which is after the day planned; correct one of the dates")]
    TreatedLater { last: NaiveDate },
    #[error("'{value}' is no amount of product: it must be a number from 0")]
    NotAnAmount { value: f64 },
    #[error("{dose:.0} of product for one tree cannot be right; check the rate's unit and the dbh")]
    DoseTooLarge { dose: f64 },
    #[error("{mix_ml:.0} mL of mix for one tree cannot be right; check rate, dbh and dilution")]
    MixTooLarge { mix_ml: f64 },
    #[error(
        "{mix_ml} mL of mix is wished, and its {product} needs at least {least_ml} mL by the \
         label's dilution; wish for more mix or a lower dose"
    )]
    MixTooStrong { mix_ml: f64, product: Product, least_ml: f64 },
}
