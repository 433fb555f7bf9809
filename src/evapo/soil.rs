//! Heat that goes into the soil beneath the reference grass: FAO-56 chapter 3, eq. 41 to 46.

use super::EvapoError;
use super::sun::Light;
use crate::units::{Celsius, Megajoules, Metres};

/// Air temperatures of two months, the earlier one first.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Months {
    /// Mean of the earlier month.
    pub earlier: Celsius,
    /// Mean of the later month.
    pub later: Celsius,
}

impl Months {
    fn rise(self) -> f64 {
        self.later.value() - self.earlier.value()
    }
}

/// A layer of soil that warms from one mean temperature to another.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SoilLayer {
    /// Temperatures at the start and the end.
    pub warming: Months,
    /// Heat capacity, MJ m-3 per degC (2.1 in the paper's simplification).
    pub heat_capacity: f64,
    /// Time between the two temperatures, in days.
    pub days: f64,
    /// Effective depth.
    pub depth: Metres,
}

/// Soil heat flux of a period of days, per day.
///
/// `G = cs (Ti - Ti-1) / dt dz`
///
/// FAO-56 chapter 3, eq. 41.
///
/// ```
/// # use xylocast::{evapo::soil::*, units::{Celsius, Metres}};
/// // Example 13 by the general equation: 14.1 to 18.8 degC over two months, 2 m of soil
/// let warming = Months { earlier: Celsius::new(14.1)?, later: Celsius::new(18.8)? };
/// let depth = Metres::new(2.0)?;
/// let layer = SoilLayer { warming, heat_capacity: 2.1, days: 60.0, depth };
/// assert!((soil_heat_of_layer(layer)?.value() - 0.33).abs() < 0.005);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
///
/// # Errors
/// [`EvapoError::Unusable`] for a heat capacity outside 0 to 5 or a time outside 0.04 to 366 days.
pub fn soil_heat_of_layer(layer: SoilLayer) -> Result<Megajoules, EvapoError> {
    let within = |what, value: f64, low: f64, high: f64| {
        if (low..=high).contains(&value) {
            Ok(value)
        } else {
            Err(EvapoError::Unusable { what, value, low, high })
        }
    };
    let cs = within("soil heat capacity", layer.heat_capacity, 0.0, 5.0)?;
    let days = within("days of warming", layer.days, 0.04, 366.0)?;
    Ok(Megajoules::computed(cs * layer.warming.rise() / days * layer.depth.value()))
}

/// Soil heat flux of one day beneath the reference grass: `G = 0`.
///
/// FAO-56 chapter 3, eq. 42; also for ten days.
pub fn soil_heat_of_day() -> Megajoules {
    Megajoules::computed(0.0)
}

/// Soil heat flux of a month between two known ones, per day.
///
/// `G = 0.07 (T(i+1) - T(i-1))`
///
/// FAO-56 chapter 3, eq. 43.
///
/// ```
/// # use xylocast::{evapo::soil::*, units::Celsius};
/// // Example 13: March 14.1, May 18.8 degC
/// let months = Months { earlier: Celsius::new(14.1)?, later: Celsius::new(18.8)? };
/// assert!((soil_heat_of_month_between(months).value() - 0.33).abs() < 0.005);
/// # Ok::<(), xylocast::units::OutOfRange>(())
/// ```
pub fn soil_heat_of_month_between(months: Months) -> Megajoules {
    Megajoules::computed(0.07 * months.rise())
}

/// Soil heat flux of a month whose next one is unknown, per day.
///
/// `G = 0.14 (T(i) - T(i-1))`
///
/// FAO-56 chapter 3, eq. 44.
///
/// ```
/// # use xylocast::{evapo::soil::*, units::Celsius};
/// // Example 13: March 14.1, April 16.1 degC
/// let months = Months { earlier: Celsius::new(14.1)?, later: Celsius::new(16.1)? };
/// assert!((soil_heat_of_month_after(months).value() - 0.28).abs() < 0.005);
/// # Ok::<(), xylocast::units::OutOfRange>(())
/// ```
pub fn soil_heat_of_month_after(months: Months) -> Megajoules {
    Megajoules::computed(0.14 * months.rise())
}

/// Soil heat flux of an hour beneath the reference grass.
///
/// `G = 0.1 Rn` by day, `G = 0.5 Rn` by night
///
/// FAO-56 chapter 3, eq. 45 and 46.
///
/// ```
/// # use xylocast::{evapo::{soil::soil_heat_of_hour, sun::Light}, units::Megajoules};
/// // Example 19: -0.100 MJ/m2 in the night, 1.749 in the afternoon
/// let night = soil_heat_of_hour(Megajoules::new(-0.100)?, Light::Night);
/// let day = soil_heat_of_hour(Megajoules::new(1.749)?, Light::Day);
/// assert!((night.value() + 0.050).abs() < 0.0005 && (day.value() - 0.175).abs() < 0.0005);
/// # Ok::<(), xylocast::units::OutOfRange>(())
/// ```
pub fn soil_heat_of_hour(net_radiation: Megajoules, light: Light) -> Megajoules {
    let share = match light {
        Light::Day => 0.1,
        Light::Night => 0.5,
    };
    Megajoules::computed(share * net_radiation.value())
}
