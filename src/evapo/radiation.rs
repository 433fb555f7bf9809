//! Radiation at the surface: FAO-56 chapter 3, eq. 20, 35 to 40 and 50.
//!
//! Energies are MJ/m2 over the interval that the function names: a day, or an hour.

use super::EvapoError;
use super::humidity::TemperatureRange;
use crate::units::{Celsius, Hours, Kilopascal, Megajoules, Metres, Millimetres};

/// Stefan-Boltzmann constant as FAO-56 rounds it, MJ m-2 per day and K4.
pub(super) const SIGMA_DAY: f64 = 4.903e-9;
/// The same per hour.
pub(super) const SIGMA_HOUR: f64 = 2.043e-10;
/// What 1 - albedo of the reference grass leaves, albedo being 0.23.
pub(super) const ABSORBED: f64 = 0.77;

/// Relative shortwave radiation `Rs / Rso`: how much of a clear sky's radiation came through.
///
/// Held within 0.3 (wholly overcast) and 1. FAO-56 states only the upper limit beside eq. 39 and the
/// meaning of 0.3 in chapter 4; ASCE-EWRI (2005) holds both.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub struct RelativeShortwave(f64);

impl RelativeShortwave {
    /// A clear sky.
    pub const CLEAR: Self = Self(1.0);
    /// A wholly overcast sky.
    pub const OVERCAST: Self = Self(0.3);
    /// For nights about which nothing is known: the middle of the 0.4 to 0.6 that FAO-56
    /// (chapter 4, hourly time step) offers for humid climates. In arid ones it is 0.7 to 0.8.
    pub const ASSUMED: Self = Self(0.5);

    /// Of a period; none where the sky would be dark without clouds too.
    pub fn of(shortwave: Shortwave) -> Option<Self> {
        let rso = shortwave.clear_sky.value();
        (rso > 0.0).then(|| Self::held(shortwave.received.value() / rso))
    }

    /// From a ratio already at hand, held within the limits.
    ///
    /// # Errors
    /// [`EvapoError::Unusable`] for NaN, or a ratio below 0 or above 5.
    pub fn new(ratio: f64) -> Result<Self, EvapoError> {
        if (0.0..=5.0).contains(&ratio) {
            Ok(Self::held(ratio))
        } else {
            let what = "relative shortwave";
            Err(EvapoError::Unusable { what, value: ratio, low: 0.0, high: 5.0 })
        }
    }

    #[inline]
    pub(super) fn held(ratio: f64) -> Self {
        Self(ratio.clamp(0.3, 1.0))
    }

    /// The bare ratio.
    pub fn value(self) -> f64 {
        self.0
    }

    /// Cloudiness factor of eq. 39, `1.35 Rs/Rso - 0.35`: 1 under a clear sky, 0.055 overcast.
    #[inline]
    pub fn cloudiness(self) -> f64 {
        1.35 * self.0 - 0.35
    }
}

/// Shortwave that arrived and what a clear sky would have let through, over the same period.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Shortwave {
    /// Solar or shortwave radiation, Rs.
    pub received: Megajoules,
    /// Clear-sky radiation, Rso.
    pub clear_sky: Megajoules,
}

/// Water that an energy can evaporate.
///
/// `mm = 0.408 MJ/m2` (latent heat of 2.45 MJ/kg)
///
/// FAO-56 chapter 3, eq. 20.
///
/// ```
/// # use xylocast::{evapo::radiation::water_equivalent, units::Megajoules};
/// // Example 13: 0.33 MJ/m2 is 0.13 mm
/// assert!((water_equivalent(Megajoules::new(0.33)?).value() - 0.13).abs() < 0.006);
/// # Ok::<(), xylocast::units::OutOfRange>(())
/// ```
pub fn water_equivalent(energy: Megajoules) -> Millimetres {
    Millimetres::computed(0.408 * energy.value())
}

/// Hours of bright sunshine and the hours that there could have been.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sunshine {
    /// Measured, n.
    pub actual: Hours,
    /// Daylight hours, N.
    pub possible: Hours,
}

/// Solar radiation of a day from hours of sunshine (Angstrom).
///
/// `Rs = (0.25 + 0.50 n / N) Ra`
///
/// FAO-56 chapter 3, eq. 35, with the factors for places without calibration. The share n/N is held
/// within 0 and 1, and is 0 where there was no daylight.
///
/// ```
/// # use xylocast::{evapo::radiation::*, units::{Hours, Megajoules}};
/// // Example 10: 7.1 of 10.9 hours under 25.1 MJ/m2
/// let sunshine = Sunshine { actual: Hours::new(7.1)?, possible: Hours::new(10.9)? };
/// let rs = shortwave_from_sunshine(sunshine, Megajoules::new(25.1)?);
/// assert!((rs.value() - 14.45).abs() < 0.005);
/// # Ok::<(), xylocast::units::OutOfRange>(())
/// ```
pub fn shortwave_from_sunshine(sunshine: Sunshine, extraterrestrial: Megajoules) -> Megajoules {
    let (n, possible) = (sunshine.actual.value(), sunshine.possible.value());
    let share = if possible > 0.0 { (n / possible).min(1.0) } else { 0.0 };
    Megajoules::computed((0.25 + 0.50 * share) * extraterrestrial.value())
}

/// Clear-sky radiation near sea level.
///
/// `Rso = (0.25 + 0.50) Ra`
///
/// FAO-56 chapter 3, eq. 36.
///
/// ```
/// # use xylocast::{evapo::radiation::clear_sky_at_sea_level, units::Megajoules};
/// // Example 11: under 25.1 MJ/m2
/// let rso = clear_sky_at_sea_level(Megajoules::new(25.1)?);
/// assert!((rso.value() - 18.8).abs() < 0.05);
/// # Ok::<(), xylocast::units::OutOfRange>(())
/// ```
pub fn clear_sky_at_sea_level(extraterrestrial: Megajoules) -> Megajoules {
    Megajoules::computed(0.75 * extraterrestrial.value())
}

/// Clear-sky radiation at an elevation.
///
/// `Rso = (0.75 + 2e-5 z) Ra`
///
/// FAO-56 chapter 3, eq. 37; day or hour. Too high under a low sun, dust or smoke.
///
/// ```
/// # use xylocast::{evapo::radiation::clear_sky, units::{Megajoules, Metres}};
/// // Example 18: 41.09 MJ/m2 at 100 m
/// let rso = clear_sky(Megajoules::new(41.09)?, Metres::new(100.0)?);
/// assert!((rso.value() - 30.90).abs() < 0.005);
/// # Ok::<(), xylocast::units::OutOfRange>(())
/// ```
pub fn clear_sky(extraterrestrial: Megajoules, elevation: Metres) -> Megajoules {
    Megajoules::computed(clear_sky_share(elevation) * extraterrestrial.value())
}

/// What of Ra a clear sky lets through.
pub(super) fn clear_sky_share(elevation: Metres) -> f64 {
    0.75 + 2e-5 * elevation.value()
}

/// Net shortwave radiation of the reference grass.
///
/// `Rns = (1 - 0.23) Rs`
///
/// FAO-56 chapter 3, eq. 38; day or hour.
///
/// ```
/// # use xylocast::{evapo::radiation::net_shortwave, units::Megajoules};
/// // Example 12: 14.45 MJ/m2
/// assert!((net_shortwave(Megajoules::new(14.45)?).value() - 11.1).abs() < 0.05);
/// # Ok::<(), xylocast::units::OutOfRange>(())
/// ```
pub fn net_shortwave(shortwave: Megajoules) -> Megajoules {
    Megajoules::computed(ABSORBED * shortwave.value())
}

/// Radiation that a black body at an air temperature emits in a day.
///
/// `sigma (T + 273.16)^4`, sigma = 4.903e-9 MJ m-2 K-4
///
/// FAO-56 annex 2, table 2.8.
///
/// ```
/// # use xylocast::{evapo::radiation::black_body_of_day, units::Celsius};
/// // Example 11: 25.1 degC
/// assert!((black_body_of_day(Celsius::new(25.1)?).value() - 38.8).abs() < 0.05);
/// # Ok::<(), xylocast::units::OutOfRange>(())
/// ```
pub fn black_body_of_day(air: Celsius) -> Megajoules {
    Megajoules::computed(SIGMA_DAY * fourth_power(air))
}

/// Absolute temperature to the fourth.
#[inline]
pub(super) fn fourth_power(air: Celsius) -> f64 {
    let square = (air.value() + 273.16) * (air.value() + 273.16);
    square * square
}

/// Net emissivity, the middle factor of eq. 39.
#[inline]
pub(super) fn net_emissivity(actual: Kilopascal) -> f64 {
    0.34 - 0.14 * actual.value().sqrt()
}

/// Net longwave radiation of a day, positive upward.
///
/// `Rnl = sigma (Tmax^4 + Tmin^4) / 2 (0.34 - 0.14 sqrt(ea)) (1.35 Rs/Rso - 0.35)`
///
/// FAO-56 chapter 3, eq. 39. Changes sign at 5.9 kPa, beyond any air that grass has met.
///
/// ```
/// # use xylocast::{evapo::{humidity::TemperatureRange, radiation::*}, units::*};
/// // Example 11: 19.1 to 25.1 degC, 2.1 kPa, 14.5 of 18.8 MJ/m2
/// let temperature = TemperatureRange::new(Celsius::new(19.1)?, Celsius::new(25.1)?)?;
/// let ratio = RelativeShortwave::new(14.5 / 18.8)?;
/// let rnl = net_longwave_of_day(temperature, Kilopascal::new(2.1)?, ratio);
/// assert!((rnl.value() - 3.5).abs() < 0.05);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
pub fn net_longwave_of_day(
    temperature: TemperatureRange,
    actual: Kilopascal,
    ratio: RelativeShortwave,
) -> Megajoules {
    net_longwave_of_day_with(SIGMA_DAY, temperature, actual, ratio)
}

pub(super) fn net_longwave_of_day_with(
    sigma: f64,
    temperature: TemperatureRange,
    actual: Kilopascal,
    ratio: RelativeShortwave,
) -> Megajoules {
    let mean = (fourth_power(temperature.max()) + fourth_power(temperature.min())) / 2.0;
    Megajoules::computed(sigma * mean * net_emissivity(actual) * ratio.cloudiness())
}

/// Net longwave radiation of an hour, positive upward.
///
/// `Rnl = sigma (T + 273.16)^4 (0.34 - 0.14 sqrt(ea)) (1.35 Rs/Rso - 0.35)`, sigma = 2.043e-10
///
/// FAO-56 chapter 3, eq. 39 as chapter 4 uses it for hours. By night the ratio is that of the
/// afternoon before; [`sequence`](super::sequence) carries it.
///
/// ```
/// # use xylocast::{evapo::radiation::*, units::{Celsius, Kilopascal}};
/// // Example 19, 14:00-15:00: 38 degC, 3.445 kPa, ratio 0.922
/// let ratio = RelativeShortwave::new(0.922)?;
/// let rnl = net_longwave_of_hour(Celsius::new(38.0)?, Kilopascal::new(3.445)?, ratio);
/// assert!((rnl.value() - 0.137).abs() < 0.0005);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
pub fn net_longwave_of_hour(
    air: Celsius,
    actual: Kilopascal,
    ratio: RelativeShortwave,
) -> Megajoules {
    net_longwave_of_hour_with(SIGMA_HOUR, air, actual, ratio)
}

pub(super) fn net_longwave_of_hour_with(
    sigma: f64,
    air: Celsius,
    actual: Kilopascal,
    ratio: RelativeShortwave,
) -> Megajoules {
    let black_body = sigma * fourth_power(air);
    Megajoules::computed(black_body * net_emissivity(actual) * ratio.cloudiness())
}

/// The two halves of net radiation, over the same period.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Balance {
    /// Net shortwave, downward.
    pub shortwave: Megajoules,
    /// Net longwave, upward.
    pub longwave: Megajoules,
}

/// Net radiation.
///
/// `Rn = Rns - Rnl`
///
/// FAO-56 chapter 3, eq. 40; day or hour.
///
/// ```
/// # use xylocast::{evapo::radiation::*, units::Megajoules};
/// // Example 12: 11.1 and 3.5 MJ/m2
/// let balance = Balance { shortwave: Megajoules::new(11.1)?, longwave: Megajoules::new(3.5)? };
/// assert!((net_radiation(balance).value() - 7.6).abs() < 0.05);
/// # Ok::<(), xylocast::units::OutOfRange>(())
/// ```
pub fn net_radiation(balance: Balance) -> Megajoules {
    Megajoules::computed(balance.shortwave.value() - balance.longwave.value())
}

/// Where a place lies, for the radiation that a temperature range betrays.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Setting {
    /// Land mass dominates: 0.16.
    Interior,
    /// On or near the coast of a large water: 0.19.
    Coastal,
}

impl Setting {
    fn adjustment(self) -> f64 {
        match self {
            Setting::Interior => 0.16,
            Setting::Coastal => 0.19,
        }
    }
}

/// Solar radiation of a day from its temperature range (Hargreaves).
///
/// `Rs = kRs sqrt(Tmax - Tmin) Ra`, kRs = 0.16 inland, 0.19 at the coast
///
/// FAO-56 chapter 3, eq. 50. Not for small islands or days of a passing front; not held to the
/// clear-sky radiation here ([`estimate`](super::estimate) does).
///
/// ```
/// # use xylocast::{evapo::{humidity::TemperatureRange, radiation::*}, units::*};
/// // Example 15: 14.8 to 26.6 degC under 40.6 MJ/m2
/// let temperature = TemperatureRange::new(Celsius::new(14.8)?, Celsius::new(26.6)?)?;
/// let ra = Megajoules::new(40.6)?;
/// let rs = shortwave_from_temperature_range(temperature, ra, Setting::Interior);
/// assert!((rs.value() - 22.3).abs() < 0.05);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
pub fn shortwave_from_temperature_range(
    temperature: TemperatureRange,
    extraterrestrial: Megajoules,
    setting: Setting,
) -> Megajoules {
    let share = setting.adjustment() * temperature.root_of_difference();
    Megajoules::computed(share * extraterrestrial.value())
}
