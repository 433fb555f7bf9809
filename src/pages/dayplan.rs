//! A day plan as one HTML file to print: the picture, a sheet for each person, the trees.

use super::lanes::picture;
use crate::app::dayplan::{DayPlan, Doing, PersonDay};
use crate::app::words::time_of_day;
use maud::{Markup, html};

const STYLE: &str = "
body { font: 16px/1.35 sans-serif; color: #000; background: #fff; margin: 0 auto; max-width: 46rem;
  padding: 0.6rem; }
h1 { font-size: 1.4rem; } h2 { font-size: 1.15rem; margin: 1.2rem 0 0.3rem; }
.answer { font-size: 1.2rem; font-weight: bold; }
svg { width: 100%; height: auto; }
.wide { overflow-x: auto; }
table { border-collapse: collapse; width: 100%; }
th, td { text-align: left; padding: 0.25rem 0.4rem; border-bottom: 1px solid #666; vertical-align: top; }
thead { display: table-header-group; } tr { break-inside: avoid; }
.box { display: inline-block; width: 0.9rem; height: 0.9rem; border: 1.5px solid #000; }
.big { font-size: 1.15rem; font-weight: bold; white-space: nowrap; } .trees { font-size: 1.15rem; }
footer { margin-top: 1.2rem; border-top: 1px solid #000; padding-top: 0.3rem; }
@media print {
  body { font-size: 10pt; max-width: none; padding: 0; } section.person { break-before: page; }
  svg { max-height: 15cm; } th, td { padding: 1.5pt 4pt; } .big, .trees { font-size: 11pt; }
}
@page { margin: 12mm; }
";

/// The file.
pub fn file(plan: &DayPlan) -> String {
    let title = format!("Day plan {}, {}", plan.date, plan.grove);
    let body = html! {
        header {
            h1 { (title) }
            p.answer { (plan.answer) }
            @if plan.is_demo { p { "Demo grove: place, weather and draws are invented." } }
            p { "Times in " (plan.time_zone) "." }
        }
        main {
            @if let Some(changes) = &plan.changes { (lines("Changed", changes)) }
            section { h2 { "Cautions for this day" } ul {
                @for caution in &plan.cautions { li { b { (caution.at) ": " } (caution.words) } }
            } }
            @if plan.worth_it { section { h2 { "The day" } (picture(plan)) } }
            @for person in &plan.people { (one(person)) }
            (trees(plan))
            @if !plan.left.is_empty() { (left(plan)) }
            (lines("What this rests on", &plan.rests_on))
        }
        footer { "Planning estimate. The product label, local law and licensed practice prevail." }
    };
    super::whole(&title, STYLE, body)
}

fn or_dash(text: &Option<String>) -> &str {
    text.as_deref().map_or("-", time_of_day)
}

pub(super) fn lines(title: &str, lines: &[String]) -> Markup {
    html! { section { h2 { (title) } ul {
        @if lines.is_empty() { li { "nothing" } }
        @for line in lines { li { (line) } }
    } } }
}

pub(super) fn one(person: &PersonDay) -> Markup {
    html! {
        section.person {
            h2 { (person.person) ", " (person.walking_min) " min on foot" }
            @if person.acts.is_empty() { p { "Nothing to do." } } @else {
                div.wide tabindex="0" role="region" aria-label=(person.person) {
                table {
                    thead { tr {
                        th scope="col" { "done" }
                        th scope="col" { "from" }
                        th scope="col" { "to" }
                        th scope="col" { "what" }
                        th scope="col" { "trees" }
                    } }
                    tbody { @for doing in &person.acts { (row(doing)) } }
                }
                }
            }
        }
    }
}

fn row(doing: &Doing) -> Markup {
    html! {
        tr {
            td { span.box aria-hidden="true" {} }
            td.big { (time_of_day(&doing.from)) }
            td { (time_of_day(&doing.to)) }
            td { (doing.what) }
            td {
                strong.trees { (doing.trees.join(", ")) }
                @if let Some(kit) = doing.kit { " kit " (kit) }
                @if let Some(note) = &doing.note { br; small { (note) } }
            }
        }
    }
}

pub(super) fn trees(plan: &DayPlan) -> Markup {
    html! {
        section.person {
            h2 { "Trees" }
            div.wide tabindex="0" role="region" aria-label="Trees" {
                table {
                    thead { tr {
                        @for name in ["tree", "kit", "who", "start", "even chance", "90 %", "sure", "strip", "call"] {
                            th scope="col" { (name) }
                        }
                    } }
                    tbody { @for tree in &plan.trees { tr {
                        th scope="row" { (tree.tree_id) }
                        td { (tree.kit) }
                        td { (tree.person) }
                        td { @if tree.hanging { "hangs" } @else { (time_of_day(&tree.start)) } }
                        td { (or_dash(&tree.empty_p50)) }
                        td { (or_dash(&tree.empty_p90)) }
                        td { (or_dash(&tree.empty_sure)) }
                        td { (or_dash(&tree.strip)) }
                        td { (tree.call.words()) }
                    } } }
                }
            }
        }
    }
}

pub(super) fn left(plan: &DayPlan) -> Markup {
    html! {
        section {
            h2 { "Left for another day" }
            ul { @for tree in &plan.left { li { b { (tree.tree_id) } ": " (tree.why) } } }
        }
    }
}
