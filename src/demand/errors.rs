//! How wrong this grove's forecasts have been: forecast hours against the hours that came.

use super::members::ForecastError;
use crate::evapo::humidity::relative_humidity;
use crate::weather::{Forecasts, Hour, Series, Span};
use chrono::{DateTime, Utc};
use serde::Serialize;

/// Pairs of forecast and observed hours from which on errors count as learned: three days.
pub const ENOUGH_PAIRS: usize = 72;
/// Below this flux the ratio of two shortwaves says nothing, W/m2.
const LIGHT_W_M2: f64 = 50.0;
/// Days in which a pair counts half: weather models and seasons change.
const HALF_LIFE_DAYS: f64 = 30.0;
/// Bounds that keep a handful of odd hours from making a forecast perfect or worthless.
const AIR_C: (f64, f64) = (0.2, 6.0);
const HUMIDITY_PCT: (f64, f64) = (1.0, 30.0);
const SHORTWAVE_LN: (f64, f64) = (0.03, 0.8);
const CORRELATION: (f64, f64) = (0.3, 0.98);

/// Errors learned from pairs, and how many.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct LearnedErrors {
    /// Their sizes.
    pub error: ForecastError,
    /// Pairs of hours behind them.
    pub pairs: usize,
}

/// Forecast minus observed in one hour.
#[derive(Debug, Clone, Copy)]
struct Miss {
    span: Span,
    weight: f64,
    air_c: f64,
    humidity_pct: f64,
    /// `ln` of the ratio; none in the dark.
    shortwave_ln: Option<f64>,
}

/// Learns the sizes of forecast errors from all forecasts of hours that ended by `as_of`; none
/// where there are fewer than [`ENOUGH_PAIRS`].
///
/// Sizes are root mean squares, so a bias widens the band. An issue's hours before its own time are
/// left out: they are no forecast.
pub fn learn(
    observed: &Series,
    forecasts: &Forecasts,
    as_of: DateTime<Utc>,
) -> Option<LearnedErrors> {
    let mut misses: Vec<Vec<Miss>> = Vec::new();
    for issue in
        forecasts.issues().iter().filter(|issue| issue.issued_at.is_none_or(|at| at <= as_of))
    {
        let from = issue.issued_at.unwrap_or(DateTime::<Utc>::MIN_UTC);
        for member in &issue.members {
            misses.push(paired(observed, member, Span { from, to: as_of }, as_of));
        }
    }
    let all: Vec<&Miss> = misses.iter().flatten().collect();
    if all.len() < ENOUGH_PAIRS {
        return None;
    }
    let root_mean_square = |value: &dyn Fn(&Miss) -> Option<f64>| {
        let pairs = all.iter().filter_map(|miss| Some((miss.weight, value(miss)?)));
        let (weight, square) =
            pairs.fold((0.0, 0.0), |(w, s), (weight, miss)| (w + weight, s + weight * miss * miss));
        if weight > 0.0 { (square / weight).sqrt() } else { 0.0 }
    };
    let within = |value: f64, (low, high): (f64, f64)| value.clamp(low, high);
    Some(LearnedErrors {
        error: ForecastError {
            air_c: within(root_mean_square(&|miss| Some(miss.air_c)), AIR_C),
            humidity_pct: within(root_mean_square(&|miss| Some(miss.humidity_pct)), HUMIDITY_PCT),
            shortwave_ln: within(root_mean_square(&|miss| miss.shortwave_ln), SHORTWAVE_LN),
            hourly_correlation: within(hourly_correlation(&misses), CORRELATION),
        },
        pairs: all.len(),
    })
}

fn paired(observed: &Series, forecast: &Series, span: Span, as_of: DateTime<Utc>) -> Vec<Miss> {
    let miss = |forecast: &Hour| {
        let seen = observed.at(forecast.span.middle()).filter(|seen| seen.span == forecast.span)?;
        let age_days = Span { from: seen.span.to, to: as_of }.hours() / 24.0;
        let humidity = |hour: &Hour| relative_humidity(hour.air, hour.vapour_pressure).value();
        let (predicted, came) = (forecast.shortwave.value(), seen.shortwave.value());
        Some(Miss {
            span: seen.span,
            weight: 0.5f64.powf(age_days / HALF_LIFE_DAYS),
            air_c: forecast.air.value() - seen.air.value(),
            humidity_pct: humidity(forecast) - humidity(seen),
            shortwave_ln: (predicted > LIGHT_W_M2 && came > LIGHT_W_M2)
                .then(|| (predicted / came).ln()),
        })
    };
    forecast
        .within(span)
        .iter()
        .filter(|hour| hour.span.from >= span.from && hour.span.to <= span.to)
        .filter_map(miss)
        .collect()
}

/// Correlation of the temperature error with that of the hour before, about zero.
fn hourly_correlation(misses: &[Vec<Miss>]) -> f64 {
    let (mut both, mut square) = (0.0, 0.0);
    for pair in misses.iter().flat_map(|series| series.windows(2)) {
        if pair[0].span.to == pair[1].span.from {
            both += pair[1].weight * pair[0].air_c * pair[1].air_c;
            square += pair[1].weight * 0.5 * (pair[0].air_c.powi(2) + pair[1].air_c.powi(2));
        }
    }
    if square > 0.0 { both / square } else { 0.0 }
}

#[cfg(test)]
mod tests {
    use super::super::members::members;
    use super::*;
    use crate::evapo::humidity::vapour_pressure;
    use crate::units::{
        Celsius, Kilopascal, MetresPerSecond, Millimetres, Percent, WattsPerSquareMetre,
    };
    use crate::weather::{Flags, Forecast};
    use chrono::TimeDelta;

    fn observed() -> Series {
        let hour = |hour: i64| {
            let air = Celsius::computed(18.0);
            Hour {
                span: Span::hour_from(DateTime::UNIX_EPOCH + TimeDelta::hours(hour)),
                air,
                vapour_pressure: vapour_pressure(air, Percent::computed(55.0)),
                wind_2m: MetresPerSecond::computed(2.0),
                shortwave: WattsPerSquareMetre::computed(300.0),
                rain: Millimetres::computed(0.0),
                pressure: Kilopascal::computed(100.0),
                soil_water_m3_m3: None,
                flags: Flags::default(),
            }
        };
        Series::new((0..24 * 60).map(hour).collect()).unwrap()
    }

    #[test]
    fn sizes_that_went_in_come_out() {
        let observed = observed();
        let truth = ForecastError {
            air_c: 1.2,
            humidity_pct: 6.0,
            shortwave_ln: 0.25,
            hourly_correlation: 0.85,
        };
        let issues = members(&observed, &truth, 12, 5)
            .into_iter()
            .map(|series| Forecast { issued_at: None, source: None, members: vec![series] })
            .collect();
        let as_of = observed.span().unwrap().to;
        let learned = learn(&observed, &Forecasts::new(issues), as_of).unwrap();
        let close = |found: f64, wanted: f64| (found / wanted - 1.0).abs() < 0.15;
        assert!(close(learned.error.air_c, truth.air_c), "{learned:?}");
        assert!(close(learned.error.humidity_pct, truth.humidity_pct), "{learned:?}");
        assert!(close(learned.error.shortwave_ln, truth.shortwave_ln), "{learned:?}");
        assert!(close(learned.error.hourly_correlation, truth.hourly_correlation), "{learned:?}");
    }

    #[test]
    fn nothing_is_learned_from_the_future_or_from_too_little() {
        let observed = observed();
        let issue =
            |at| Forecast { issued_at: Some(at), source: None, members: vec![observed.clone()] };
        let later = observed.span().unwrap().to;
        let forecasts = Forecasts::new(vec![issue(later)]);
        assert_eq!(learn(&observed, &forecasts, later), None);
        let early = Forecasts::new(vec![issue(DateTime::UNIX_EPOCH)]);
        assert_eq!(learn(&observed, &early, DateTime::UNIX_EPOCH + TimeDelta::hours(71)), None);
        assert!(learn(&observed, &early, DateTime::UNIX_EPOCH + TimeDelta::hours(72)).is_some());
    }
}
