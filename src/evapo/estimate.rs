//! Stand-ins for what was not measured: FAO-56 chapter 3, "Climatic data" missing.
//!
//! Each belongs with a [`Flag`](crate::weather::Flag) on the hour it fills. Vapour pressure from the
//! night's minimum is [`vapour_pressure_from_minimum`], pressure from elevation
//! [`atmospheric_pressure`]; both are named here so that all stand-ins are in one place.

pub use super::humidity::{atmospheric_pressure, vapour_pressure_from_minimum};

use super::humidity::TemperatureRange;
use super::radiation::{Setting, clear_sky, shortwave_from_temperature_range};
use super::sun::{DayOfYear, SunTrack, extraterrestrial_radiation};
use crate::units::{Megajoules, MetresPerSecond, Percent, Place, WattsPerSquareMetre};
use crate::weather::Span;
use chrono::NaiveDate;

/// Wind at 2 m where none was measured: 2 m/s.
///
/// FAO-56 chapter 3, "missing wind speed data": the mean of over 2000 stations. No place has
/// it hour by hour: calm nights come out too thirsty.
pub fn assumed_wind() -> MetresPerSecond {
    MetresPerSecond::computed(2.0)
}

/// Shortwave of the hours of a date from its temperature range.
///
/// `Rs(hour) = Rs(day) Ra(hour) / Ra(day)`, with `Rs(day)` of eq. 50; no hour above its clear-sky
/// radiation
///
/// FAO-56 chapter 3, eq. 50 with eq. 21 and 28. The day's sum is eq. 50's; which hours were cloudy
/// is not known. Hours may be missing or begin at any minute.
///
/// ```
/// # use xylocast::{evapo::{estimate::*, humidity::TemperatureRange, radiation::Setting}};
/// # use xylocast::{units::*, weather::Span};
/// # use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
/// // Example 20: Lyon, 15 July, 14.8 to 26.6 degC: 22.29 MJ/m2
/// let place = Place {
///     latitude: Latitude::new(45.0 + 43.0 / 60.0)?,
///     longitude: Longitude::new(5.08)?,
///     elevation: Metres::new(200.0)?,
/// };
/// let range = TemperatureRange::new(Celsius::new(14.8)?, Celsius::new(26.6)?)?;
/// let midnight: DateTime<Utc> = "2026-07-15T00:00:00Z".parse()?;
/// let hours: Vec<Span> =
///     (0..24).map(|h| Span::hour_from(midnight + TimeDelta::hours(h))).collect();
/// let date = NaiveDate::from_ymd_opt(2026, 7, 15).unwrap();
/// let shortwave = shortwave_of_date(range, Setting::Interior, place, date, &hours);
/// let day: f64 = shortwave.iter().map(|hour| hour.over_one_hour().value()).sum();
/// assert!((day - 22.29).abs() < 0.005);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
pub fn shortwave_of_date(
    range: TemperatureRange,
    setting: Setting,
    place: Place,
    date: NaiveDate,
    hours: &[Span],
) -> Vec<WattsPerSquareMetre> {
    let ra_day = extraterrestrial_radiation(place.latitude, DayOfYear::of(date));
    let rs_day = shortwave_from_temperature_range(range, ra_day, setting);
    let share = if ra_day.value() > 0.0 { rs_day.value() / ra_day.value() } else { 0.0 };
    let mut track = SunTrack::new(place);
    let of_hour = |&span: &Span| {
        let sun = track.over(span);
        let rs = share * sun.extraterrestrial.value();
        let clear = clear_sky(sun.extraterrestrial, place.elevation).value();
        mean_flux(Megajoules::computed(rs.min(clear)), sun.hours)
    };
    hours.iter().map(of_hour).collect()
}

/// Shortwave of an hour from cloud cover.
///
/// `Rs = Rso (1 - 0.75 n^3.4)`, `n` being the covered share of the sky
///
/// Kasten & Czeplak (1980), Solar Energy 24, quoted from memory, not read; Rso of FAO-56 eq. 37.
/// Made for hours of Hamburg; it knows no kind of cloud, so an hour of thin high cloud is too dark.
/// No worked example was published with it: a clear sky is Rso, a covered one a quarter of it.
///
/// ```
/// # use xylocast::{evapo::estimate::shortwave_from_cloud_cover, units::*, weather::Span};
/// let place = Place {
///     latitude: Latitude::new(53.6)?,
///     longitude: Longitude::new(10.0)?,
///     elevation: Metres::new(0.0)?,
/// };
/// let noon = Span::hour_from("2026-06-21T11:00:00Z".parse()?);
/// let clear = shortwave_from_cloud_cover(Percent::new(0.0)?, place, noon);
/// let covered = shortwave_from_cloud_cover(Percent::new(100.0)?, place, noon);
/// assert!((covered.value() / clear.value() - 0.25).abs() < 1e-12);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
pub fn shortwave_from_cloud_cover(cover: Percent, place: Place, span: Span) -> WattsPerSquareMetre {
    let sun = SunTrack::new(place).over(span);
    let rso = clear_sky(sun.extraterrestrial, place.elevation).value();
    let n = cover.value() / 100.0;
    mean_flux(Megajoules::computed(rso * (1.0 - 0.75 * n.powf(3.4))), sun.hours)
}

fn mean_flux(energy: Megajoules, hours: f64) -> WattsPerSquareMetre {
    let flux = if hours > 0.0 { energy.value() / 0.0036 / hours } else { 0.0 };
    WattsPerSquareMetre::computed(flux)
}
