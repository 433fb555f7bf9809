//! Answers of weather services, files of weather, and files of loggers.

use super::in_words;
use super::written::weather_file;
use chrono::FixedOffset;
use chrono_tz::{Australia::Adelaide, Europe::Berlin, Tz};
use xylocast::evapo::sun::SunTrack;
use xylocast::text::{Findings, Refused};
use xylocast::units::{Latitude, Longitude, Metres, Place};
use xylocast::weather::parse::{
    AIR, Measure, RAIN, REL_HUMIDITY, RawHour, RawSeries, SHORTWAVE, WIND, parse_forecast,
    parse_observed,
};
use xylocast::weather::services::station::{
    self, Clock, Declaration, DeclaredColumn, Label, check_times,
};
use xylocast::weather::services::{
    Answer, ServiceError, asos, bright_sky, dwd_poi, ghcn_hourly, met_norway, nws, open_meteo,
    surfrad, tmy3,
};

/// Number of ways in which [`weather`] reads its bytes.
pub const READERS: u8 = 18;

/// The first byte says which reader; the rest is an answer of a service, or a file of weather. Could
/// it be read?
pub fn weather(data: &[u8]) -> bool {
    let Some((which, bytes)) = data.split_first() else { return false };
    match which % READERS {
        0 => sound(open_meteo::parse(bytes)),
        1 => match open_meteo::parse_places(bytes) {
            Ok(places) => places.into_iter().map(sound).fold(false, |any, read| any | read),
            Err(error) => refused(&error),
        },
        2 => open_meteo::read_stamps(bytes).is_ok(),
        3 => sound(open_meteo::parse_csv(bytes, None)),
        4 => sound(met_norway::parse(bytes)),
        5 => sound(bright_sky::parse(bytes)),
        6 => nws::parse_point(bytes).is_ok(),
        7 => nws::parse_stations(bytes).is_ok_and(|stations| !stations.is_empty()),
        8 => sound(nws::parse_gridpoint(bytes)),
        9 => sound(nws::parse_reports(bytes)) & nws::read_reports(bytes).is_ok(),
        10 => sound(asos::parse(bytes)),
        11 => sound(ghcn_hourly::parse(bytes)) & ghcn_hourly::read_reports(bytes).is_ok(),
        12 => sound(dwd_poi::parse(bytes)),
        13 => sound(surfrad::parse(bytes)),
        14 => sound(tmy3::parse(bytes)),
        15 => logger(bytes),
        16 => file(bytes, |text, findings| vec![parse_observed(text, Adelaide, findings)]),
        _ => file(bytes, |text, findings| {
            let issues = parse_forecast(text, Adelaide, findings);
            issues.into_iter().flat_map(|issue| issue.members).collect()
        }),
    }
}

fn refused(error: &ServiceError) -> bool {
    in_words(error);
    false
}

/// What came of an answer: numbers only, hours one after the other, as a weather file has them.
fn sound(read: Result<Answer, ServiceError>) -> bool {
    let answer = match read {
        Ok(answer) => answer,
        Err(error) => return refused(&error),
    };
    let computed = answer.provider.iter().flat_map(|it| [it.reference_et_mm, it.vpd_kpa]);
    let numbers = computed.chain([answer.elevation_m, answer.wind_height_m]).flatten();
    numbers.for_each(|number| assert!(number.is_finite(), "a number that is none came through"));
    answer.hours.iter().for_each(|(_, hours)| written_again(hours));
    answer.notes.iter().for_each(in_words);
    true
}

/// Hours are one after the other, and where a weather file may hold them they read the same there.
fn written_again(hours: &[RawHour]) {
    let apart = |pair: &[RawHour]| pair[0].span.to <= pair[1].span.from;
    assert!(hours.windows(2).all(apart), "hours overlap");
    assert!(hours.iter().filter_map(|hour| hour.soil_water_m3_m3).all(f64::is_finite));
    let mut findings = Findings::default();
    let again = parse_observed(&weather_file(hours), Tz::UTC, &mut findings).hours;
    if findings.flaws.is_empty() {
        let same = |(one, other): (&RawHour, &RawHour)| *one == RawHour { row: one.row, ..*other };
        assert_eq!(again.len(), hours.len());
        assert!(again.iter().zip(hours).all(same), "{again:?} is not {hours:?}");
    }
}

/// A file of weather that is flawed may hold anything; any other is looked at.
fn file(bytes: &[u8], read: impl FnOnce(&str, &mut Findings) -> Vec<RawSeries>) -> bool {
    let mut findings = Findings::default();
    let all = read(&String::from_utf8_lossy(bytes), &mut findings);
    if findings.flaws.is_empty() {
        all.iter().for_each(|series| written_again(&series.hours));
        return true;
    }
    in_words(&Refused { flaws: findings.flaws });
    false
}

/// The first byte declares the logger.
fn logger(data: &[u8]) -> bool {
    let Some((how, bytes)) = data.split_first() else { return false };
    let read = station::parse(bytes, &declared(*how));
    let place = Place {
        latitude: Latitude::computed(-34.5),
        longitude: Longitude::computed(138.7),
        elevation: Metres::computed(120.0),
    };
    if let Ok(answer) = &read {
        let mut sun = SunTrack::new(place);
        let note = check_times(answer.only(), |span| sun.over(span).extraterrestrial.value());
        note.iter().for_each(in_words);
    }
    sound(read)
}

/// Two loggers as unlike as loggers are, by each clock and label.
fn declared(how: u8) -> Declaration {
    let column = |(name, measure, unit): (&str, Measure, &str)| DeclaredColumn {
        name: name.to_owned(),
        measure,
        unit: unit.to_owned(),
    };
    let clock = match how & 2 {
        0 => Clock::Fixed(FixedOffset::west_opt(5 * 3600).expect("an offset")),
        _ => Clock::Zone(Berlin),
    };
    let label = [Label::Start, Label::End, Label::Instant][usize::from(how >> 2) % 3];
    match how & 1 {
        0 => Declaration {
            clock,
            label,
            separator: ',',
            decimal_comma: false,
            time_column: "time".to_owned(),
            time_format: None,
            columns: [
                ("t_f", AIR, "degF"),
                ("rh", REL_HUMIDITY, "%"),
                ("wind_mph", WIND, "mph"),
                ("rad_ly_h", SHORTWAVE, "Langley/h"),
                ("rain_in", RAIN, "in"),
            ]
            .map(column)
            .into(),
            wind_height_m: 2.0,
            missing: vec![],
        },
        _ => Declaration {
            clock,
            label,
            separator: ';',
            decimal_comma: true,
            time_column: "Zeit".to_owned(),
            time_format: Some("%d.%m.%Y %H:%M".to_owned()),
            columns: [
                ("Temp", AIR, "degC"),
                ("RF", REL_HUMIDITY, "%"),
                ("Wind", WIND, "m/s"),
                ("Strahlung", SHORTWAVE, "MJ/m2/h"),
                ("Regen", RAIN, "mm"),
            ]
            .map(column)
            .into(),
            wind_height_m: 3.0,
            missing: vec!["--".to_owned()],
        },
    }
}
