//! Predicted against actual: a dot for each draw, its band across, what was seen up and down.

use super::{Frame, LEFT, RIGHT, Scale, figure, legend, legend_high, px, stroke};
use crate::app::compare::{Compared, Verdict};
use crate::app::times::Minutes;
use crate::app::words::{day_clock, hours, span};
use crate::pages::parts::{cell, number, table, tree_link, words};
use maud::{Markup, html};

const TOP: f64 = 16.0;
const BOTTOM: f64 = 328.0;
/// Most draws in one chart, the latest.
const MOST: usize = 300;
/// Both axes, min: a quarter of an hour to two days, each step twice as long.
const SHORTEST: f64 = 15.0;
const LONGEST: f64 = 2880.0;
const MARKS: [(f64, &str); 7] = [
    (15.0, "¼ h"),
    (30.0, "½ h"),
    (60.0, "1 h"),
    (120.0, "2 h"),
    (240.0, "4 h"),
    (600.0, "10 h"),
    (1440.0, "1 day"),
];

/// The chart; nothing without a draw.
pub fn chart(base: &str, draws: &[Compared]) -> Markup {
    let shown = &draws[draws.len().saturating_sub(MOST)..];
    if shown.is_empty() {
        return html! {};
    }
    let log = |from: f64, to: f64| Scale { from: SHORTEST.ln(), to: LONGEST.ln(), at: (from, to) };
    let (wide, high) = (log(LEFT, RIGHT), log(BOTTOM, TOP));
    let x = |minutes: f64| wide.of(minutes.max(1.0).ln());
    let y = |minutes: f64| high.of(minutes.max(1.0).ln());
    let entries = [
        (html! { circle.inside cx="8" cy="5" r="3" {} }, "inside, or maybe"),
        (html! { path.outside d="M3 0l10 10m0 -10l-10 10" {} }, "outside its band"),
        (stroke("across"), "80 % band predicted"),
        (stroke("updown"), "seen wet to empty"),
    ];
    let body = html! {
        @for (minutes, name) in MARKS {
            line.rule x1=(px(x(minutes))) x2=(px(x(minutes))) y1=(px(TOP)) y2=(px(BOTTOM)) {}
            line.rule x1=(px(LEFT)) x2=(px(RIGHT)) y1=(px(y(minutes))) y2=(px(y(minutes))) {}
            text.mid x=(px(x(minutes).max(LEFT + 6.0))) y=(px(BOTTOM + 14.0)) { (name) }
            text.end x=(px(LEFT - 3.0)) y=(px(y(minutes) + 4.0)) { (name) }
        }
        line.limit x1=(px(LEFT)) y1=(px(BOTTOM)) x2=(px(RIGHT)) y2=(px(TOP)) {}
        @for draw in shown { (mark(draw, &x, &y)) }
        text x="2" y="10" { "seen" }
        text.end x=(px(RIGHT)) y=(px(BOTTOM + 27.0)) { "predicted" }
        (legend(BOTTOM + 36.0, &entries))
    };
    let count = shown.iter().filter(|draw| outside(draw)).count();
    let desc = format!(
        "{} draws, from start to empty; on the slanted line what was seen is what was predicted. {count} \
         lie outside their band.{}",
        shown.len(),
        if shown.len() < draws.len() { " Earlier draws are left out." } else { "" }
    );
    let frame = Frame {
        id: "scatter",
        title: "Predicted against actual",
        desc: &desc,
        high: BOTTOM + 36.0 + legend_high(entries.len()),
    };
    figure(&frame, &body, &rows(base, "Predicted against actual", shown))
}

fn outside(draw: &Compared) -> bool {
    matches!(draw.verdict, Verdict::Slow | Verdict::Fast)
}

fn least(minutes: Minutes) -> f64 {
    match minutes {
        Minutes::At(minutes) => minutes,
        Minutes::After { after_min } => after_min,
    }
}

fn mark(draw: &Compared, x: &impl Fn(f64) -> f64, y: &impl Fn(f64) -> f64) -> Markup {
    // A bag never seen wet was full at its start; one never seen empty may last for ever.
    let (wet, empty) = (draw.wet_at_min.unwrap_or(1.0), draw.empty_at_min.unwrap_or(LONGEST));
    let (low, high) = (y(wet), y(empty));
    let (at, middle) = (x(least(draw.p50_min)), 0.5 * (low + high));
    html! {
        g {
            line.across x1=(px(x(least(draw.p10_min)))) x2=(px(x(least(draw.p90_min)))) y1=(px(middle)) y2=(px(middle)) {}
            line.updown x1=(px(at)) x2=(px(at)) y1=(px(low)) y2=(px(high)) {}
            @if outside(draw) {
                path.outside d=(format!("M{} {}l8 8m0 -8l-8 8", px(at - 4.0), px(middle - 4.0))) {}
            } @else {
                circle.inside cx=(px(at)) cy=(px(middle)) r="2.4" {}
            }
        }
    }
}

/// A verdict, as people say it.
pub fn verdict_words(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Inside => "inside",
        Verdict::Possibly => "maybe inside",
        Verdict::Slow => "slow",
        Verdict::Fast => "fast",
    }
}

/// The draws as a table.
pub fn rows(base: &str, caption: &str, draws: &[Compared]) -> Markup {
    let columns = [
        words("draw"),
        words("tree"),
        words("start"),
        words("verdict"),
        number("predicted"),
        number("80 % band"),
        number("wet still after"),
        number("empty seen after"),
    ];
    let minutes = |at: Option<f64>| at.map_or("never".to_owned(), hours);
    let rows: Vec<Vec<Markup>> = draws
        .iter()
        .rev()
        .map(|draw| {
            vec![
                cell(&draw.draw_id),
                tree_link(base, &draw.tree_id),
                cell(day_clock(&draw.start)),
                cell(verdict_words(draw.verdict)),
                cell(span(Some(draw.p50_min))),
                cell(format!("{} - {}", span(Some(draw.p10_min)), span(Some(draw.p90_min)))),
                cell(minutes(draw.wet_at_min)),
                cell(minutes(draw.empty_at_min)),
            ]
        })
        .collect();
    table(caption, &columns, &rows)
}
