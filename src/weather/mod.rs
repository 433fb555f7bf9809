//! The weather of a grove: hours as intervals, series of hours with their gaps, flags for all that
//! was estimated.
//!
//! Text comes in through [`parse`], answers of weather services through [`services`]; [`Series`] is what every other room reads. An hour is a
//! [`Span`] of UTC time; radiation and rain belong to the whole span, temperature and humidity are
//! its means.

mod cadence;
mod forecast;
mod hour;
pub mod parse;
mod series;
pub mod services;

pub use forecast::{Forecast, Forecasts};
pub use hour::{Flag, Flags, Hour, Span};
pub use series::{Gap, LONGEST_BRIDGE_HOURS, Series, SeriesError};
