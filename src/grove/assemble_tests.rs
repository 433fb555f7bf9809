use super::*;
use crate::evapo::humidity::saturation_vapour_pressure;
use crate::weather::parse::{parse_forecast, parse_observed};

fn settings(more: &str) -> Settings {
    let text = format!(
        "name = \"Home\"\ntime_zone = \"UTC\"\nlatitude_deg = -20\nlongitude_deg = 0\n\
         elevation_m = 1800\n{more}"
    );
    Settings::read(&text, &mut Findings::default()).unwrap()
}

fn assembled(text: &str, settings: &Settings) -> (Series, Vec<String>) {
    let mut findings = Findings::default();
    let raw = parse_observed(text, settings.zone, &mut findings);
    let series = observed(&raw, settings, &mut findings);
    assert_eq!(findings.flaws, []);
    (series, findings.notes.iter().map(ToString::to_string).collect())
}

/// Two days of hours, 10 degC at midnight and 22 at noon, with more cells.
fn two_days(header: &str, cells: &str) -> String {
    let mut text = format!("hour_starting,air_temp_c{header}\n");
    for hour in 0..48_i32 {
        let air = 22 - (hour % 24 - 12).abs();
        text += &format!("2026-09-{:02}T{:02}:00Z,{air}{cells}\n", 3 + hour / 24, hour % 24);
    }
    text
}

#[test]
fn measured_hours_pass_through() {
    let header = ",rel_humidity_pct,wind_m_s,shortwave_w_m2,rain_mm,pressure_kpa,soil_water_m3_m3";
    let (series, notes) = assembled(
        &two_days(header, ",50,3.2,300,0.2,81.5,0.3"),
        &settings("anemometer_height_m = 10"),
    );
    assert_eq!(notes, [] as [&str; 0]);
    let noon = series.hours()[12];
    assert_eq!(noon.flags, Flags::default());
    assert!((noon.wind_2m.value() - 2.39).abs() < 0.01, "FAO-56 example 14");
    let half_saturated = saturation_vapour_pressure(Celsius::new(22.0).unwrap()).value() / 2.0;
    assert!((noon.vapour_pressure.value() - half_saturated).abs() < 1e-12);
    assert_eq!((noon.shortwave.value(), noon.rain.value()), (300.0, 0.2));
    assert_eq!((noon.pressure.value(), noon.soil_water_m3_m3), (81.5, Some(0.3)));
}

#[test]
fn absent_columns_are_estimated_flagged_and_told() {
    let (series, notes) = assembled(&two_days("", ""), &settings(""));
    assert_eq!(series.hours().len(), 48);
    let noon = series.hours()[12];
    let flags: Vec<Flag> = noon.flags.iter().collect();
    assert_eq!(
        flags,
        [
            Flag::ShortwaveEstimated,
            Flag::WindAssumed,
            Flag::PressureFromElevation,
            Flag::HumidityEstimated,
            Flag::RainUnknown,
        ]
    );
    assert_eq!(noon.wind_2m.value(), 2.0);
    assert!((noon.pressure.value() - 81.8).abs() < 0.05, "FAO-56 example 2");
    let dew_point = saturation_vapour_pressure(Celsius::new(10.0).unwrap());
    assert_eq!(noon.vapour_pressure, dew_point);
    // 0.16 sqrt(12) of the 32.2 MJ/m2 that FAO-56 example 8 gives for this day and place.
    let day_mj: f64 = series.hours()[..24].iter().map(|hour| hour.shortwave.value() * 0.0036).sum();
    assert!((day_mj - 0.16 * 12_f64.sqrt() * 32.2).abs() < 0.1, "{day_mj}");
    assert_eq!(series.hours()[0].shortwave.value(), 0.0);
    assert_eq!(
        notes,
        [
            "weather/observed.csv: pressure_kpa is not there: pressure from elevation (FAO-56 eq. \
             7)",
            "weather/observed.csv: rain_mm is not there: rain not given: a dry reading here proves \
             nothing",
            "weather/observed.csv: rel_humidity_pct is not there: humidity estimated from the night \
             minimum temperature (FAO-56 eq. 48)",
            "weather/observed.csv: shortwave_w_m2 is not there: shortwave estimated",
            "weather/observed.csv: wind_m_s is not there: wind not measured: 2 m/s assumed (FAO-56 \
             ch. 3)",
        ]
    );
}

#[test]
fn a_missing_cell_is_a_gap_and_not_an_estimate() {
    let text = two_days(",wind_m_s", ",2").replace("T05:00Z,15,2\n", "T05:00Z,15,\n");
    let (series, _) = assembled(&text, &settings(""));
    assert_eq!(series.hours().len(), 46);
    assert_eq!(series.gaps().len(), 2);
    assert_eq!(series.bridged().hours().len(), 48);
}

#[test]
fn a_missing_pressure_is_told_from_elevation_for_that_hour() {
    let header = ",pressure_kpa,rel_humidity_pct,wind_m_s,shortwave_w_m2,rain_mm";
    let text = two_days(header, ",80.9,50,2,0,0").replace("T05:00Z,15,80.9", "T05:00Z,15,");
    let (series, notes) = assembled(&text, &settings(""));
    assert_eq!(series.hours().len(), 48);
    for (at, hour) in series.hours().iter().enumerate() {
        let filled = at % 24 == 5;
        assert_eq!(hour.flags.has(Flag::PressureFromElevation), filled);
        let (pressure, within) = if filled { (81.8, 0.05) } else { (80.9, 1e-12) };
        assert!((hour.pressure.value() - pressure).abs() < within, "FAO-56 example 2");
    }
    assert_eq!(
        notes,
        ["weather/observed.csv: pressure_kpa hours without a value, pressure from elevation \
          (FAO-56 eq. 7): 2 (first in row 7)"]
    );
}

#[test]
fn instants_become_means() {
    let mut text = "hour_ending,air_temp_instant_c,shortwave_w_m2,rel_humidity_pct\n".to_owned();
    for (hour, air) in [(9, 10), (10, 14), (11, 20), (13, 22), (14, 24)] {
        text += &format!("2026-09-03T{hour:02}:00Z,{air},500,50\n");
    }
    let (series, notes) = assembled(&text, &settings(""));
    let airs: Vec<f64> = series.hours().iter().map(|hour| hour.air.value()).collect();
    assert_eq!(airs, [12.0, 17.0, 23.0]);
    assert!(series.hours().iter().all(|hour| hour.flags.has(Flag::TemperatureFromInstants)));
    let told = "weather/observed.csv: air_temp_instant_c hours left out, as nothing near tells \
                this value: 2";
    assert!(notes.iter().any(|note| note == told), "{notes:?}");
}

#[test]
fn humidity_by_its_most_direct_measure() {
    let settings = settings("");
    let text = two_days(",rel_humidity_pct,dew_point_c", ",50,9");
    let (series, notes) = assembled(&text, &settings);
    let from_dew_point = saturation_vapour_pressure(Celsius::new(9.0).unwrap());
    assert_eq!(series.hours()[12].vapour_pressure, from_dew_point);
    assert!(notes[0].contains("humidity is taken from dew_point_c"), "{notes:?}");
    let told = notes.iter().find(|note| note.contains("differ by more than 0.3 kPa"));
    assert!(told.is_some(), "{notes:?}");
}

#[test]
fn half_a_day_takes_the_range_of_the_whole_day_beside_it() {
    let text = two_days("", "");
    let cut: Vec<&str> = text.lines().take(1 + 24 + 6).collect();
    let (series, _) = assembled(&cut.join("\n"), &settings(""));
    assert_eq!(series.hours().len(), 30);
    assert_eq!(series.hours()[29].vapour_pressure, series.hours()[5].vapour_pressure);
    let short: Vec<&str> = text.lines().take(7).collect();
    let (series, notes) = assembled(&short.join("\n"), &settings(""));
    assert!(series.hours().is_empty());
    assert!(notes.iter().any(|note| note.contains("hours left out")), "{notes:?}");
}

#[test]
fn uneven_members_are_told() {
    let header = "hour_ending,air_temp_c,rel_humidity_pct,shortwave_w_m2,member\n";
    let text = format!(
        "{header}2026-01-14T10:00Z,20,50,500,a\n2026-01-14T11:00Z,20,50,500,a\n\
         2026-01-14T10:00Z,20,50,500,b\n"
    );
    let settings = settings("");
    let mut findings = Findings::default();
    let raw = parse_forecast(&text, settings.zone, &mut findings);
    let forecasts = forecasts(&raw, &settings, &mut findings);
    assert_eq!(forecasts.issues()[0].members.len(), 2);
    let notes: Vec<String> = findings.notes.iter().map(ToString::to_string).collect();
    assert!(notes.contains(&"weather/forecast.csv: members have from 1 to 2 hours".to_owned()));
}

#[test]
fn clouds_tell_shortwave_where_none_is_measured() {
    let settings = settings("");
    let (series, notes) =
        assembled(&two_days(",rel_humidity_pct,cloud_cover_pct", ",50,0"), &settings);
    let noon = series.hours()[12];
    assert!(noon.flags.has(Flag::ShortwaveEstimated));
    let clear = shortwave_from_cloud_cover(Percent::new(0.0).unwrap(), settings.place, noon.span);
    assert_eq!(noon.shortwave, clear);
    assert!(notes.iter().any(|note| note.contains("shortwave estimated")), "{notes:?}");

    let text = two_days(",rel_humidity_pct,cloud_cover_pct,shortwave_w_m2", ",50,100,");
    let measured = text.replace("T11:00Z,21,50,100,", "T11:00Z,21,50,100,700");
    let (series, notes) = assembled(&measured, &settings);
    assert_eq!(series.hours().len(), 48);
    assert_eq!(
        (
            series.hours()[11].shortwave.value(),
            series.hours()[11].flags.has(Flag::ShortwaveEstimated)
        ),
        (700.0, false)
    );
    assert!(series.hours()[12].flags.has(Flag::ShortwaveEstimated));
    let told = "weather/observed.csv: shortwave_w_m2 hours without a value, shortwave estimated: 46 \
                (first in row 2)";
    assert!(notes.iter().any(|note| note == told), "{notes:?}");
}
