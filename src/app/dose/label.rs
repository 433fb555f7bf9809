//! The label as the user typed it, and what trees were given before, in the library's terms.

use crate::dose::allot::{Area, Trunk};
use crate::dose::rate::{Counted, LabelFigures, LabelRate, Per, Typed};
use crate::grove::{Application, Grove, Label, RateOf, RatePer, Tree};
use chrono::{Months, NaiveDate};

/// The label's figures.
pub fn figures(label: &Label) -> LabelFigures {
    let typed = |ml, g| Typed { ml, g };
    LabelFigures {
        rate: label
            .rate
            .and_then(|rate| LabelRate::new(rate.amount, of(rate.of), per(rate.per)).ok()),
        min_water_ml: typed(label.min_water_ml_per_ml_product, label.min_water_ml_per_g_product),
        max_per_tree: typed(label.max_per_tree_ml, label.max_per_tree_g),
        max_per_tree_season: typed(label.max_per_tree_season_ml, label.max_per_tree_season_g),
        max_per_hectare_season: typed(
            label.max_per_hectare_season_ml,
            label.max_per_hectare_season_g,
        ),
        min_interval_days: label.min_interval_days,
        mean_dose_allowed: label.mean_dose_allowed,
    }
}

fn of(of: RateOf) -> Counted {
    match of {
        RateOf::Millilitres => Counted::Millilitres,
        RateOf::Grams => Counted::Grams,
    }
}

fn per(per: RatePer) -> Per {
    match per {
        RatePer::CentimetreDbh => Per::CentimetreDbh,
        RatePer::InchDbh => Per::InchDbh,
        RatePer::CentimetreCircumference => Per::CentimetreCircumference,
        RatePer::SquareCentimetreBasalArea => Per::SquareCentimetreBasalArea,
        RatePer::Tree => Per::Tree,
    }
}

/// First day of the label's season on a day: as typed, else twelve months back.
pub fn season_start(label: &Label, day: NaiveDate) -> NaiveDate {
    let typed = label.season_from.and_then(|from| from.latest_by(day));
    typed.or_else(|| day.checked_sub_months(Months::new(12))).unwrap_or(NaiveDate::MIN)
}

/// A tree's trunk with what it was given this season, in the unit of the label's rate.
///
/// # Errors
/// In words, where the tree's figures are in the other unit.
pub fn trunk(
    grove: &Grove,
    tree: &Tree,
    of: Counted,
    season_from: NaiveDate,
) -> Result<Trunk, String> {
    let in_unit = |ml: Option<f64>, g: Option<f64>, column: &str| {
        let (ours, other) = match of {
            Counted::Millilitres => (ml, g),
            Counted::Grams => (g, ml),
        };
        match other {
            Some(_) => Err(format!(
                "trees.csv: {column} of tree {} is in the other unit than the label's rate, which \
                 counts {}; write it into the column of that unit",
                tree.id,
                of.unit()
            )),
            None => Ok(ours),
        }
    };
    let at_most = in_unit(tree.product_at_most_ml, tree.product_at_most_g, "product_at_most")?;
    let typed = in_unit(tree.given_this_season_ml, tree.given_this_season_g, "given_this_season")?;
    let before = Before::of(grove, tree);
    Ok(Trunk {
        id: tree.id.clone(),
        dbh: tree.dbh,
        at_most,
        given_this_season: before.given(tree, typed, of, season_from),
        last_treated: before.last().max(tree.last_treated),
    })
}

/// Earlier treatments of a tree with the label's product, by its working records. One that names no
/// product counts.
struct Before<'g>(Vec<(NaiveDate, &'g Application)>);

impl<'g> Before<'g> {
    fn of(grove: &'g Grove, tree: &Tree) -> Self {
        let label = &grove.settings.label;
        let own = grove.applications.iter().filter(|application| application.tree_id == tree.id);
        let of_product = own.filter(|application| is_of(application, label));
        let dated = of_product.map(|application| {
            (grove.settings.local(application.applied).date_naive(), application)
        });
        Self(dated.collect())
    }

    fn last(&self) -> Option<NaiveDate> {
        self.0.iter().map(|(date, _)| *date).max()
    }

    /// What was loaded since the season began, what came back included: the strictest reading. The
    /// larger of it and what the user typed; none where a treatment has no amount in this unit.
    fn given(
        &self,
        tree: &Tree,
        typed: Option<f64>,
        of: Counted,
        season_from: NaiveDate,
    ) -> Option<f64> {
        let amount = |application: &Application| match of {
            Counted::Millilitres => application.product.map(|product| product.value()),
            Counted::Grams => application.product_mass.map(|product| product.value()),
        };
        let in_season = self.0.iter().filter(|(date, _)| *date >= season_from);
        let recorded: Option<Vec<f64>> = in_season.map(|(_, it)| amount(it)).collect();
        let recorded = recorded.map(|amounts| amounts.iter().sum::<f64>());
        let on_record = |last| self.0.iter().any(|(date, _)| *date == last);
        let unrecorded =
            tree.last_treated.is_some_and(|last| last >= season_from && !on_record(last));
        match (typed, recorded) {
            (Some(typed), recorded) => Some(typed.max(recorded.unwrap_or(0.0))),
            (None, recorded) => recorded.filter(|_| !unrecorded),
        }
    }
}

/// Was it the label's product? Not where both say a registration number, or else a name, and they
/// differ.
fn is_of(application: &Application, label: &Label) -> bool {
    let same = |a: &Option<String>, b: &Option<String>| {
        Some(a.as_ref()?.trim().to_lowercase() == b.as_ref()?.trim().to_lowercase())
    };
    same(&application.registration_number, &label.registration_number)
        .or_else(|| same(&application.product_name, &label.product_name))
        .unwrap_or(true)
}

/// Has the grove any record of what this tree was given?
pub fn is_on_record(grove: &Grove, tree: &Tree) -> bool {
    tree.last_treated.is_some()
        || tree.given_this_season_ml.is_some()
        || tree.given_this_season_g.is_some()
        || grove.applications.iter().any(|application| application.tree_id == tree.id)
}

/// A block's area, with what all its trees were given this season.
///
/// # Errors
/// As [`trunk`].
pub fn area(
    grove: &Grove,
    block: &str,
    of: Counted,
    season_from: NaiveDate,
) -> Result<Area, String> {
    let hectares = grove.blocks.iter().find(|it| it.name == block).and_then(|it| it.area_ha);
    let trees = grove.trees.iter().filter(|tree| tree.block == block);
    let trunks =
        trees.map(|tree| trunk(grove, tree, of, season_from)).collect::<Result<Vec<_>, _>>()?;
    let given: Option<Vec<f64>> = trunks.iter().map(|trunk| trunk.given_this_season).collect();
    Ok(Area { hectares, given_this_season: given.map(|given| given.iter().sum()) })
}
