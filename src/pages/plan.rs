//! The day plan within the frame; its parts are those of the printed plan.

use super::dayplan::{left, lines, one, trees};
use super::figures::Figures;
use super::lanes::picture;
use super::site::{Place, page as whole};
use super::tomorrow::other_days;
use crate::app::dayplan::DayPlan;
use maud::html;

/// The page.
pub fn page(place: &Place, plan: &DayPlan) -> String {
    let plan = &in_units(plan, Figures::of(place));
    let title = format!("Plan for {}", plan.date.format("%A %-d %B %Y"));
    let print = format!("{}/plan/sheet?date={}", place.base, plan.date);
    let calendar = format!("{}/plan/calendar?date={}", place.base, plan.date);
    let body = html! {
        h1 { (title) }
        p.answer.no[!plan.worth_it] { (plan.answer) }
        p.small { "Times in " (plan.time_zone) "." }
        (other_days(&format!("{}/plan", place.base), plan.date))
        p.days { a.button href=(print) { "Plan to print" } a.button href=(calendar) { "Calendar" } }
        @if let Some(changes) = &plan.changes { (lines("Changed", changes)) }
        section.cautions { h2 { "Cautions for this day" } ul {
            @for caution in &plan.cautions { li { b { (caution.at) ": " } (caution.words) } }
        } }
        @if plan.worth_it {
            section { h2 { "The day" } figure.chart.lanes.wide tabindex="0" role="region" aria-label="Lanes of the day" { (picture(plan)) } }
        }
        @for person in &plan.people { (one(person)) }
        (trees(plan))
        @if !plan.left.is_empty() { (left(plan)) }
        (lines("What this rests on", &plan.rests_on))
    };
    whole(place, &title, &body)
}

/// The plan with what it says in the reader's units.
fn in_units(plan: &DayPlan, figures: Figures) -> DayPlan {
    let mut plan = plan.clone();
    plan.answer = figures.sentence(&plan.answer);
    plan.rests_on = figures.sentences(&plan.rests_on);
    plan.changes = plan.changes.map(|changes| figures.sentences(&changes));
    plan.closed.iter_mut().for_each(|shut| shut.why = figures.sentence(&shut.why));
    for caution in &mut plan.cautions {
        caution.words = figures.sentence(&caution.words);
    }
    let acts = plan.people.iter_mut().flat_map(|person| &mut person.acts);
    for note in acts.filter_map(|act| act.note.as_mut()) {
        *note = figures.sentence(note);
    }
    plan
}
