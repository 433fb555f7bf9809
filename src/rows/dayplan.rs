//! A day plan, or several days, as rows.

use super::{csv, or_blank, word};
use crate::app::dayplan::{Campaign, DayPlan};

/// The acts as rows.
pub fn day(plan: &DayPlan) -> Vec<u8> {
    let header = ["person", "from", "to", "what", "tree_ids", "kit", "note"];
    let rows = plan.people.iter().flat_map(|person| {
        person.acts.iter().map(|doing| {
            vec![
                person.person.clone(),
                doing.from.clone(),
                doing.to.clone(),
                doing.what.to_owned(),
                doing.trees.join(" "),
                or_blank(&doing.kit),
                or_blank(&doing.note),
            ]
        })
    });
    csv(&header, rows)
}

/// The days as rows.
pub fn days(campaign: &Campaign) -> Vec<u8> {
    let header = ["date", "go", "trees", "tree_ids", "could_take", "ends", "rain_mm", "because"];
    let rows = campaign.days.iter().map(|day| {
        vec![
            day.date.to_string(),
            word(&if day.go { "yes" } else { "no" }),
            day.trees.len().to_string(),
            day.trees.join(" "),
            day.could_take.to_string(),
            or_blank(&day.ends),
            day.rain_mm.to_string(),
            day.because.clone(),
        ]
    });
    csv(&header, rows)
}
