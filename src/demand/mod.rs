//! Demand, the hourly pull of the air on a tree, and the demand clock on which drawdowns are alike.
//!
//! [`Shape`] turns an hour of weather into a pull; [`Clock`] follows it with a lag, accumulates it
//! and inverts it. Demand is 1 in fair weather: shortwave 700 W/m2 and VPD 1.5 kPa.

mod clock;
pub mod errors;
pub mod members;
mod shape;

pub use clock::{Clock, ClockError, When};
pub use shape::{Drive, Kind, MOST_LEAD_H, Pull, Shape, ShapeError};
