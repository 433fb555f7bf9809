//! Hours as a file has them -> hours complete: what is absent is estimated as FAO-56 chapter 3
//! tells, and flagged; what is missing here and there stays a gap, pressure apart.

use super::Settings;
use crate::evapo::estimate::{
    assumed_wind, atmospheric_pressure, shortwave_from_cloud_cover, shortwave_of_date,
    vapour_pressure_from_minimum,
};
use crate::evapo::humidity::{TemperatureRange, vapour_pressure, vapour_pressure_at_dew_point};
use crate::evapo::radiation::Setting;
use crate::evapo::reference::wind_at_2m;
use crate::text::{Findings, Note, NoteKind};
use crate::units::{
    Celsius, Kilopascal, Metres, MetresPerSecond, Millimetres, Percent, WattsPerSquareMetre,
};
use crate::weather::parse::{
    AIR, AIR_INSTANT, FORECAST, HUMIDITIES, Measure, OBSERVED, PRESSURE, RAIN, REL_HUMIDITY,
    RawForecast, RawHour, RawSeries, SHORTWAVE, WIND,
};
use crate::weather::services::Answer;
use crate::weather::{Flag, Flags, Forecast, Forecasts, Hour, Series};
use chrono::NaiveDate;
use std::collections::{BTreeMap, BTreeSet};

/// Hours that a local day needs before its range of temperature is trusted.
const WHOLE_DAY_HOURS: usize = 20;

/// A day further away than this tells nothing of the range of temperature.
const FARTHEST_DAY: i64 = 3;

/// Two measures of humidity may differ by this much vapour pressure before it is told.
const HUMIDITY_AGREES_WITHIN_KPA: f64 = 0.3;

/// Measured weather, complete.
pub fn observed(raw: &RawSeries, settings: &Settings, findings: &mut Findings) -> Series {
    let mut assembly = Assembly::new(settings);
    let series = assembly.series(raw);
    assembly.tell(OBSERVED, findings);
    series
}

/// Forecast weather, complete.
pub fn forecasts(raw: &[RawForecast], settings: &Settings, findings: &mut Findings) -> Forecasts {
    let mut assembly = Assembly::new(settings);
    let issues = raw.iter().map(|forecast| Forecast {
        issued_at: forecast.issued_at,
        source: None,
        members: forecast.members.iter().map(|member| assembly.series(member)).collect(),
    });
    let issues = Forecasts::new(issues.collect());
    note_uneven_members(&issues, settings, findings);
    assembly.tell(FORECAST, findings);
    issues
}

/// Weather as a service answered, complete: the hours of each member, wind brought from the
/// service's height to 2 m.
pub fn answered(answer: &Answer, settings: &Settings) -> Vec<Vec<Hour>> {
    let height_m = answer.wind_height_m.unwrap_or(settings.anemometer_height_m);
    let settings = Settings { anemometer_height_m: height_m, ..settings.clone() };
    let mut assembly = Assembly::new(&settings);
    let members = answer.hours.iter().map(|(_, hours)| RawSeries::of(hours.clone()));
    members.map(|raw| assembly.series(&raw).hours().to_vec()).collect()
}

fn note_uneven_members(forecasts: &Forecasts, settings: &Settings, findings: &mut Findings) {
    for forecast in forecasts.issues() {
        let lengths = || forecast.members.iter().map(|member| member.hours().len());
        let (fewest, most) = (lengths().min().unwrap_or(0), lengths().max().unwrap_or(0));
        if fewest < most {
            let issued_at = forecast.issued_at.map(|at| settings.local(at));
            let kind = NoteKind::MembersDiffer { issued_at, fewest, most };
            findings.note(Note::on_file(FORECAST, kind));
        }
    }
}

/// Puts the series of one file together, and counts what there is to tell of it.
struct Assembly<'a> {
    settings: &'a Settings,
    absent: BTreeSet<(Measure, Flag)>,
    left_out: BTreeMap<Measure, usize>,
    /// Hours without pressure beside others that have it, and the row of the first.
    pressure_filled: Option<(usize, u64)>,
    /// The same of hours whose shortwave was estimated from their clouds.
    shortwave_filled: Option<(usize, u64)>,
    disagreeing: BTreeMap<(Measure, Measure), usize>,
}

impl<'a> Assembly<'a> {
    fn new(settings: &'a Settings) -> Self {
        let (absent, left_out, disagreeing) = Default::default();
        let (pressure_filled, shortwave_filled) = (None, None);
        Self { settings, absent, left_out, pressure_filled, shortwave_filled, disagreeing }
    }

    fn tell(self, file: &str, findings: &mut Findings) {
        for (measure, flag) in self.absent {
            let kind = NoteKind::Estimated { how: flag.words() };
            findings.note(Note::on_file(file, kind).on_column(measure));
        }
        let filled = [
            (PRESSURE, Flag::PressureFromElevation, self.pressure_filled),
            (SHORTWAVE, Flag::ShortwaveEstimated, self.shortwave_filled),
        ];
        for (measure, flag, cells) in filled {
            let Some((count, first_row)) = cells else { continue };
            let kind = NoteKind::CellsEstimated { how: flag.words(), count, first_row };
            findings.note(Note::on_file(file, kind).on_column(measure));
        }
        for (measure, count) in self.left_out {
            let kind = NoteKind::HoursLeftOut { count };
            findings.note(Note::on_file(file, kind).on_column(measure));
        }
        for ((measure, other), hours) in self.disagreeing {
            let by_more_than_kpa = HUMIDITY_AGREES_WITHIN_KPA;
            let kind = NoteKind::HumidityDisagrees { other, hours, by_more_than_kpa };
            findings.note(Note::on_file(file, kind).on_column(measure));
        }
    }

    fn series(&mut self, raw: &RawSeries) -> Series {
        let airs: Vec<Option<(Celsius, Flags)>> =
            (0..raw.hours.len()).map(|at| self.air(&raw.hours, at)).collect();
        let with_air =
            || raw.hours.iter().zip(&airs).filter_map(|(hour, air)| Some((hour, (*air)?)));
        let days = Days::of(self.settings, with_air().map(|(hour, (air, _))| (hour, air)));
        let hours = with_air().filter_map(|(&hour, (air, flags))| {
            Filling { assembly: self, raw, days: &days, hour, flags }.filled(air)
        });
        // Parsing leaves hours in order and apart, each of some length: no two overlap.
        Series::new(hours.collect()).unwrap_or_default()
    }

    /// Mean temperature of an hour: as measured, or between the instants at its two ends.
    fn air(&mut self, hours: &[RawHour], at: usize) -> Option<(Celsius, Flags)> {
        let hour = &hours[at];
        if let Some(air) = hour.air {
            return Some((air, Flags::default()));
        }
        let end = hour.air_at_end?;
        let before = at.checked_sub(1).map(|at| &hours[at]);
        let before = before.filter(|before| before.span.to == hour.span.from);
        let Some(start) = before.and_then(|before| before.air_at_end) else {
            *self.left_out.entry(AIR_INSTANT).or_default() += 1;
            return None;
        };
        let mean = Celsius::computed((start.value() + end.value()) / 2.0);
        self.absent.insert((AIR, Flag::TemperatureFromInstants));
        Some((mean, Flags::default().with(Flag::TemperatureFromInstants)))
    }

    fn compare_humidities(&mut self, given: &[(Measure, Kilopascal)]) {
        let Some((&(used, pressure), others)) = given.split_first() else { return };
        for &(other, other_pressure) in others {
            let apart = (pressure.value() - other_pressure.value()).abs();
            if apart > HUMIDITY_AGREES_WITHIN_KPA {
                *self.disagreeing.entry((used, other)).or_default() += 1;
            }
        }
    }
}

/// One hour on its way to be complete.
struct Filling<'f, 'a> {
    assembly: &'f mut Assembly<'a>,
    raw: &'f RawSeries,
    days: &'f Days,
    hour: RawHour,
    flags: Flags,
}

impl Filling<'_, '_> {
    fn filled(mut self, air: Celsius) -> Option<Hour> {
        let vapour_pressure = self.vapour_pressure(air)?;
        let wind_2m = self.wind_2m()?;
        let shortwave = self.shortwave()?;
        let rain = self.rain()?;
        let pressure = self.pressure();
        Some(Hour {
            span: self.hour.span,
            air,
            vapour_pressure,
            wind_2m,
            shortwave,
            rain,
            pressure,
            soil_water_m3_m3: self.hour.soil_water_m3_m3,
            flags: self.flags,
        })
    }

    /// Flags an estimate. None where the file has the measure, and only this hour misses it.
    fn estimate(&mut self, measure: Measure, flag: Flag) -> Option<()> {
        if self.raw.measured.contains(measure) {
            return None;
        }
        self.assembly.absent.insert((measure, flag));
        self.flags = self.flags.with(flag);
        Some(())
    }

    /// Range of temperature of the hour's day. None, and counted, where no whole day tells it.
    fn day(&mut self, measure: Measure) -> Option<DayRange> {
        let range = self.days.range(local_date(self.assembly.settings, &self.hour));
        if range.is_none() {
            *self.assembly.left_out.entry(measure).or_default() += 1;
        }
        range
    }

    fn vapour_pressure(&mut self, air: Celsius) -> Option<Kilopascal> {
        let measures = [
            self.hour.vapour_pressure,
            self.hour.dew_point.map(vapour_pressure_at_dew_point),
            self.hour.rel_humidity.map(|relative| vapour_pressure(air, relative)),
        ];
        let given: Vec<(Measure, Kilopascal)> = HUMIDITIES
            .into_iter()
            .zip(measures)
            .filter_map(|(name, it)| Some((name, it?)))
            .collect();
        self.assembly.compare_humidities(&given);
        if let Some(&(_, measured)) = given.first() {
            return Some(measured);
        }
        if HUMIDITIES.iter().any(|&measure| self.raw.measured.contains(measure)) {
            return None;
        }
        let day = self.day(REL_HUMIDITY)?;
        self.estimate(REL_HUMIDITY, Flag::HumidityEstimated)?;
        let lowest = if day.min < air { day.min } else { air };
        Some(vapour_pressure_from_minimum(lowest))
    }

    fn wind_2m(&mut self) -> Option<MetresPerSecond> {
        if let Some(wind) = self.hour.wind {
            // Settings hold the height to what eq. 47 can do.
            let height = Metres::computed(self.assembly.settings.anemometer_height_m);
            return wind_at_2m(wind, height).ok();
        }
        self.estimate(WIND, Flag::WindAssumed)?;
        Some(assumed_wind())
    }

    fn shortwave(&mut self) -> Option<WattsPerSquareMetre> {
        if self.hour.shortwave.is_some() {
            return self.hour.shortwave;
        }
        if let Some(cover) = self.hour.cloud_cover {
            return Some(self.shortwave_from_clouds(cover));
        }
        if self.raw.measured.contains(SHORTWAVE) {
            return None;
        }
        let day = self.day(SHORTWAVE)?;
        self.estimate(SHORTWAVE, Flag::ShortwaveEstimated)?;
        let range = TemperatureRange::new(day.min, day.max).ok()?;
        let settings = self.assembly.settings;
        let (date, hours) = (local_date(settings, &self.hour), [self.hour.span]);
        shortwave_of_date(range, Setting::Interior, settings.place, date, &hours).pop()
    }

    /// Clouds tell of this very hour, so they stand in where only some hours lack shortwave too.
    fn shortwave_from_clouds(&mut self, cover: Percent) -> WattsPerSquareMetre {
        let flag = Flag::ShortwaveEstimated;
        if self.raw.measured.contains(SHORTWAVE) {
            let (count, _) = self.assembly.shortwave_filled.get_or_insert((0, self.hour.row));
            *count += 1;
        } else {
            self.assembly.absent.insert((SHORTWAVE, flag));
        }
        self.flags = self.flags.with(flag);
        shortwave_from_cloud_cover(cover, self.assembly.settings.place, self.hour.span)
    }

    fn rain(&mut self) -> Option<Millimetres> {
        if let Some(rain) = self.hour.rain {
            return Some(rain);
        }
        self.estimate(RAIN, Flag::RainUnknown)?;
        Some(Millimetres::computed(0.0))
    }

    /// Pressure varies so little at a place that elevation tells it well enough for any hour.
    fn pressure(&mut self) -> Kilopascal {
        if let Some(pressure) = self.hour.pressure {
            return pressure;
        }
        let flag = Flag::PressureFromElevation;
        if self.raw.measured.contains(PRESSURE) {
            let (count, _) = self.assembly.pressure_filled.get_or_insert((0, self.hour.row));
            *count += 1;
        } else {
            self.assembly.absent.insert((PRESSURE, flag));
        }
        self.flags = self.flags.with(flag);
        atmospheric_pressure(self.assembly.settings.place.elevation)
    }
}

#[derive(Clone, Copy)]
struct DayRange {
    min: Celsius,
    max: Celsius,
    hours: usize,
}

/// Range of temperature of each local day.
struct Days(BTreeMap<NaiveDate, DayRange>);

fn local_date(settings: &Settings, hour: &RawHour) -> NaiveDate {
    settings.local(hour.span.middle()).date_naive()
}

impl Days {
    fn of<'h>(settings: &Settings, hours: impl Iterator<Item = (&'h RawHour, Celsius)>) -> Self {
        let mut days: BTreeMap<NaiveDate, DayRange> = BTreeMap::new();
        for (hour, air) in hours {
            let none = DayRange { min: air, max: air, hours: 0 };
            let day = days.entry(local_date(settings, hour)).or_insert(none);
            day.min = if air < day.min { air } else { day.min };
            day.max = if air > day.max { air } else { day.max };
            day.hours += 1;
        }
        days.retain(|_, day| day.hours >= WHOLE_DAY_HOURS);
        Self(days)
    }

    /// Of the date, or of the whole day nearest to it: half a day does not show its range.
    fn range(&self, date: NaiveDate) -> Option<DayRange> {
        let before = self.0.range(..=date).next_back();
        let after = self.0.range(date..).next();
        let nearest = before.into_iter().chain(after).min_by_key(|(day, _)| (**day - date).abs());
        nearest.filter(|(day, _)| (**day - date).num_days().abs() <= FARTHEST_DAY).map(|(_, r)| *r)
    }
}

#[cfg(test)]
#[path = "assemble_tests.rs"]
mod tests;
