//! The main page: is tomorrow a day that pulls, when to start, what of each tree.

use super::charts::{day, finish};
use super::figures::Figures;
use super::parts::{cell, lines, number, table, tree_link, words};
use super::site::{Place, page as whole};
use crate::app::tomorrow::{Tomorrow, TreeDay};
use crate::app::words::{clock, odd, percent, span};
use crate::plan::overnight::Call;
use chrono::NaiveDate;
use maud::{Markup, html};

/// The page of a date.
pub fn page(place: &Place, answer: &Tomorrow) -> String {
    let figures = Figures::of(place);
    let source = &answer.outlook.source;
    let title = answer.date.format("%A %-d %B %Y").to_string();
    let why: Vec<String> = answer.why.iter().map(|line| figures.sentence(line)).collect();
    let odds: Vec<String> =
        answer.diagnosis.iter().map(|named| figures.sentence(&odd(named))).collect();
    let told = source.warning.as_deref().map(|words| figures.sentence(words));
    let body = html! {
        h1 { (title) }
        @if source.stale { (warning(told.as_deref())) }
        p.answer.no[!answer.worth_it] { (figures.sentence(&answer.answer)) }
        @if !source.stale { (warning(told.as_deref())) }
        p.small { "Times in " (answer.time_zone) "." }
        (other_days(&format!("{}/tomorrow", place.base), answer.date))
        (lines("Why", &why))
        section {
            h2 { "The day" }
            div.charts { (day::chart(answer, figures)) (finish::chart(answer)) }
        }
        (trees(place, answer))
        (because(answer, figures))
        (cautions(answer, figures))
        (lines("Out of the ordinary", &odds))
        (lines("What this rests on", &figures.sentences(&answer.rests_on)))
    };
    whole(place, &title, &body)
}

/// What is amiss with the weather.
pub(super) fn warning(words: Option<&str>) -> Markup {
    html! { @if let Some(words) = words { p.warning { (words) } } }
}

/// The days before and after, and a date of one's own.
pub(super) fn other_days(address: &str, date: NaiveDate) -> Markup {
    let link = |day: Option<NaiveDate>, name: &str| {
        html! { @if let Some(day) = day { a.button href=(format!("{address}?date={day}")) { (name) } } }
    };
    html! {
        div.days role="group" aria-label="Another day" {
            (link(date.pred_opt(), "Day before"))
            (link(date.succ_opt(), "Day after"))
            form method="get" action=(address) {
                label for="date" { "Date" }
                input id="date" type="date" name="date" value=(date) required;
                button type="submit" { "Show" }
            }
        }
    }
}

fn trees(place: &Place, answer: &Tomorrow) -> Markup {
    if answer.trees.iter().all(|tree| tree.start.is_none()) {
        let reason = answer.trees.first().map_or("none", |tree| tree.because.as_str());
        let reason = Figures::of(place).sentence(reason);
        return html! { section { h2 { "Trees" }
            p { (answer.trees.len()) " on the list, none started: " (reason) "." }
        } };
    }
    let title = match answer.worth_it {
        true => "Trees, each alone",
        false => "Trees, if they were hung all the same, each alone",
    };
    let by = format!("by {}", clock(Some(&answer.latest_done), answer.date));
    let columns = [
        words("tree"),
        words("call"),
        number("start"),
        number("takes"),
        number("empty, 80 %"),
        number(&by),
        number("by dusk"),
        words("block"),
    ];
    let rows: Vec<Vec<Markup>> = answer
        .trees
        .iter()
        .map(|tree| {
            vec![
                tree_link(&place.base, &tree.tree_id),
                html! { span.wraps.wet[tree.call != Call::FinishToday] { (tree.call.words()) } },
                cell(start(answer, tree)),
                cell(span(tree.p50_min)),
                html! { span.wraps { (between(&band(tree, answer.date))) } },
                cell(percent(tree.p_in_time)),
                cell(percent(tree.p_empty_by_dusk)),
                cell(&tree.block),
            ]
        })
        .collect();
    let late = answer.start_window.is_some() && answer.trees.iter().any(is_late);
    let not_hung = answer.trees.iter().any(|t| t.call == Call::DoNotHang && t.start.is_some());
    html! {
        section {
            h2 { "Trees" }
            (table(title, &columns, &rows))
            @if late { p.small { "* outside the start window of the typical tree" } }
            @if not_hung { p.small { "( ) if it were hung: it takes no kit and nobody's time" } }
        }
    }
}

fn is_late(tree: &TreeDay) -> bool {
    tree.in_window == Some(false) && tree.call != Call::DoNotHang
}

fn start(answer: &Tomorrow, tree: &TreeDay) -> String {
    let at = clock(tree.start.as_deref(), answer.date);
    match tree.call {
        Call::DoNotHang if tree.start.is_some() => format!("({at})"),
        _ if answer.start_window.is_some() && is_late(tree) => format!("{at}*"),
        _ => at,
    }
}

/// The 80 % band of the finish on the clock; open where the weather ends first.
fn band(tree: &TreeDay, date: NaiveDate) -> String {
    let at = |text: &Option<String>| clock(text.as_deref(), date);
    match (&tree.empty_p10, &tree.empty_p90) {
        (Some(_), Some(_)) => format!("{} - {}", at(&tree.empty_p10), at(&tree.empty_p90)),
        (Some(_), None) => format!("{} or later", at(&tree.empty_p10)),
        _ => "-".into(),
    }
}

/// A band that may go on in a second line between its two times, and nowhere else.
fn between(band: &str) -> String {
    band.replace(' ', "\u{a0}").replace("-\u{a0}", "- ")
}

/// Why a tree is not to finish today.
fn because(answer: &Tomorrow, figures: Figures) -> Markup {
    let line = |tree: &TreeDay| {
        let because = figures.sentence(&tree.because);
        format!("{} {}: {because}", tree.tree_id, tree.call.words())
    };
    let wet = answer.trees.iter().filter(|tree| tree.call != Call::FinishToday);
    lines("Because", &wet.filter(|tree| tree.start.is_some()).map(line).collect::<Vec<_>>())
}

fn cautions(answer: &Tomorrow, figures: Figures) -> Markup {
    html! {
        @if !answer.cautions.is_empty() {
            section.cautions {
                h2 { "Cautions for this day" }
                ul { @for caution in &answer.cautions {
                    li { b { (caution.at) ": " } (figures.sentence(&caution.words)) }
                } }
            }
        }
    }
}
