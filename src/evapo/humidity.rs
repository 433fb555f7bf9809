//! Water vapour in the air: FAO-56 chapter 3, eq. 7 to 19 and 48; chapter 4, eq. 54.
//!
//! The curve over water is kept below 0 degC, as FAO-56 does; psychrometric programs change to the
//! curve over ice there.

use super::EvapoError;
use crate::units::{Celsius, Kilopascal, KilopascalPerDegree, Metres, Percent};

/// Lowest and highest air temperature of a day, in that order.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TemperatureRange {
    min: Celsius,
    max: Celsius,
}

impl TemperatureRange {
    /// Minimum first.
    ///
    /// # Errors
    /// [`EvapoError::TemperaturesCrossed`] where the minimum is above the maximum.
    pub fn new(min: Celsius, max: Celsius) -> Result<Self, EvapoError> {
        if min <= max {
            Ok(Self { min, max })
        } else {
            Err(EvapoError::TemperaturesCrossed { min, max })
        }
    }

    /// Lowest of the day.
    pub fn min(self) -> Celsius {
        self.min
    }

    /// Highest of the day.
    pub fn max(self) -> Celsius {
        self.max
    }

    /// Mean air temperature of a day: `Tmean = (Tmax + Tmin) / 2`.
    ///
    /// FAO-56 chapter 3, eq. 9. Not the mean of the hours: the two differ by a degree on some days.
    pub fn mean(self) -> Celsius {
        Celsius::computed((self.max.value() + self.min.value()) / 2.0)
    }

    /// Root of the difference, as eq. 50 and 52 use it.
    pub(super) fn root_of_difference(self) -> f64 {
        (self.max.value() - self.min.value()).sqrt()
    }
}

/// Lowest and highest relative humidity of a day, in that order.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HumidityRange {
    min: Percent,
    max: Percent,
}

impl HumidityRange {
    /// Minimum first.
    ///
    /// # Errors
    /// [`EvapoError::HumiditiesCrossed`] where the minimum is above the maximum.
    pub fn new(min: Percent, max: Percent) -> Result<Self, EvapoError> {
        if min <= max {
            Ok(Self { min, max })
        } else {
            Err(EvapoError::HumiditiesCrossed { min, max })
        }
    }
}

/// Atmospheric pressure from elevation.
///
/// `P = 101.3 ((293 - 0.0065 z) / 293)^5.26`
///
/// FAO-56 chapter 3, eq. 7: a standard atmosphere at 20 degC. The weather moves the true pressure
/// by a few per cent.
///
/// ```
/// # use xylocast::{evapo::humidity::atmospheric_pressure, units::Metres};
/// // Example 2: 1800 m
/// let pressure = atmospheric_pressure(Metres::new(1800.0)?);
/// assert!((pressure.value() - 81.8).abs() < 0.05);
/// # Ok::<(), xylocast::units::OutOfRange>(())
/// ```
pub fn atmospheric_pressure(elevation: Metres) -> Kilopascal {
    let z = elevation.value();
    Kilopascal::computed(101.3 * ((293.0 - 0.0065 * z) / 293.0).powf(5.26))
}

/// Psychrometric constant.
///
/// `gamma = 0.665e-3 P`
///
/// FAO-56 chapter 3, eq. 8, with the rounded factor that the paper prints; from its own
/// constants the factor would be 0.1 % smaller.
///
/// ```
/// # use xylocast::{evapo::humidity::psychrometric_constant, units::Kilopascal};
/// // Example 2: 81.8 kPa
/// let gamma = psychrometric_constant(Kilopascal::new(81.8)?);
/// assert!((gamma.value() - 0.054).abs() < 0.0005);
/// # Ok::<(), xylocast::units::OutOfRange>(())
/// ```
pub fn psychrometric_constant(pressure: Kilopascal) -> KilopascalPerDegree {
    KilopascalPerDegree::computed(0.665e-3 * pressure.value())
}

/// Relative humidity.
///
/// `RH = 100 ea / e0(T)`, at most 100.
///
/// FAO-56 chapter 3, eq. 10.
///
/// ```
/// # use xylocast::{evapo::humidity::relative_humidity, units::{Celsius, Kilopascal}};
/// // Example 19, 14:00-15:00: 3.445 kPa at 38 degC
/// let rh = relative_humidity(Celsius::new(38.0)?, Kilopascal::new(3.445)?);
/// assert!((rh.value() - 52.0).abs() < 0.01);
/// # Ok::<(), xylocast::units::OutOfRange>(())
/// ```
pub fn relative_humidity(air: Celsius, actual: Kilopascal) -> Percent {
    let e0 = saturation_vapour_pressure(air).value();
    Percent::computed((100.0 * actual.value() / e0).min(100.0))
}

/// Saturation vapour pressure at an air temperature.
///
/// `e0(T) = 0.6108 exp(17.27 T / (T + 237.3))`
///
/// FAO-56 chapter 3, eq. 11 (Tetens, over water); within 0.12 % of newer formulas from 0 to 50 degC.
///
/// ```
/// # use xylocast::{evapo::humidity::saturation_vapour_pressure, units::Celsius};
/// // Example 3: 24.5 degC
/// let e0 = saturation_vapour_pressure(Celsius::new(24.5)?);
/// assert!((e0.value() - 3.075).abs() < 0.0005);
/// # Ok::<(), xylocast::units::OutOfRange>(())
/// ```
pub fn saturation_vapour_pressure(air: Celsius) -> Kilopascal {
    let t = air.value();
    Kilopascal::computed(0.6108 * (17.27 * t / (t + 237.3)).exp())
}

/// Mean saturation vapour pressure of a day.
///
/// `es = (e0(Tmax) + e0(Tmin)) / 2`
///
/// FAO-56 chapter 3, eq. 12. The pressure at the mean temperature would be too low, as the curve
/// bends upward.
///
/// ```
/// # use xylocast::{evapo::humidity::*, units::Celsius};
/// // Example 3: 24.5 and 15 degC
/// let range = TemperatureRange::new(Celsius::new(15.0)?, Celsius::new(24.5)?)?;
/// assert!((mean_saturation_vapour_pressure(range).value() - 2.39).abs() < 0.005);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
pub fn mean_saturation_vapour_pressure(range: TemperatureRange) -> Kilopascal {
    let [low, high] = [range.min, range.max].map(|t| saturation_vapour_pressure(t).value());
    Kilopascal::computed((low + high) / 2.0)
}

/// Slope of the saturation vapour pressure curve.
///
/// `Delta = 4098 e0(T) / (T + 237.3)^2`
///
/// FAO-56 chapter 3, eq. 13; for a day take the slope at its mean temperature.
///
/// ```
/// # use xylocast::{evapo::humidity::slope_of_saturation_curve, units::Celsius};
/// // Example 18: 16.9 degC
/// let slope = slope_of_saturation_curve(Celsius::new(16.9)?);
/// assert!((slope.value() - 0.122).abs() < 0.0005);
/// # Ok::<(), xylocast::units::OutOfRange>(())
/// ```
pub fn slope_of_saturation_curve(air: Celsius) -> KilopascalPerDegree {
    let e0 = saturation_vapour_pressure(air).value();
    KilopascalPerDegree::computed(4098.0 * e0 / (air.value() + 237.3).powi(2))
}

/// Actual vapour pressure from the dew point.
///
/// `ea = e0(Tdew)`
///
/// FAO-56 chapter 3, eq. 14.
///
/// ```
/// # use xylocast::{evapo::humidity::vapour_pressure_at_dew_point, units::Celsius};
/// // Example 20: dew point 14.8 degC
/// let ea = vapour_pressure_at_dew_point(Celsius::new(14.8)?);
/// assert!((ea.value() - 1.68).abs() < 0.005);
/// # Ok::<(), xylocast::units::OutOfRange>(())
/// ```
pub fn vapour_pressure_at_dew_point(dew_point: Celsius) -> Kilopascal {
    saturation_vapour_pressure(dew_point)
}

/// Dew point of air with a given vapour pressure.
///
/// `Tdew = 237.3 x / (17.27 - x)` with `x = ln(ea / 0.6108)`
///
/// Eq. 14 of FAO-56 solved for the temperature, so that there and back is exact; the paper's annex 3
/// prints the same with rounded factors.
///
/// ```
/// # use xylocast::{evapo::humidity::dew_point, units::Kilopascal};
/// // Example 20, backwards: 1.68 kPa
/// let dew = dew_point(Kilopascal::new(1.6835)?)?;
/// assert!((dew.value() - 14.8).abs() < 0.005);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
///
/// # Errors
/// [`EvapoError::NoDewPoint`] for air without vapour.
pub fn dew_point(actual: Kilopascal) -> Result<Celsius, EvapoError> {
    if actual.value() <= 0.0 {
        return Err(EvapoError::NoDewPoint);
    }
    let x = (actual.value() / 0.6108).ln();
    Ok(Celsius::computed(237.3 * x / (17.27 - x)))
}

/// How air is drawn past the wet bulb of a psychrometer.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Psychrometer {
    /// Ventilated (Asmann type), air at about 5 m/s: 0.000662 per degC.
    Ventilated,
    /// Naturally ventilated, about 1 m/s: 0.000800 per degC.
    NaturallyVentilated,
    /// Not ventilated, indoors: 0.001200 per degC.
    Indoors,
}

impl Psychrometer {
    fn coefficient(self) -> f64 {
        match self {
            Psychrometer::Ventilated => 0.000_662,
            Psychrometer::NaturallyVentilated => 0.000_800,
            Psychrometer::Indoors => 0.001_200,
        }
    }

    /// Psychrometric constant of the instrument.
    ///
    /// `gamma_psy = a_psy P`
    ///
    /// FAO-56 chapter 3, eq. 16.
    ///
    /// ```
    /// # use xylocast::{evapo::humidity::Psychrometer, units::Kilopascal};
    /// // Example 4: 87.9 kPa
    /// let gamma = Psychrometer::Ventilated.constant(Kilopascal::new(87.9)?);
    /// assert!((gamma.value() - 0.058).abs() < 0.0005);
    /// # Ok::<(), xylocast::units::OutOfRange>(())
    /// ```
    pub fn constant(self, pressure: Kilopascal) -> KilopascalPerDegree {
        KilopascalPerDegree::computed(self.coefficient() * pressure.value())
    }
}

/// The two thermometers of a psychrometer.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bulbs {
    /// Wet bulb.
    pub wet: Celsius,
    /// Dry bulb.
    pub dry: Celsius,
}

/// Actual vapour pressure from a psychrometer.
///
/// `ea = e0(Twet) - gamma_psy (Tdry - Twet)`, not below 0.
///
/// FAO-56 chapter 3, eq. 15.
///
/// ```
/// # use xylocast::{evapo::humidity::*, units::{Celsius, Kilopascal}};
/// // Example 4: wet 19.5, dry 25.6 degC at 87.9 kPa
/// let bulbs = Bulbs { wet: Celsius::new(19.5)?, dry: Celsius::new(25.6)? };
/// let ea = vapour_pressure_from_bulbs(bulbs, Psychrometer::Ventilated, Kilopascal::new(87.9)?)?;
/// assert!((ea.value() - 1.91).abs() < 0.005);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
///
/// # Errors
/// [`EvapoError::BulbsCrossed`] where the wet bulb is the warmer one.
pub fn vapour_pressure_from_bulbs(
    bulbs: Bulbs,
    instrument: Psychrometer,
    pressure: Kilopascal,
) -> Result<Kilopascal, EvapoError> {
    let Bulbs { wet, dry } = bulbs;
    if wet > dry {
        return Err(EvapoError::BulbsCrossed { wet, dry });
    }
    let gamma = instrument.constant(pressure).value();
    let ea = saturation_vapour_pressure(wet).value() - gamma * (dry.value() - wet.value());
    Ok(Kilopascal::computed(ea.max(0.0)))
}

/// Actual vapour pressure of a day from both extremes of relative humidity.
///
/// `ea = (e0(Tmin) RHmax + e0(Tmax) RHmin) / 200`
///
/// FAO-56 chapter 3, eq. 17: the form to prefer where hygrometers can be trusted.
///
/// ```
/// # use xylocast::{evapo::humidity::*, units::{Celsius, Percent}};
/// // Example 5: 18 to 25 degC, 54 to 82 %
/// let temperature = TemperatureRange::new(Celsius::new(18.0)?, Celsius::new(25.0)?)?;
/// let humidity = HumidityRange::new(Percent::new(54.0)?, Percent::new(82.0)?)?;
/// assert!((vapour_pressure_of_day(temperature, humidity).value() - 1.70).abs() < 0.005);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
pub fn vapour_pressure_of_day(
    temperature: TemperatureRange,
    humidity: HumidityRange,
) -> Kilopascal {
    let at_dawn = vapour_pressure(temperature.min, humidity.max).value();
    let at_noon = vapour_pressure(temperature.max, humidity.min).value();
    Kilopascal::computed((at_dawn + at_noon) / 2.0)
}

/// Actual vapour pressure of a day from the highest relative humidity alone.
///
/// `ea = e0(Tmin) RHmax / 100`
///
/// FAO-56 chapter 3, eq. 18: for hygrometers whose low readings are in doubt.
///
/// ```
/// # use xylocast::{evapo::humidity::vapour_pressure_at_dawn, units::{Celsius, Percent}};
/// // the air of example 5: the first term of eq. 17 alone, 2.064 kPa x 82 %
/// let ea = vapour_pressure_at_dawn(Celsius::new(18.0)?, Percent::new(82.0)?);
/// assert!((ea.value() - 1.69).abs() < 0.005);
/// # Ok::<(), xylocast::units::OutOfRange>(())
/// ```
pub fn vapour_pressure_at_dawn(lowest: Celsius, highest: Percent) -> Kilopascal {
    vapour_pressure(lowest, highest)
}

/// Actual vapour pressure of a day from its mean relative humidity.
///
/// `ea = RHmean / 100 (e0(Tmax) + e0(Tmin)) / 2`
///
/// FAO-56 chapter 3, eq. 19: less sure than eq. 17 and 18, says the paper.
///
/// ```
/// # use xylocast::{evapo::humidity::*, units::{Celsius, Percent}};
/// // Example 5: 68 % on the mean
/// let temperature = TemperatureRange::new(Celsius::new(18.0)?, Celsius::new(25.0)?)?;
/// let ea = vapour_pressure_from_mean_humidity(temperature, Percent::new(68.0)?);
/// assert!((ea.value() - 1.78).abs() < 0.005);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
pub fn vapour_pressure_from_mean_humidity(
    temperature: TemperatureRange,
    mean: Percent,
) -> Kilopascal {
    let es = mean_saturation_vapour_pressure(temperature).value();
    Kilopascal::computed(es * mean.value() / 100.0)
}

/// Actual vapour pressure from the night's lowest temperature, where humidity was not measured.
///
/// `ea = e0(Tmin)`
///
/// FAO-56 chapter 3, eq. 48: the air is near its dew point at dawn over watered grass. In dry
/// regions the dew point lies 2 to 3 degC below Tmin, and the paper asks to subtract that first.
///
/// ```
/// # use xylocast::{evapo::humidity::vapour_pressure_from_minimum, units::Celsius};
/// // Example 20: 14.8 degC
/// let ea = vapour_pressure_from_minimum(Celsius::new(14.8)?);
/// assert!((ea.value() - 1.68).abs() < 0.005);
/// # Ok::<(), xylocast::units::OutOfRange>(())
/// ```
pub fn vapour_pressure_from_minimum(lowest: Celsius) -> Kilopascal {
    saturation_vapour_pressure(lowest)
}

/// Actual vapour pressure of an hour.
///
/// `ea = e0(T) RH / 100`
///
/// FAO-56 chapter 4, eq. 54.
///
/// ```
/// # use xylocast::{evapo::humidity::vapour_pressure, units::{Celsius, Percent}};
/// // Example 19, 14:00-15:00: 38 degC, 52 %
/// let ea = vapour_pressure(Celsius::new(38.0)?, Percent::new(52.0)?);
/// assert!((ea.value() - 3.445).abs() < 0.0005);
/// # Ok::<(), xylocast::units::OutOfRange>(())
/// ```
pub fn vapour_pressure(air: Celsius, humidity: Percent) -> Kilopascal {
    Kilopascal::computed(saturation_vapour_pressure(air).value() * humidity.value() / 100.0)
}

/// Vapour pressure deficit of an hour.
///
/// `VPD = e0(T) - ea`, not below 0.
///
/// FAO-56 chapter 4, beside eq. 53. Below 0 it could come only from sensors that disagree.
///
/// ```
/// # use xylocast::{evapo::humidity::vapour_pressure_deficit, units::{Celsius, Kilopascal}};
/// // Example 19, 14:00-15:00: 38 degC, 3.445 kPa
/// let vpd = vapour_pressure_deficit(Celsius::new(38.0)?, Kilopascal::new(3.445)?);
/// assert!((vpd.value() - 3.180).abs() < 0.0005);
/// # Ok::<(), xylocast::units::OutOfRange>(())
/// ```
pub fn vapour_pressure_deficit(air: Celsius, actual: Kilopascal) -> Kilopascal {
    Kilopascal::computed((saturation_vapour_pressure(air).value() - actual.value()).max(0.0))
}

/// Vapour pressure deficit of a day.
///
/// `VPD = es - ea`, not below 0.
///
/// FAO-56 chapter 3, after eq. 19.
///
/// ```
/// # use xylocast::{evapo::humidity::*, units::{Celsius, Kilopascal}};
/// // Example 6: 18 to 25 degC, 1.70 kPa
/// let temperature = TemperatureRange::new(Celsius::new(18.0)?, Celsius::new(25.0)?)?;
/// let vpd = vapour_pressure_deficit_of_day(temperature, Kilopascal::new(1.7015)?);
/// assert!((vpd.value() - 0.91).abs() < 0.005);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
pub fn vapour_pressure_deficit_of_day(
    temperature: TemperatureRange,
    actual: Kilopascal,
) -> Kilopascal {
    let es = mean_saturation_vapour_pressure(temperature).value();
    Kilopascal::computed((es - actual.value()).max(0.0))
}
