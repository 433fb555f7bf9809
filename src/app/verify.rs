//! Forecast against what came, by lead time and variable, beside persistence and climatology: is
//! this service worth listening to, and how far ahead?

use super::desk::{Desk, DeskError};
use crate::demand::errors::{ENOUGH_PAIRS, LEADS_H, LearnedErrors, learn};
use crate::evapo::humidity::relative_humidity;
use crate::weather::{Hour, Series, Span};
use chrono::{DateTime, TimeDelta, Utc};
use serde::Serialize;

/// Days to either side whose hours make the climatology of an hour.
const CLIMATE_DAYS: i64 = 15;
/// Fewest days that make a climatology.
const FEWEST_DAYS: usize = 5;

/// A variable that is verified.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, utoipa::ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Variable {
    /// Air temperature, degC.
    AirTempC,
    /// Relative humidity, %.
    RelHumidityPct,
    /// Shortwave, W/m2.
    ShortwaveWM2,
    /// Wind at 2 m, m/s.
    WindMS,
}

impl Variable {
    const ALL: [Variable; 4] =
        [Variable::AirTempC, Variable::RelHumidityPct, Variable::ShortwaveWM2, Variable::WindMS];

    /// In words, with the unit.
    pub const fn words(self) -> &'static str {
        match self {
            Variable::AirTempC => "air temperature, degC",
            Variable::RelHumidityPct => "relative humidity, %",
            Variable::ShortwaveWM2 => "shortwave, W/m2",
            Variable::WindMS => "wind at 2 m, m/s",
        }
    }

    fn of(self, hour: &Hour) -> f64 {
        match self {
            Variable::AirTempC => hour.air.value(),
            Variable::RelHumidityPct => relative_humidity(hour.air, hour.vapour_pressure).value(),
            Variable::ShortwaveWM2 => hour.shortwave.value(),
            Variable::WindMS => hour.wind_2m.value(),
        }
    }
}

/// One variable at one lead time.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
#[schema(as = ForecastScore)]
pub struct Score {
    /// Which variable.
    pub variable: Variable,
    /// Lead times up to this, from the one before; h.
    pub lead_to_h: f64,
    /// Pairs of hours.
    pub hours: usize,
    /// Mean of forecast minus observed.
    pub bias: f64,
    /// Root mean square error.
    pub rmse: f64,
    /// Share of persistence's mean square error that is saved; below 0 it is worse.
    pub skill_against_persistence: Option<f64>,
    /// The same against climatology.
    pub skill_against_climatology: Option<f64>,
}

/// The verification.
#[derive(Debug, Serialize, utoipa::ToSchema)]
pub struct Verification {
    /// Scores by variable and lead time.
    pub scores: Vec<Score>,
    /// Errors that widen the bands; none while there are too few pairs.
    pub learned: Option<LearnedErrors>,
    /// In words, what widens the bands now.
    pub words: String,
}

/// Verifies every forecast known by the desk's instant.
///
/// # Errors
/// [`DeskError::Unanswerable`] where no forecast hour has been observed yet.
pub fn verify(desk: &Desk) -> Result<Verification, DeskError> {
    let mut scores = Vec::new();
    for variable in Variable::ALL {
        for (index, &lead_to_h) in LEADS_H.iter().enumerate() {
            let lead_from_h = if index == 0 { 0.0 } else { LEADS_H[index - 1] };
            scores.extend(score(desk, variable, lead_from_h, lead_to_h));
        }
    }
    if scores.is_empty() {
        return Err(DeskError::Unanswerable(
            "no forecast hour has been observed yet: pull again in some days".into(),
        ));
    }
    let learned = learn(&desk.observed, &desk.grove.forecasts, desk.as_of);
    let words = match &learned {
        Some(learned) => format!("Bands are widened by these errors ({} hours)", learned.pairs),
        None => format!(
            "Bands are widened by stated default errors until {ENOUGH_PAIRS} hours have been compared"
        ),
    };
    Ok(Verification { scores, learned, words })
}

/// Squared misses of the forecast and of two simple rivals, over the same hours.
#[derive(Default)]
struct Sums {
    hours: usize,
    miss: f64,
    square: f64,
    persistence: (f64, f64),
    climatology: (f64, f64),
}

fn score(desk: &Desk, variable: Variable, lead_from_h: f64, lead_to_h: f64) -> Option<Score> {
    let mut sums = Sums::default();
    for issue in desk.grove.forecasts.issues() {
        let Some(issued_at) = issue.issued_at.filter(|at| *at <= desk.as_of) else { continue };
        let Some(middle) = issue.members.first() else { continue };
        let leads = Span {
            from: issued_at + TimeDelta::minutes((lead_from_h * 60.0) as i64),
            to: issued_at + TimeDelta::minutes((lead_to_h * 60.0) as i64),
        };
        for hour in middle.within(leads).iter().filter(|hour| leads.contains(hour.span.from)) {
            add(&mut sums, &desk.observed, desk.as_of, variable, issued_at, hour);
        }
    }
    let n = sums.hours as f64;
    let skill = |(own, rival): (f64, f64)| (rival > 0.0).then(|| 1.0 - own / rival);
    (sums.hours > 0).then(|| Score {
        variable,
        lead_to_h,
        hours: sums.hours,
        bias: sums.miss / n,
        rmse: (sums.square / n).sqrt(),
        skill_against_persistence: skill(sums.persistence),
        skill_against_climatology: skill(sums.climatology),
    })
}

fn add(
    sums: &mut Sums,
    observed: &Series,
    as_of: DateTime<Utc>,
    variable: Variable,
    issued_at: DateTime<Utc>,
    forecast: &Hour,
) {
    let value = |at: DateTime<Utc>| observed.at(at).map(|hour| variable.of(hour));
    let at = forecast.span.middle();
    let Some(came) = value(at).filter(|_| forecast.span.to <= as_of) else { return };
    let miss = variable.of(forecast) - came;
    sums.hours += 1;
    sums.miss += miss;
    sums.square += miss * miss;
    // The last day observed before the issue, at the same time of day.
    let days = (at - issued_at).num_hours().div_euclid(24) + 1;
    if let Some(before) = value(at - TimeDelta::days(days)) {
        sums.persistence.0 += miss * miss;
        sums.persistence.1 += (before - came).powi(2);
    }
    let others: Vec<f64> = (-CLIMATE_DAYS..=CLIMATE_DAYS)
        .filter(|day| *day != 0)
        .filter_map(|day| value(at + TimeDelta::days(day)))
        .collect();
    if others.len() >= FEWEST_DAYS {
        let usual = others.iter().sum::<f64>() / others.len() as f64;
        sums.climatology.0 += miss * miss;
        sums.climatology.1 += (usual - came).powi(2);
    }
}
