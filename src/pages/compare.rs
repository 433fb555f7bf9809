//! Predicted against actual, and what a refit would change before it is accepted.

use super::charts::{calibration, scatter};
use super::figures::Figures;
use super::parts::{cell, lines, number, table, words};
use super::site::{Place, page as whole};
use crate::app::compare::{Compared, Comparison, Verdict};
use crate::app::refit::Refit;
use crate::app::words::{day_clock, odd};
use maud::{Markup, html};

/// The page; with a refit where one was asked for.
pub fn page(place: &Place, comparison: &Comparison, refit: Option<&Refit>) -> String {
    let figures = Figures::of(place);
    let odds: Vec<String> =
        comparison.diagnosis.named.iter().map(|named| figures.sentence(&odd(named))).collect();
    let body = html! {
        h1 { "Compare" }
        p.answer { (comparison.answer()) }
        div.charts {
            (scatter::chart(&place.base, &comparison.draws))
            (calibration::chart(&comparison.calibration))
        }
        section { h2 { "Out of the ordinary" }
            @if odds.is_empty() { p { "No tree, crew, day or block." } } @else {
                ul { @for line in &odds { li { (line) } } }
            }
            p.small { (figures.sentence(&comparison.diagnosis.words)) "." }
        }
        (outside(place, comparison))
        (groups(comparison))
        (self::refit(place, comparison.in_use.as_deref(), refit))
        p.small { (figures.sentence(&comparison.rests_on)) "." }
    };
    whole(place, "Compare", &body)
}

/// The furthest out first.
fn outside(place: &Place, comparison: &Comparison) -> Markup {
    let beyond = |draw: &Compared| match draw.verdict {
        Verdict::Slow => Some(draw.rank.1),
        Verdict::Fast => Some(1.0 - draw.rank.0),
        Verdict::Inside | Verdict::Possibly => None,
    };
    let mut out: Vec<(f64, &Compared)> =
        comparison.draws.iter().filter_map(|draw| Some((beyond(draw)?, draw))).collect();
    // The table turns its rows round.
    out.sort_by(|a, b| b.0.total_cmp(&a.0));
    let draws: Vec<Compared> = out.into_iter().map(|(_, draw)| draw.clone()).collect();
    html! {
        section { h2 { "Draws outside their band" }
            @if draws.is_empty() { p { "None." } } @else {
                (scatter::rows(&place.base, "Outside their band, the furthest out first", &draws))
            }
        }
    }
}

fn groups(comparison: &Comparison) -> Markup {
    let columns = [words("by"), words("which"), number("draws"), number("mean rank")];
    let rows: Vec<Vec<Markup>> = comparison
        .groups
        .iter()
        .map(|group| {
            vec![
                cell(group.by),
                cell(&group.name),
                cell(group.draws.to_string()),
                cell(format!("{:.2}", group.mean_rank)),
            ]
        })
        .collect();
    html! {
        section { h2 { "Slower or faster than predicted" }
            p { "Mean rank: 0.5 is neither, less is slower than predicted, more is faster." }
            (table("Mean rank by group", &columns, &rows))
        }
    }
}

fn refit(place: &Place, in_use: Option<&str>, refit: Option<&Refit>) -> Markup {
    let address = format!("{}/compare?refit=yes#refit", place.base);
    let figures = Figures::of(place);
    html! {
        section #refit { h2 { "Refit" }
            @match refit {
                None => {
                    p { "In use: " (model_of(in_use)) "." }
                    p { "Learn the model again from all draws; nothing changes before somebody agrees. \
                        This takes some seconds." }
                    p { a.button href=(address) { "Show what a refit would change" } }
                }
                Some(refit) => { (would_change(refit, figures)) (accept(place, refit)) }
            }
        }
    }
}

fn model_of(fitted_at: Option<&str>) -> String {
    match fitted_at {
        Some(at) => format!("the model fitted {}", day_clock(at)),
        None => "the prior, since no model was fitted here".into(),
    }
}

fn would_change(refit: &Refit, figures: Figures) -> Markup {
    let either = |(mean, sd): (f64, f64)| cell(format!("{mean:.2} +- {sd:.2}"));
    let coefficients: Vec<Vec<Markup>> = refit
        .coefficients
        .iter()
        .map(|change| {
            let sd = change.prior.1.map_or_else(String::new, |sd| format!(" +- {sd:.2}"));
            vec![
                cell(&change.name),
                cell(&change.unit),
                cell(format!("{:.2}{sd}", change.prior.0)),
                either(change.before),
                either(change.now),
                cell(if change.moved { "yes" } else { "still the prior" }),
            ]
        })
        .collect();
    let learned: Vec<Vec<Markup>> = refit
        .learned
        .iter()
        .map(|learned| {
            let three = [learned.prior, learned.before, learned.now];
            let cells = three.map(|value| cell(format!("{value:.3}")));
            std::iter::once(cell(learned.name)).chain(cells).collect()
        })
        .collect();
    let of = [
        words("coefficient"),
        words("of"),
        number("prior"),
        number("before"),
        number("now"),
        words("moved?"),
    ];
    let by_evidence = [words("learned"), number("prior median"), number("before"), number("now")];
    html! {
        p { "Refitted on " (refit.draws) " draws of " (refit.trees) " trees; " (refit.silent.len())
            " told nothing. Before: " (model_of(refit.in_use.as_deref())) "." }
        (lines("What would change", &figures.sentences(&refit.words())))
        (table("Coefficients", &of, &coefficients))
        (table("Learned by evidence", &by_evidence, &learned))
        (lines("Told nothing", &figures.sentences(&refit.silent)))
    }
}

fn accept(place: &Place, refit: &Refit) -> Markup {
    html! {
        @if place.may_manage {
            @if refit.is_worse {
                p.warning { "It would have predicted worse than the model in use." }
            }
            form method="post" action=(format!("{}/refit", place.base)) {
                (place.csrf_field())
                @if refit.is_worse {
                    p { label.check { input type="checkbox" name="all_the_same" value="yes" required;
                        " Put it in use all the same" } }
                }
                button.main type="submit" { "Put this refit in use" }
            }
        } @else {
            p { "Only a manager may put a refit in use" @if place.is_demo { "; the demo keeps its own model" } "." }
        }
    }
}
