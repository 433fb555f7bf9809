//! TO BE REPLACED BY `evapo` at the merge: the few FAO-56 equations that `assemble` needs to fill
//! in what a weather file does not have.
//!
//! Allen et al. 1998, FAO Irrigation and drainage paper 56, chapter 3.

use crate::units::{Celsius, Kilopascal, Metres, MetresPerSecond, Place, WattsPerSquareMetre};
use crate::weather::Span;
use chrono::{Datelike, Timelike};
use std::f64::consts::PI;

/// Coefficient of eq. 50 for inland places, per square root of degC.
const INLAND_ADJUSTMENT: f64 = 0.16;

/// Saturation vapour pressure, eq. 11.
pub(super) fn saturation_vapour_pressure(air: Celsius) -> Kilopascal {
    let t = air.value();
    Kilopascal::computed(0.6108 * (17.27 * t / (t + 237.3)).exp())
}

/// Air pressure from elevation, eq. 7.
pub(super) fn pressure_at_elevation(elevation: Metres) -> Kilopascal {
    Kilopascal::computed(101.3 * ((293.0 - 0.0065 * elevation.value()) / 293.0).powf(5.26))
}

/// Wind speed brought to 2 m above ground, eq. 47.
pub(super) fn wind_at_2m(wind: MetresPerSecond, height_m: f64) -> MetresPerSecond {
    MetresPerSecond::computed(wind.value() * 4.87 / (67.8 * height_m - 5.42).ln())
}

/// Mean shortwave of a span from the day's temperature range, eq. 50, shared out over the day in
/// proportion to extraterrestrial radiation and held to that of a clear sky, eq. 37.
pub(super) fn shortwave_from_range(
    day_min: Celsius,
    day_max: Celsius,
    span: Span,
    place: Place,
) -> WattsPerSquareMetre {
    let share = INLAND_ADJUSTMENT * (day_max.value() - day_min.value()).max(0.0).sqrt();
    let clear = 0.75 + 2e-5 * place.elevation.value();
    WattsPerSquareMetre::computed(share.min(clear) * extraterrestrial_w_m2(span, place))
}

/// Mean extraterrestrial radiation of a span, eq. 28 with eqs. 23, 24, 25, 31 and 32.
fn extraterrestrial_w_m2(span: Span, place: Place) -> f64 {
    const SOLAR_CONSTANT_W_M2: f64 = 1367.0;
    let middle = span.middle();
    let day_angle = 2.0 * PI / 365.0 * f64::from(middle.ordinal());
    let dr = 1.0 + 0.033 * day_angle.cos();
    let delta = 0.409 * (day_angle - 1.39).sin();
    let phi = place.latitude.value().to_radians();
    let b = 2.0 * PI * (f64::from(middle.ordinal()) - 81.0) / 364.0;
    let correction_h = 0.1645 * (2.0 * b).sin() - 0.1255 * b.cos() - 0.025 * b.sin();
    let utc_h = f64::from(middle.num_seconds_from_midnight()) / 3600.0;
    let solar_h = utc_h + place.longitude.value() / 15.0 + correction_h;
    let omega = (solar_h - 12.0 + 12.0).rem_euclid(24.0) * PI / 12.0 - PI;
    let sunset = (-phi.tan() * delta.tan()).clamp(-1.0, 1.0).acos();
    let half = PI / 24.0 * span.hours();
    let from = (omega - half).clamp(-sunset, sunset);
    let to = (omega + half).clamp(-sunset, sunset);
    let sun =
        (to - from) * phi.sin() * delta.sin() + phi.cos() * delta.cos() * (to.sin() - from.sin());
    (SOLAR_CONSTANT_W_M2 * dr * sun / (2.0 * half)).max(0.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::{Latitude, Longitude};
    use chrono::{DateTime, TimeDelta};

    #[test]
    fn published_values() {
        // FAO-56 examples 2, 3 and 14.
        let celsius = |t| Celsius::new(t).unwrap();
        assert!((pressure_at_elevation(Metres::new(1800.0).unwrap()).value() - 81.8).abs() < 0.05);
        assert!((saturation_vapour_pressure(celsius(24.5)).value() - 3.075).abs() < 0.001);
        let wind = wind_at_2m(MetresPerSecond::new(3.2).unwrap(), 10.0);
        assert!((wind.value() - 2.4).abs() < 0.01);
    }

    #[test]
    fn the_hours_of_a_day_sum_to_its_extraterrestrial_radiation() {
        // FAO-56 example 8: 20 deg S, 3 September, 32.2 MJ/m2/day.
        let place = Place {
            latitude: Latitude::new(-20.0).unwrap(),
            longitude: Longitude::new(0.0).unwrap(),
            elevation: Metres::new(0.0).unwrap(),
        };
        let midnight: DateTime<chrono::Utc> = "2026-09-03T00:00:00Z".parse().unwrap();
        let hours = (0..24).map(|hour| Span::hour_from(midnight + TimeDelta::hours(hour)));
        let total: f64 = hours.map(|span| extraterrestrial_w_m2(span, place) * 0.0036).sum();
        assert!((total - 32.2).abs() < 0.15, "{total}");
    }
}
