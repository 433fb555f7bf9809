//! A local date: its hours gathered into what the daily equation reads.
//!
//! A date is as long as the zone's rules make it: 23 or 25 hours where clocks change, 23.5 or 24.5
//! on an island that changes by half an hour. An hour that straddles midnight is shared out by time.

use super::EvapoError;
use super::humidity::{TemperatureRange, relative_humidity};
use super::radiation::{
    Balance, RelativeShortwave, Shortwave, clear_sky, net_longwave_of_day, net_radiation,
    net_shortwave,
};
use super::reference::{DayAir, Energy, daily_reference_et};
use super::soil::soil_heat_of_day;
use super::sun::{DayOfYear, extraterrestrial_radiation};
use crate::units::{Celsius, Kilopascal, Megajoules, MetresPerSecond, Millimetres, Percent, Place};
use crate::weather::{Flags, Hour, Series, Span};
use chrono::{DateTime, NaiveDate, TimeDelta, TimeZone, Utc};
use chrono_tz::Tz;

/// One local date of weather; means and sums over the hours that there are.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Day {
    /// The date.
    pub date: NaiveDate,
    /// From its first instant to the next date's.
    pub span: Span,
    /// Share of the span that has weather, 0 to 1; sums are too small where it is below 1.
    pub coverage: f64,
    /// Lowest and highest hourly mean temperature.
    pub temperature: TemperatureRange,
    /// Mean actual vapour pressure.
    pub vapour_pressure: Kilopascal,
    /// Mean relative humidity of the hours.
    pub humidity: Percent,
    /// Mean wind at 2 m.
    pub wind_2m: MetresPerSecond,
    /// Mean air pressure.
    pub pressure: Kilopascal,
    /// Shortwave radiation of the date.
    pub shortwave: Megajoules,
    /// Rain of the date.
    pub rain: Millimetres,
    /// Reference evapotranspiration by eq. 6; none where hours are missing.
    pub reference_et: Option<Millimetres>,
    /// What was estimated in any of its hours.
    pub flags: Flags,
}

/// From the first instant of a local date to the first of the next.
///
/// Where the clock skips midnight, a date begins when it next shows a time; where midnight comes
/// twice, at the first.
///
/// ```
/// # use xylocast::evapo::daily::span_of_date;
/// let date = chrono::NaiveDate::from_ymd_opt(2026, 10, 4).unwrap();
/// // Lord Howe Island puts its clocks forward by half an hour
/// assert_eq!(span_of_date(date, chrono_tz::Australia::Lord_Howe)?.hours(), 23.5);
/// # Ok::<(), xylocast::evapo::EvapoError>(())
/// ```
///
/// # Errors
/// [`EvapoError::NoSuchDate`] where the zone skips the date or the calendar ends.
pub fn span_of_date(date: NaiveDate, zone: Tz) -> Result<Span, EvapoError> {
    let missing = EvapoError::NoSuchDate { date, zone };
    let start = first_instant(date, zone);
    let end = date.succ_opt().and_then(|next| first_instant(next, zone));
    match start.zip(end) {
        Some((from, to)) if from < to => Ok(Span { from, to }),
        _ => Err(missing),
    }
}

fn first_instant(date: NaiveDate, zone: Tz) -> Option<DateTime<Utc>> {
    let midnight = date.and_hms_opt(0, 0, 0)?;
    // gaps are whole quarters of an hour, and Samoa once skipped a whole date
    (0..=96 * 2).find_map(|quarters| {
        let local = midnight.checked_add_signed(TimeDelta::minutes(15 * quarters))?;
        Some(zone.from_local_datetime(&local).earliest()?.with_timezone(&Utc))
    })
}

/// The weather of a local date, with its reference evapotranspiration.
///
/// Means are weighted by time, sums shared out by overlap; eq. 6 with Tmean = (Tmax + Tmin) / 2,
/// G = 0 and the mean of the hourly vapour pressures. Where the sun does not rise, Rs/Rso is taken
/// as 1. None where the date has no weather at all.
///
/// FAO-56 chapter 2, eq. 6. Extremes of hourly means lie some tenths of a degree inside those of a
/// thermometer. Eq. 6 knows days of 24 hours only: on a 23-hour date one night hour of longwave is
/// too much, some hundredths of a millimetre.
///
/// ```
/// # use xylocast::{evapo::{daily::day, humidity::atmospheric_pressure}, units::*, weather::*};
/// # use chrono::TimeDelta;
/// // FAO-56 example 18 (Brussels, 6 July, 3.9 mm) with the same means, 12.3 to 21.5 degC
/// let place = Place {
///     latitude: Latitude::new(50.8)?,
///     longitude: Longitude::new(4.35)?,
///     elevation: Metres::new(100.0)?,
/// };
/// let midnight = "2026-07-05T22:00:00Z".parse::<chrono::DateTime<chrono::Utc>>()?;
/// let hour = |h: i32| -> Result<Hour, OutOfRange> {
///     Ok(Hour {
///         span: Span::hour_from(midnight + TimeDelta::hours(h.into())),
///         air: Celsius::new(12.3 + 9.2 * (1.0 - f64::from(h - 15).abs() / 15.0))?,
///         vapour_pressure: Kilopascal::new(1.409)?,
///         wind_2m: MetresPerSecond::new(2.078)?,
///         shortwave: WattsPerSquareMetre::new(22.07 / 24.0 / 0.0036)?,
///         rain: Millimetres::new(0.1)?,
///         pressure: atmospheric_pressure(place.elevation),
///         soil_water_m3_m3: None,
///         flags: Flags::default(),
///     })
/// };
/// let series = Series::new((0..24).map(hour).collect::<Result<_, _>>()?)?;
/// let date = chrono::NaiveDate::from_ymd_opt(2026, 7, 6).unwrap();
/// let day = day(&series, date, chrono_tz::Europe::Brussels, place)?.unwrap();
/// assert!((day.reference_et.unwrap().value() - 3.9).abs() < 0.05);
/// assert!((day.rain.value() - 2.4).abs() < 1e-9);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
///
/// # Errors
/// [`EvapoError::NoSuchDate`] where the zone has no such date.
pub fn day(
    series: &Series,
    date: NaiveDate,
    zone: Tz,
    place: Place,
) -> Result<Option<Day>, EvapoError> {
    let span = span_of_date(date, zone)?;
    let hours: Vec<Hour> =
        series.within(span).iter().filter_map(|hour| hour.clipped(span)).collect();
    let covered: f64 = hours.iter().map(|hour| hour.span.hours()).sum();
    let (Some(min), Some(max)) = (
        hours.iter().map(|hour| hour.air).min_by(|a, b| a.value().total_cmp(&b.value())),
        hours.iter().map(|hour| hour.air).max_by(|a, b| a.value().total_cmp(&b.value())),
    ) else {
        return Ok(None);
    };
    let integral = |value: fn(&Hour) -> f64| -> f64 {
        hours.iter().map(|hour| value(hour) * hour.span.hours()).sum()
    };
    let mean = |value: fn(&Hour) -> f64| integral(value) / covered;
    let mut day = Day {
        date,
        span,
        coverage: (covered / span.hours()).min(1.0),
        temperature: TemperatureRange::new(min, max)?,
        vapour_pressure: Kilopascal::computed(mean(|hour| hour.vapour_pressure.value())),
        humidity: Percent::computed(mean(|hour| {
            relative_humidity(hour.air, hour.vapour_pressure).value()
        })),
        wind_2m: MetresPerSecond::computed(mean(|hour| hour.wind_2m.value())),
        pressure: Kilopascal::computed(mean(|hour| hour.pressure.value())),
        shortwave: Megajoules::computed(0.0036 * integral(|hour| hour.shortwave.value())),
        rain: Millimetres::computed(hours.iter().map(|hour| hour.rain.value()).sum()),
        reference_et: None,
        flags: series.flags(span),
    };
    // a second of slack for hours stamped in milliseconds
    if span.hours() - covered < 1.0 / 3600.0 {
        day.reference_et = Some(day.eq_6(place));
    }
    Ok(Some(day))
}

impl Day {
    /// Mean temperature in the sense of eq. 9.
    pub fn mean_temperature(&self) -> Celsius {
        self.temperature.mean()
    }

    fn eq_6(&self, place: Place) -> Millimetres {
        let ra = extraterrestrial_radiation(place.latitude, DayOfYear::of(self.date));
        let clear = clear_sky(ra, place.elevation);
        let ratio = RelativeShortwave::of(Shortwave { received: self.shortwave, clear_sky: clear })
            .unwrap_or(RelativeShortwave::CLEAR);
        let longwave = net_longwave_of_day(self.temperature, self.vapour_pressure, ratio);
        let shortwave = net_shortwave(self.shortwave);
        let air = DayAir {
            temperature: self.temperature,
            vapour_pressure: self.vapour_pressure,
            wind_2m: self.wind_2m,
            pressure: self.pressure,
        };
        let net_radiation = net_radiation(Balance { shortwave, longwave });
        daily_reference_et(air, Energy { net_radiation, soil_heat: soil_heat_of_day() })
    }
}
