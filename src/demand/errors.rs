//! How wrong this grove's forecasts have been, by lead time: forecast hours against the hours that
//! came.

use super::members::ForecastError;
use crate::evapo::humidity::relative_humidity;
use crate::weather::{Forecasts, Hour, Series, Span};
use chrono::{DateTime, Utc};
use serde::Serialize;

/// Pairs of forecast and observed hours from which on errors count as learned: three days.
pub const ENOUGH_PAIRS: usize = 72;
/// Ends of the lead times that are told apart, hours.
pub const LEADS_H: [f64; 5] = [24.0, 48.0, 72.0, 120.0, 240.0];
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
#[derive(Debug, Clone, Copy, PartialEq, Serialize, utoipa::ToSchema)]
pub struct LearnedErrors {
    /// Their sizes over all lead times.
    pub error: ForecastError,
    /// Pairs of hours behind them.
    pub pairs: usize,
    /// Their sizes at each of [`LEADS_H`].
    pub by_lead: [AtLead; LEADS_H.len()],
}

/// Errors up to a lead time, from the one before.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, utoipa::ToSchema)]
pub struct AtLead {
    /// The lead time, hours.
    pub to_h: f64,
    /// Sizes, drawn to those of the lead time before where pairs are few.
    pub error: ForecastError,
    /// Pairs of hours of this lead time.
    pub pairs: usize,
}

impl LearnedErrors {
    /// Sizes of the errors of a span of weather forecast at `issued_at`: those over all lead times
    /// where nobody said when.
    pub fn at(&self, issued_at: Option<DateTime<Utc>>, span: Span) -> ForecastError {
        let Some(issued_at) = issued_at else { return self.error };
        let lead_h = lead_h(issued_at, span);
        let far = self.by_lead.iter().find(|at| lead_h <= at.to_h);
        far.or(self.by_lead.last()).map_or(self.error, |at| at.error)
    }
}

fn lead_h(issued_at: DateTime<Utc>, span: Span) -> f64 {
    Span { from: issued_at, to: span.middle() }.hours()
}

/// Forecast minus observed in one hour.
#[derive(Debug, Clone, Copy)]
struct Miss {
    span: Span,
    /// None where nobody said when the forecast was issued.
    lead_h: Option<f64>,
    weight: f64,
    air_c: f64,
    humidity_pct: f64,
    /// `ln` of the ratio; none in the dark.
    shortwave_ln: Option<f64>,
}

/// Learns the sizes of forecast errors from all forecasts of hours that ended by `as_of`; none
/// where there are fewer than [`ENOUGH_PAIRS`].
///
/// Sizes are root mean squares, so a bias widens the band. A lead time's square is the mean of its
/// own pairs and of [`ENOUGH_PAIRS`] more that have the size of the lead time before it; before the
/// first one stands the size over all. An issue's hours before its own time are left out: they are
/// no forecast.
pub fn learn(
    observed: &Series,
    forecasts: &Forecasts,
    as_of: DateTime<Utc>,
) -> Option<LearnedErrors> {
    let mut misses: Vec<Vec<Miss>> = Vec::new();
    for issue in
        forecasts.issues().iter().filter(|issue| issue.issued_at.is_none_or(|at| at <= as_of))
    {
        for member in &issue.members {
            misses.push(paired(observed, member, issue.issued_at, as_of));
        }
    }
    let all: Vec<&Miss> = misses.iter().flatten().collect();
    if all.len() < ENOUGH_PAIRS {
        return None;
    }
    let hourly_correlation = hourly_correlation(&misses).clamp(CORRELATION.0, CORRELATION.1);
    let error = Sums::of(&all).sizes(None, hourly_correlation);
    let (mut from_h, mut before) = (f64::NEG_INFINITY, error);
    let by_lead = LEADS_H.map(|to_h| {
        let within = |miss: &&&Miss| miss.lead_h.is_some_and(|lead| lead > from_h && lead <= to_h);
        let at_lead: Vec<&Miss> = all.iter().filter(within).copied().collect();
        from_h = to_h;
        before = Sums::of(&at_lead).sizes(Some(&before), hourly_correlation);
        AtLead { to_h, error: before, pairs: at_lead.len() }
    });
    Some(LearnedErrors { error, pairs: all.len(), by_lead })
}

/// Weights and weighted squares: air, humidity, shortwave.
struct Sums([(f64, f64); 3]);

impl Sums {
    fn of(misses: &[&Miss]) -> Self {
        let mut sums = [(0.0, 0.0); 3];
        for miss in misses {
            let each = [Some(miss.air_c), Some(miss.humidity_pct), miss.shortwave_ln];
            for (sum, miss_of) in sums.iter_mut().zip(each) {
                let Some(miss_of) = miss_of else { continue };
                sum.0 += miss.weight;
                sum.1 += miss.weight * miss_of * miss_of;
            }
        }
        Self(sums)
    }

    /// Root mean squares within bounds, drawn to `toward` as by [`ENOUGH_PAIRS`] pairs of that size.
    fn sizes(&self, toward: Option<&ForecastError>, hourly_correlation: f64) -> ForecastError {
        let drawn = toward.map_or(0.0, |_| ENOUGH_PAIRS as f64);
        let size = |at: usize, toward: Option<f64>, (low, high): (f64, f64)| {
            let (weight, square) = self.0[at];
            let (weight, square) = (weight + drawn, square + drawn * toward.unwrap_or(0.0).powi(2));
            let mean = if weight > 0.0 { square / weight } else { 0.0 };
            mean.sqrt().clamp(low, high)
        };
        ForecastError {
            air_c: size(0, toward.map(|it| it.air_c), AIR_C),
            humidity_pct: size(1, toward.map(|it| it.humidity_pct), HUMIDITY_PCT),
            shortwave_ln: size(2, toward.map(|it| it.shortwave_ln), SHORTWAVE_LN),
            hourly_correlation,
        }
    }
}

fn paired(
    observed: &Series,
    forecast: &Series,
    issued_at: Option<DateTime<Utc>>,
    as_of: DateTime<Utc>,
) -> Vec<Miss> {
    let span = Span { from: issued_at.unwrap_or(DateTime::<Utc>::MIN_UTC), to: as_of };
    let miss = |forecast: &Hour| {
        let seen = observed.at(forecast.span.middle()).filter(|seen| seen.span == forecast.span)?;
        let age_days = Span { from: seen.span.to, to: as_of }.hours() / 24.0;
        let humidity = |hour: &Hour| relative_humidity(hour.air, hour.vapour_pressure).value();
        let (predicted, came) = (forecast.shortwave.value(), seen.shortwave.value());
        Some(Miss {
            span: seen.span,
            lead_h: issued_at.map(|issued_at| lead_h(issued_at, seen.span)),
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
        let issues = members(&observed, |_| truth, 12, 5)
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
    fn errors_grow_with_the_lead_time_as_they_did() {
        let observed = observed();
        let truth = |lead_h: f64| ForecastError {
            air_c: if lead_h <= 24.0 { 0.8 } else { 2.4 },
            humidity_pct: 5.0,
            shortwave_ln: 0.2,
            hourly_correlation: 0.8,
        };
        let issues = (0..50)
            .map(|day| {
                let at = DateTime::UNIX_EPOCH + TimeDelta::days(day);
                let span = Span { from: at, to: at + TimeDelta::days(2) };
                let came = observed.clipped(span);
                let member = members(&came, |of| truth(lead_h(at, of)), 2, day as u64).remove(0);
                Forecast { issued_at: Some(at), source: None, members: vec![member] }
            })
            .collect();
        let as_of = observed.span().unwrap().to;
        let learned = learn(&observed, &Forecasts::new(issues), as_of).unwrap();
        let air_c = |lead_h: i64| {
            let issued_at = DateTime::UNIX_EPOCH;
            let span = Span::hour_from(issued_at + TimeDelta::hours(lead_h));
            learned.at(Some(issued_at), span).air_c
        };
        assert!((0.7..1.1).contains(&air_c(3)), "{learned:?}");
        assert!((2.1..2.7).contains(&air_c(40)), "{learned:?}");
        // Nothing was forecast so far ahead: the size of the last lead time known.
        assert!((air_c(200) - air_c(40)).abs() < 1e-9, "{learned:?}");
        let first = Span::hour_from(DateTime::UNIX_EPOCH);
        assert_eq!(learned.at(None, first), learned.error);
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
