//! How hard the air pulls: FAO-56 from humidity to reference evapotranspiration.
//!
//! One function is one numbered equation of *Crop evapotranspiration* (FAO Irrigation and Drainage
//! Paper 56, 1998); its words are that paper's words.
//!
//! - [`humidity`]: pressure, saturation and actual vapour pressure, the deficit;
//! - [`sun`]: where the sun stands and what arrives above the air;
//! - [`radiation`]: what of it reaches the grass, and what the grass radiates back;
//! - [`soil`]: what of it warms the ground;
//! - [`reference`](mod@reference): eq. 6 (day), eq. 53 (hour), wind at 2 m, Hargreaves;
//! - [`asce`]: the standardized equation of 2005, short and tall surface;
//! - [`sequence`]: a whole [`Series`](crate::weather::Series), hour by hour, at speed;
//! - [`daily`]: a local date, which may be 23 or 25 hours long;
//! - [`estimate`]: stand-ins of chapter 3 for what was not measured;
//! - [`almanac`]: sunrise, sunset and civil twilight as an almanac has them, not FAO's way.
//!
//! Arrows: `humidity` and `sun` know nobody; `radiation` and `soil` know little more; `reference` and
//! `asce` know those four; `sequence`, `daily` and `estimate` stand on all of them. Nothing here
//! clips a negative reference ET: dew and polar nights are left as the equation gives them.
#![deny(missing_docs)]

pub mod almanac;
pub mod asce;
pub mod daily;
pub mod estimate;
pub mod humidity;
pub mod radiation;
pub mod reference;
pub mod sequence;
pub mod soil;
pub mod sun;

use crate::units::{Celsius, Metres, Percent};
use chrono::NaiveDate;

/// Why an equation cannot be applied to values that are each possible.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum EvapoError {
    /// Minimum and maximum temperature are the wrong way round.
    #[error("minimum temperature {min} is above the maximum {max}")]
    TemperaturesCrossed {
        /// The minimum given.
        min: Celsius,
        /// The maximum given.
        max: Celsius,
    },
    /// Minimum and maximum humidity are the wrong way round.
    #[error("minimum relative humidity {min} is above the maximum {max}")]
    HumiditiesCrossed {
        /// The minimum given.
        min: Percent,
        /// The maximum given.
        max: Percent,
    },
    /// A wet bulb cannot be warmer than the dry one.
    #[error("wet bulb {wet} is above the dry bulb {dry}")]
    BulbsCrossed {
        /// The wet bulb.
        wet: Celsius,
        /// The dry bulb.
        dry: Celsius,
    },
    /// Absolutely dry air has no dew point.
    #[error("air without water vapour has no dew point")]
    NoDewPoint,
    /// Below half a metre the wind profile of eq. 47 does not hold.
    #[error("anemometer at {height}: eq. 47 needs at least 0.5 m")]
    AnemometerTooLow {
        /// Height given.
        height: Metres,
    },
    /// Not a day of the year.
    #[error("day of the year {number} is outside 1 to 366")]
    NoSuchDayOfYear {
        /// Number given.
        number: u32,
    },
    /// A number that should be positive or within limits is not (or is NaN).
    #[error("{what} {value} is outside {low} to {high}")]
    Unusable {
        /// What it is, in words.
        what: &'static str,
        /// Value given.
        value: f64,
        /// Lowest value allowed.
        low: f64,
        /// Highest value allowed.
        high: f64,
    },
    /// The zone skips this date, or the calendar ends before it.
    #[error("{date} does not exist in {zone}")]
    NoSuchDate {
        /// Date asked for.
        date: NaiveDate,
        /// The zone.
        zone: chrono_tz::Tz,
    },
    /// The almanac does not reach this date.
    #[error("no almanac for {date}: {cause}")]
    NoAlmanac {
        /// Date asked for.
        date: NaiveDate,
        /// What the solar position program said.
        #[source]
        cause: solar_positioning::Error,
    },
}
