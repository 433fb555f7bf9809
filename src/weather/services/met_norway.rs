//! MET Norway Locationforecast 2.0, compact and complete.
//!
//! `time` begins an hour: `instant` is at it and `next_1_hours` after it, the other way round than
//! Open-Meteo. No radiation is given; the cloud cover is kept so that it can be estimated. After
//! some 2.5 days steps are 6 hours long and left out.

use super::body::{self, at, number, time};
use super::error::ServiceError;
use super::note::ServiceNote;
use super::reading::{Field, Ledger, Reading, Steps, hours};
use super::scale::{Scale, metric};
use super::{Answer, SERVICE_WIND_HEIGHT_M};
use crate::units::{Latitude, Longitude};
use chrono::TimeDelta;
use serde_json::Value;

const HOUR: TimeDelta = TimeDelta::hours(1);

const INSTANTS: [(&str, Field); 5] = [
    ("air_temperature", Field::Air),
    ("relative_humidity", Field::RelHumidity),
    ("dew_point_temperature", Field::DewPoint),
    ("wind_speed", Field::Wind),
    ("cloud_area_fraction", Field::CloudCover),
];

const RAIN: &str = "precipitation_amount";

/// The hours of an answer.
///
/// # Errors
/// [`ServiceError`] for everything that is no whole forecast.
pub fn parse(bytes: &[u8]) -> Result<Answer, ServiceError> {
    let value = body::json(bytes)?;
    let properties =
        value.get("properties").ok_or(ServiceError::Missing { place: "properties" })?;
    let steps = properties.get("timeseries").and_then(Value::as_array);
    let steps = steps.ok_or(ServiceError::Missing { place: "properties.timeseries" })?;
    let (mut ledger, mut notes) = (Ledger::default(), Vec::new());
    let scales = Scales::read(properties, steps)?;
    let readings = scales.readings(steps, &mut ledger)?;
    let readings = hourly_steps(readings, &mut notes);
    let hours = hours(readings, Steps::Hourly, &mut ledger, &mut notes)?;
    notes.extend(ledger.notes());
    let coordinate = |at: usize| value.pointer(&format!("/geometry/coordinates/{at}"))?.as_f64();
    let latitude = coordinate(1).and_then(|it| Latitude::new(it).ok());
    let longitude = coordinate(0).and_then(|it| Longitude::new(it).ok());
    Ok(Answer {
        // Nothing in it was observed, also not the hour that is over when a kept answer is read.
        observed_until: hours.first().map(|hour| hour.span.from),
        hours: vec![(None, hours)],
        position: latitude.zip(longitude),
        elevation_m: coordinate(2),
        wind_height_m: Some(SERVICE_WIND_HEIGHT_M),
        issued_at: time(at(properties, &["meta", "updated_at"]), "meta.updated_at").ok(),
        notes,
        ..Answer::default()
    })
}

fn details<'v>(step: &'v Value, period: &str) -> Option<&'v Value> {
    at(step, &["data", period, "details"])
}

/// How to bring each value that the answer has to our unit.
struct Scales {
    instants: Vec<(&'static str, Field, Scale)>,
    rain: Option<Scale>,
}

impl Scales {
    fn read(properties: &Value, steps: &[Value]) -> Result<Self, ServiceError> {
        let scale = |name: &str, field: Field| {
            let unit = at(properties, &["meta", "units", name]).and_then(Value::as_str);
            metric(field.measure(), name, unit.unwrap_or_default())
        };
        let has = |period: &str, name: &str| {
            steps.iter().any(|step| details(step, period).is_some_and(|it| it.get(name).is_some()))
        };
        let there = INSTANTS.into_iter().filter(|(name, _)| has("instant", name));
        let instants = there
            .map(|(name, field)| Ok((name, field, scale(name, field)?)))
            .collect::<Result<_, _>>()?;
        let rain = has("next_1_hours", RAIN).then(|| scale(RAIN, Field::Rain)).transpose()?;
        Ok(Self { instants, rain })
    }

    /// A reading for each step, with the rain of the hour before it: that of the step before.
    fn readings(&self, steps: &[Value], ledger: &mut Ledger) -> Result<Vec<Reading>, ServiceError> {
        let mut readings = Vec::with_capacity(steps.len());
        let mut before: Option<&Value> = None;
        for (row, step) in steps.iter().enumerate() {
            let at = time(step.get("time"), "properties.timeseries.time")?;
            let mut reading = Reading::at(row as u64 + 1, at);
            let instant = details(step, "instant");
            for (name, field, scale) in &self.instants {
                let value = number(instant.and_then(|it| it.get(name)));
                let value = value.map(|value| scale.bring(value));
                reading.set(*field, ledger.take(field.measure(), value, at));
            }
            let hour_before = before.filter(|step| {
                time(step.get("time"), "").is_ok_and(|earlier| earlier + HOUR == at)
            });
            if let Some((step, scale)) = hour_before.zip(self.rain) {
                let value = number(details(step, "next_1_hours").and_then(|it| it.get(RAIN)));
                let value = value.map(|value| scale.bring(value));
                reading.set(Field::Rain, ledger.take(Field::Rain.measure(), value, at));
            }
            before = Some(step);
            readings.push(reading);
        }
        Ok(readings)
    }
}

/// The readings that have a neighbour within an hour.
fn hourly_steps(readings: Vec<Reading>, notes: &mut Vec<ServiceNote>) -> Vec<Reading> {
    let near = |at: usize| {
        let pair = readings.get(at).zip(readings.get(at + 1));
        pair.is_some_and(|(one, next)| (next.at - one.at).abs() <= HOUR)
    };
    let lonely = |at: usize| readings.len() > 1 && !near(at) && (at == 0 || !near(at - 1));
    let (left_out, kept): (Vec<_>, Vec<_>) = (0..readings.len()).partition(|at| lonely(*at));
    if let Some(&first) = left_out.first() {
        notes.push(ServiceNote::LongSteps { count: left_out.len(), from: readings[first].at });
    }
    kept.into_iter().map(|at| readings[at]).collect()
}
