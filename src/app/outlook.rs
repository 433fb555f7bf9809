//! Tomorrow hour by hour: weather, VPD, reference ET, demand and hazards.

use super::ahead::Ahead;
use super::desk::{Desk, DeskError};
use super::times::{Turns, ahead, turns};
use crate::evapo::daily::{day, span_of_date};
use crate::evapo::humidity::relative_humidity;
use crate::evapo::sequence::{Reference, hour_by_hour};
use crate::plan::overnight::FREEZING_RISK_C;
use crate::text::format_time;
use crate::weather::{Hour, Series, Span};
use chrono::{DateTime, NaiveDate, Utc};
use serde::Serialize;

/// Rain from which nobody starts a bag, mm in an hour.
pub const RAIN_MM: f64 = 0.1;
/// Air temperature above which leaf injury was seen after trunk injection, degC: Swiecki and
/// Bernhardt 2013, USDA FS PSW-GTR-242.
pub const HOT_C: f64 = 32.0;
/// Air temperature below which uptake is slow, degC (judgement).
pub const COLD_C: f64 = 10.0;
/// Wind from which hanging bags swing and poles are unsafe, m/s (common practice, no source).
pub const WINDY_M_S: f64 = 10.0;

/// Age from which a forecast is said to be old, h.
const AGEING_H: f64 = 3.0;
/// Age from which it is stale, h.
const STALE_H: f64 = 24.0;

/// One hour of the outlook.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct OutlookHour {
    /// Start of the hour, in the grove's zone.
    pub hour_starting: String,
    /// Mean air temperature.
    pub air_temp_c: f64,
    /// Relative humidity.
    pub rel_humidity_pct: f64,
    /// Vapour pressure deficit.
    pub vpd_kpa: f64,
    /// Wind at 2 m.
    pub wind_m_s: f64,
    /// Mean shortwave.
    pub shortwave_w_m2: f64,
    /// Rain.
    pub rain_mm: f64,
    /// FAO-56 reference ET (eq. 53).
    pub reference_et_mm: f64,
    /// Mean demand; 1 = fair weather.
    pub demand: f64,
    /// Is it night at mid-hour?
    pub night: bool,
    /// What of it was estimated.
    pub estimated: Vec<&'static str>,
    /// What speaks against starting or leaving a bag.
    pub hazards: Vec<String>,
    /// The interval.
    #[serde(skip)]
    pub span: Span,
}

/// A day of weather as the trees will feel it.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct Outlook {
    /// The local date.
    pub date: NaiveDate,
    /// IANA zone of all times.
    pub time_zone: String,
    /// Its hours.
    pub hours: Vec<OutlookHour>,
    /// Share of the date that has weather, 0 to 1.
    pub coverage: f64,
    /// Daily reference ET (FAO-56 eq. 6), mm.
    pub reference_et_mm: Option<f64>,
    /// Rain, mm.
    pub rain_mm: f64,
    /// Civil dawn and dusk.
    #[serde(rename = "civil_dawn_to_dusk")]
    pub sunrise_to_dusk: (Option<String>, Option<String>),
    /// Source and age of the weather.
    pub source: Source,
    /// Dawn, dusk and working day, for pictures.
    #[serde(skip)]
    pub turns: Turns,
    /// The date, for pictures.
    #[serde(skip)]
    pub span: Span,
}

/// Where the weather comes from and how old it is.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct Source {
    /// In words.
    pub words: String,
    /// Age of the forecast; none where there is none, or where it does not say when it was issued;
    /// h.
    pub age_h: Option<f64>,
    /// Older than a day?
    pub stale: bool,
    /// What is amiss with it, to be said before anything else.
    pub warning: Option<String>,
}

/// The outlook of a date.
///
/// # Errors
/// [`DeskError`] where the date or its almanac does not exist.
pub fn outlook(desk: &Desk, date: NaiveDate) -> Result<(Outlook, Ahead, Turns), DeskError> {
    let settings = &desk.grove.settings;
    let span = span_of_date(date, settings.zone)?;
    let turns = turns(desk, date)?;
    let ahead = ahead(desk, span.from);
    let evapo = hour_by_hour(&ahead.series, settings.place, Reference::Fao56);
    let hours: Vec<OutlookHour> = ahead
        .series
        .hours()
        .iter()
        .zip(&evapo)
        .filter(|(hour, _)| hour.span.from < span.to && hour.span.to > span.from)
        .map(|(hour, evapo)| OutlookHour {
            hour_starting: format_time(hour.span.from, settings.zone),
            air_temp_c: hour.air.value(),
            rel_humidity_pct: relative_humidity(hour.air, hour.vapour_pressure).value(),
            vpd_kpa: evapo.deficit.value(),
            wind_m_s: hour.wind_2m.value(),
            shortwave_w_m2: hour.shortwave.value(),
            rain_mm: hour.rain.value(),
            reference_et_mm: evapo.reference_et.value(),
            demand: ahead.demand(hour.span.middle()).unwrap_or_default(),
            night: is_night(&turns, hour.span.middle()),
            estimated: hour.flags.iter().map(|flag| flag.words()).collect(),
            hazards: hazards(desk, hour),
            span: hour.span,
        })
        .collect();
    let whole = day(&ahead.series, date, settings.zone, settings.place)?;
    let local = |at: Option<DateTime<Utc>>| at.map(|at| format_time(at, settings.zone));
    let outlook = Outlook {
        date,
        time_zone: settings.zone.name().into(),
        rain_mm: rain_within(&ahead.series, span),
        hours,
        coverage: whole.as_ref().map_or(0.0, |day| day.coverage),
        reference_et_mm: whole.and_then(|day| day.reference_et).map(|et| et.value()),
        sunrise_to_dusk: (local(turns.dawn), local(turns.dusk)),
        source: source(desk),
        turns,
        span,
    };
    Ok((outlook, ahead, turns))
}

/// Rain of a span, hours at its ends shared out by overlap, mm.
fn rain_within(series: &Series, span: Span) -> f64 {
    let share = |hour: &Hour| {
        let overlap = Span { from: hour.span.from.max(span.from), to: hour.span.to.min(span.to) };
        hour.rain.value() * overlap.hours() / hour.span.hours()
    };
    series.within(span).iter().map(share).fold(0.0, |sum, rain| sum + rain)
}

/// Is an instant before civil dawn or after civil dusk of its date?
pub fn is_night(turns: &Turns, at: DateTime<Utc>) -> bool {
    turns.polar_night
        || turns.dawn.is_some_and(|dawn| at < dawn)
        || turns.dusk.is_some_and(|dusk| at >= dusk)
}

/// What in an hour speaks against bags.
pub fn hazards(desk: &Desk, hour: &Hour) -> Vec<String> {
    let label = &desk.grove.settings.label;
    let air = hour.air.value();
    let mut hazards = Vec::new();
    if hour.rain.value() >= RAIN_MM {
        hazards.push("rain".into());
    }
    if let Some(most) = label.max_air_temp.filter(|most| air > most.value()) {
        hazards.push(format!("above the label's {most}"));
    } else if air > HOT_C {
        hazards.push("heat".into());
    }
    if let Some(least) = label.min_air_temp.filter(|least| air < least.value()) {
        hazards.push(format!("below the label's {least}"));
    } else if air <= FREEZING_RISK_C {
        hazards.push("frost".into());
    } else if air < COLD_C {
        hazards.push("cold".into());
    }
    if hour.wind_2m.value() >= WINDY_M_S {
        hazards.push("wind".into());
    }
    hazards
}

/// Source and age of the weather that the desk looks at.
pub fn source(desk: &Desk) -> Source {
    let local = |at: DateTime<Utc>| {
        at.with_timezone(&desk.grove.settings.zone).format("%-d %b %Y %H:%M").to_string()
    };
    let issued = desk.forecast.as_ref().and_then(|forecast| forecast.issued_at);
    let observed_to = desk.observed.span().map(|span| span.to.min(desk.as_of));
    let age = issued.map(|at| (Span { from: at, to: desk.as_of }.hours() * 10.0).round() / 10.0);
    let service = desk.forecast.as_ref().and_then(|forecast| forecast.source.as_deref());
    let mut words = match (&desk.forecast, issued.zip(age)) {
        (Some(_), Some((at, age))) if service.is_some() => {
            format!("{} pulled {} ({age:.0} h old)", service.unwrap_or_default(), local(at))
        }
        (Some(_), Some((at, age))) => {
            format!("weather/forecast.csv issued {} ({age:.0} h old)", local(at))
        }
        (Some(_), None) => "weather/forecast.csv, which does not say when it was issued".into(),
        (None, _) => "no forecast".into(),
    };
    words.push_str(&match observed_to {
        Some(to) => format!("; observed to {}", local(to)),
        None => "; no observed hour".into(),
    });
    let warning = warning(desk, age, observed_to.map(local)).filter(|_| !desk.exact_weather);
    Source { words, age_h: age, stale: age.is_some_and(|age| age > STALE_H), warning }
}

fn warning(desk: &Desk, age_h: Option<f64>, observed_to: Option<String>) -> Option<String> {
    const RENEW: &str =
        "pull it again, or bring weather/forecast.csv up to date, before you rely on it";
    match (&desk.forecast, age_h, observed_to) {
        (Some(_), Some(age), _) if age > STALE_H => {
            Some(format!("STALE weather: the forecast is {age:.0} h old; {RENEW}"))
        }
        (Some(_), Some(age), _) if age > AGEING_H => {
            Some(format!("The forecast is {age:.0} h old; {RENEW}"))
        }
        (Some(_), Some(_), _) => None,
        (Some(_), None, _) => {
            Some("The forecast does not say when it was issued (issued_at): it may be old".into())
        }
        (None, _, Some(to)) => Some(format!(
            "No forecast: nothing can be said beyond {to}; put weather/forecast.csv in"
        )),
        (None, _, None) => Some(
            "No weather at all: nothing can be timed; put weather/forecast.csv into the grove \
             folder, and weather/observed.csv to learn from draws"
                .into(),
        ),
    }
}
