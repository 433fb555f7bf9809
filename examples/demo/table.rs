//! Numbers and times as they stand in the demo's files: fixed decimals, so that no last digit of
//! a computation shows.

use super::ZONE;
use chrono::{DateTime, Utc};
use xylocast::text::format_time;

/// One hour of weather, before it is rounded to what a file shows.
#[derive(Debug, Clone, Copy)]
pub struct Air {
    /// End of the hour.
    pub ends: DateTime<Utc>,
    /// Mean air temperature.
    pub air_c: f64,
    /// Mean vapour pressure.
    pub vapour_kpa: f64,
    /// Mean wind.
    pub wind_m_s: f64,
    /// Mean shortwave.
    pub shortwave_w_m2: f64,
    /// Rain of the hour.
    pub rain_mm: f64,
    /// Air pressure.
    pub pressure_kpa: f64,
}

const COLUMNS: &str = "hour_ending,air_temp_c,vapour_pressure_kpa,wind_m_s,shortwave_w_m2,rain_mm,\
                       pressure_kpa";

/// `weather/observed.csv`.
pub fn observed(hours: &[Air]) -> String {
    let rows: String = hours.iter().map(|hour| format!("{}\n", row(hour))).collect();
    format!("{COLUMNS}\n{rows}")
}

/// `weather/forecast.csv`, of one issue.
pub fn forecast(issued_at: DateTime<Utc>, hours: &[Air]) -> String {
    let issued = time(issued_at);
    let rows: String = hours.iter().map(|hour| format!("{issued},{}\n", row(hour))).collect();
    format!("issued_at,{COLUMNS}\n{rows}")
}

/// A time with the offset that the grove's clocks had then.
pub fn time(at: DateTime<Utc>) -> String {
    format_time(at, ZONE)
}

/// A time that may not be there.
pub fn maybe(at: Option<DateTime<Utc>>) -> String {
    at.map(time).unwrap_or_default()
}

fn row(hour: &Air) -> String {
    format!(
        "{},{:.1},{:.3},{:.1},{:.0},{:.1},{:.2}",
        time(hour.ends),
        hour.air_c,
        hour.vapour_kpa,
        hour.wind_m_s,
        hour.shortwave_w_m2,
        hour.rain_mm,
        hour.pressure_kpa,
    )
}
