//! What must hold for any air, any sun and any place.
#![allow(missing_docs)]

mod evapo_common;

use evapo_common::*;
use proptest::prelude::*;
use std::f64::consts::PI;
use xylocast::evapo::asce;
use xylocast::evapo::humidity::*;
use xylocast::evapo::radiation::*;
use xylocast::evapo::reference::*;
use xylocast::evapo::soil::*;
use xylocast::evapo::sun::*;
use xylocast::units::{Hours, Radians};

/// Instantaneous radiation above the air, MJ m-2 min-1, from the elevation of the sun.
fn instantaneous(site: f64, day: DayOfYear, angle: f64) -> f64 {
    let wrapped = (angle + PI).rem_euclid(2.0 * PI) - PI;
    let beta = sun_elevation(latitude(site), day, Radians::new(wrapped).unwrap()).value();
    0.0820 * inverse_relative_distance(day) * beta.sin().max(0.0)
}

proptest! {
    #[test]
    fn saturation_rises_with_temperature(t in -60.0..59.0, step in 0.001..1.0) {
        let [low, high] = [t, t + step].map(|t| saturation_vapour_pressure(celsius(t)));
        prop_assert!(low < high);
        let chord = (high.value() - low.value()) / step;
        let [below, above] = [t, t + step].map(|t| slope_of_saturation_curve(celsius(t)).value());
        prop_assert!(below * 0.999 <= chord && chord <= above * 1.001);
    }

    #[test]
    fn deficit_is_never_negative(t in -60.0f64..60.0, ea in 0.0f64..12.0, rh in 0.0f64..=100.0) {
        prop_assert!(vapour_pressure_deficit(celsius(t), kpa(ea)).value() >= 0.0);
        let air = vapour_pressure(celsius(t), percent(rh));
        let deficit = vapour_pressure_deficit(celsius(t), air).value();
        let e0 = saturation_vapour_pressure(celsius(t)).value();
        prop_assert!((deficit - e0 * (1.0 - rh / 100.0)).abs() < 1e-12 * e0.max(1.0));
        prop_assert!((relative_humidity(celsius(t), air).value() - rh).abs() < 1e-9);
    }

    #[test]
    fn dew_point_there_and_back(t in -60.0..60.0) {
        let back = dew_point(saturation_vapour_pressure(celsius(t))).unwrap();
        prop_assert!((back.value() - t).abs() < 1e-9);
    }

    #[test]
    fn longwave_is_bounded_by_the_black_body(
        t in -60.0f64..60.0, spread in 0.0..30.0, ea in 0.0..5.8, ratio in 0.0..2.0,
    ) {
        let ratio = RelativeShortwave::new(ratio).unwrap();
        prop_assert!((0.055 - 1e-12..=1.0).contains(&ratio.cloudiness()));
        let low = f64::max(t - spread, -60.0);
        let day = net_longwave_of_day(temperatures(low, t), kpa(ea), ratio).value();
        let most = 0.34 * black_body_of_day(celsius(t)).value();
        prop_assert!(0.0 < day && day <= most);
        let hour = net_longwave_of_hour(celsius(t), kpa(ea), ratio).value();
        prop_assert!(0.0 < hour && hour * 24.0 <= most * 1.0001);
    }

    #[test]
    fn eq_28_is_the_integral_of_the_sun(
        site in -90.0f64..=90.0, day in 1u32..=366, angle in -PI..PI, length in 0.05f64..=2.0,
    ) {
        let day = DayOfYear::new(day).unwrap();
        let half = PI / 24.0 * length;
        let slices = 4000;
        let width = 2.0 * half / f64::from(slices);
        let minutes = length * 60.0 / f64::from(slices);
        let middle = |slice: i32| angle - half + (f64::from(slice) + 0.5) * width;
        let sum: f64 = (0..slices).map(|s| instantaneous(site, day, middle(s)) * minutes).sum();
        let ra = hourly_extraterrestrial_radiation(
            latitude(site), day, Radians::new(angle).unwrap(), Hours::new(length).unwrap(),
        );
        prop_assert!((ra.value() - sum).abs() < 2e-6, "{} against {sum}", ra.value());
    }

    #[test]
    fn eq_21_is_the_sum_of_eq_28(site in -90.0..=90.0, day in 1u32..=366, shift in 0.0f64..0.26) {
        let day = DayOfYear::new(day).unwrap();
        let hour = Hours::new(1.0).unwrap();
        let of_hour = |h: i32| {
            let angle = (PI / 12.0 * f64::from(h) + shift - PI).clamp(-PI, PI);
            hourly_extraterrestrial_radiation(
                latitude(site), day, Radians::new(angle).unwrap(), hour,
            )
            .value()
        };
        let sum: f64 = (0..24).map(of_hour).sum();
        let whole = extraterrestrial_radiation(latitude(site), day).value();
        prop_assert!((sum - whole).abs() < 1e-9, "{sum} against {whole}");
    }

    #[test]
    fn days_are_mirrored_between_the_hemispheres(site in 0.0f64..90.0, day in 1u32..=366) {
        let day = DayOfYear::new(day).unwrap();
        let [north, south] = [site, -site].map(|s| daylight_hours(latitude(s), day).value());
        prop_assert!((north + south - 24.0).abs() < 1e-6, "{north} and {south}");
        prop_assert!((0.0..=24.0).contains(&north));
    }

    #[test]
    fn wind_falls_towards_the_ground(uz in 0.0f64..75.0, z in 2.0..100.0) {
        let u2 = wind_at_2m(wind(uz), metres(z)).unwrap().value();
        prop_assert!(u2 <= uz * 1.0005);
        prop_assert!(wind_at_2m(wind(uz), metres(0.4)).is_err());
    }

    #[test]
    fn dry_air_pulls_harder(t in 0.0..45.0, u2 in 0.1..10.0, rn in 0.0..3.0, rh in 0.0..99.0) {
        let et = |rh: f64| {
            let air = HourAir {
                air: celsius(t),
                vapour_pressure: vapour_pressure(celsius(t), percent(rh)),
                wind_2m: wind(u2),
                pressure: kpa(101.3),
            };
            let soil_heat = soil_heat_of_hour(mj(rn), Light::Day);
            let fao = hourly_reference_et(air, Energy { net_radiation: mj(rn), soil_heat });
            let tall = asce::hourly_reference_et(air, mj(rn), asce::Surface::Tall);
            (fao.value(), tall.value())
        };
        let (dry, wet) = (et(rh), et(rh + 1.0));
        prop_assert!(dry.0 > wet.0 && dry.1 > wet.1);
    }
}

#[test]
fn what_is_crossed_or_not_a_number_is_refused() {
    assert!(TemperatureRange::new(celsius(20.0), celsius(10.0)).is_err());
    assert!(HumidityRange::new(percent(80.0), percent(30.0)).is_err());
    assert!(RelativeShortwave::new(f64::NAN).is_err());
    assert!(DayOfYear::new(0).is_err() && DayOfYear::new(367).is_err());
    assert!(dew_point(kpa(0.0)).is_err());
    let bulbs = Bulbs { wet: celsius(21.0), dry: celsius(20.0) };
    assert!(vapour_pressure_from_bulbs(bulbs, Psychrometer::Indoors, kpa(101.3)).is_err());
    let warming = Months { earlier: celsius(10.0), later: celsius(12.0) };
    for (heat_capacity, days) in [(f64::NAN, 30.0), (2.1, f64::NAN), (2.1, 0.0)] {
        let layer = SoilLayer { warming, heat_capacity, days, depth: metres(1.0) };
        assert!(soil_heat_of_layer(layer).is_err());
    }
}
