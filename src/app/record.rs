//! The working record of a grove: every application with its amounts, its draw and its weather.

use super::desk::DeskError;
use crate::grove::{Application, Grove, LabelRate, RateOf, RatePer};
use crate::record::rules::KEPT;
use crate::record::{Line, NOTICE, Total, adds_up, line, totals};
use crate::store::home::Home;
use chrono::{DateTime, NaiveDate, Utc};
use serde::Serialize;

/// Which applications are asked for.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Asked {
    /// From this day on.
    pub from: Option<NaiveDate>,
    /// Up to and with this day.
    pub to: Option<NaiveDate>,
    /// Of this tree only.
    pub tree_id: Option<String>,
}

/// The working record.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct Record {
    /// What it is, and what it is not.
    pub notice: &'static str,
    /// How long such records are kept, as far as known here.
    pub kept: &'static str,
    /// The grove.
    pub grove: String,
    /// Its zone, in which all times are.
    pub time_zone: &'static str,
    /// Is it the invented demo?
    pub is_demo: bool,
    /// First day asked for.
    pub from: Option<NaiveDate>,
    /// Last day asked for.
    pub to: Option<NaiveDate>,
    /// The applications, in order of time.
    pub lines: Vec<Line>,
    /// Sums by day, block and product.
    pub totals: Vec<Total>,
    /// Draws of these days without an application.
    pub draws_without: Vec<String>,
}

/// The working record of a grove, or of the demo.
///
/// # Errors
/// [`DeskError`] where the grove cannot be read, has no such tree, or where sums do not add up.
pub fn record(home: &Home, asked: &Asked, now: DateTime<Utc>) -> Result<Record, DeskError> {
    let grove = home.grove(now)?;
    if let Some(tree_id) = &asked.tree_id
        && !grove.trees.iter().any(|tree| tree.id == *tree_id)
    {
        let words = format!("tree '{tree_id}' is not in trees.csv; correct it, or add it there");
        return Err(DeskError::Unanswerable(words));
    }
    let date = |at| grove.settings.local(at).date_naive();
    let in_days = |day: NaiveDate| {
        asked.from.is_none_or(|from| day >= from) && asked.to.is_none_or(|to| day <= to)
    };
    let of_tree = |tree_id: &str| asked.tree_id.as_ref().is_none_or(|asked| asked == tree_id);
    let mut applications: Vec<&Application> = grove
        .applications
        .iter()
        .filter(|one| in_days(date(one.applied)) && of_tree(&one.tree_id))
        .collect();
    applications.sort_by_key(|one| one.applied);
    let rate = grove.settings.label.rate.map(words);
    let lines: Vec<Line> =
        applications.iter().map(|one| line(&grove, one, rate.as_deref())).collect();
    let totals = totals(&lines);
    let wrong = adds_up(&lines, &totals);
    if !wrong.is_empty() {
        let words = format!("the record does not add up: {}", wrong.join("; "));
        return Err(DeskError::Unanswerable(words));
    }
    Ok(Record {
        notice: NOTICE,
        kept: KEPT,
        grove: grove.settings.name.clone(),
        time_zone: grove.settings.zone.name(),
        is_demo: home.is_demo(),
        from: asked.from,
        to: asked.to,
        draws_without: draws_without(&grove, |day, tree| in_days(day) && of_tree(tree)),
        lines,
        totals,
    })
}

fn draws_without(grove: &Grove, asked: impl Fn(NaiveDate, &str) -> bool) -> Vec<String> {
    let has = |draw_id: &str| {
        grove.applications.iter().any(|one| one.draw_id.as_deref() == Some(draw_id))
    };
    let draws = grove.draws.iter().filter(|draw| {
        let day = grove.settings.local(draw.started).date_naive();
        asked(day, &grove.trees[draw.tree].id) && !has(&draw.id)
    });
    draws.map(|draw| draw.id.clone()).collect()
}

/// The label rate as it was typed.
fn words(rate: LabelRate) -> String {
    let of = match rate.of {
        RateOf::Millilitres => "mL",
        RateOf::Grams => "g",
    };
    let per = match rate.per {
        RatePer::CentimetreDbh => "cm dbh",
        RatePer::InchDbh => "inch dbh",
        RatePer::CentimetreCircumference => "cm circumference",
        RatePer::SquareCentimetreBasalArea => "cm2 basal area",
        RatePer::Tree => "tree",
    };
    format!("{} {of} per {per}", rate.amount)
}
