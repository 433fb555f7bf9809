//! Rows shorter than an hour -> hours: means of what has a mean, sums of rain.

use super::super::hour::Span;
use super::super::parse::RawHour;
use super::note::ServiceNote;
use super::reading::Reading;
use crate::units::{
    Celsius, Kilopascal, MetresPerSecond, Millimetres, Percent, WattsPerSquareMetre,
};
use chrono::{DateTime, TimeDelta, Utc};
use std::collections::BTreeMap;

/// Share of an hour's rows that must tell a value for the hour to have it.
const NEEDED_SHARE: f64 = 0.75;

/// A mean or a sum under way.
#[derive(Debug, Clone, Copy, Default)]
struct Sum {
    total: f64,
    count: usize,
}

impl Sum {
    fn add(&mut self, value: Option<f64>) {
        if let Some(value) = value {
            self.total += value;
            self.count += 1;
        }
    }

    fn mean(self, needed: usize) -> Option<f64> {
        (self.count >= needed).then(|| self.total / self.count as f64)
    }

    /// The sum, completed for the rows that are missing.
    fn total(self, needed: usize, rows: usize) -> Option<f64> {
        Some(self.mean(needed)? * rows as f64)
    }
}

#[derive(Debug, Clone, Copy, Default)]
struct Bin {
    row: u64,
    rows: usize,
    air: Sum,
    rel_humidity: Sum,
    dew_point: Sum,
    wind: Sum,
    pressure: Sum,
    cloud_cover: Sum,
    soil: Sum,
    shortwave: Sum,
    rain: Sum,
}

impl Bin {
    fn add(&mut self, reading: &Reading) {
        self.rows += 1;
        self.air.add(reading.air.map(Celsius::value));
        self.rel_humidity.add(reading.rel_humidity.map(Percent::value));
        self.dew_point.add(reading.dew_point.map(Celsius::value));
        self.wind.add(reading.wind_mean.or(reading.wind).map(MetresPerSecond::value));
        self.pressure.add(reading.pressure.map(Kilopascal::value));
        self.cloud_cover.add(reading.cloud_cover.map(Percent::value));
        self.soil.add(reading.soil_water_m3_m3);
        let shortwave = reading.shortwave.or(reading.shortwave_then);
        self.shortwave.add(shortwave.map(WattsPerSquareMetre::value));
        self.rain.add(reading.rain.map(Millimetres::value));
    }

    fn hour(&self, span: Span, rows: usize) -> RawHour {
        let needed = needed(rows);
        RawHour {
            air: self.air.mean(needed).map(Celsius::computed),
            rel_humidity: self.rel_humidity.mean(needed).map(Percent::computed),
            dew_point: self.dew_point.mean(needed).map(Celsius::computed),
            wind: self.wind.mean(needed).map(MetresPerSecond::computed),
            pressure: self.pressure.mean(needed).map(Kilopascal::computed),
            cloud_cover: self.cloud_cover.mean(needed).map(Percent::computed),
            soil_water_m3_m3: self.soil.mean(needed),
            shortwave: self.shortwave.mean(needed).map(WattsPerSquareMetre::computed),
            rain: self.rain.total(needed, rows).map(Millimetres::computed),
            ..RawHour::unknown(self.row, span)
        }
    }
}

fn needed(rows: usize) -> usize {
    (rows as f64 * NEEDED_SHARE).ceil() as usize
}

/// Hours of UTC from rows `step` long, each reading standing at the middle of its row. The step
/// divides the hour.
///
/// Rows that are missing within an hour are taken as the mean of the others, rain too; an hour with
/// fewer than three quarters of its rows is a gap.
pub(super) fn hours(
    readings: &[Reading],
    step: TimeDelta,
    notes: &mut Vec<ServiceNote>,
) -> Vec<RawHour> {
    let mut bins: BTreeMap<i64, Bin> = BTreeMap::new();
    for reading in readings {
        let hour = reading.at.timestamp().div_euclid(3600);
        let bin = bins.entry(hour).or_insert(Bin { row: reading.row, ..Bin::default() });
        bin.add(reading);
    }
    let rows = (3600 / step.num_seconds().max(1)) as usize;
    let thin = bins.values().filter(|bin| bin.rows < needed(rows)).count();
    let note = ServiceNote::ThinHours { count: thin, needed: needed(rows) };
    notes.extend((thin > 0).then_some(note));
    let hour = |(hour, bin): (i64, Bin)| {
        let from = DateTime::<Utc>::from_timestamp(hour * 3600, 0)?;
        let filled = bin.hour(Span::hour_from(from), rows);
        (filled != RawHour::unknown(filled.row, filled.span)).then_some(filled)
    };
    bins.into_iter().filter_map(hour).collect()
}
