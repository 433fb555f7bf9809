//! Start -> finish: when the typical tree is empty for a start at each time.

use super::{
    Frame, LEFT, RIGHT, Scale, band, clock_hours, figure, instant, legend, legend_high, minutes,
    path, px, stroke, swatch,
};
use crate::app::tomorrow::{StartFinish, Tomorrow};
use crate::app::window::NO_WEATHER;
use crate::app::words::{clock, percent};
use crate::pages::parts::{cell, number, table, words};
use chrono::{DateTime, TimeDelta, Utc};
use chrono_tz::Tz;
use maud::{Markup, html};

const TOP: f64 = 18.0;
const BOTTOM: f64 = 190.0;
/// So much after the latest finish is still shown.
const LATER: TimeDelta = TimeDelta::hours(3);

/// The chart; nothing where there is no weather for any start.
pub fn chart(answer: &Tomorrow) -> Markup {
    let known: Vec<&StartFinish> = answer
        .start_to_finish
        .iter()
        .filter(|start| !start.barred.contains(&NO_WEATHER) && start.finish[0].is_some())
        .collect();
    let (Some(first), Some(last)) = (known.first(), known.last()) else { return html! {} };
    let Some(done) = instant(&answer.latest_done) else { return html! {} };
    let zone: Tz = answer.time_zone.parse().unwrap_or(Tz::UTC);
    let (from, to, end) = (first.at, last.at.max(first.at + TimeDelta::minutes(15)), done + LATER);
    let wide = Scale { from: 0.0, to: minutes(from, to), at: (LEFT, RIGHT) };
    let high = Scale { from: 0.0, to: minutes(from, end), at: (BOTTOM, TOP) };
    let x = |at: DateTime<Utc>| wide.of(minutes(from, at));
    let y = |at: Option<DateTime<Utc>>| high.of(minutes(from, at.unwrap_or(end).min(end)));
    let line = |which: usize| -> Vec<(f64, f64)> {
        known
            .iter()
            .map(|start| (x(start.at), y(start.finish[which].as_deref().and_then(instant))))
            .collect()
    };
    // What leaves the chart is not drawn along its edge.
    let middle = line(1);
    let seen = middle.iter().position(|(_, y)| *y <= TOP).map_or(middle.len(), |at| at + 1);
    let window = answer.start_window.as_ref();
    let window = window.and_then(|[a, b]| Some((x(instant(a)?), x(instant(b)?))));
    let latest = clock(Some(&answer.latest_done), answer.date);
    let entries = [
        (stroke("median"), "even chance"),
        (swatch("band"), "80 % band"),
        (swatch("window"), "start meets the wish"),
        (swatch("barred"), "nobody should start"),
    ];
    let body = html! {
        @if let Some((a, b)) = window {
            rect.window x=(px(a)) y=(px(TOP)) width=(px((b - a).max(1.5))) height=(px(BOTTOM - TOP)) {}
            text.mid.strong x=(px((0.5 * (a + b)).clamp(LEFT + 24.0, RIGHT - 24.0))) y=(px(TOP - 5.0)) { "start" }
        }
        @for (a, b) in barred(&known) {
            rect.barred x=(px(x(a))) y=(px(TOP)) width=(px((x(b.min(to)) - x(a)).max(0.5))) height=(px(BOTTOM - TOP)) {}
        }
        path.band d=(band(&line(2), &line(0))) {}
        path.median d=(path(&middle[..seen], false)) {}
        line.limit x1=(px(LEFT)) x2=(px(RIGHT)) y1=(px(y(Some(done)))) y2=(px(y(Some(done)))) {}
        text.strong x=(px(LEFT + 4.0)) y=(px(y(Some(done)) - 4.0)) { "wished by " (latest) }
        line.axis x1=(px(LEFT)) x2=(px(RIGHT)) y1=(px(BOTTOM)) y2=(px(BOTTOM)) {}
        line.axis x1=(px(LEFT)) x2=(px(LEFT)) y1=(px(TOP)) y2=(px(BOTTOM)) {}
        @for (at, hour) in clock_hours(from, to, zone, if to - from > TimeDelta::hours(6) { 2 } else { 1 }) {
            line.axis x1=(px(x(at))) x2=(px(x(at))) y1=(px(BOTTOM)) y2=(px(BOTTOM + 4.0)) {}
            text.mid x=(px(x(at))) y=(px(BOTTOM + 15.0)) { (hour) }
        }
        @for (at, hour) in clock_hours(from, end, zone, 3) {
            line.rule x1=(px(LEFT)) x2=(px(RIGHT)) y1=(px(y(Some(at)))) y2=(px(y(Some(at)))) {}
            text.end x=(px(LEFT - 5.0)) y=(px(y(Some(at)) + 4.0)) { (hour) }
        }
        text x="2" y="12" { "empty at" }
        text.end x=(px(RIGHT)) y=(px(BOTTOM + 28.0)) { "start at; what reaches the top is later" }
        (legend(BOTTOM + 36.0, &entries))
    };
    let title = format!("Start -> finish of the typical tree, {}", answer.typical_tree);
    let frame = Frame {
        id: "finish",
        title: &title,
        desc: &desc(answer, &known),
        high: BOTTOM + 36.0 + legend_high(entries.len()),
    };
    figure(&frame, &body, &rows(answer, &known, &title, &latest))
}

fn desc(answer: &Tomorrow, known: &[&StartFinish]) -> String {
    let one = |start: &StartFinish| {
        let at = |text: Option<&str>| clock(text, answer.date);
        let [low, middle, high] = start.finish.each_ref().map(|finish| at(finish.as_deref()));
        format!("a start at {}: empty at {middle} ({low} to {high})", at(Some(&start.start)))
    };
    let ends: Vec<String> =
        [known.first(), known.last()].into_iter().flatten().map(|s| one(s)).collect();
    format!("The later the start, the later it is empty; {}.", ends.join("; "))
}

/// Spans in which nobody should start.
fn barred(known: &[&StartFinish]) -> Vec<(DateTime<Utc>, DateTime<Utc>)> {
    let quarter = TimeDelta::minutes(15);
    let mut spans: Vec<(DateTime<Utc>, DateTime<Utc>)> = Vec::new();
    for start in known.iter().filter(|start| !start.barred.is_empty()) {
        match spans.last_mut() {
            Some(span) if span.1 >= start.at => span.1 = start.at + quarter,
            _ => spans.push((start.at, start.at + quarter)),
        }
    }
    spans
}

fn rows(answer: &Tomorrow, known: &[&StartFinish], title: &str, latest: &str) -> Markup {
    let by = format!("by {latest}");
    let columns = [
        words("start"),
        words("meets the wish"),
        number("P10"),
        number("P50"),
        number("P90"),
        number(&by),
    ];
    let rows: Vec<Vec<Markup>> = known
        .iter()
        .filter(|start| matches!(start.start.get(14..16), Some("00" | "30")))
        .map(|start| {
            let [low, middle, high] =
                start.finish.each_ref().map(|at| cell(clock(at.as_deref(), answer.date)));
            vec![
                cell(clock(Some(&start.start), answer.date)),
                cell(start.meets(answer.sure)),
                low,
                middle,
                high,
                cell(percent(start.sure)),
            ]
        })
        .collect();
    table(title, &columns, &rows)
}
