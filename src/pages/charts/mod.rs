//! Charts as SVG: text in them is text, each has a title, a description and the same data as a table;
//! colours come from the style sheet by class, and every colour is doubled by a word or a shape.

pub mod calibration;
pub mod day;
pub mod drawdown;
pub mod finish;
pub mod scatter;

use chrono::{DateTime, TimeDelta, Timelike, Utc};
use chrono_tz::Tz;
use maud::{Markup, html};

/// Width of every chart, in its own units: a telephone's.
pub(super) const WIDE: f64 = 360.0;
/// Where the data begin and end.
pub(super) const LEFT: f64 = 40.0;
pub(super) const RIGHT: f64 = 352.0;

/// What a chart says of itself.
pub(super) struct Frame<'a> {
    /// Unique on its page.
    pub id: &'a str,
    /// What it shows.
    pub title: &'a str,
    /// The same in a sentence, with what is to be seen in it.
    pub desc: &'a str,
    /// Height.
    pub high: f64,
}

/// A chart with its table.
pub(super) fn figure(frame: &Frame, body: &Markup, table: &Markup) -> Markup {
    let (title, desc) = (format!("{}-title", frame.id), format!("{}-desc", frame.id));
    html! {
        figure.chart {
            figcaption { (frame.title) }
            svg xmlns="http://www.w3.org/2000/svg" role="img"
                aria-labelledby=(format!("{title} {desc}"))
                viewBox=(format!("0 0 {WIDE:.0} {:.0}", frame.high)) {
                title id=(title) { (frame.title) }
                desc id=(desc) { (frame.desc) }
                (body)
            }
            details { summary { "The same as a table" } (table) }
        }
    }
}

/// Digits that are worth their bytes.
pub(super) fn px(value: f64) -> String {
    format!("{value:.1}")
}

/// A straight scale.
#[derive(Debug, Clone, Copy)]
pub(super) struct Scale {
    pub from: f64,
    pub to: f64,
    pub at: (f64, f64),
}

impl Scale {
    /// Place of a value; one that lies outside stands at the edge.
    pub fn of(self, value: f64) -> f64 {
        let share = (value - self.from) / (self.to - self.from);
        self.at.0 + share.clamp(0.0, 1.0) * (self.at.1 - self.at.0)
    }
}

/// Minutes between two instants.
pub(super) fn minutes(from: DateTime<Utc>, to: DateTime<Utc>) -> f64 {
    (to - from).as_seconds_f64() / 60.0
}

/// An instant as answers have it.
pub(super) fn instant(text: &str) -> Option<DateTime<Utc>> {
    DateTime::parse_from_rfc3339(text).ok().map(|at| at.to_utc())
}

/// Full hours of the grove's clock within a span, every so many.
pub(super) fn clock_hours(
    from: DateTime<Utc>,
    to: DateTime<Utc>,
    zone: Tz,
    every: u32,
) -> Vec<(DateTime<Utc>, String)> {
    let mut hours = Vec::new();
    let mut at = from;
    // Zones stand on whole quarters of an hour.
    at += TimeDelta::seconds((900 - at.timestamp().rem_euclid(900)).rem_euclid(900));
    while at <= to {
        let local = at.with_timezone(&zone);
        if local.minute() == 0 && local.hour().is_multiple_of(every) {
            hours.push((at, local.format("%H").to_string()));
        }
        at += TimeDelta::minutes(15);
    }
    hours
}

/// A closed shape through points.
pub(super) fn path(points: &[(f64, f64)], closed: bool) -> String {
    let mut d = String::new();
    for (at, (x, y)) in points.iter().enumerate() {
        d.push_str(&format!("{}{x:.1} {y:.1}", if at == 0 { "M" } else { "L" }));
    }
    if closed && !points.is_empty() {
        d.push('Z');
    }
    d
}

/// The band between an upper and a lower line.
pub(super) fn band(upper: &[(f64, f64)], lower: &[(f64, f64)]) -> String {
    let around: Vec<(f64, f64)> = upper.iter().chain(lower.iter().rev()).copied().collect();
    path(&around, true)
}

/// Swatches with words; two a line.
pub(super) fn legend(y: f64, entries: &[(Markup, &str)]) -> Markup {
    html! {
        g.legend {
            @for (at, (swatch, words)) in entries.iter().enumerate() {
                g transform=(format!("translate({} {})", if at % 2 == 0 { 6.0 } else { 184.0 },
                    px(y + 16.0 * (at / 2) as f64))) {
                    (swatch)
                    text x="22" y="9" { (words) }
                }
            }
        }
    }
}

/// A filled swatch.
pub(super) fn swatch(class: &str) -> Markup {
    html! { rect class=(class) width="16" height="10" {} }
}

/// A swatch of a line.
pub(super) fn stroke(class: &str) -> Markup {
    html! { line class=(class) x1="0" x2="16" y1="5" y2="5" {} }
}

/// Height of a legend.
pub(super) fn legend_high(entries: usize) -> f64 {
    16.0 * entries.div_ceil(2) as f64 + 4.0
}
