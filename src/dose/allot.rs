//! What each tree is to get: by its own dbh, or by the mean where that is allowed, and never more
//! than its label rate or a label maximum.

use super::exact::Millionths;
use super::flaw::{DoseFlaw, Refusal};
use super::measure::FAR_FROM_MEAN;
use super::rate::{Label, LabelFigures};
use crate::units::{Centimetres, Millilitres};
use chrono::{Days, NaiveDate};
use serde::Serialize;
use std::collections::HashSet;

/// One tree to dose. Amounts are in the unit of the label rate, mL or g of product.
#[derive(Debug, Clone, PartialEq)]
pub struct Trunk {
    /// Its id.
    pub id: String,
    /// Its dbh.
    pub dbh: Centimetres,
    /// A lower dose that the user wishes for it, where the label allows one.
    pub at_most: Option<f64>,
    /// What it was given this season already: 0 where it was not treated, none where it was and the
    /// amount is not on record.
    pub given_this_season: Option<f64>,
    /// Day of its last treatment, if known.
    pub last_treated: Option<NaiveDate>,
}

/// What doses are worked out from.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, utoipa::ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Basis {
    /// Each tree's own dbh: the default.
    ByTree,
    /// The mean dbh of a sample, for every tree.
    ByMean {
        /// That mean.
        mean_dbh_cm: Centimetres,
    },
}

/// The block that the trees stand in, as far as the label has a maximum by area.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Area {
    /// Its area, ha.
    pub hectares: Option<f64>,
    /// Product given on it this season, in the unit of the label rate; none where trees of it were
    /// treated and the amount is not on record.
    pub given_this_season: Option<f64>,
}

impl Default for Area {
    /// Of unknown size, and nothing given on it.
    fn default() -> Self {
        Self { hectares: None, given_this_season: Some(0.0) }
    }
}

/// A tree that is not dosed, with the reason.
#[derive(Debug, Clone, PartialEq, Serialize, utoipa::ToSchema)]
#[schema(as = NotDosed)]
pub struct Refused {
    /// Its id.
    pub id: String,
    /// Why.
    #[serde(flatten)]
    pub why: Refusal,
}

/// What should be said beside the doses.
#[derive(Debug, Clone, PartialEq, Serialize, utoipa::ToSchema)]
#[serde(rename_all = "snake_case", tag = "note")]
#[expect(missing_docs, reason = "each field is told by its name")]
pub enum DoseNote {
    /// The label has an interval, and nobody said when these trees were last treated.
    LastTreatmentUnknown { ids: Vec<String> },
    /// Dosed by the mean, and more than 25 % off it: dose these one by one.
    FarFromMean { ids: Vec<String> },
    /// A vessel's mark is coarse for this batch: it loses more than 5 % of the product.
    CoarseVessel { batch: usize, lost: f64 },
}

/// What one tree is to get, before anything is measured out.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Allotment {
    pub(super) id: String,
    pub(super) dbh: Centimetres,
    pub(super) own: Millionths,
    pub(super) dose: Millionths,
}

/// What every tree is to get.
#[derive(Debug, Clone, PartialEq)]
pub struct Allotted {
    pub(super) label: Label,
    pub(super) trees: Vec<Allotment>,
    pub(super) refused: Vec<Refused>,
    pub(super) notes: Vec<DoseNote>,
}

/// What each tree is to get, or why not.
///
/// `dose = rate x size`, of the tree or of the mean tree, rounded down to the millionth; the user's
/// own lower wish comes next; a dose over a maximum is refused with the figure, not cut: whether
/// less may be given is for the label and the user to say.
///
/// # Errors
/// [`DoseFlaw`] where the label's figures are missing or cannot be, a tree is named twice, or all
/// trees together are over the label's maximum for the area.
pub fn allot(
    trunks: &[Trunk],
    label: &LabelFigures,
    basis: Basis,
    area: Area,
    on: NaiveDate,
) -> Result<Allotted, DoseFlaw> {
    let label = label.checked()?;
    if trunks.is_empty() {
        return Err(DoseFlaw::NoTrees);
    }
    let mut seen = HashSet::new();
    if let Some(twice) = trunks.iter().find(|trunk| !seen.insert(trunk.id.as_str())) {
        return Err(DoseFlaw::Twice { id: twice.id.clone() });
    }
    let mut allotted =
        Allotted { label, trees: Vec::new(), refused: Vec::new(), notes: Vec::new() };
    for trunk in trunks {
        match allot_one(trunk, &label, basis, on) {
            Ok(allotment) => allotted.trees.push(allotment),
            Err(why) => allotted.refused.push(Refused { id: trunk.id.clone(), why }),
        }
    }
    check_area(&allotted, area)?;
    allotted.notes = notes(trunks, &label, basis);
    Ok(allotted)
}

fn allot_one(
    trunk: &Trunk,
    label: &Label,
    basis: Basis,
    on: NaiveDate,
) -> Result<Allotment, Refusal> {
    let product = |amount: Millionths| label.rate.of().product(amount);
    check_interval(trunk, label, on)?;
    let own = amount(label.rate.for_trunk(trunk.dbh))?;
    let mut dose = match basis {
        Basis::ByTree => own,
        Basis::ByMean { mean_dbh_cm } => amount(label.rate.for_trunk(mean_dbh_cm))?,
    };
    if let Some(at_most) = trunk.at_most {
        dose = dose.min(amount(at_most)?);
    }
    if dose > own && !label.mean_dose_allowed {
        return Err(Refusal::MeanOverOwn { mean: product(dose), own: product(own) });
    }
    if let Some(most) = label.max_per_tree.filter(|&most| dose > most) {
        return Err(Refusal::OverTree { dose: product(dose), most: product(most) });
    }
    let given = trunk.given_this_season.map(amount).transpose()?;
    if let Some(most) = label.max_per_tree_season {
        let most_words = product(most);
        let given = given.ok_or(Refusal::GivenUnknown { most: most_words })?;
        if dose + given > most {
            let (dose, given) = (product(dose), product(given));
            return Err(Refusal::OverTreeSeason { dose, given, most: most_words });
        }
    }
    Ok(Allotment { id: trunk.id.clone(), dbh: trunk.dbh, own, dose })
}

fn amount(value: f64) -> Result<Millionths, Refusal> {
    if value.is_nan() || value < 0.0 {
        return Err(Refusal::NotAnAmount { value });
    }
    if value > Millilitres::HIGH {
        return Err(Refusal::DoseTooLarge { dose: value });
    }
    Ok(Millionths::down(value))
}

fn check_interval(trunk: &Trunk, label: &Label, on: NaiveDate) -> Result<(), Refusal> {
    let (Some(last), Some(least)) = (trunk.last_treated, label.min_interval_days) else {
        return Ok(());
    };
    let days = (on - last).num_days();
    if days < 0 {
        return Err(Refusal::TreatedLater { last });
    }
    if days >= i64::from(least) {
        return Ok(());
    }
    let next = last.checked_add_days(Days::new(least.into())).unwrap_or(NaiveDate::MAX);
    Err(Refusal::TooSoon { last, days, least, next })
}

fn check_area(allotted: &Allotted, area: Area) -> Result<(), DoseFlaw> {
    let Some(per_hectare) = allotted.label.max_per_hectare_season else { return Ok(()) };
    let hectares = area.hectares.ok_or(DoseFlaw::NoArea)?;
    if !(0.0001..=100_000.0).contains(&hectares) {
        return Err(DoseFlaw::Area { hectares });
    }
    let given = area.given_this_season.ok_or(DoseFlaw::AreaGivenUnknown)?;
    if !(0.0..=1e12).contains(&given) {
        return Err(DoseFlaw::Figure {
            figure: "product given this season",
            value: given,
            high: 1e12,
        });
    }
    let planned: Millionths = allotted.trees.iter().map(|tree| tree.dose).sum();
    let (given, most) = (Millionths::up(given), Millionths::down(per_hectare * hectares));
    if planned + given > most {
        let product = |amount| allotted.label.rate.of().product(amount);
        let (planned, given, most) = (product(planned), product(given), product(most));
        return Err(DoseFlaw::OverArea { planned, given, most });
    }
    Ok(())
}

fn notes(trunks: &[Trunk], label: &Label, basis: Basis) -> Vec<DoseNote> {
    let ids = |wanted: &dyn Fn(&Trunk) -> bool| -> Vec<String> {
        trunks.iter().filter(|trunk| wanted(trunk)).map(|trunk| trunk.id.clone()).collect()
    };
    let mut notes = Vec::new();
    let unknown = ids(&|trunk| trunk.last_treated.is_none());
    if label.min_interval_days.is_some() && !unknown.is_empty() {
        notes.push(DoseNote::LastTreatmentUnknown { ids: unknown });
    }
    if let Basis::ByMean { mean_dbh_cm: mean } = basis {
        let far = ids(&|trunk| (trunk.dbh.value() / mean.value() - 1.0).abs() > FAR_FROM_MEAN);
        if !far.is_empty() {
            notes.push(DoseNote::FarFromMean { ids: far });
        }
    }
    notes
}
