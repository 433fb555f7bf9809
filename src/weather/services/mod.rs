//! Answers of open weather services and station files: bytes in, hours out.
//!
//! One file a service. Each knows what its service means: whether a stamp stands at the end of an
//! hour or at its start, which values are instants and which belong to a whole hour, the units, and
//! the marks for what was not measured. What comes out is in UTC and in our units; a value that
//! cannot be is left out and told in a [`ServiceNote`], an answer that cannot be trusted as a whole
//! is a [`ServiceError`]. Nothing here reaches a network, a clock or a file.
//!
//! # What an hour holds
//!
//! - Air temperature that a service gives at an instant stays one: [`RawHour::air_at_end`]. Its mean
//!   is taken where weather is assembled, and flagged there.
//! - Humidity, dew point, wind, pressure, clouds and soil water given at instants become the mean of
//!   the instants at the hour's two ends. The first hour of such an answer has its end only, so it
//!   has an `air_at_end` for the next hour and no humidity of its own.
//! - Wind is at [`Answer::wind_height_m`], as it was measured; bring it to 2 m (FAO-56 eq. 47) or to
//!   the grove's own height before it is written beside other wind.

pub mod asos;
mod bins;
mod body;
pub mod bright_sky;
pub mod dwd_poi;
mod error;
pub mod ghcn_hourly;
mod grid;
pub mod met_norway;
mod note;
pub mod nws;
mod nws_reports;
pub mod open_meteo;
mod open_meteo_csv;
mod reading;
mod scale;
mod source;
pub mod station;
pub mod surfrad;
mod table;
pub mod tmy3;

pub use error::{ServiceError, Wait, refusal};

/// No ensemble has more members, and no more are taken.
pub const MOST_MEMBERS: usize = 1_000;
pub use note::ServiceNote;
pub use reading::Reading;
pub use source::{Attribution, Source};

use super::hour::Span;
use super::parse::RawHour;
use crate::units::{Latitude, Longitude};
use chrono::{DateTime, Utc};

/// What one answer told of one place.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Answer {
    /// Hours of each member, in order and none overlapping. An answer without ensemble has one
    /// member without number; in an ensemble 0 is the control.
    pub hours: Vec<(Option<u32>, Vec<RawHour>)>,
    /// What the provider computed itself, to be compared and never used.
    pub provider: Vec<ProviderHour>,
    /// Where the values are for: the grid cell or the station, not the place asked for.
    pub position: Option<(Latitude, Longitude)>,
    /// Its height above the sea, m.
    pub elevation_m: Option<f64>,
    /// Height of all wind in `hours` above the ground, m; none where there is no wind.
    pub wind_height_m: Option<f64>,
    /// When the forecast was issued, where the answer says so.
    pub issued_at: Option<DateTime<Utc>>,
    /// Hours up to here were observed and those after were forecast, where the answer says so.
    pub observed_until: Option<DateTime<Utc>>,
    /// What is to be known of it.
    pub notes: Vec<ServiceNote>,
}

impl Answer {
    /// Hours of the only member, or of the first one.
    pub fn only(&self) -> &[RawHour] {
        self.hours.first().map_or(&[], |(_, hours)| hours)
    }
}

/// What a provider computed for an hour by its own convention.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ProviderHour {
    /// The hour.
    pub span: Span,
    /// Reference evapotranspiration over the hour, mm.
    pub reference_et_mm: Option<f64>,
    /// Vapour pressure deficit at the hour's end, kPa.
    pub vpd_kpa: Option<f64>,
}

/// Height above the ground at which weather services measure and model wind, m (WMO).
pub const SERVICE_WIND_HEIGHT_M: f64 = 10.0;
