//! Weather: from where, how old, with which holes, what is to come, and how well it was foretold.

use super::figures::Figures;
use super::parts::{cell, folded, number, or_dash, table, words};
use super::site::{Place, page as whole};
use super::tomorrow::warning;
use crate::app::outlook::OutlookHour;
use crate::app::verify::Verification;
use crate::app::weather_known::{DayKnown, IssueKnown, ObservedKnown, WeatherKnown};
use crate::app::words::{clock, day_clock};
use maud::{Markup, html};

/// The page.
pub fn page(place: &Place, known: &WeatherKnown) -> String {
    let figures = Figures::of(place);
    let body = html! {
        h1 { "Weather" }
        (warning(known.source.warning.as_deref().map(|words| figures.sentence(words)).as_deref()))
        p.lead { (figures.sentence(&known.source.words)) "." }
        p.small { "As of " (day_clock(&known.as_of)) ", times in " (known.time_zone) "." }
        @match &known.services {
            Some(services) => p { "A pull asks, in this order: " (services.join(", ")) "." },
            None => p { "The settings name no weather service: a pull asks the ordinary ones." },
        }
        section { h2 { "What is to come" }
            @if known.days.is_empty() { p { "No hour is known from now on." } }
            @for (at, day) in known.days.iter().enumerate() { (coming(day, figures, at == 0)) }
        }
        section { h2 { "Forecasts" } (issues(known)) }
        section { h2 { "Observed" }
            @match &known.observed {
                Some(observed) => (self::observed(observed)),
                None => p { "Nothing was observed yet: draws teach the model only with observed weather." },
            }
        }
        section { h2 { "Forecast against observed" }
            @match (&known.verification, &known.not_verified) {
                (Some(verification), _) => (verified(verification, figures)),
                (None, Some(why)) => p { (figures.sentence(why)) },
                (None, None) => {},
            }
        }
    };
    whole(place, "Weather", &body)
}

fn coming(day: &DayKnown, figures: Figures, first: bool) -> Markup {
    let title = day.date.format("%A %-d %B").to_string();
    let et = day.reference_et_mm.map_or("not known".into(), |et| figures.depth(et));
    let whole = format!(
        "Whole day: reference ET {et} (FAO-56), rain {}, weather for {:.0} % of it.",
        figures.depth(day.rain_mm),
        100.0 * day.coverage
    );
    let body = html! { p { (whole) } (hours(day, figures, &title)) };
    html! { @if first { h3 { (title) } (body) } @else { (folded(&title, &body)) } }
}

fn hours(day: &DayKnown, figures: Figures, title: &str) -> Markup {
    let (air, wind) = (figures.temperature_unit(), figures.wind_unit());
    let (air, wind) = (format!("air {air}"), format!("wind {wind}"));
    let rain = format!("rain {}", figures.depth_unit());
    let columns = [
        words("from"),
        number("demand"),
        number(&air),
        number("RH %"),
        number("VPD kPa"),
        number(&wind),
        number("sun W/m2"),
        number(&rain),
        words("mind"),
    ];
    let row = |hour: &OutlookHour| {
        let night = hour.night.then(|| "night".to_owned());
        let mind: Vec<String> = night.into_iter().chain(hour.hazards.iter().cloned()).collect();
        vec![
            cell(clock(Some(&hour.hour_starting), day.date)),
            cell(format!("{:.2}", hour.demand)),
            cell(figures.temperature_value(hour.air_temp_c)),
            cell(format!("{:.0}", hour.rel_humidity_pct)),
            cell(format!("{:.2}", hour.vpd_kpa)),
            cell(figures.wind_value(hour.wind_m_s)),
            cell(format!("{:.0}", hour.shortwave_w_m2)),
            cell(figures.depth_value(hour.rain_mm)),
            cell(figures.sentence(&mind.join(", "))),
        ]
    };
    table(title, &columns, &day.hours.iter().map(row).collect::<Vec<_>>())
}

fn issues(known: &WeatherKnown) -> Markup {
    let time = |text: &Option<String>| or_dash(text.as_deref().map(day_clock).as_deref());
    let row = |issue: &IssueKnown| {
        vec![
            time(&issue.issued_at),
            cell(issue.source.as_deref().unwrap_or("weather/forecast.csv")),
            cell(if issue.in_use { "in use" } else { "" }),
            cell(issue.age_h.map_or("-".into(), |age| format!("{age:.0} h"))),
            time(&issue.from),
            time(&issue.to),
            cell(issue.members.to_string()),
        ]
    };
    let columns = [
        words("issued"),
        words("source"),
        words("use"),
        number("age"),
        words("from"),
        words("to"),
        number("members"),
    ];
    html! {
        @if known.issues.is_empty() { p { "No forecast: put weather/forecast.csv in, or pull one." } }
        @else {
            (table("The latest forecasts", &columns, &known.issues.iter().map(row).collect::<Vec<_>>()))
            @if known.issue_count > known.issues.len() {
                p.small { (known.issue_count) " are kept in all." }
            }
        }
    }
}

fn observed(observed: &ObservedKnown) -> Markup {
    let columns = [words("from"), words("to"), number("h"), words("state")];
    let rows: Vec<Vec<Markup>> = observed
        .gaps
        .iter()
        .map(|gap| {
            vec![
                cell(day_clock(&gap.from)),
                cell(day_clock(&gap.to)),
                cell(format!("{:.1}", gap.hours)),
                cell(if gap.bridged { "bridged" } else { "not known" }),
            ]
        })
        .collect();
    html! {
        p {
            (observed.hours) " hours from " (day_clock(&observed.from)) " to " (day_clock(&observed.to))
            ", which is " (format!("{:.0}", observed.age_h)) " h ago."
        }
        @if rows.is_empty() { p { "No hour is missing." } } @else {
            p { (observed.gap_count) " holes; the latest:" }
            (table("Holes in the observed weather", &columns, &rows))
        }
        @if !observed.estimated.is_empty() {
            p { "Estimated:" }
            ul { @for (what, hours) in &observed.estimated { li { (what) " (" (hours) " h)" } } }
        }
    }
}

fn verified(verification: &Verification, figures: Figures) -> Markup {
    let skill = |skill: Option<f64>| skill.map_or("-".into(), |s| format!("{:.0} %", 100.0 * s));
    let columns = [
        words("what"),
        number("lead to"),
        number("hours"),
        number("bias"),
        number("rms error"),
        number("better than persistence"),
        number("than climatology"),
    ];
    let rows: Vec<Vec<Markup>> = verification
        .scores
        .iter()
        .map(|score| {
            let (name, factor) = figures.of_variable(score.variable);
            vec![
                cell(name),
                cell(format!("{:.0} h", score.lead_to_h)),
                cell(score.hours.to_string()),
                cell(format!("{:+.2}", factor * score.bias)),
                cell(format!("{:.2}", factor * score.rmse)),
                cell(skill(score.skill_against_persistence)),
                cell(skill(score.skill_against_climatology)),
            ]
        })
        .collect();
    html! {
        p { (figures.sentence(&verification.words)) "." }
        (table("Forecast less observed, by lead time", &columns, &rows))
    }
}
