//! Reference evapotranspiration: FAO-56 chapter 2, eq. 6; chapter 3, eq. 47 and 52; chapter 4, eq. 53.

use super::EvapoError;
use super::humidity::{
    TemperatureRange, psychrometric_constant, slope_of_saturation_curve, vapour_pressure_deficit,
    vapour_pressure_deficit_of_day,
};
use super::radiation::water_equivalent;
use crate::units::{
    Celsius, Kilopascal, KilopascalPerDegree, Megajoules, Metres, MetresPerSecond, Millimetres,
};

/// The two numbers that tell one surface and time step from another in the Penman-Monteith
/// equation, named Cn and Cd by ASCE-EWRI (2005).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Coefficients {
    /// Cn, beside wind and deficit: roughness of the surface, times the hours of the step.
    pub numerator: f64,
    /// Cd, beside wind: resistance of the surface against that of the air.
    pub denominator: f64,
}

impl Coefficients {
    /// Eq. 6.
    pub const FAO56_DAY: Self = Self { numerator: 900.0, denominator: 0.34 };
    /// Eq. 53, day and night.
    pub const FAO56_HOUR: Self = Self { numerator: 37.0, denominator: 0.34 };
}

/// What the Penman-Monteith equation reads, over a day or an hour.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PenmanMonteith {
    /// Slope of the saturation vapour pressure curve.
    pub slope: KilopascalPerDegree,
    /// Psychrometric constant.
    pub psychrometric: KilopascalPerDegree,
    /// Net radiation less soil heat flux.
    pub available: Megajoules,
    /// Mean air temperature.
    pub air: Celsius,
    /// Wind at 2 m.
    pub wind_2m: MetresPerSecond,
    /// Vapour pressure deficit.
    pub deficit: Kilopascal,
}

/// The Penman-Monteith equation of a reference surface.
///
/// `(0.408 Delta (Rn - G) + gamma Cn / (T + 273) u2 (es - ea)) / (Delta + gamma (1 + Cd u2))`
///
/// FAO-56 chapter 2, eq. 6 with Cn 900 and Cd 0.34; the other forms change these two only.
///
/// ```
/// # use xylocast::{evapo::reference::*, units::*};
/// // Example 18, from its printed intermediates
/// let terms = PenmanMonteith {
///     slope: KilopascalPerDegree::new(0.122)?,
///     psychrometric: KilopascalPerDegree::new(0.0666)?,
///     available: Megajoules::new(13.28)?,
///     air: Celsius::new(16.9)?,
///     wind_2m: MetresPerSecond::new(2.078)?,
///     deficit: Kilopascal::new(1.997 - 1.409)?,
/// };
/// assert!((penman_monteith(terms, Coefficients::FAO56_DAY).value() - 3.88).abs() < 0.005);
/// # Ok::<(), OutOfRange>(())
/// ```
pub fn penman_monteith(terms: PenmanMonteith, coefficients: Coefficients) -> Millimetres {
    let (slope, gamma) = (terms.slope.value(), terms.psychrometric.value());
    let (u2, vpd) = (terms.wind_2m.value(), terms.deficit.value());
    let Coefficients { numerator: cn, denominator: cd } = coefficients;
    let energy = slope * water_equivalent(terms.available).value();
    let air = gamma * cn / (terms.air.value() + 273.0) * u2 * vpd;
    Millimetres::computed((energy + air) / (slope + gamma * (1.0 + cd * u2)))
}

/// Weather of a day, as eq. 6 reads it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DayAir {
    /// Lowest and highest temperature.
    pub temperature: TemperatureRange,
    /// Actual vapour pressure.
    pub vapour_pressure: Kilopascal,
    /// Wind at 2 m.
    pub wind_2m: MetresPerSecond,
    /// Air pressure.
    pub pressure: Kilopascal,
}

/// Weather of an hour, as eq. 53 reads it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HourAir {
    /// Mean temperature.
    pub air: Celsius,
    /// Actual vapour pressure.
    pub vapour_pressure: Kilopascal,
    /// Wind at 2 m.
    pub wind_2m: MetresPerSecond,
    /// Air pressure.
    pub pressure: Kilopascal,
}

/// Energy at the surface, over the day or the hour.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Energy {
    /// Net radiation, Rn.
    pub net_radiation: Megajoules,
    /// Soil heat flux, G, positive downward.
    pub soil_heat: Megajoules,
}

impl Energy {
    pub(super) fn available(self) -> Megajoules {
        Megajoules::computed(self.net_radiation.value() - self.soil_heat.value())
    }
}

/// Reference evapotranspiration of a day.
///
/// `ET0 = (0.408 Delta (Rn - G) + gamma 900 / (T + 273) u2 (es - ea)) / (Delta + gamma (1 + 0.34 u2))`
///
/// FAO-56 chapter 2, eq. 6. For well watered grass of 0.12 m; negative in polar winters.
///
/// ```
/// # use xylocast::{evapo::{humidity::*, reference::*, soil::soil_heat_of_day}, units::*};
/// // Example 18: Brussels, 6 July
/// let day = DayAir {
///     temperature: TemperatureRange::new(Celsius::new(12.3)?, Celsius::new(21.5)?)?,
///     vapour_pressure: Kilopascal::new(1.409)?,
///     wind_2m: MetresPerSecond::new(2.078)?,
///     pressure: atmospheric_pressure(Metres::new(100.0)?),
/// };
/// let net_radiation = Megajoules::new(13.28)?;
/// let et = daily_reference_et(day, Energy { net_radiation, soil_heat: soil_heat_of_day() });
/// assert!((et.value() - 3.88).abs() < 0.005);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
pub fn daily_reference_et(day: DayAir, energy: Energy) -> Millimetres {
    let air = day.temperature.mean();
    let terms = PenmanMonteith {
        slope: slope_of_saturation_curve(air),
        psychrometric: psychrometric_constant(day.pressure),
        available: energy.available(),
        air,
        wind_2m: day.wind_2m,
        deficit: vapour_pressure_deficit_of_day(day.temperature, day.vapour_pressure),
    };
    penman_monteith(terms, Coefficients::FAO56_DAY)
}

/// Reference evapotranspiration of an hour.
///
/// `ET0 = (0.408 Delta (Rn - G) + gamma 37 / (T + 273) u2 (e0(T) - ea)) / (Delta + gamma (1 + 0.34 u2))`
///
/// FAO-56 chapter 4, eq. 53. The surface resistance is the same by day and by night, which makes it
/// about 5 % lower at noon than [`asce`](super::asce)'s.
///
/// ```
/// # use xylocast::{evapo::{humidity::*, reference::*}, units::*};
/// // Example 19, 14:00-15:00
/// let hour = HourAir {
///     air: Celsius::new(38.0)?,
///     vapour_pressure: Kilopascal::new(3.445)?,
///     wind_2m: MetresPerSecond::new(3.3)?,
///     pressure: atmospheric_pressure(Metres::new(8.0)?),
/// };
/// let net_radiation = Megajoules::new(1.749)?;
/// let et = hourly_reference_et(hour, Energy { net_radiation, soil_heat: Megajoules::new(0.175)? });
/// assert!((et.value() - 0.63).abs() < 0.005);
/// # Ok::<(), OutOfRange>(())
/// ```
pub fn hourly_reference_et(hour: HourAir, energy: Energy) -> Millimetres {
    let terms = PenmanMonteith {
        slope: slope_of_saturation_curve(hour.air),
        psychrometric: psychrometric_constant(hour.pressure),
        available: energy.available(),
        air: hour.air,
        wind_2m: hour.wind_2m,
        deficit: vapour_pressure_deficit(hour.air, hour.vapour_pressure),
    };
    penman_monteith(terms, Coefficients::FAO56_HOUR)
}

/// Reference evapotranspiration of a day from temperatures alone (Hargreaves).
///
/// `ET0 = 0.0023 (Tmean + 17.8) sqrt(Tmax - Tmin) Ra`, Ra as mm of water
///
/// FAO-56 chapter 3, eq. 52. For means over five days or more; too high in humid places, too low
/// in wind above 3 m/s.
///
/// ```
/// # use xylocast::{evapo::{humidity::TemperatureRange, reference::hargreaves_reference_et}, units::*};
/// // Example 20: 14.8 to 26.6 degC under 40.55 MJ/m2
/// let temperature = TemperatureRange::new(Celsius::new(14.8)?, Celsius::new(26.6)?)?;
/// let et = hargreaves_reference_et(temperature, Megajoules::new(40.55)?);
/// assert!((et.value() - 5.0).abs() < 0.05);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
pub fn hargreaves_reference_et(
    temperature: TemperatureRange,
    extraterrestrial: Megajoules,
) -> Millimetres {
    let ra = water_equivalent(extraterrestrial).value();
    let warmth = temperature.mean().value() + 17.8;
    Millimetres::computed(0.0023 * warmth * temperature.root_of_difference() * ra)
}

/// Wind speed at 2 m above the grass from an anemometer at another height.
///
/// `u2 = uz 4.87 / ln(67.8 z - 5.42)`
///
/// FAO-56 chapter 3, eq. 47. The profile of short grass in the open; not for a mast above a crown.
///
/// ```
/// # use xylocast::{evapo::reference::wind_at_2m, units::{Metres, MetresPerSecond}};
/// // Example 14: 3.2 m/s at 10 m
/// let u2 = wind_at_2m(MetresPerSecond::new(3.2)?, Metres::new(10.0)?)?;
/// assert!((u2.value() - 2.4).abs() < 0.05);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
///
/// # Errors
/// [`EvapoError::AnemometerTooLow`] below 0.5 m.
pub fn wind_at_2m(wind: MetresPerSecond, height: Metres) -> Result<MetresPerSecond, EvapoError> {
    if height.value() < 0.5 {
        return Err(EvapoError::AnemometerTooLow { height });
    }
    let profile = 4.87 / (67.8 * height.value() - 5.42).ln();
    Ok(MetresPerSecond::computed(wind.value() * profile))
}
