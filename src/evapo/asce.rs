//! The standardized reference evapotranspiration equation of 2005, short and tall surface.
//!
//! ASCE-EWRI (2005), *The ASCE Standardized Reference Evapotranspiration Equation*, eq. 1 and
//! table 1. Its hourly form differs from FAO-56's: the surface resists more by night, night is where
//! net radiation is negative, and constants are rounded otherwise (slope 2503, sigma 2.042e-10).
//! Its equation numbers are quoted from memory; its appendix C is held by tests, hour by hour.

use super::humidity::{
    TemperatureRange, psychrometric_constant, vapour_pressure_deficit,
    vapour_pressure_deficit_of_day,
};
use super::radiation::{
    Balance, RelativeShortwave, Shortwave, net_longwave_of_day_with, net_longwave_of_hour_with,
    net_radiation, net_shortwave,
};
use super::reference::{Coefficients, DayAir, HourAir, PenmanMonteith, penman_monteith};
use crate::units::{Celsius, Kilopascal, KilopascalPerDegree, Megajoules, Millimetres};

/// Stefan-Boltzmann constant as the standard rounds it, MJ m-2 per hour and K4.
pub(super) const SIGMA_HOUR: f64 = 2.042e-10;
const SIGMA_DAY: f64 = 4.901e-9;
/// Numerator of the slope, which is 4098 x 0.6108 = 2503.06 in FAO-56.
pub(super) const SLOPE: f64 = 2503.0;

/// The two reference surfaces.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Surface {
    /// Clipped grass of about 0.12 m.
    Short,
    /// Full-cover alfalfa of about 0.50 m.
    Tall,
}

impl Surface {
    /// Of a day; table 1.
    pub fn daily(self) -> Coefficients {
        match self {
            Surface::Short => Coefficients { numerator: 900.0, denominator: 0.34 },
            Surface::Tall => Coefficients { numerator: 1600.0, denominator: 0.38 },
        }
    }

    /// Of an hour with net radiation of 0 or more; table 1.
    pub fn hourly_by_day(self) -> Coefficients {
        match self {
            Surface::Short => Coefficients { numerator: 37.0, denominator: 0.24 },
            Surface::Tall => Coefficients { numerator: 66.0, denominator: 0.25 },
        }
    }

    /// Of an hour with negative net radiation; table 1.
    pub fn hourly_by_night(self) -> Coefficients {
        match self {
            Surface::Short => Coefficients { numerator: 37.0, denominator: 0.96 },
            Surface::Tall => Coefficients { numerator: 66.0, denominator: 1.7 },
        }
    }

    /// Soil heat flux as a share of positive net radiation; eq. 65 and 66 of the standard.
    pub(super) fn soil_share_by_day(self) -> f64 {
        match self {
            Surface::Short => 0.1,
            Surface::Tall => 0.04,
        }
    }

    /// As a share of negative net radiation; the same equations.
    pub(super) fn soil_share_by_night(self) -> f64 {
        match self {
            Surface::Short => 0.5,
            Surface::Tall => 0.2,
        }
    }
}

/// Slope of the saturation vapour pressure curve, as the standard rounds it.
///
/// `Delta = 2503 exp(17.27 T / (T + 237.3)) / (T + 237.3)^2`
///
/// ASCE-EWRI (2005), eq. 5.
///
/// ```
/// # use xylocast::{evapo::asce, units::Celsius};
/// // FAO-56 example 18, to which it is equal within rounding: 16.9 degC
/// let slope = asce::slope_of_saturation_curve(Celsius::new(16.9)?);
/// assert!((slope.value() - 0.122).abs() < 0.0005);
/// # Ok::<(), xylocast::units::OutOfRange>(())
/// ```
pub fn slope_of_saturation_curve(air: Celsius) -> KilopascalPerDegree {
    let t = air.value();
    KilopascalPerDegree::computed(SLOPE * (17.27 * t / (t + 237.3)).exp() / (t + 237.3).powi(2))
}

/// Net radiation of a day.
///
/// `Rn = 0.77 Rs - Rnl`; `Rnl` as FAO-56 eq. 39 with sigma 4.901e-9
///
/// ASCE-EWRI (2005), eq. 15 to 18. Where the sun does not rise, the sky is taken as clear.
///
/// ```
/// # use xylocast::{evapo::{asce, humidity::TemperatureRange, radiation::Shortwave}, units::*};
/// // Appendix C, Greeley, 1 July 2000
/// let temperature = TemperatureRange::new(Celsius::new(10.9)?, Celsius::new(32.4)?)?;
/// let shortwave =
///     Shortwave { received: Megajoules::new(22.4)?, clear_sky: Megajoules::new(32.43)? };
/// let rn = asce::net_radiation_of_day(temperature, Kilopascal::new(1.27)?, shortwave);
/// assert!((rn.value() - 13.31).abs() < 0.04);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
pub fn net_radiation_of_day(
    temperature: TemperatureRange,
    actual: Kilopascal,
    shortwave: Shortwave,
) -> Megajoules {
    let ratio = RelativeShortwave::of(shortwave).unwrap_or(RelativeShortwave::CLEAR);
    let longwave = net_longwave_of_day_with(SIGMA_DAY, temperature, actual, ratio);
    net_radiation(Balance { shortwave: net_shortwave(shortwave.received), longwave })
}

/// Net radiation of an hour.
///
/// `Rn = 0.77 Rs - Rnl`; `Rnl` as FAO-56 eq. 39 with sigma 2.042e-10
///
/// ASCE-EWRI (2005), eq. 42 to 45. The ratio is that of the hour where the sun stands at least
/// 0.3 rad high at its middle, else that of the last such hour.
///
/// ```
/// # use xylocast::{evapo::{asce, radiation::RelativeShortwave}, units::*};
/// // Appendix C, Greeley, 1 July 2000, 15:00-16:00
/// let ratio = RelativeShortwave::new(2.24 / 2.54)?;
/// let (air, ea) = (Celsius::new(30.9)?, Kilopascal::new(1.09)?);
/// let rn = asce::net_radiation_of_hour(air, ea, Megajoules::new(2.24)?, ratio);
/// assert!((rn.value() - 1.441).abs() < 0.001);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
pub fn net_radiation_of_hour(
    air: Celsius,
    actual: Kilopascal,
    received: Megajoules,
    ratio: RelativeShortwave,
) -> Megajoules {
    let longwave = net_longwave_of_hour_with(SIGMA_HOUR, air, actual, ratio);
    net_radiation(Balance { shortwave: net_shortwave(received), longwave })
}

/// Standardized reference evapotranspiration of a day.
///
/// `ETsz = (0.408 Delta Rn + gamma Cn / (T + 273) u2 (es - ea)) / (Delta + gamma (1 + Cd u2))`
///
/// ASCE-EWRI (2005), eq. 1, with Cn 900 and Cd 0.34 (short) or 1600 and 0.38 (tall).
///
/// ```
/// # use xylocast::{evapo::{asce::*, humidity::*, reference::*}, units::*};
/// // Appendix C, Greeley, 1 July 2000, 1462 m, wind 1.94 m/s at 3 m
/// let day = DayAir {
///     temperature: TemperatureRange::new(Celsius::new(10.9)?, Celsius::new(32.4)?)?,
///     vapour_pressure: Kilopascal::new(1.27)?,
///     wind_2m: wind_at_2m(MetresPerSecond::new(1.94)?, Metres::new(3.0)?)?,
///     pressure: atmospheric_pressure(Metres::new(1462.4)?),
/// };
/// let et = daily_reference_et(day, Megajoules::new(13.31)?, Surface::Tall);
/// assert!((et.value() - 7.34).abs() < 0.03);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
pub fn daily_reference_et(day: DayAir, net_radiation: Megajoules, surface: Surface) -> Millimetres {
    let air = day.temperature.mean();
    let terms = PenmanMonteith {
        slope: slope_of_saturation_curve(air),
        psychrometric: psychrometric_constant(day.pressure),
        available: net_radiation,
        air,
        wind_2m: day.wind_2m,
        deficit: vapour_pressure_deficit_of_day(day.temperature, day.vapour_pressure),
    };
    penman_monteith(terms, surface.daily())
}

/// Standardized reference evapotranspiration of an hour.
///
/// `ETsz = (0.408 Delta (Rn - G) + gamma Cn / (T + 273) u2 (e0 - ea)) / (Delta + gamma (1 + Cd u2))`
///
/// ASCE-EWRI (2005), eq. 1 and table 1; G is 0.1 Rn (tall 0.04) by day, 0.5 Rn (tall 0.2) by night,
/// and night is where Rn is negative.
///
/// ```
/// # use xylocast::{evapo::{asce::*, humidity::*, reference::*}, units::*};
/// // Appendix C, Greeley, 1 July 2000, 15:00-16:00, wind 4.07 m/s at 3 m
/// let hour = HourAir {
///     air: Celsius::new(30.9)?,
///     vapour_pressure: Kilopascal::new(1.09)?,
///     wind_2m: wind_at_2m(MetresPerSecond::new(4.07)?, Metres::new(3.0)?)?,
///     pressure: atmospheric_pressure(Metres::new(1462.4)?),
/// };
/// let et = hourly_reference_et(hour, Megajoules::new(1.441)?, Surface::Short);
/// assert!((et.value() - 0.61).abs() < 0.005);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
pub fn hourly_reference_et(
    hour: HourAir,
    net_radiation: Megajoules,
    surface: Surface,
) -> Millimetres {
    let rn = net_radiation.value();
    let (coefficients, soil_share) = if rn < 0.0 {
        (surface.hourly_by_night(), surface.soil_share_by_night())
    } else {
        (surface.hourly_by_day(), surface.soil_share_by_day())
    };
    let terms = PenmanMonteith {
        slope: slope_of_saturation_curve(hour.air),
        psychrometric: psychrometric_constant(hour.pressure),
        available: Megajoules::computed(rn - soil_share * rn),
        air: hour.air,
        wind_2m: hour.wind_2m,
        deficit: vapour_pressure_deficit(hour.air, hour.vapour_pressure),
    };
    penman_monteith(terms, coefficients)
}
