//! Values at an instant and over the hour before it, and how such readings become hours.

use super::super::hour::Span;
use super::super::parse::{
    AIR, CLOUD_COVER, DEW_ABOVE_AIR_C, DEW_POINT, Measure, PRESSURE, RAIN, REL_HUMIDITY, RawHour,
    SHORTWAVE, SOIL_WATER, WIND, allowed,
};
use super::error::ServiceError;
use super::note::ServiceNote;
use crate::units::{
    Celsius, Kilopascal, MetresPerSecond, Millimetres, Percent, WattsPerSquareMetre,
};
use chrono::{DateTime, TimeDelta, Utc};
use std::collections::BTreeMap;

const HOUR: TimeDelta = TimeDelta::hours(1);

/// What was read for one instant.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reading {
    /// Place in the answer, from 1.
    pub row: u64,
    /// The instant.
    pub at: DateTime<Utc>,
    /// Air temperature then.
    pub air: Option<Celsius>,
    /// Relative humidity then.
    pub rel_humidity: Option<Percent>,
    /// Dew point then.
    pub dew_point: Option<Celsius>,
    /// Wind speed then.
    pub wind: Option<MetresPerSecond>,
    /// Air pressure then, at the place and not reduced to the sea.
    pub pressure: Option<Kilopascal>,
    /// Cloud cover then.
    pub cloud_cover: Option<Percent>,
    /// Volumetric soil water then, m3/m3.
    pub soil_water_m3_m3: Option<f64>,
    /// Shortwave at that very instant.
    pub shortwave_then: Option<WattsPerSquareMetre>,
    /// Mean shortwave of the hour before.
    pub shortwave: Option<WattsPerSquareMetre>,
    /// Rain of the hour before.
    pub rain: Option<Millimetres>,
    /// Mean wind speed of the hour before.
    pub wind_mean: Option<MetresPerSecond>,
}

/// A value of a [`Reading`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Field {
    Air,
    RelHumidity,
    DewPoint,
    Wind,
    Pressure,
    CloudCover,
    SoilWater,
    ShortwaveThen,
    Shortwave,
    Rain,
    WindMean,
}

impl Field {
    pub(super) fn measure(self) -> Measure {
        match self {
            Field::Air => AIR,
            Field::RelHumidity => REL_HUMIDITY,
            Field::DewPoint => DEW_POINT,
            Field::Wind | Field::WindMean => WIND,
            Field::Pressure => PRESSURE,
            Field::CloudCover => CLOUD_COVER,
            Field::SoilWater => SOIL_WATER,
            Field::ShortwaveThen | Field::Shortwave => SHORTWAVE,
            Field::Rain => RAIN,
        }
    }
}

impl Reading {
    pub(super) fn at(row: u64, at: DateTime<Utc>) -> Self {
        Self {
            row,
            at,
            air: None,
            rel_humidity: None,
            dew_point: None,
            wind: None,
            pressure: None,
            cloud_cover: None,
            soil_water_m3_m3: None,
            shortwave_then: None,
            shortwave: None,
            rain: None,
            wind_mean: None,
        }
    }

    /// Sets a value that was checked; one that is there already stays.
    pub(super) fn set(&mut self, field: Field, value: Option<f64>) {
        let Some(value) = value else { return };
        match field {
            Field::Air => keep(&mut self.air, Celsius::computed(value)),
            Field::RelHumidity => keep(&mut self.rel_humidity, Percent::computed(value)),
            Field::DewPoint => keep(&mut self.dew_point, Celsius::computed(value)),
            Field::Wind => keep(&mut self.wind, MetresPerSecond::computed(value)),
            Field::Pressure => keep(&mut self.pressure, Kilopascal::computed(value)),
            Field::CloudCover => keep(&mut self.cloud_cover, Percent::computed(value)),
            Field::SoilWater => keep(&mut self.soil_water_m3_m3, value),
            Field::ShortwaveThen => {
                keep(&mut self.shortwave_then, WattsPerSquareMetre::computed(value));
            }
            Field::Shortwave => keep(&mut self.shortwave, WattsPerSquareMetre::computed(value)),
            Field::Rain => keep(&mut self.rain, Millimetres::computed(value)),
            Field::WindMean => keep(&mut self.wind_mean, MetresPerSecond::computed(value)),
        }
    }

    /// Number of values.
    pub(super) fn fullness(&self) -> usize {
        [
            self.air.is_some(),
            self.rel_humidity.is_some(),
            self.dew_point.is_some(),
            self.wind.is_some(),
            self.pressure.is_some(),
            self.cloud_cover.is_some(),
            self.soil_water_m3_m3.is_some(),
            self.shortwave_then.is_some(),
            self.shortwave.is_some(),
            self.rain.is_some(),
            self.wind_mean.is_some(),
        ]
        .into_iter()
        .filter(|there| *there)
        .count()
    }
}

fn keep<T>(place: &mut Option<T>, value: T) {
    place.get_or_insert(value);
}

/// Counts what is missing, impossible or doubted, measure by measure.
#[derive(Debug, Default)]
pub(super) struct Ledger {
    missing: BTreeMap<Measure, (usize, DateTime<Utc>)>,
    impossible: BTreeMap<Measure, (usize, DateTime<Utc>, f64)>,
    doubted: BTreeMap<Measure, (usize, DateTime<Utc>)>,
    dew: Option<(usize, DateTime<Utc>)>,
}

impl Ledger {
    /// A value in our unit, where it can be.
    pub(super) fn take(
        &mut self,
        measure: Measure,
        value: Option<f64>,
        at: DateTime<Utc>,
    ) -> Option<f64> {
        let Some(value) = value else {
            count(self.missing.entry(measure).or_insert((0, at)), at);
            return None;
        };
        let held = allowed(measure).held(value);
        if held.is_none() {
            let entry = self.impossible.entry(measure).or_insert((0, at, value));
            entry.0 += 1;
            if at < entry.1 {
                (entry.1, entry.2) = (at, value);
            }
        }
        held
    }

    /// A value that its service calls wrong.
    pub(super) fn doubt(&mut self, measure: Measure, at: DateTime<Utc>) {
        count(self.doubted.entry(measure).or_insert((0, at)), at);
    }

    /// Takes a dew point away that stands well above the air.
    pub(super) fn judge_dew(
        &mut self,
        air: Option<Celsius>,
        dew: &mut Option<Celsius>,
        at: DateTime<Utc>,
    ) {
        let Some((air, point)) = air.zip(*dew) else { return };
        if point.value() > air.value() + DEW_ABOVE_AIR_C {
            *dew = None;
            count(self.dew.get_or_insert((0, at)), at);
        }
    }

    /// All that was counted.
    pub(super) fn notes(self) -> Vec<ServiceNote> {
        let impossible = self.impossible.into_iter().map(|(measure, (count, first, value))| {
            let unit = allowed(measure).unit;
            ServiceNote::Impossible { measure, count, first, value, unit }
        });
        let missing = self.missing.into_iter();
        let missing =
            missing.map(|(measure, (count, first))| ServiceNote::Missing { measure, count, first });
        let doubted = self.doubted.into_iter();
        let doubted =
            doubted.map(|(measure, (count, first))| ServiceNote::Doubted { measure, count, first });
        let dew = self.dew.map(|(count, first)| ServiceNote::DewAboveAir { count, first });
        impossible.chain(doubted).chain(dew).chain(missing).collect()
    }
}

fn count(entry: &mut (usize, DateTime<Utc>), at: DateTime<Utc>) {
    entry.0 += 1;
    entry.1 = entry.1.min(at);
}

/// Things with a time put in order; those that repeat another one are one, those that differ at
/// the same time are left out.
pub(super) fn in_order<T: Copy>(
    all: &mut Vec<T>,
    time: impl Fn(&T) -> DateTime<Utc>,
    alike: impl Fn(&T, &T) -> bool,
    notes: &mut Vec<ServiceNote>,
) {
    let mut latest = DateTime::<Utc>::MIN_UTC;
    let earlier = |one: &&T| {
        let earlier = time(one) < latest;
        latest = latest.max(time(one));
        earlier
    };
    let moved = all.iter().filter(earlier).count();
    all.sort_by_key(&time);
    let (mut kept, mut repeated, mut differing) = (Vec::with_capacity(all.len()), 0, None);
    for group in all.chunk_by(|one, other| time(one) == time(other)) {
        if group[1..].iter().all(|other| alike(&group[0], other)) {
            repeated += group.len() - 1;
            kept.push(group[0]);
        } else {
            differing.get_or_insert((0, time(&group[0]))).0 += 1;
        }
    }
    *all = kept;
    notes.extend((repeated > 0).then_some(ServiceNote::Repeated { count: repeated }));
    notes.extend(differing.map(|(count, first)| ServiceNote::Differing { count, first }));
    notes.extend((moved > 0).then_some(ServiceNote::Sorted { count: moved }));
}

/// How far readings may be apart.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Steps {
    /// An hour, holes apart.
    Hourly,
    /// Any number of hours, as reports come.
    Any,
}

/// Readings that must be there before steps are judged too wide.
const READINGS_TO_JUDGE: usize = 4;

/// Readings at one place in the hour -> the hours that end with each.
///
/// # Errors
/// [`ServiceError::NotHourly`] where readings stand closer than an hour, or all wider;
/// [`ServiceError::NoData`] where none has a temperature.
pub(super) fn hours(
    mut readings: Vec<Reading>,
    steps: Steps,
    ledger: &mut Ledger,
    notes: &mut Vec<ServiceNote>,
) -> Result<Vec<RawHour>, ServiceError> {
    for reading in &mut readings {
        ledger.judge_dew(reading.air, &mut reading.dew_point, reading.at);
    }
    let alike = |one: &Reading, other: &Reading| *one == Reading { row: one.row, ..*other };
    in_order(&mut readings, |reading| reading.at, alike, notes);
    let narrowest = readings.windows(2).map(|pair| pair[1].at - pair[0].at).min();
    let judged = steps == Steps::Hourly && readings.len() >= READINGS_TO_JUDGE;
    if let Some(apart) = narrowest.filter(|apart| *apart < HOUR || judged && *apart > HOUR) {
        return Err(ServiceError::NotHourly { minutes: apart.num_minutes() });
    }
    if !readings.iter().any(|reading| reading.air.is_some()) {
        return Err(ServiceError::NoData);
    }
    let mut before: Option<Reading> = None;
    let mut hours = Vec::with_capacity(readings.len());
    let mut from_instants = false;
    for reading in readings {
        let start = before.filter(|before| before.at + HOUR == reading.at);
        let hour = hour_between(start.as_ref(), &reading);
        from_instants |= hour.shortwave.is_some() && reading.shortwave.is_none();
        if hour != RawHour::unknown(hour.row, hour.span) {
            hours.push(hour);
        }
        before = Some(reading);
    }
    notes.extend(from_instants.then_some(ServiceNote::ShortwaveFromInstants));
    Ok(hours)
}

fn hour_between(start: Option<&Reading>, end: &Reading) -> RawHour {
    let mean = |value: fn(&Reading) -> Option<f64>| {
        let (start, end) = (value(start?)?, value(end)?);
        Some((start + end) / 2.0)
    };
    let wind = || mean(|it| Some(it.wind?.value())).map(MetresPerSecond::computed);
    let shortwave =
        || mean(|it| Some(it.shortwave_then?.value())).map(WattsPerSquareMetre::computed);
    RawHour {
        air_at_end: end.air,
        rel_humidity: mean(|it| Some(it.rel_humidity?.value())).map(Percent::computed),
        dew_point: mean(|it| Some(it.dew_point?.value())).map(Celsius::computed),
        wind: end.wind_mean.or_else(wind),
        shortwave: end.shortwave.or_else(shortwave),
        rain: end.rain,
        pressure: mean(|it| Some(it.pressure?.value())).map(Kilopascal::computed),
        soil_water_m3_m3: mean(|it| it.soil_water_m3_m3),
        cloud_cover: mean(|it| Some(it.cloud_cover?.value())).map(Percent::computed),
        ..RawHour::unknown(end.row, Span { from: end.at - HOUR, to: end.at })
    }
}

/// A report of a station, which may come some minutes beside the full hour.
#[derive(Debug, Clone, Copy)]
pub(super) struct Report {
    pub(super) reading: Reading,
    /// A routine report: a special one tells rain since the last routine one only.
    pub(super) routine: bool,
}

/// A report up to this much before the full hour stands for it...
const BEFORE: TimeDelta = TimeDelta::minutes(20);
/// ... or up to this much after.
const AFTER: TimeDelta = TimeDelta::minutes(10);

/// Reports -> one reading for each full hour: the routine one, else the fullest, else the nearest.
pub(super) fn at_full_hours(reports: &[Report], notes: &mut Vec<ServiceNote>) -> Vec<Reading> {
    let mut reports = reports.to_vec();
    let alike = |one: &Report, other: &Report| {
        one.reading == Reading { row: one.reading.row, ..other.reading }
    };
    in_order(&mut reports, |report| report.reading.at, alike, notes);
    let mut by_hour: BTreeMap<DateTime<Utc>, Vec<&Report>> = BTreeMap::new();
    let mut passed_over = 0;
    for report in &reports {
        match full_hour_near(report.reading.at) {
            Some(hour) => by_hour.entry(hour).or_default().push(report),
            None => passed_over += 1,
        }
    }
    let (mut moved, mut farthest) = (0, TimeDelta::zero());
    let mut readings = Vec::with_capacity(by_hour.len());
    for (hour, reports) in by_hour {
        let away = |report: &Report| (report.reading.at - hour).abs();
        let best = |report: &&&Report| {
            (report.routine, report.reading.fullness(), std::cmp::Reverse(away(report)))
        };
        let Some(report) = reports.iter().max_by_key(best) else { continue };
        passed_over += reports.len() - 1;
        moved += usize::from(away(report) > TimeDelta::zero());
        farthest = farthest.max(away(report));
        let rain = report.reading.rain.filter(|_| report.routine);
        readings.push(Reading { at: hour, rain, ..report.reading });
    }
    let farthest_min = farthest.num_minutes();
    notes
        .extend((moved > 0).then_some(ServiceNote::TakenForTheHour { count: moved, farthest_min }));
    notes.extend((passed_over > 0).then_some(ServiceNote::PassedOver { count: passed_over }));
    readings
}

fn full_hour_near(at: DateTime<Utc>) -> Option<DateTime<Utc>> {
    let past = TimeDelta::seconds(at.timestamp().rem_euclid(3600));
    if past <= AFTER {
        Some(at - past)
    } else if HOUR - past <= BEFORE {
        Some(at + (HOUR - past))
    } else {
        None
    }
}
