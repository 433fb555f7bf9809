//! The day plan within the frame; its parts are those of the printed plan.

use super::dayplan::{left, lines, one, trees};
use super::figures::Figures;
use super::lanes::picture;
use super::site::{Place, page as whole};
use super::tomorrow::other_days;
use crate::app::dayplan::DayPlan;
use maud::{Markup, html};

/// Who and what a plan has to do without, by the numbers that it gives them.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Missing {
    /// People.
    pub gone: Vec<u32>,
    /// Kits.
    pub broken: Vec<u32>,
}

impl Missing {
    /// Is nobody and nothing missing?
    pub fn is_none(&self) -> bool {
        *self == Self::default()
    }

    /// As more fields of an address.
    fn fields(&self) -> String {
        if self.is_none() {
            return String::new();
        }
        format!("&gone={}&broken={}", list(&self.gone, "+"), list(&self.broken, "+"))
    }
}

/// The page.
pub fn page(place: &Place, plan: &DayPlan, missing: &Missing) -> String {
    let plan = &in_units(plan, Figures::of(place));
    let title = format!("Plan for {}", plan.date.format("%A %-d %B %Y"));
    let asked = format!("date={}{}", plan.date, missing.fields());
    let print = format!("{}/plan/sheet?{asked}", place.base);
    let calendar = format!("{}/plan/calendar?{asked}", place.base);
    let body = html! {
        h1 { (title) }
        p.answer.no[!plan.worth_it] { (plan.answer) }
        p.small { "Times in " (plan.time_zone) "." }
        (other_days(&format!("{}/plan", place.base), plan.date))
        p.days { a.button href=(print) { "Plan to print" } a.button href=(calendar) { "Calendar" } }
        (without(place, plan, missing))
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

/// The form that leaves somebody or something out.
fn without(place: &Place, plan: &DayPlan, missing: &Missing) -> Markup {
    let address = format!("{}/plan", place.base);
    let whole = format!("{address}?date={}", plan.date);
    let field = |name: &str, words: &str, numbers: &[u32]| {
        html! {
            label for=(name) { (words) }
            input id=(name) name=(name) inputmode="numeric" autocomplete="off" value=(list(numbers, " "));
        }
    };
    let any = !missing.is_none();
    html! {
        details open[any] {
            summary { "Somebody is away, or a kit is broken" }
            p {
                "By their numbers in this plan, as in 2, or 1 3; bags hung or stripped since can change \
                 the kits' numbers, so load it again first. What is planned stays as far as it still goes."
            }
            form.days method="get" action=(address) {
                input type="hidden" name="date" value=(plan.date);
                (field("gone", "People who are away", &missing.gone))
                (field("broken", "Kits that are broken", &missing.broken))
                button type="submit" { "Plan without them" }
                @if any { a.button href=(whole) { "Plan with all again" } }
            }
        }
    }
}

fn list(numbers: &[u32], between: &str) -> String {
    numbers.iter().map(u32::to_string).collect::<Vec<_>>().join(between)
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
