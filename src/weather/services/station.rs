//! A station logger's CSV, read as its owner declares it.
//!
//! Nothing about a logger can be guessed: the zone of its clock, whether rows are labelled at their
//! start or end, the units, the height of the anemometer, the marks for missing values. All of it is
//! declared, and [`check_times`] holds the declared times against the sun.

use super::super::hour::Span;
use super::super::parse::{
    AIR, CLOUD_COVER, DEW_POINT, Measure, PRESSURE, RAIN, REL_HUMIDITY, RawHour, SHORTWAVE,
    SOIL_WATER, WIND,
};
use super::error::ServiceError;
use super::note::ServiceNote;
use super::reading::{Field, Ledger, Reading, Steps, hours, in_order};
use super::scale::{Scale, declared};
use super::table::{BadRows, Header, records};
use super::{Answer, bins, body};
use crate::text::{TimeFlaw, read_time, shown};
use chrono::{DateTime, FixedOffset, NaiveDateTime, TimeDelta, Utc};
use chrono_tz::Tz;
use std::borrow::Cow;
use std::collections::BTreeMap;

const HOUR: TimeDelta = TimeDelta::hours(1);

/// The clock of a logger.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Clock {
    /// One offset all year, as most loggers keep.
    Fixed(FixedOffset),
    /// The clocks of a place, changes and all.
    Zone(Tz),
}

/// What the time of a row stands for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Label {
    /// The start of the interval that the row is the mean of.
    Start,
    /// Its end.
    End,
    /// The instant of all values but rain, which fell since the row before.
    Instant,
}

/// A column, what it measures and in which unit.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DeclaredColumn {
    /// Its name in the file.
    pub name: String,
    /// One of the measures of a weather file, as [`AIR`].
    pub measure: Measure,
    /// Its unit: degC, degF, K; %, fraction; m/s, km/h, mph, kn; W/m2, MJ/m2/h, kWh/m2/h,
    /// Langley/h; mm, in; hPa, kPa, Pa, inHg; m3/m3.
    pub unit: String,
}

/// What is declared of a logger's file.
#[derive(Debug, Clone, PartialEq)]
pub struct Declaration {
    /// The logger's clock; times with an offset of their own go by that.
    pub clock: Clock,
    /// What the time of a row stands for.
    pub label: Label,
    /// Character between the cells.
    pub separator: char,
    /// Are decimals behind a comma?
    pub decimal_comma: bool,
    /// Column of the time.
    pub time_column: String,
    /// Form of the time, as `%d.%m.%Y %H:%M`; ISO 8601 where none is given.
    pub time_format: Option<String>,
    /// The columns to read.
    pub columns: Vec<DeclaredColumn>,
    /// Height of the anemometer above the ground, m.
    pub wind_height_m: f64,
    /// Marks for missing values; an empty cell is one anyway.
    pub missing: Vec<String>,
}

/// The hours of a logger's file. Rows may be an hour or a whole part of it; shorter ones become
/// hourly means and sums.
///
/// # Errors
/// [`ServiceError::Declaration`] or [`ServiceError::UnknownUnit`] where the declaration does not
/// fit, [`ServiceError::NotHourly`] for rows of other lengths.
pub fn parse(bytes: &[u8], declaration: &Declaration) -> Result<Answer, ServiceError> {
    let (mut ledger, mut notes) = (Ledger::default(), Vec::new());
    let mut rows = Rows::read(body::text(bytes)?, declaration, &mut ledger)?;
    rows.tell(&mut notes);
    let alike = |one: &Reading, other: &Reading| *one == Reading { row: one.row, ..*other };
    in_order(&mut rows.readings, |reading| reading.at, alike, &mut notes);
    let step = usual_step(&rows.readings).unwrap_or(HOUR);
    if step > HOUR || 3600 % step.num_seconds().max(1) != 0 {
        return Err(ServiceError::NotHourly { minutes: step.num_minutes() });
    }
    drop_between(&mut rows.readings, step, &mut notes);
    let hours = match declaration.label {
        _ if step < HOUR => {
            bins::hours(&at_middle(rows.readings, step, declaration.label), step, &mut notes)
        }
        Label::Instant => hours(rows.readings, Steps::Any, &mut ledger, &mut notes)?,
        label => rows.readings.iter().map(|reading| mean_hour(reading, label)).collect(),
    };
    if hours.iter().all(|hour| hour.air.is_none() && hour.air_at_end.is_none()) {
        return Err(ServiceError::NoData);
    }
    notes.extend(ledger.notes());
    let any_wind = hours.iter().any(|hour| hour.wind.is_some());
    Ok(Answer {
        observed_until: hours.last().map(|hour| hour.span.to),
        hours: vec![(None, hours)],
        wind_height_m: any_wind.then_some(declaration.wind_height_m),
        notes,
        ..Answer::default()
    })
}

fn mean_hour(reading: &Reading, label: Label) -> RawHour {
    let from = if label == Label::Start { reading.at } else { reading.at - HOUR };
    RawHour {
        air: reading.air,
        rel_humidity: reading.rel_humidity,
        dew_point: reading.dew_point,
        wind: reading.wind,
        shortwave: reading.shortwave_then,
        rain: reading.rain,
        pressure: reading.pressure,
        soil_water_m3_m3: reading.soil_water_m3_m3,
        cloud_cover: reading.cloud_cover,
        ..RawHour::unknown(reading.row, Span::hour_from(from))
    }
}

/// Readings with the middle of their row in place of its label.
fn at_middle(readings: Vec<Reading>, step: TimeDelta, label: Label) -> Vec<Reading> {
    let move_by = if label == Label::Start { step / 2 } else { -(step / 2) };
    readings.into_iter().map(|reading| Reading { at: reading.at + move_by, ..reading }).collect()
}

/// The distance that most rows have.
fn usual_step(readings: &[Reading]) -> Option<TimeDelta> {
    let mut counts: BTreeMap<TimeDelta, usize> = BTreeMap::new();
    for pair in readings.windows(2) {
        *counts.entry(pair[1].at - pair[0].at).or_default() += 1;
    }
    counts.into_iter().max_by_key(|(_, count)| *count).map(|(step, _)| step)
}

/// Leaves out rows that stand between two others.
fn drop_between(readings: &mut Vec<Reading>, step: TimeDelta, notes: &mut Vec<ServiceNote>) {
    let (mut last, mut bad) = (DateTime::<Utc>::MIN_UTC, BadRows::default());
    readings.retain(|reading| {
        let apart = reading.at.signed_duration_since(last) >= step;
        if apart {
            last = reading.at
        } else {
            bad.add(reading.row)
        }
        apart
    });
    notes.extend(bad.note());
}

/// The rows of a file as readings at their labels.
struct Rows {
    readings: Vec<Reading>,
    bad: BadRows,
    clock_change: Option<(usize, u64, String)>,
}

impl Rows {
    fn read(
        text: &str,
        declaration: &Declaration,
        ledger: &mut Ledger,
    ) -> Result<Self, ServiceError> {
        let separator = u8::try_from(declaration.separator).map_err(|_| {
            ServiceError::Declaration { problem: format!("separator '{}'", declaration.separator) }
        })?;
        let mut records = records(text, separator);
        let header = Header::of(&records.next().ok_or(ServiceError::Empty)?.1);
        let columns = columns(&header, declaration)?;
        let missing: Vec<&str> = declaration.missing.iter().map(String::as_str).collect();
        let mut rows = Self { readings: Vec::new(), bad: BadRows::default(), clock_change: None };
        for (line, cells) in records {
            let time = header.cell(&cells, &declaration.time_column);
            let Some(at) = rows.stamp(line, time, declaration, cells.len() == header.width) else {
                continue;
            };
            let mut reading = Reading::at(line, at);
            for (name, field, scale) in &columns {
                let cell = plain(header.cell(&cells, name), declaration.decimal_comma);
                let value = super::table::number(&cell, &missing);
                let value = value.map(|value| scale.bring(value));
                reading.set(*field, ledger.take(field.measure(), value, at));
            }
            rows.readings.push(reading);
        }
        Ok(rows)
    }

    fn stamp(
        &mut self,
        line: u64,
        text: &str,
        declaration: &Declaration,
        whole: bool,
    ) -> Option<DateTime<Utc>> {
        match read_label(text, declaration) {
            Ok(at) if whole => return Some(at),
            Err(TimeFlaw::Skipped { .. } | TimeFlaw::Twice { .. }) => {
                self.clock_change.get_or_insert((0, line, shown(text))).0 += 1;
            }
            _ => self.bad.add(line),
        }
        None
    }

    fn tell(&mut self, notes: &mut Vec<ServiceNote>) {
        notes.extend(std::mem::take(&mut self.bad).note());
        let change = self.clock_change.take();
        notes.extend(change.map(|(count, first_row, first)| ServiceNote::ClockChange {
            count,
            first_row,
            first,
        }));
    }
}

fn columns(
    header: &Header,
    declaration: &Declaration,
) -> Result<Vec<(String, Field, Scale)>, ServiceError> {
    let missing = |name: &str| ServiceError::Declaration {
        problem: format!("there is no column '{}'", shown(name)),
    };
    if !header.has(&declaration.time_column) {
        return Err(missing(&declaration.time_column));
    }
    let column = |column: &DeclaredColumn| {
        let field = field(column.measure).filter(|_| header.has(&column.name));
        let field = field.ok_or_else(|| missing(&column.name))?;
        Ok((column.name.clone(), field, declared(column.measure, &column.unit)?))
    };
    declaration.columns.iter().map(column).collect()
}

fn plain(cell: &str, decimal_comma: bool) -> Cow<'_, str> {
    if decimal_comma { cell.replace(',', ".").into() } else { cell.into() }
}

fn field(measure: Measure) -> Option<Field> {
    Some(match measure {
        AIR => Field::Air,
        REL_HUMIDITY => Field::RelHumidity,
        DEW_POINT => Field::DewPoint,
        WIND => Field::Wind,
        SHORTWAVE => Field::ShortwaveThen,
        RAIN => Field::Rain,
        PRESSURE => Field::Pressure,
        CLOUD_COVER => Field::CloudCover,
        SOIL_WATER => Field::SoilWater,
        _ => return None,
    })
}

fn read_label(text: &str, declaration: &Declaration) -> Result<DateTime<Utc>, TimeFlaw> {
    let iso = match &declaration.time_format {
        None => text.to_owned(),
        Some(format) => NaiveDateTime::parse_from_str(text, format)
            .map_err(|_| TimeFlaw::Form { text: shown(text) })?
            .format("%Y-%m-%dT%H:%M:%S")
            .to_string(),
    };
    match declaration.clock {
        Clock::Zone(zone) => Ok(read_time(&iso, zone)?.at),
        Clock::Fixed(offset) => {
            let read = read_time(&iso, Tz::UTC)?;
            let east = if read.has_offset { 0 } else { offset.local_minus_utc() };
            Ok(read.at - TimeDelta::seconds(east.into()))
        }
    }
}

/// Farthest that rows are moved to see whether they fit better, in minutes.
const FARTHEST_MIN: i64 = 60;
/// From one trial to the next, in minutes.
const TRIAL_MIN: i64 = 15;
/// A correlation must be better by this much: mornings may be cloudier than afternoons (judgement).
const BETTER_BY: f64 = 0.01;
/// Hours of light that are needed to tell anything.
const LIGHT_HOURS: usize = 40;

/// Holds the times of hours against the sun: the correlation of shortwave with what arrives above
/// the air, as declared and with all hours moved by up to 60 min. A note where moving wins.
///
/// `extraterrestrial` gives the radiation above the air over a span at the place, in any unit: it
/// belongs to `evapo`, which stands on this room.
pub fn check_times(
    hours: &[RawHour],
    mut extraterrestrial: impl FnMut(Span) -> f64,
) -> Option<ServiceNote> {
    let measured: Vec<(Span, f64)> =
        hours.iter().filter_map(|hour| Some((hour.span, hour.shortwave?.value()))).collect();
    if measured.iter().filter(|(_, shortwave)| *shortwave > 0.0).count() < LIGHT_HOURS {
        return None;
    }
    let mut fit = |moved_min: i64| {
        let by = TimeDelta::minutes(moved_min);
        let moved = measured.iter().map(|(span, shortwave)| {
            (extraterrestrial(Span { from: span.from + by, to: span.to + by }), *shortwave)
        });
        correlation(&moved.collect::<Vec<_>>())
    };
    let declared_fit = fit(0);
    let trials = (-FARTHEST_MIN / TRIAL_MIN..=FARTHEST_MIN / TRIAL_MIN).map(|it| it * TRIAL_MIN);
    let best = trials.map(|moved_min| (moved_min, fit(moved_min)));
    let (moved_min, moved_fit) = best.max_by(|(_, one), (_, other)| one.total_cmp(other))?;
    let wins = moved_fit > declared_fit + BETTER_BY;
    wins.then_some(ServiceNote::MovedFitsBetter { moved_min, declared_fit, moved_fit })
}

fn correlation(pairs: &[(f64, f64)]) -> f64 {
    let count = pairs.len() as f64;
    let mean = |value: fn(&(f64, f64)) -> f64| pairs.iter().map(value).sum::<f64>() / count;
    let (x_mean, y_mean) = (mean(|pair| pair.0), mean(|pair| pair.1));
    let (mut xy, mut xx, mut yy) = (0.0, 0.0, 0.0);
    for (x, y) in pairs {
        let (x, y) = (x - x_mean, y - y_mean);
        (xy, xx, yy) = (xy + x * y, xx + x * x, yy + y * y);
    }
    if xx > 0.0 && yy > 0.0 { xy / (xx * yy).sqrt() } else { 0.0 }
}
