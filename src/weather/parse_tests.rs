use super::*;
use chrono_tz::{Australia, Europe};
use proptest::prelude::*;

fn observed(text: &str, zone: Tz) -> (RawSeries, Vec<String>, Vec<String>) {
    let mut findings = Findings::default();
    let series = parse_observed(text, zone, &mut findings);
    let flaws = findings.flaws.iter().map(ToString::to_string).collect();
    (series, flaws, findings.notes.iter().map(ToString::to_string).collect())
}

fn flaws(text: &str) -> Vec<String> {
    observed(text, Tz::UTC).1
}

/// Hourly rows of an air temperature, the given cells at the hours given.
fn hours(header: &str, rows: &[(&str, &str)]) -> String {
    let mut text = format!("{header}\n");
    for (time, cells) in rows {
        text += &format!("2026-01-14T{time}Z,{cells}\n");
    }
    text
}

#[test]
fn an_hour_ends_or_starts_as_the_header_says() {
    let ending = observed(&hours("hour_ending,air_temp_c", &[("10:00", "20")]), Tz::UTC).0;
    let starting = observed(&hours("hour_starting,air_temp_c", &[("09:00", "20")]), Tz::UTC).0;
    assert_eq!(ending, starting);
    assert_eq!(ending.hours[0].span.from.to_string(), "2026-01-14 09:00:00 UTC");
}

#[test]
fn the_header_must_say_which() {
    assert_eq!(
        flaws("hour_ending,hour_starting,air_temp_c\n"),
        ["weather/observed.csv: hour_ending and hour_starting are both there; keep the one that \
             is true and take the other out",]
    );
    assert_eq!(
        flaws("time,temp\n"),
        [
            "weather/observed.csv: one of the columns hour_ending, hour_starting is needed and \
             none is there (columns found: time, temp)",
            "weather/observed.csv: one of the columns air_temp_c, air_temp_instant_c is needed and \
             none is there (columns found: time, temp)",
        ]
    );
}

#[test]
fn a_full_row() {
    let header = "hour_ending,air_temp_c,air_temp_instant_c,rel_humidity_pct,dew_point_c,\
                  vapour_pressure_kpa,wind_m_s,shortwave_w_m2,rain_mm,pressure_kpa,soil_water_m3_m3";
    let row = "20,21,50,9.3,1.17,2.5,700,0.2,99.8,0.24";
    let (series, flaws, notes) = observed(&hours(header, &[("10:00", row)]), Tz::UTC);
    assert_eq!(flaws, [] as [&str; 0]);
    assert_eq!(
        notes,
        ["weather/observed.csv: humidity is taken from vapour_pressure_kpa; kept aside: \
             dew_point_c, rel_humidity_pct",]
    );
    let hour = series.hours[0];
    assert_eq!(hour.air_at_end.unwrap().value(), 21.0);
    assert_eq!(hour.vapour_pressure.unwrap().value(), 1.17);
    assert_eq!(hour.wind.unwrap().value(), 2.5);
    assert_eq!(hour.soil_water_m3_m3, Some(0.24));
    assert_eq!(series.measured.len(), 10);
}

#[test]
fn every_quantity_has_its_range_and_its_likely_slip() {
    let flaw = |column: &str, cell: &str| {
        let anchor = if column == AIR { "hour_ending" } else { "hour_ending,air_temp_c" };
        let before = if column == AIR { "" } else { "20," };
        let text = hours(&format!("{anchor},{column}"), &[("10:00", &format!("{before}{cell}"))]);
        let flaws = flaws(&text);
        assert_eq!(flaws.len(), 1, "{flaws:?}");
        flaws[0].strip_prefix("weather/observed.csv row 2: ").unwrap().to_owned()
    };
    for (column, cell, told) in [
        (
            AIR,
            "68.5",
            "68.5 degC is outside -60 to 60 degC; if this is in degF, convert it: (F - 32) / 1.8",
        ),
        (AIR, "293.2", "293.2 degC is outside -60 to 60 degC; if this is in K, subtract 273.15"),
        (AIR, "-75", "-75 degC is outside -60 to 60 degC; correct it"),
        (REL_HUMIDITY, "106", "106 % is outside 0 to 100 %; saturated air is 100, so write 100"),
        (
            VAPOUR_PRESSURE,
            "15.2",
            "15.2 kPa is outside 0 to 12 kPa; if this is in hPa, divide by 10",
        ),
        (
            WIND,
            "1048",
            "1048 m/s is outside 0 to 75 m/s; if this is in km/h, divide by 3.6; if in mph, multiply by 0.447",
        ),
        (
            SHORTWAVE,
            "2554",
            "2554 W/m2 is outside 0 to 1500 W/m2; if this is in MJ/m2/day, convert it to W/m2 (1 MJ/m2/day = 11.574 W/m2)",
        ),
        (
            SHORTWAVE,
            "-21",
            "-21 W/m2 is outside 0 to 1500 W/m2; a sensor's offset by night counts as none, so write 0",
        ),
        (RAIN, "-1", "-1 mm is outside 0 to 300 mm; write the depth that fell within the hour"),
        (PRESSURE, "1013", "1013 kPa is outside 40 to 110 kPa; if this is in hPa, divide by 10"),
        (
            SOIL_WATER,
            "24",
            "24 m3/m3 is outside 0 to 1 m3/m3; if this is in percent, divide by 100",
        ),
        (
            WIND,
            "-9999",
            "-9999 m/s is outside 0 to 75 m/s and looks like a station's mark for a missing value; leave the cell empty",
        ),
        (
            AIR,
            "-99.9",
            "-99.9 degC is outside -60 to 60 degC and looks like a station's mark for a missing value; leave the cell empty",
        ),
        (
            PRESSURE,
            "9999",
            "9999 kPa is outside 40 to 110 kPa and looks like a station's mark for a missing value; leave the cell empty",
        ),
        (
            DEW_POINT,
            "25",
            "25 degC is above the air's 20 degC by more than 2 degC; check that the columns are not swapped",
        ),
    ] {
        assert_eq!(flaw(column, cell), format!("{column} {told}"));
    }
}

#[test]
fn sensors_that_stray_a_little_are_held_to_what_can_be() {
    let text = hours(
        "hour_ending,air_temp_c,rel_humidity_pct,shortwave_w_m2",
        &[("01:00", "9,100,0"), ("02:00", "9,105,-20"), ("03:00", "9,100.4,-0.1")],
    );
    let (series, flaws, notes) = observed(&text, Tz::UTC);
    assert_eq!(flaws, [] as [&str; 0]);
    for hour in series.hours {
        assert_eq!(hour.rel_humidity.unwrap().value(), 100.0);
        assert_eq!(hour.shortwave.unwrap().value(), 0.0);
    }
    assert_eq!(
        notes,
        [
            "weather/observed.csv: rel_humidity_pct cells up to 105 %, taken as 100 %: 2 (first in \
             row 3)",
            "weather/observed.csv: shortwave_w_m2 cells down to -20 W/m2, taken as 0 W/m2: 2 \
             (first in row 3)",
        ]
    );
}

#[test]
fn a_column_as_a_whole_can_be_wrong() {
    let text = hours(
        "hour_ending,air_temp_c,rel_humidity_pct",
        &[("10:00", "20,0.4"), ("11:00", "21,1"), ("12:00", "22,0.35")],
    );
    assert_eq!(
        flaws(&text),
        ["weather/observed.csv: rel_humidity_pct never goes above 1, so these look like \
             fractions of 1; multiply by 100 to get percent",]
    );
    let rows: Vec<String> =
        (0..24).map(|hour| format!("2026-01-14T{hour:02}:00Z,{}", 50 + hour % 9)).collect();
    assert_eq!(
        flaws(&format!("hour_starting,air_temp_c\n{}\n", rows.join("\n"))),
        ["weather/observed.csv: air_temp_c has a mean of 53.6 degC over 24 hours, which no \
             grove has; if these are degF, convert them: (F - 32) / 1.8",]
    );
}

#[test]
fn missing_cells_are_counted_by_column() {
    let text = hours(
        "hour_ending,air_temp_c,wind_m_s,soil_water_m3_m3,rain_mm",
        &[("10:00", "20,,,"), ("11:00", "21,2,0.2,"), ("12:00", ",,,"), ("13:00", "22,2,,")],
    );
    let (series, flaws, notes) = observed(&text, Tz::UTC);
    assert_eq!(flaws, [] as [&str; 0]);
    assert_eq!(
        notes,
        [
            "weather/observed.csv: air_temp_c hours without a value, left as gaps: 1 (first in row \
             4)",
            "weather/observed.csv: wind_m_s hours without a value, left as gaps: 2 (first in row 2)",
        ]
    );
    // A column without any value is as good as absent.
    assert!(!series.measured.contains(RAIN));
}

#[test]
fn repeated_hours_count_once_and_differing_ones_are_refused() {
    let text = hours(
        "hour_ending,air_temp_c",
        &[("10:00", "20"), ("11:00", "21"), ("10:00", "20"), ("11:00", "22")],
    );
    let (_, flaws, notes) = observed(&text, Tz::UTC);
    assert_eq!(
        flaws,
        ["weather/observed.csv row 5: the hour 2026-01-14T11:00:00+00:00 stands in row 3 with \
             other values; keep one",]
    );
    assert_eq!(
        notes[0],
        "weather/observed.csv: rows that repeat another one in full, counted once: 1"
    );
}

#[test]
fn rows_out_of_order_are_put_in_order() {
    let text =
        hours("hour_ending,air_temp_c", &[("12:00", "22"), ("10:00", "20"), ("11:00", "21")]);
    let (series, flaws, notes) = observed(&text, Tz::UTC);
    assert_eq!(flaws, [] as [&str; 0]);
    assert_eq!(notes, ["weather/observed.csv: rows out of order of time, put in order: 2"]);
    let airs: Vec<f64> = series.hours.iter().map(|hour| hour.air.unwrap().value()).collect();
    assert_eq!(airs, [20.0, 21.0, 22.0]);
}

#[test]
fn rows_must_be_hourly() {
    let half_hours: Vec<(String, &str)> =
        (0..6).map(|half| (format!("{:02}:{:02}", 10 + half / 2, 30 * (half % 2)), "20")).collect();
    let rows: Vec<(&str, &str)> = half_hours.iter().map(|(at, air)| (at.as_str(), *air)).collect();
    assert_eq!(
        flaws(&hours("hour_ending,air_temp_c", &rows)),
        ["weather/observed.csv: the rows are 30 min apart; hourly rows are needed, so bring them \
             to hourly means, and hourly sums of rain",]
    );
    let wide = [("00:00", "20"), ("03:00", "20"), ("06:00", "20"), ("09:00", "20")];
    assert_eq!(
        flaws(&hours("hour_ending,air_temp_c", &wide)),
        ["weather/observed.csv: the rows are 180 min apart; hourly rows are needed, so bring \
             them to one row for each hour",]
    );
}

#[test]
fn rows_must_stand_at_one_place_in_the_hour() {
    let mixed = [("10:00", "20"), ("11:00", "20"), ("12:30", "20"), ("14:00", "20")];
    assert_eq!(
        flaws(&hours("hour_ending,air_temp_c", &mixed)),
        ["weather/observed.csv row 4: the rows stand at two places in the hour: 3 at minute 00, \
             1 at minute 30 (first in this row); bring them to one",]
    );
}

#[test]
fn half_past_by_utc_is_on_the_hour_in_adelaide() {
    let text = "hour_ending,air_temp_c\n2026-01-14T09:00,20\n2026-01-14T10:00,21\n";
    let (series, flaws, notes) = observed(text, Australia::Adelaide);
    assert_eq!(flaws, [] as [&str; 0]);
    assert_eq!(series.hours[1].span.to.to_string(), "2026-01-13 23:30:00 UTC");
    let told = "weather/observed.csv: times without offset, read in the grove's zone \
                Australia/Adelaide: 2";
    assert_eq!(notes, [told]);
}

#[test]
fn clocks_changed_by_half_an_hour_make_a_short_hour() {
    let spring = "hour_ending,air_temp_c\n2026-10-04T01:00,20\n2026-10-04T02:00+10:30,21\n\
                  2026-10-04T03:00,22\n2026-10-04T04:00,23\n";
    for text in [spring.to_owned(), spring.replace("ending", "starting")] {
        let (series, flaws, _) = observed(&text, Australia::Lord_Howe);
        assert_eq!(flaws, [] as [&str; 0]);
        let lengths: Vec<f64> = series.hours.iter().map(|hour| hour.span.hours()).collect();
        assert_eq!(lengths.iter().sum::<f64>(), 3.5, "{lengths:?}");
        assert!(series.hours.windows(2).all(|pair| pair[0].span.to == pair[1].span.from));
    }
}

#[test]
fn clocks_changed_leave_no_doubt() {
    let text = "hour_ending,air_temp_c\n2026-03-29T02:30,9\n2026-10-25T02:30,9\n";
    assert_eq!(
        observed(text, Europe::Madrid).1,
        [
            "weather/observed.csv row 2: hour_ending '2026-03-29T02:30' was skipped in \
             Europe/Madrid when clocks were set forward; write 2026-03-29T01:30:00+01:00 or \
             2026-03-29T03:30:00+02:00",
            "weather/observed.csv row 3: hour_ending '2026-10-25T02:30' came twice in \
             Europe/Madrid when clocks were set back; write 2026-10-25T02:30:00+02:00 or \
             2026-10-25T02:30:00+01:00",
        ]
    );
}

#[test]
fn forecasts_come_by_issue_and_member() {
    let mut text = "hour_ending,air_temp_c,issued_at,member\n".to_owned();
    for issued in ["2026-01-13T12:00Z", "2026-01-13T06:00Z"] {
        for member in ["1", "0"] {
            for hour in ["10", "11"] {
                text += &format!("2026-01-14T{hour}:00Z,20,{issued},{member}\n");
            }
        }
    }
    let mut findings = Findings::default();
    let forecasts = parse_forecast(&text, Tz::UTC, &mut findings);
    assert_eq!(findings, Findings::default());
    assert_eq!(forecasts.len(), 2);
    assert_eq!(forecasts[0].issued_at.unwrap().to_string(), "2026-01-13 06:00:00 UTC");
    assert!(forecasts.iter().all(|forecast| forecast.members.len() == 2));
    assert!(forecasts[0].members.iter().all(|member| member.hours.len() == 2));
}

#[test]
fn an_issue_must_say_when_if_others_do() {
    let text = "hour_ending,air_temp_c,issued_at\n2026-01-14T10:00Z,20,\n";
    let mut findings = Findings::default();
    parse_forecast(text, Tz::UTC, &mut findings);
    assert_eq!(
        findings.flaws[0].to_string(),
        "weather/forecast.csv row 2: issued_at is empty; every row needs it"
    );
}

proptest! {
    #[test]
    fn no_text_panics_and_hours_never_overlap(
        text in "\\PC*",
        rows in prop::collection::vec((0_i64..400, "[0-9.,-]{0,6}", 0_usize..4), 0..40),
        ending in any::<bool>(),
    ) {
        let mut findings = Findings::default();
        parse_forecast(&text, Tz::UTC, &mut findings);
        let column = if ending { HOUR_ENDING } else { HOUR_STARTING };
        let mut table = format!("{column},air_temp_c\n");
        for (quarter, cell, format) in rows {
            let at = DateTime::from_timestamp(1_775_300_000 + quarter * 900, 0).unwrap();
            let local = at.with_timezone(&Australia::Lord_Howe);
            let time = match format {
                0 => at.to_rfc3339(),
                1 => local.format("%Y-%m-%dT%H:%M").to_string(),
                _ => local.format("%Y-%m-%dT%H:00").to_string(),
            };
            table += &format!("{time},{cell}\n");
        }
        let mut findings = Findings::default();
        let series = parse_observed(&table, Australia::Lord_Howe, &mut findings);
        if findings.flaws.is_empty() {
            prop_assert!(series.hours.windows(2).all(|pair| pair[0].span.to <= pair[1].span.from));
            prop_assert!(series.hours.iter().all(|hour| hour.span.hours() > 0.0));
        }
    }
}
