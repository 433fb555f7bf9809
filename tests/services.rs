//! Recorded answers of weather services, read where they lie, against what is known of them.

mod means;

use chrono::{DateTime, FixedOffset, TimeDelta, Utc};
use std::fs;
use xylocast::evapo::humidity::vapour_pressure_at_dew_point;
use xylocast::evapo::reference::wind_at_2m;
use xylocast::evapo::sequence::{Reference, hour_by_hour};
use xylocast::evapo::sun::SunTrack;
use xylocast::units::{Celsius, Metres, Place};
use xylocast::weather::parse::{
    AIR, CLOUD_COVER, DEW_POINT, RAIN, REL_HUMIDITY, RawHour, SHORTWAVE, WIND,
};
use xylocast::weather::services::open_meteo::Labels;
use xylocast::weather::services::station::{self, Clock, Declaration, DeclaredColumn, Label};
use xylocast::weather::services::{
    Answer, Reading, ServiceError, ServiceNote, asos, bright_sky, dwd_poi, ghcn_hourly, met_norway,
    nws, open_meteo, refusal, surfrad, tmy3,
};
use xylocast::weather::{Flags, Hour, Series, Span};

#[track_caller]
fn recorded(name: &str) -> Option<Vec<u8>> {
    let path = means::shared(&format!("weather-fixtures/{name}"))?;
    Some(fs::read(path).unwrap())
}

fn utc(text: &str) -> DateTime<Utc> {
    text.parse().unwrap()
}

fn ending<'a>(answer: &'a Answer, at: &str) -> &'a RawHour {
    let found = answer.only().iter().find(|hour| hour.span.to == utc(at));
    found.unwrap_or_else(|| panic!("no hour ends at {at}"))
}

fn near(found: Option<f64>, wanted: f64) {
    let found = found.unwrap_or(f64::NAN);
    assert!((found - wanted).abs() < 1e-6, "{found} is not {wanted}");
}

/// Every hour one hour long, in order, none overlapping.
fn is_a_series(hours: &[RawHour]) {
    for hour in hours {
        assert_eq!(hour.span.to - hour.span.from, TimeDelta::hours(1));
    }
    assert!(hours.windows(2).all(|pair| pair[0].span.to <= pair[1].span.from));
}

fn place(answer: &Answer) -> Place {
    let (latitude, longitude) = answer.position.unwrap();
    Place { latitude, longitude, elevation: Metres::new(answer.elevation_m.unwrap()).unwrap() }
}

/// The correlation's judgement of an answer's hours against the sun over their place.
fn judged(hours: &[RawHour], place: Place) -> Option<ServiceNote> {
    let mut track = SunTrack::new(place);
    station::check_times(hours, |span| track.over(span).extraterrestrial.value())
}

const FORECAST: &str = "open-meteo/forecast-melbourne-2024-01-16-full.json";

#[test]
fn melbourne_forecast() {
    let Some(bytes) = recorded(FORECAST) else { return };
    let answer = open_meteo::parse(&bytes).unwrap();
    is_a_series(answer.only());
    assert_eq!((answer.hours.len(), answer.only().len(), answer.provider.len()), (1, 24, 24));
    assert_eq!((answer.elevation_m, answer.wind_height_m), (Some(19.0), Some(10.0)));
    let first = answer.only()[0];
    assert_eq!(first.span.to, utc("2024-01-16T09:00:00Z"));
    near(first.air_at_end.map(Celsius::value), 29.8);
    near(first.shortwave.map(|it| it.value()), 168.0);
    assert_eq!((first.air, first.rel_humidity, first.wind), (None, None, None));
    let second = answer.only()[1];
    near(second.rel_humidity.map(|it| it.value()), (42.0 + 48.0) / 2.0);
    near(second.dew_point.map(|it| it.value()), (15.5 + 16.2) / 2.0);
    near(second.wind.map(|it| it.value()), (15.8 + 13.4) / 2.0 / 3.6);
    near(second.pressure.map(|it| it.value()), (100.27 + 100.30) / 2.0);
    near(second.cloud_cover.map(|it| it.value()), 20.5);
    near(second.soil_water_m3_m3, 0.384);
    near(ending(&answer, "2024-01-16T23:00:00Z").rain.map(|it| it.value()), 7.3);
    near(answer.provider[0].reference_et_mm, 0.24);
    near(answer.provider[0].vpd_kpa, 2.43);
    assert_eq!(answer.notes, []);
}

/// Saturation vapour pressure, kPa.
fn es(air_c: f64) -> f64 {
    0.6108 * (17.27 * air_c / (air_c + 237.3)).exp()
}

/// The provider's own hourly reference ET by its convention before 2026-08-20: instants at the
/// stamp, night ratio 0.4 + 0.4 RH, soil heat by Rs > 0, the daily resistance day and night.
fn provider_et_mm(reading: &Reading, elevation_m: f64, ra_mj: f64) -> f64 {
    let value = |value: Option<f64>| value.unwrap();
    let air = value(reading.air.map(|it| it.value()));
    let ea = es(value(reading.dew_point.map(|it| it.value())));
    let humidity = value(reading.rel_humidity.map(|it| it.value())) / 100.0;
    let profile = |height: f64| 4.87 / (67.8 * height - 5.42).ln();
    let wind_10m = value(reading.wind.map(|it| it.value()));
    let wind = wind_10m * profile(10.0) / profile(2.0);
    let rs = value(reading.shortwave.map(|it| it.value())) * 0.0036;
    let rso = (0.75 + 2e-5 * elevation_m) * ra_mj;
    let ratio = if ra_mj > 0.0 { (rs / rso).min(1.0) } else { 0.4 + 0.4 * humidity };
    let black = 4.903e-9 / 24.0 * (air + 273.16).powi(4);
    let rn = 0.77 * rs - black * (0.34 - 0.14 * ea.sqrt()) * (1.35 * ratio - 0.35);
    let g = if rs > 0.0 { 0.1 * rn } else { 0.5 * rn };
    let slope = 4098.0 * es(air) / (air + 237.3).powi(2);
    let pressure = 101.3 * ((293.0 - 0.0065 * elevation_m) / 293.0).powf(5.26);
    let gamma = 0.000665 * pressure;
    let aerodynamic = gamma * 37.0 / (air + 273.0) * wind * (es(air) - ea);
    let et = 0.408 * slope * (rn - g) + aerodynamic;
    (et / (slope + gamma * (1.0 + 0.34 * wind))).max(0.0)
}

#[test]
fn the_provider_is_reproduced_by_its_own_convention() {
    let Some(bytes) = recorded(FORECAST) else { return };
    let body: serde_json::Value = serde_json::from_slice(&bytes).unwrap();
    let answer = open_meteo::parse(&bytes).unwrap();
    let stamps = open_meteo::read_stamps(&bytes).unwrap();
    let place = place(&answer);
    let (mut track, mut by_our_sun) = (SunTrack::new(place), Vec::new());
    for (row, (reading, provider)) in stamps.iter().zip(&answer.provider).enumerate() {
        assert_eq!(provider.span.to, reading.at);
        let given = provider.reference_et_mm.unwrap();
        let its_ra = body["hourly"]["terrestrial_radiation"][row].as_f64().unwrap() * 0.0036;
        let et = provider_et_mm(reading, place.elevation.value(), its_ra);
        assert!((et - given).abs() <= 0.01, "{}: {et:.4} against {given}", reading.at);
        let vpd = es(reading.air.unwrap().value()) - es(reading.dew_point.unwrap().value());
        let apart = (vpd - provider.vpd_kpa.unwrap()).abs();
        assert!(apart < 0.0125, "{}: {apart:.4} kPa", reading.at);
        let our_ra = track.over(provider.span).extraterrestrial.value();
        let et = provider_et_mm(reading, place.elevation.value(), our_ra);
        by_our_sun.push((reading.at, (et - given).abs()));
    }
    assert_eq!(by_our_sun.len(), 24);
    // Our sun (FAO-56) and theirs differ over the hour that it sets in.
    let apart: Vec<_> = by_our_sun.iter().filter(|(_, apart)| *apart > 0.01).collect();
    assert!(
        matches!(apart[..], [(at, apart)] if *at == utc("2024-01-16T10:00:00Z") && *apart < 0.015)
    );
}

/// By our own convention: means of hours, FAO-56's night, G by net radiation.
#[test]
fn our_own_convention_differs_from_the_provider_by_this() {
    let Some(bytes) = recorded(FORECAST) else { return };
    let answer = open_meteo::parse(&bytes).unwrap();
    let place = place(&answer);
    let hours = answer.only().windows(2).map(|pair| {
        let ends = [&pair[0], &pair[1]].map(|hour| hour.air_at_end.unwrap().value());
        let (hour, ten) = (pair[1], Metres::new(answer.wind_height_m.unwrap()).unwrap());
        Hour {
            span: hour.span,
            air: Celsius::new((ends[0] + ends[1]) / 2.0).unwrap(),
            vapour_pressure: vapour_pressure_at_dew_point(hour.dew_point.unwrap()),
            wind_2m: wind_at_2m(hour.wind.unwrap(), ten).unwrap(),
            shortwave: hour.shortwave.unwrap(),
            rain: hour.rain.unwrap(),
            pressure: hour.pressure.unwrap(),
            soil_water_m3_m3: hour.soil_water_m3_m3,
            flags: Flags::default(),
        }
    });
    let series = Series::new(hours.collect()).unwrap();
    let ours = hour_by_hour(&series, place, Reference::Fao56);
    let sum: f64 = ours.iter().map(|hour| hour.reference_et.value()).sum();
    let theirs: f64 = answer.provider[1..].iter().filter_map(|hour| hour.reference_et_mm).sum();
    println!("23 h: ours {sum:.2} mm, the provider's {theirs:.2} mm");
    assert!((sum - theirs).abs() < 0.1 * theirs, "{sum:.3} against {theirs:.3}");
}

#[test]
fn adelaide_archive() {
    let Some(bytes) = recorded("open-meteo/archive-adelaide-2025-01-10.json") else { return };
    let answer = open_meteo::parse(&bytes).unwrap();
    is_a_series(answer.only());
    assert_eq!(answer.only().len(), 72);
    // Labelled +9:30, read at +9:00: the first one is 15:00 of UTC, not 14:30.
    assert_eq!(answer.only()[0].span.to, utc("2025-01-09T15:00:00Z"));
    let moved = ServiceNote::PartHourLabels { offset_s: 34_200, moved_min: 30 };
    assert_eq!(answer.notes, [ServiceNote::LocalLabels { offset_s: 34_200 }, moved]);
    near(answer.only()[1].wind.map(|it| it.value()), (1.27 + 0.3) / 2.0);
    near(answer.provider[12].reference_et_mm, 0.83);
    assert!(answer.only().iter().all(|hour| hour.shortwave.is_none()));
    assert!(answer.provider.iter().all(|hour| hour.vpd_kpa.is_none()));
}

#[test]
fn ludhiana_export() {
    let Some(bytes) = recorded("open-meteo/archive-ludhiana-2023-2025.csv") else { return };
    let refused = open_meteo::parse_csv(&bytes, None).unwrap_err();
    assert_eq!(refused, ServiceError::Missing { place: "utc_offset_seconds" });
    let answer = open_meteo::parse_csv(&bytes, Some(Labels { offset_s: 19_800 })).unwrap();
    is_a_series(answer.only());
    assert_eq!((answer.only().len(), answer.provider.len()), (22_632, 22_632));
    assert_eq!(answer.only()[0].span.to, utc("2022-12-31T19:00:00Z"));
    near(answer.only()[1].wind.map(|it| it.value()), (9.9 + 8.0) / 2.0 / 3.6);
    assert!(answer.notes.contains(&ServiceNote::ShortwaveFromInstants));
    let ludhiana = Place {
        latitude: xylocast::units::Latitude::new(30.9).unwrap(),
        longitude: xylocast::units::Longitude::new(75.85).unwrap(),
        elevation: Metres::new(250.0).unwrap(),
    };
    assert_eq!(judged(answer.only(), ludhiana), None);
}

#[test]
fn london_forecast() {
    let Some(bytes) = recorded("met-norway/complete-london-2020-07-20.json") else { return };
    let wrapper: serde_json::Value = serde_json::from_slice(&bytes).unwrap();
    let answer = met_norway::parse(wrapper["data"].to_string().as_bytes()).unwrap();
    is_a_series(answer.only());
    assert_eq!((answer.elevation_m, answer.wind_height_m), (Some(25.0), Some(10.0)));
    assert_eq!(answer.issued_at, Some(utc("2020-07-20T01:30:57Z")));
    assert_eq!(answer.only()[0].span.to, utc("2020-07-20T11:00:00Z"));
    let after = ending(&answer, "2020-07-20T12:00:00Z");
    assert!(after.cloud_cover.is_some() && after.shortwave.is_none());
    near(after.rain.map(|it| it.value()), 0.0);
    let last = answer.only().last().unwrap();
    assert!(last.span.to <= utc("2020-07-22T19:00:00Z"), "{}", last.span.to);
    let long = |note: &&ServiceNote| matches!(note, ServiceNote::LongSteps { .. });
    let count = answer.only().len();
    let told = answer.notes.iter().find(long);
    assert!(
        matches!(told, Some(ServiceNote::LongSteps { count: left, .. }) if count + left == 82),
        "{told:?}"
    );
    assert!(answer.only()[1..].iter().all(|hour| hour.rain.is_some() && hour.wind.is_some()));
}

#[test]
fn florida_gridpoint() {
    let Some(bytes) = recorded("nws/gridpoint-florida-2022-02-04.json") else { return };
    let answer = nws::parse_gridpoint(&bytes).unwrap();
    is_a_series(answer.only());
    let first = answer.only()[0];
    assert_eq!(first.span.from, utc("2022-02-03T21:00:00Z"));
    near(first.air.map(|it| it.value()), 22.777_777_777);
    near(first.wind.map(|it| it.value()), 20.372 / 3.6);
    near(first.cloud_cover.map(|it| it.value()), 71.0);
    // 2.032 mm from 06:00 for 6 h.
    near(ending(&answer, "2022-02-04T09:00:00Z").rain.map(|it| it.value()), 2.032 / 6.0);
    // 18.9 degC from 01:00 for 10 h.
    near(ending(&answer, "2022-02-04T11:00:00Z").air.map(|it| it.value()), 18.888_888_888);
    let total: f64 = answer.only().iter().filter_map(|hour| Some(hour.rain?.value())).sum();
    near(Some(total), 20.066);
    assert!((answer.elevation_m.unwrap() - 3.96).abs() < 0.01);
    assert_eq!(answer.issued_at, Some(utc("2022-02-04T03:15:41Z")));
    assert_eq!(answer.only().last().unwrap().span.to, utc("2022-02-11T11:00:00Z"));
    assert_eq!(answer.only().len(), 182);
}

#[test]
fn national_reports_and_points() {
    let Some(bytes) = recorded("nws/observations-latest-2022-03-02.json") else { return };
    let reports = nws::read_reports(&bytes).unwrap();
    let [report] = reports[..] else { panic!("{reports:?}") };
    assert_eq!(report.at, utc("2022-03-02T23:53:00Z"));
    near(report.air.map(|it| it.value()), 22.8);
    near(report.wind.map(|it| it.value()), 2.1);
    near(report.pressure.map(|it| it.value()), 101.86);
    assert_eq!(report.rain, None);
    let answer = nws::parse_reports(&bytes).unwrap();
    assert_eq!(answer.only()[0].span.to, utc("2022-03-03T00:00:00Z"));
    assert!(answer.notes.contains(&ServiceNote::TakenForTheHour { count: 1, farthest_min: 7 }));

    let bytes = recorded("nws/observations-empty-collection.json").unwrap();
    assert_eq!(nws::read_reports(&bytes), Ok(vec![]));
    assert_eq!(nws::parse_reports(&bytes), Err(ServiceError::NoData));

    let point = nws::parse_point(&recorded("nws/points.json").unwrap()).unwrap();
    assert_eq!(point.forecast_grid_data, "https://api.weather.gov/gridpoints/TAE/58,65");
    assert_eq!(point.time_zone.as_deref(), Some("America/New_York"));
}

#[test]
fn errors_of_services() {
    let name = "open-meteo/error-400-unknown-variable.json";
    let Some(bytes) = recorded(name) else { return };
    let error = open_meteo::parse(&bytes).unwrap_err();
    assert!(matches!(error, ServiceError::Refused { .. }) && !error.retryable(), "{error}");
    assert!(error.to_string().contains("Cannot initialize"), "{error}");
    let bytes = recorded("open-meteo/error-400-past-days.json").unwrap();
    let error = refusal(400, &bytes);
    assert!(error.to_string().contains("Past days is invalid") && !error.retryable(), "{error}");
    let bytes = recorded("nws/error-503-forecast-grid-expired.json").unwrap();
    for error in [nws::parse_gridpoint(&bytes).unwrap_err(), refusal(503, &bytes)] {
        assert!(matches!(error, ServiceError::Down { .. }) && error.retryable(), "{error}");
        assert!(error.to_string().contains("Forecast Grid Expired"), "{error}");
    }
}

#[test]
fn berlin_weather() {
    let Some(bytes) = recorded("brightsky/weather-berlin-2025-09-18-8days.json") else { return };
    let answer = bright_sky::parse(&bytes).unwrap();
    is_a_series(answer.only());
    assert_eq!(answer.only().len(), 182);
    assert_eq!(answer.observed_until, Some(utc("2025-09-18T13:00:00Z")));
    let hour = ending(&answer, "2025-09-18T14:00:00Z");
    near(hour.shortwave.map(|it| it.value()), 197.0);
    near(hour.wind.map(|it| it.value()), 14.8 / 3.6);
    near(hour.rain.map(|it| it.value()), 0.1);
    near(hour.dew_point.map(|it| it.value()), (15.8 + 15.3) / 2.0);
    assert!(
        answer.only().iter().all(|hour| hour.rel_humidity.is_none() || hour.shortwave.is_none())
    );
    assert!(answer.only()[1..].iter().all(|hour| hour.dew_point.is_some()));
    assert!(answer.only()[1..].iter().all(|hour| hour.cloud_cover.is_some()));
    let missing = |measure| {
        let of = |note: &&ServiceNote| matches!(note, ServiceNote::Missing { measure: it, .. } if *it == measure);
        answer.notes.iter().find(of).map(|note| match note {
            ServiceNote::Missing { count, .. } => *count,
            _ => 0,
        })
    };
    assert_eq!((missing(SHORTWAVE), missing(REL_HUMIDITY)), (Some(14), Some(168)));
    let stations =
        |note: &&ServiceNote| matches!(note, ServiceNote::Stations { names } if names.len() == 3);
    assert!(answer.notes.iter().any(|note| stations(&note)), "{:?}", answer.notes);
}

#[test]
fn table_of_a_german_station() {
    let Some(bytes) = recorded("dwd-poi/observations_current-01049-2020-04.csv") else { return };
    let answer = dwd_poi::parse(&bytes).unwrap();
    is_a_series(answer.only());
    assert_eq!(answer.only().len(), 25);
    let last = ending(&answer, "2020-04-06T08:00:00Z");
    near(last.air_at_end.map(|it| it.value()), -3.1);
    near(last.rel_humidity.map(|it| it.value()), (59.0 + 64.0) / 2.0);
    near(last.wind.map(|it| it.value()), 14.0 / 3.6);
    near(last.rain.map(|it| it.value()), 0.0);
    assert!(answer.notes.iter().any(|note| matches!(note, ServiceNote::Sorted { .. })));
    assert_eq!(answer.only()[0].span.to, utc("2020-04-05T08:00:00Z"));
}

#[test]
fn pipe_table_of_an_american_station() {
    let Some(bytes) = recorded("noaa-ghcnh/GHCNh_USW00013967_excerpt.psv") else { return };
    let reports = ghcn_hourly::read_reports(&bytes).unwrap();
    assert_eq!(reports.len(), 4);
    assert_eq!(reports[0].at, utc("2023-01-12T08:50:00Z"));
    near(reports[0].wind.map(|it| it.value()), 12.9);
    near(reports[1].air.map(|it| it.value()), 5.0);
    near(reports[1].pressure.map(|it| it.value()), 96.02);
    // Found erroneous by its own quality code.
    assert_eq!(reports[2].air, None);
    let answer = ghcn_hourly::parse(&bytes).unwrap();
    is_a_series(answer.only());
    assert_eq!((answer.elevation_m, answer.wind_height_m), (Some(389.8), Some(10.0)));
    let short = ServiceNote::BadRows { count: 1, first_row: 6 };
    assert!(answer.notes.contains(&short), "{:?}", answer.notes);
    assert!(answer.notes.iter().any(|note| matches!(note, ServiceNote::Sorted { .. })));
}

#[test]
fn newark_airport() {
    let Some(bytes) = recorded("station/asos-EWR-2013-hourly.csv") else { return };
    let answer = asos::parse(&bytes).unwrap();
    is_a_series(answer.only());
    assert_eq!(answer.only().len(), 8703);
    let windy = ending(&answer, "2013-02-12T08:00:00Z");
    assert_eq!(windy.wind, None);
    near(windy.air_at_end.map(|it| it.value()), (39.02 - 32.0) / 1.8);
    let told = answer.notes.iter().find(|note| {
        matches!(note, ServiceNote::Impossible { measure, count: 1, .. } if *measure == WIND)
    });
    assert!(told.is_some(), "{:?}", answer.notes);
    // The local hour 01:00 of 3 November came twice; UTC knows two hours.
    near(ending(&answer, "2013-11-03T05:00:00Z").air_at_end.map(|it| it.value()), 11.1);
    near(ending(&answer, "2013-11-03T06:00:00Z").air_at_end.map(|it| it.value()), 10.0);
    let span = answer.only().last().unwrap().span.to - answer.only()[0].span.from;
    assert_eq!(span.num_hours() - 8703, 27);
}

#[test]
fn greensboro_typical_year() {
    let Some(bytes) = recorded("station/tmy3-greensboro-nc-hourly.csv") else { return };
    let answer = tmy3::parse(&bytes).unwrap();
    is_a_series(answer.only());
    assert_eq!(answer.only().len(), 8760);
    assert_eq!(answer.elevation_m, Some(273.0));
    let hour = ending(&answer, "1988-01-01T06:00:00Z");
    near(hour.air_at_end.map(|it| it.value()), 10.0);
    // 24:00 is the next midnight, UTC-5.
    near(ending(&answer, "1981-01-01T05:00:00Z").air_at_end.map(|it| it.value()), 2.2);
    assert_eq!(judged(answer.only(), place(&answer)), None);
    for moved in [-60, -30, 30, 60] {
        let by = TimeDelta::minutes(moved);
        let moved_hour = |hour: &RawHour| RawHour {
            span: Span { from: hour.span.from - by, to: hour.span.to - by },
            ..*hour
        };
        let hours: Vec<RawHour> = answer.only().iter().map(moved_hour).collect();
        let note = judged(&hours, place(&answer));
        let found = match note {
            Some(ServiceNote::MovedFitsBetter { moved_min, .. }) => moved_min,
            _ => 0,
        };
        assert!((found - moved).abs() <= 15, "moved {moved}: {note:?}");
    }
}

#[test]
fn alamosa_minutes() {
    let Some(bytes) = recorded("station/surfrad-alamosa-2016-01-01-1min.dat") else { return };
    let answer = surfrad::parse(&bytes).unwrap();
    is_a_series(answer.only());
    assert_eq!(answer.only().len(), 24);
    let (latitude, longitude) = answer.position.unwrap();
    assert_eq!(
        (latitude.value(), longitude.value(), answer.elevation_m),
        (37.7, -105.92, Some(2317.0))
    );
    let noon = ending(&answer, "2016-01-01T20:00:00Z");
    assert!((300.0..650.0).contains(&noon.shortwave.unwrap().value()), "{noon:?}");
    assert!(answer.only().iter().all(|hour| hour.rain.is_none() && hour.air.is_some()));
    near(answer.only()[0].shortwave.map(|it| it.value()), 0.0);
}

#[test]
fn newark_as_a_declared_logger() {
    let Some(bytes) = recorded("station/asos-EWR-2013-hourly.csv") else { return };
    let column = |name: &str, measure, unit: &str| DeclaredColumn {
        name: name.to_owned(),
        measure,
        unit: unit.to_owned(),
    };
    let declaration = Declaration {
        clock: Clock::Fixed(FixedOffset::east_opt(0).unwrap()),
        label: Label::Instant,
        separator: ',',
        decimal_comma: false,
        time_column: "time_hour".to_owned(),
        time_format: None,
        columns: vec![
            column("temp", AIR, "degF"),
            column("dewp", DEW_POINT, "degF"),
            column("humid", REL_HUMIDITY, "%"),
            column("wind_speed", WIND, "mph"),
            column("precip", RAIN, "in"),
        ],
        wind_height_m: 10.0,
        missing: vec!["NA".to_owned()],
    };
    let (declared, known) =
        (station::parse(&bytes, &declaration).unwrap(), asos::parse(&bytes).unwrap());
    assert_eq!(declared.only(), known.only());
    let wrong = Declaration { columns: vec![column("cloud", CLOUD_COVER, "%")], ..declaration };
    let error = station::parse(&bytes, &wrong).unwrap_err();
    assert!(error.to_string().contains("no column 'cloud'"), "{error}");
}
