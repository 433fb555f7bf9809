//! Demand through a day, with night, rain and the start window.

use super::{
    Frame, LEFT, RIGHT, Scale, clock_hours, figure, instant, legend, legend_high, minutes, path,
    px, swatch,
};
use crate::app::tomorrow::Tomorrow;
use crate::app::words::clock;
use crate::pages::figures::Figures;
use crate::pages::parts::{cell, number, table, words};
use chrono::{DateTime, Utc};
use chrono_tz::Tz;
use maud::{Markup, html};

const TOP: f64 = 18.0;
const BOTTOM: f64 = 150.0;
/// Demand that always fits.
const FULL: f64 = 1.2;
/// Rain that fills its part, mm in an hour; more grows it.
const FULL_RAIN_MM: f64 = 4.0;
/// Rain hangs down so far at most.
const RAIN_HIGH: f64 = 52.0;

/// The chart; nothing where there is no weather.
pub fn chart(answer: &Tomorrow, figures: Figures) -> Markup {
    let outlook = &answer.outlook;
    if outlook.hours.is_empty() {
        return html! {};
    }
    let desc = desc(answer);
    let zone: Tz = answer.time_zone.parse().unwrap_or(Tz::UTC);
    let day = outlook.span;
    let wide = Scale { from: 0.0, to: minutes(day.from, day.to), at: (LEFT, RIGHT) };
    let x = |at: DateTime<Utc>| wide.of(minutes(day.from, at));
    let most = outlook.hours.iter().map(|hour| hour.demand).fold(FULL, f64::max);
    let high = Scale { from: 0.0, to: most, at: (BOTTOM, TOP) };
    let wettest = outlook.hours.iter().map(|hour| hour.rain_mm).fold(FULL_RAIN_MM, f64::max);
    let rain = Scale { from: 0.0, to: wettest, at: (0.0, RAIN_HIGH) };
    let entries = [
        (swatch("demand"), "demand (1 = fair)"),
        (swatch("rain"), "rain, hanging down"),
        (swatch("night"), "night"),
        (swatch("window"), "start meets the wish"),
    ];
    let window = answer.start_window.as_ref();
    let window = window.and_then(|[from, to]| Some((x(instant(from)?), x(instant(to)?))));
    let body = html! {
        @for (a, b) in nights(answer) {
            rect.night x=(px(x(a))) y=(px(TOP)) width=(px(x(b) - x(a))) height=(px(BOTTOM - TOP)) {}
        }
        @if let Some((a, b)) = window {
            rect.window x=(px(a)) y=(px(TOP)) width=(px((b - a).max(1.5))) height=(px(BOTTOM - TOP)) {}
        }
        @for run in runs(answer) {
            path.demand d=(area(&run, &x, high)) {}
        }
        @for hour in outlook.hours.iter().filter(|hour| hour.rain_mm >= 0.05) {
            @let (a, b) = (x(hour.span.from.max(day.from)), x(hour.span.to.min(day.to)));
            rect.rain x=(px(a + 1.0)) y=(px(TOP)) width=(px((b - a - 2.0).max(1.0)))
                height=(px(rain.of(hour.rain_mm).max(2.0))) {}
        }
        line.rule x1=(px(LEFT)) x2=(px(RIGHT)) y1=(px(high.of(1.0))) y2=(px(high.of(1.0))) {}
        @for (value, name) in [(0.0, "0"), (0.5, "0.5"), (1.0, "1")] {
            text.end x=(px(LEFT - 4.0)) y=(px(high.of(value) + 4.0)) { (name) }
        }
        line.axis x1=(px(LEFT)) x2=(px(RIGHT)) y1=(px(BOTTOM)) y2=(px(BOTTOM)) {}
        @for (at, hour) in clock_hours(day.from, day.to, zone, 3) {
            line.axis x1=(px(x(at))) x2=(px(x(at))) y1=(px(BOTTOM)) y2=(px(BOTTOM + 4.0)) {}
            @if x(at) < RIGHT - 4.0 { text.mid x=(px(x(at))) y=(px(BOTTOM + 15.0)) { (hour) } }
        }
        @if let Some((a, b)) = window {
            text.mid.strong x=(px((0.5 * (a + b)).clamp(LEFT + 24.0, RIGHT - 24.0))) y=(px(TOP - 5.0)) { "start" }
        }
        (legend(BOTTOM + 24.0, &entries))
    };
    let frame = Frame {
        id: "day",
        title: "Demand through the day",
        desc: &desc,
        high: BOTTOM + 24.0 + legend_high(entries.len()),
    };
    figure(&frame, &body, &hours(answer, figures))
}

fn desc(answer: &Tomorrow) -> String {
    let peak = answer.outlook.hours.iter().max_by(|a, b| a.demand.total_cmp(&b.demand));
    let peak = peak.map_or(String::new(), |hour| {
        let at = clock(Some(&hour.hour_starting), answer.date);
        format!("Demand is highest, {:.2}, in the hour from {at}. ", hour.demand)
    });
    let window = match &answer.start_window {
        Some([from, to]) => format!(
            "A start from {} to {} meets the wish.",
            clock(Some(from), answer.date),
            clock(Some(to), answer.date)
        ),
        None => "No start meets the wish.".into(),
    };
    format!("{peak}Rain sums to {:.1} mm. {window}", answer.outlook.rain_mm)
}

/// Spans of the date that are night.
fn nights(answer: &Tomorrow) -> Vec<(DateTime<Utc>, DateTime<Utc>)> {
    let (day, turns) = (answer.outlook.span, &answer.outlook.turns);
    if turns.polar_night {
        return vec![(day.from, day.to)];
    }
    let before = turns.dawn.map(|dawn| (day.from, dawn.clamp(day.from, day.to)));
    let after = turns.dusk.map(|dusk| (dusk.clamp(day.from, day.to), day.to));
    before.into_iter().chain(after).filter(|(from, to)| from < to).collect()
}

/// One span of hours and its demand.
type Step = (DateTime<Utc>, DateTime<Utc>, f64);

/// Hours without a hole between them.
fn runs(answer: &Tomorrow) -> Vec<Vec<Step>> {
    let day = answer.outlook.span;
    let mut runs: Vec<Vec<Step>> = Vec::new();
    for hour in &answer.outlook.hours {
        let step = (hour.span.from.max(day.from), hour.span.to.min(day.to), hour.demand);
        match runs.last_mut() {
            Some(run) if run.last().is_some_and(|last| last.1 == step.0) => run.push(step),
            _ => runs.push(vec![step]),
        }
    }
    runs
}

fn area(run: &[Step], x: &impl Fn(DateTime<Utc>) -> f64, high: Scale) -> String {
    let mut points = Vec::with_capacity(2 * run.len() + 2);
    if let (Some(first), Some(last)) = (run.first(), run.last()) {
        points.push((x(first.0), BOTTOM));
        for (from, to, demand) in run {
            points.extend([(x(*from), high.of(*demand)), (x(*to), high.of(*demand))]);
        }
        points.push((x(last.1), BOTTOM));
    }
    path(&points, true)
}

fn hours(answer: &Tomorrow, figures: Figures) -> Markup {
    let (air, rain) =
        (format!("air {}", figures.temperature_unit()), format!("rain {}", figures.depth_unit()));
    let columns = [
        words("from"),
        number("demand"),
        number("VPD kPa"),
        number("sun W/m2"),
        number(&air),
        number(&rain),
        words("mind"),
    ];
    let rows: Vec<Vec<Markup>> = answer
        .outlook
        .hours
        .iter()
        .map(|hour| {
            let night = hour.night.then(|| "night".to_owned());
            let mind: Vec<String> = night.into_iter().chain(hour.hazards.iter().cloned()).collect();
            vec![
                cell(clock(Some(&hour.hour_starting), answer.date)),
                cell(format!("{:.2}", hour.demand)),
                cell(format!("{:.2}", hour.vpd_kpa)),
                cell(format!("{:.0}", hour.shortwave_w_m2)),
                cell(figures.temperature_value(hour.air_temp_c)),
                cell(figures.depth_value(hour.rain_mm)),
                cell(mind.join(", ")),
            ]
        })
        .collect();
    table("Demand through the day, hour by hour", &columns, &rows)
}
