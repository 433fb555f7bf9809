//! Answers in the form of each service with invented values and every oddity known, for a checkout
//! without the recorded ones; and bodies that no service should send.

#[path = "../fuzz/src/written.rs"]
mod written;

use chrono::{DateTime, FixedOffset, Utc};
use proptest::prelude::*;
use written::weather_file;
use xylocast::weather::parse::{AIR, RAIN, REL_HUMIDITY, RawHour, SHORTWAVE, WIND, parse_observed};
use xylocast::weather::services::open_meteo::Labels;
use xylocast::weather::services::station::{self, Clock, Declaration, DeclaredColumn, Label};
use xylocast::weather::services::{
    Answer, ServiceError, ServiceNote, Source, Wait, asos, bright_sky, dwd_poi, ghcn_hourly,
    met_norway, nws, open_meteo, refusal, surfrad, tmy3,
};

const ODD: &[u8] = include_bytes!("services/open_meteo_odd.json");
const PLACES: &[u8] = include_bytes!("services/open_meteo_places.json");
const ENSEMBLE: &[u8] = include_bytes!("services/open_meteo_ensemble.json");
const HALF_HOUR: &[u8] = include_bytes!("services/open_meteo_half_hour.json");
const COMPACT: &[u8] = include_bytes!("services/met_norway_compact.json");
const GRIDPOINT: &[u8] = include_bytes!("services/nws_gridpoint.json");
const OBSERVATIONS: &[u8] = include_bytes!("services/nws_observations.json");
const BRIGHT_SKY: &[u8] = include_bytes!("services/bright_sky.json");
const LOGGER_DST: &[u8] = include_bytes!("services/logger_dst.csv");
const LOGGER_10MIN: &[u8] = include_bytes!("services/logger_10min.csv");
const REPORTS: &[u8] = include_bytes!("services/asos_reports.csv");
const EXPORT: &str = include_str!("services/open_meteo_export.csv");
const POINT: &[u8] = include_bytes!("services/nws_point.json");
const STATIONS: &[u8] = include_bytes!("services/nws_stations.json");
const GHCN: &[u8] = include_bytes!("services/ghcn_hourly.psv");
const POI: &[u8] = include_bytes!("services/dwd_poi.csv");
const TMY3: &[u8] = include_bytes!("services/tmy3.csv");

fn utc(text: &str) -> DateTime<Utc> {
    text.parse().unwrap()
}

fn ending<'a>(answer: &'a Answer, at: &str) -> &'a RawHour {
    let found = answer.only().iter().find(|hour| hour.span.to == utc(at));
    found.unwrap_or_else(|| panic!("no hour ends at {at}"))
}

macro_rules! near {
    ($found:expr, $wanted:expr) => {
        let found = $found.map(|it| it.value()).unwrap_or(f64::NAN);
        assert!((found - $wanted).abs() < 1e-6, "{found} is not {}", $wanted);
    };
}

fn told(answer: &Answer, part: &str) {
    let notes: Vec<String> = answer.notes.iter().map(ToString::to_string).collect();
    assert!(notes.iter().any(|note| note.contains(part)), "'{part}' is not in {notes:#?}");
}

#[test]
fn open_meteo_with_every_oddity() {
    let answer = open_meteo::parse(ODD).unwrap();
    let hours: Vec<u32> = answer
        .only()
        .iter()
        .map(|hour| hour.span.to.format("%H").to_string().parse().unwrap())
        .collect();
    assert_eq!(hours, [0, 1, 2, 3, 4, 5, 6, 7, 9, 10, 11], "8 differs");
    near!(ending(&answer, "2026-01-01T01:00:00Z").rel_humidity, 52.0);
    near!(ending(&answer, "2026-01-01T01:00:00Z").wind, 2.5);
    near!(ending(&answer, "2026-01-01T01:00:00Z").shortwave, 10.0);
    assert_eq!(ending(&answer, "2026-01-01T02:00:00Z").air_at_end, None);
    near!(ending(&answer, "2026-01-01T03:00:00Z").air_at_end, 22.0);
    assert_eq!(ending(&answer, "2026-01-01T04:00:00Z").wind, None, "3773 km/h");
    assert_eq!(ending(&answer, "2026-01-01T05:00:00Z").dew_point, None, "above the air");
    near!(ending(&answer, "2026-01-01T06:00:00Z").shortwave, 0.0);
    assert_eq!(ending(&answer, "2026-01-01T07:00:00Z").shortwave, None, "2554 W/m2");
    assert_eq!(ending(&answer, "2026-01-01T09:00:00Z").rel_humidity, None, "8 is not there");
    assert_eq!(ending(&answer, "2026-01-01T01:00:00Z").soil_water_m3_m3, Some(0.25));
    assert_eq!(answer.provider.len(), 12);
    for part in [
        "air_temp_c: values that cannot be, left as gaps: 1 (first -9999 degC, 2026-01-01T02:00Z)",
        "wind_m_s: values that cannot be",
        "shortwave_w_m2: values that cannot be, left as gaps: 1 (first 2554 W/m2",
        "rel_humidity_pct: values that cannot be, left as gaps: 1",
        "dew points above the air's temperature, left as gaps: 1",
        "hours given twice alike, taken once: 1",
        "with different values, left as gaps: 1 (first 2026-01-01T08:00Z)",
        "hours out of order, put in order: 1",
        "air_temp_c: not given, left as gaps: 1",
    ] {
        told(&answer, part);
    }
}

#[test]
fn open_meteo_of_several_places_and_members() {
    let places = open_meteo::parse_places(PLACES).unwrap();
    assert_eq!(places[0].as_ref().unwrap().only().len(), 3);
    assert_eq!(places[1], Err(ServiceError::NoData));
    assert_eq!(open_meteo::parse(PLACES), Err(ServiceError::WrongPlaces { wanted: 1, found: 2 }));

    let answer = open_meteo::parse(ENSEMBLE).unwrap();
    let members: Vec<_> =
        answer.hours.iter().map(|(member, hours)| (*member, hours.len())).collect();
    assert_eq!(members, [(Some(0), 3), (Some(1), 3)], "member 2 has no temperature");
    near!(answer.hours[1].1[1].air_at_end, 12.0);
    near!(answer.hours[1].1[1].wind, 4.0);
    assert_eq!(answer.provider[2].reference_et_mm, Some(0.3));
}

#[test]
fn open_meteo_of_half_hour_zones() {
    let answer = open_meteo::parse(HALF_HOUR).unwrap();
    assert_eq!(answer.only()[0].span.to, utc("2026-01-01T03:00:00Z"));
    assert!(answer.notes.iter().any(ServiceNote::is_grave));
    // Stamps of the same zone stand at local full hours: 18:30 of UTC is read at 19:00.
    let stamps = String::from_utf8(PLACES.to_vec())
        .unwrap()
        .replace("\"utc_offset_seconds\": 0", "\"utc_offset_seconds\": 19800");
    let stamps = stamps
        .replace("1767225600", "1767205800")
        .replace("1767229200", "1767209400")
        .replace("1767232800", "1767213000");
    let places = open_meteo::parse_places(stamps.as_bytes()).unwrap();
    let first = places[0].as_ref().unwrap();
    assert_eq!(first.only()[0].span.to, utc("2025-12-31T19:00:00Z"));
}

#[test]
fn open_meteo_as_a_csv_export() {
    let answer = open_meteo::parse_csv(EXPORT.as_bytes(), None).unwrap();
    assert_eq!((answer.only().len(), answer.elevation_m), (3, Some(100.0)));
    near!(answer.only()[1].wind, 2.5);
    told(&answer, "rows that cannot be read, passed over: 1");
    let other = EXPORT.replace("°C", "°F");
    let error = open_meteo::parse_csv(other.as_bytes(), Some(Labels { offset_s: 0 })).unwrap_err();
    assert!(matches!(error, ServiceError::UnknownUnit { .. }), "{error}");
}

#[test]
fn refusals_say_what_to_do() {
    let body = String::from_utf8(ENSEMBLE.to_vec()).unwrap();
    let cut = &body.as_bytes()[..body.len() / 2];
    let streamed =
        format!("{}Unexpected error while streaming data: timed out", &body[..body.len() / 2]);
    let after = format!("{body}\nUnexpected error while streaming data");
    let unit = body.replace("\"m/s\"", "\"mp/h\"");
    let short = body.replacen("\n   10.0,", "", 1);
    let not_a_number = body.replacen("\n   10.0,", "\n   NaN,", 1);
    let odd_hour = body.replace("1767225600", "1767225700");
    let odd_time = body.replace("1767225600", "\"now\"");
    let six_hourly: String = {
        let mut value: serde_json::Value = serde_json::from_str(&body).unwrap();
        value["hourly"] = serde_json::json!({
            "time": [1767225600, 1767247200, 1767268800, 1767290400],
            "temperature_2m": [1, 2, 3, 4]
        });
        value.to_string()
    };
    for (body, part, retryable) in [
        (&b""[..], "empty", true),
        (cut, "breaks off after", true),
        (streamed.as_bytes(), "'Unexpected error", true),
        (after.as_bytes(), "broken at byte", true),
        (not_a_number.as_bytes(), "broken at byte", true),
        (
            b"<!DOCTYPE html><html><title>Log in</title>",
            "a web page came instead of data ('Log in')",
            true,
        ),
        (
            b"\xEF\xBB\xBF {\"error\":true,\"reason\":\"Latitude must be in range\"}",
            "Latitude must be",
            false,
        ),
        (
            b"{\"reason\":\"Minutely API request limit exceeded.\",\"error\":true}",
            "ask again in the next minute",
            true,
        ),
        (
            b"{\"error\":true,\"reason\":\"Daily API request limit exceeded.\"}",
            "after midnight UTC",
            true,
        ),
        (b"{\"error\":true,\"reason\":\"Too many concurrent requests\"}", "in some seconds", true),
        (b"{\"error\":true,\"reason\":\"The service is overloaded\"}", "down or overloaded", true),
        (unit.as_bytes(), "wind_speed_10m comes in 'mp/h'", false),
        (short.as_bytes(), "has 2 values for 3 hours", false),
        (odd_hour.as_bytes(), "not on the full hour", false),
        (odd_time.as_bytes(), "is no time", false),
        (six_hourly.as_bytes(), "360 min apart", false),
        (b"{\"daily\":{}}", "hourly is not there", false),
        (b"[1,2,3]", "the answer is about 3 places", false),
        (b"17", "hourly is not there", false),
    ] {
        let error = open_meteo::parse(body).unwrap_err();
        assert!(error.to_string().contains(part), "{error}");
        assert_eq!(error.retryable(), retryable, "{error}");
    }
}

#[test]
fn statuses() {
    for (status, body, retryable, part) in [
        (400, &b"{\"error\":true,\"reason\":\"x\"}"[..], false, "400, x"),
        (403, b"<html><title>403 Forbidden</title>", false, "403 Forbidden"),
        (
            404,
            b"{\"title\":\"Invalid Point\",\"status\":404,\"detail\":\"far away\"}",
            false,
            "does not cover",
        ),
        (422, b"{\"detail\":[{\"msg\":\"bad\"}]}", false, "does not cover"),
        (429, b"", true, "in the next minute"),
        (500, b"", true, "down"),
        (503, b"upstream connect error", true, "upstream connect error"),
    ] {
        let error = refusal(status, body);
        assert_eq!(error.retryable(), retryable, "{error}");
        assert!(error.to_string().contains(part), "{error}");
    }
    let now = utc("2026-01-31T22:58:30Z");
    for (wait, until) in [
        (Wait::Minute, "2026-01-31T22:59:00Z"),
        (Wait::Hour, "2026-01-31T23:00:00Z"),
        (Wait::Day, "2026-02-01T00:00:00Z"),
    ] {
        assert_eq!(wait.over_at(now), utc(until));
    }
    for source in Source::ALL {
        assert_eq!(Source::named(source.key()), Some(source));
        assert!(!source.attribution().licence.is_empty());
    }
}

#[test]
fn met_norway_begins_its_hours() {
    let answer = met_norway::parse(COMPACT).unwrap();
    assert_eq!(answer.only().len(), 3);
    let hour = ending(&answer, "2026-06-01T07:00:00Z");
    near!(hour.rain, 0.4);
    near!(hour.air_at_end, 12.0);
    near!(hour.cloud_cover, 25.0);
    assert_eq!((hour.shortwave, hour.dew_point), (None, None));
    assert_eq!(
        (answer.elevation_m, answer.issued_at),
        (Some(250.0), Some(utc("2026-06-01T05:12:33Z")))
    );
    told(&answer, "steps longer than an hour, left out: 2 (from 2026-06-01T12:00Z)");
    let other = String::from_utf8(COMPACT.to_vec()).unwrap().replace("\"celsius\"", "\"kelvin\"");
    assert!(matches!(met_norway::parse(other.as_bytes()), Err(ServiceError::UnknownUnit { .. })));
}

#[test]
fn gridpoints_hold_their_values_and_share_their_rain() {
    let answer = nws::parse_gridpoint(GRIDPOINT).unwrap();
    let at = |hour: &str| *ending(&answer, &format!("2026-07-04T{hour}:00:00Z"));
    near!(at("20").air, 29.0);
    near!(at("21").air, 29.0);
    near!(at("23").rain, 0.5);
    near!(at("19").wind, 5.0);
    near!(at("20").cloud_cover, 25.0);
    assert_eq!((at("21").cloud_cover, at("22").dew_point), (None, None));
    assert_eq!((answer.only().len(), answer.elevation_m), (30, Some(300.5)));
    for part in [
        "rain of 1 longer intervals shared out evenly over their 6 hours",
        "intervals of parts of an hour, left out: 1",
        "with different values, left as gaps: 1",
        "dew points above the air's temperature, left as gaps: 2",
        "dew_point_c: not given, left as gaps: 1",
    ] {
        told(&answer, part);
    }
}

#[test]
fn reports_of_the_national_service() {
    let answer = nws::parse_reports(OBSERVATIONS).unwrap();
    assert_eq!(answer.only().len(), 3);
    assert_eq!(ending(&answer, "2026-07-04T19:00:00Z").air_at_end, None, "failed its check");
    near!(ending(&answer, "2026-07-04T20:00:00Z").rain, 1.2);
    let hour = ending(&answer, "2026-07-04T21:00:00Z");
    near!(hour.rain, 2.5);
    near!(hour.rel_humidity, 39.0);
    near!(hour.wind, 4.0);
    near!(hour.pressure, 97.0);
    told(&answer, "found wrong by the service itself, left as gaps: 1");
    told(&answer, "further reports within an hour, passed over: 2");
    told(&answer, "reports up to 7 min from the full hour, taken for it: 3");
    assert_eq!(nws::read_reports(b"{\"features\":null}"), Ok(vec![]));
    assert_eq!(nws::parse_stations(STATIONS), Ok(vec!["KXYZ".to_owned()]));
}

#[test]
fn bright_sky_of_several_stations() {
    let answer = bright_sky::parse(BRIGHT_SKY).unwrap();
    let hour = ending(&answer, "2026-05-01T10:00:00Z");
    near!(hour.shortwave, 600.0);
    near!(hour.wind, 5.0);
    near!(hour.dew_point, 7.85);
    assert_eq!((hour.rel_humidity, hour.pressure), (None, None));
    assert_eq!(answer.observed_until, Some(utc("2026-05-01T09:00:00Z")));
    told(&answer, "hours with single values of another station: 1");
    told(&answer, "from INVENTED-ONE (current), INVENTED-TWO (forecast)");
}

#[test]
fn airport_reports_at_their_minute() {
    let answer = asos::parse(REPORTS).unwrap();
    assert_eq!(answer.only().len(), 3);
    near!(answer.only()[0].rain, 0.0);
    near!(answer.only()[2].rain, 6.35);
    near!(answer.only()[2].air_at_end, 18.0);
    assert_eq!(answer.only()[1].wind, None);
    told(&answer, "further reports within an hour, passed over: 2");
}

fn column(name: &str, measure: &'static str, unit: &str) -> DeclaredColumn {
    DeclaredColumn { name: name.to_owned(), measure, unit: unit.to_owned() }
}

fn german_logger() -> Declaration {
    Declaration {
        clock: Clock::Zone(chrono_tz::Europe::Berlin),
        label: Label::End,
        separator: ';',
        decimal_comma: true,
        time_column: "Zeit".to_owned(),
        time_format: Some("%d.%m.%Y %H:%M".to_owned()),
        columns: vec![
            column("Temp", AIR, "degC"),
            column("RF", REL_HUMIDITY, "%"),
            column("Wind", WIND, "m/s"),
            column("Strahlung", SHORTWAVE, "MJ/m2/h"),
            column("Regen", RAIN, "mm"),
        ],
        wind_height_m: 3.0,
        missing: vec!["--".to_owned()],
    }
}

#[test]
fn a_logger_whose_clock_changes() {
    let answer = station::parse(LOGGER_DST, &german_logger()).unwrap();
    assert_eq!((answer.only().len(), answer.wind_height_m), (5, Some(3.0)));
    near!(ending(&answer, "2026-10-24T23:00:00Z").air, 10.5);
    near!(ending(&answer, "2026-10-24T23:00:00Z").rain, 0.2);
    near!(ending(&answer, "2026-10-25T02:00:00Z").air, 9.0);
    assert_eq!(ending(&answer, "2026-10-25T03:00:00Z").air, None);
    told(&answer, "skipped or showed twice, left as gaps: 2 (first '25.10.2026 02:00' in row 5)");
    told(&answer, "first -6999 degC");
    told(&answer, "rows that cannot be read, passed over: 1");

    let fixed = Clock::Fixed(FixedOffset::east_opt(3600).unwrap());
    let fixed = Declaration { clock: fixed, label: Label::Start, ..german_logger() };
    let answer = station::parse(LOGGER_DST, &fixed).unwrap();
    assert_eq!(answer.only()[0].span.from, utc("2026-10-24T22:00:00Z"));
    told(&answer, "with different values, left as gaps: 1");
}

#[test]
fn a_logger_of_ten_minutes() {
    let declaration = Declaration {
        clock: Clock::Fixed(FixedOffset::west_opt(5 * 3600).unwrap()),
        separator: ',',
        decimal_comma: false,
        time_column: "time".to_owned(),
        time_format: None,
        columns: vec![
            column("t_f", AIR, "degF"),
            column("rh", REL_HUMIDITY, "%"),
            column("wind_mph", WIND, "mph"),
            column("rad_ly_h", SHORTWAVE, "Langley/h"),
            column("rain_in", RAIN, "in"),
        ],
        ..german_logger()
    };
    let answer = station::parse(LOGGER_10MIN, &declaration).unwrap();
    let [hour] = answer.only() else { panic!("{:?}", answer.only()) };
    assert_eq!(hour.span.to, utc("2026-03-01T16:00:00Z"));
    near!(hour.air, 10.0);
    near!(hour.wind, 4.4704);
    near!(hour.shortwave, 45.0 * 11.63);
    near!(hour.rain, 0.762);
    told(&answer, "hours with fewer than 5 rows, left as gaps: 1");
    told(&answer, "wind_m_s: values that cannot be");
    let wrong = Declaration { columns: vec![column("rh", REL_HUMIDITY, "g/kg")], ..declaration };
    let error = station::parse(LOGGER_10MIN, &wrong).unwrap_err();
    assert!(matches!(error, ServiceError::UnknownUnit { .. }), "{error}");
}

/// What parsers let through, a weather file takes: each value within the range of its column.
#[test]
fn hours_can_be_written_as_a_weather_file() {
    for answer in [
        open_meteo::parse(ODD).unwrap(),
        met_norway::parse(COMPACT).unwrap(),
        nws::parse_gridpoint(GRIDPOINT).unwrap(),
        bright_sky::parse(BRIGHT_SKY).unwrap(),
    ] {
        let text = weather_file(answer.only());
        let mut findings = xylocast::text::Findings::default();
        let back = parse_observed(&text, chrono_tz::UTC, &mut findings);
        assert_eq!(findings.flaws, []);
        let numbered = back
            .hours
            .iter()
            .zip(answer.only())
            .map(|(back, hour)| RawHour { row: hour.row, ..*back });
        assert_eq!(numbered.collect::<Vec<_>>(), answer.only());
    }
}

/// Every reader, on any bytes.
fn read_all(bytes: &[u8]) {
    let _ = open_meteo::parse_places(bytes);
    let _ = open_meteo::read_stamps(bytes);
    let _ = open_meteo::parse_csv(bytes, Some(Labels { offset_s: 3600 }));
    let _ = met_norway::parse(bytes);
    let _ = (nws::parse_gridpoint(bytes), nws::parse_point(bytes), nws::parse_stations(bytes));
    let _ = (nws::parse_reports(bytes), bright_sky::parse(bytes), dwd_poi::parse(bytes));
    let _ = (ghcn_hourly::parse(bytes), surfrad::parse(bytes), tmy3::parse(bytes));
    let _ = (asos::parse(bytes), station::parse(bytes, &german_logger()), refusal(500, bytes));
}

const BODIES: [&[u8]; 17] = [
    ODD,
    PLACES,
    ENSEMBLE,
    HALF_HOUR,
    COMPACT,
    GRIDPOINT,
    OBSERVATIONS,
    BRIGHT_SKY,
    LOGGER_DST,
    LOGGER_10MIN,
    REPORTS,
    EXPORT.as_bytes(),
    POINT,
    STATIONS,
    GHCN,
    POI,
    TMY3,
];

const TOKENS: [&str; 22] = [
    "null",
    "NaN",
    "-9999",
    "1e308",
    "-1e308",
    "1e999",
    "\"x\"",
    "[]",
    "{}",
    "99999999999999",
    "-1",
    "\"P9999999999D\"",
    "\"2026-01-01T00:00:00Z/P300D\"",
    "\"9999-12-31T23:59:59Z\"",
    "",
    "\u{feff}",
    "é",
    "true",
    "\"PT1H\"",
    "/",
    "0",
    "2100",
];

proptest! {
    #![proptest_config(ProptestConfig { cases: 1500, ..ProptestConfig::default() })]

    #[test]
    fn any_bytes_are_taken_calmly(bytes in prop::collection::vec(any::<u8>(), 0..300)) {
        read_all(&bytes);
    }

    #[test]
    fn spoilt_bodies_are_taken_calmly(
        body in 0..BODIES.len(),
        spoils in prop::collection::vec((any::<prop::sample::Index>(), 0..TOKENS.len(), 0..12_usize), 1..6),
        cut in prop::option::weighted(0.2, any::<prop::sample::Index>()),
    ) {
        let mut bytes = BODIES[body].to_vec();
        for (at, token, taken) in spoils {
            let at = at.index(bytes.len());
            let end = (at + taken).min(bytes.len());
            bytes.splice(at..end, TOKENS[token].bytes());
            if bytes.is_empty() {
                bytes.push(b'{');
            }
        }
        if let Some(cut) = cut {
            bytes.truncate(cut.index(bytes.len()));
        }
        read_all(&bytes);
    }

    /// Values of JSON put in place of others: the body stays JSON, so parsers reach further.
    #[test]
    fn bodies_with_other_values_are_taken_calmly(
        body in 0..8_usize,
        swaps in prop::collection::vec((any::<prop::sample::Index>(), 0..TOKENS.len()), 1..8),
    ) {
        let mut value: serde_json::Value = serde_json::from_slice(BODIES[body]).unwrap();
        for (at, token) in swaps {
            let new = serde_json::from_str(TOKENS[token]).unwrap_or(serde_json::Value::Null);
            let count = leaves(&mut value, &mut |_, _| {});
            let chosen = at.index(count.max(1));
            leaves(&mut value, &mut |number, leaf| if number == chosen { *leaf = new.clone() });
        }
        read_all(value.to_string().as_bytes());
    }
}

/// Visits all that is neither list nor object, by number.
fn leaves(
    value: &mut serde_json::Value,
    visit: &mut impl FnMut(usize, &mut serde_json::Value),
) -> usize {
    fn walk(
        value: &mut serde_json::Value,
        count: &mut usize,
        visit: &mut impl FnMut(usize, &mut serde_json::Value),
    ) {
        match value {
            serde_json::Value::Array(items) => {
                items.iter_mut().for_each(|item| walk(item, count, visit))
            }
            serde_json::Value::Object(items) => {
                items.values_mut().for_each(|item| walk(item, count, visit))
            }
            leaf => {
                visit(*count, leaf);
                *count += 1;
            }
        }
    }
    let mut count = 0;
    walk(value, &mut count, visit);
    count
}
