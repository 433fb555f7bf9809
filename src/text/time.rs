//! Times as text: ISO 8601 in, RFC 3339 out, and no guess where clocks were changed.

use super::shown;
use chrono::{
    DateTime, Datelike, FixedOffset, MappedLocalTime, NaiveDate, NaiveDateTime, NaiveTime, Offset,
    SecondsFormat, TimeDelta, TimeZone, Utc,
};
use chrono_tz::Tz;

/// Years that a grove can be about.
const YEARS: std::ops::RangeInclusive<i32> = 1970..=2100;

/// Widest offset from UTC in use, in minutes.
const WIDEST_OFFSET_MIN: i32 = 14 * 60;

/// A time read from text.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ReadTime {
    /// The instant.
    pub at: DateTime<Utc>,
    /// Did the text carry an offset? Where not, the grove's zone completed it.
    pub has_offset: bool,
}

/// Why text is no time.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[expect(missing_docs, reason = "each variant is told by its message, each field by its name")]
pub enum TimeFlaw {
    #[error("'{text}' is not a time; write it as 2026-01-14T09:30:00+10:30")]
    Form { text: String },
    #[error("'{text}' is not in the calendar or on the clock; correct it")]
    NoSuch { text: String },
    #[error("'{text}' is outside the years 1970 to 2100; correct it")]
    Year { text: String },
    #[error("'{text}' has an offset beyond 14 h from UTC; correct it")]
    Offset { text: String },
    #[error(
        "'{text}' was skipped in {zone} when clocks were set forward; write {} or {}",
        rfc3339(.earlier), rfc3339(.later)
    )]
    Skipped {
        text: String,
        zone: &'static str,
        earlier: DateTime<FixedOffset>,
        later: DateTime<FixedOffset>,
    },
    #[error(
        "'{text}' came twice in {zone} when clocks were set back; write {} or {}",
        rfc3339(.first), rfc3339(.second)
    )]
    Twice {
        text: String,
        zone: &'static str,
        first: DateTime<FixedOffset>,
        second: DateTime<FixedOffset>,
    },
    #[error("'{text}' is not a date; write it as 2026-01-14")]
    Date { text: String },
    #[error("'{text}' is not a day of the season; write it as 09-15 (every year) or 2026-09-15")]
    SeasonDay { text: String },
    #[error("'{text}' is not a time of day; write it as 07:30")]
    TimeOfDay { text: String },
}

/// An instant from ISO 8601 text, `2026-01-14T09:30:00+10:30`: seconds may be left out, fractions
/// of a second are dropped, a blank may stand for the `T`, and `24:00` is the next midnight.
///
/// Without an offset the time is read in `zone`, where clocks there showed it exactly once.
///
/// # Errors
/// [`TimeFlaw`] for any other form, for what no calendar has, for years outside 1970 to 2100, and
/// for a time without offset that was skipped or came twice in `zone`; it names both candidates.
pub fn read_time(text: &str, zone: Tz) -> Result<ReadTime, TimeFlaw> {
    let parts = split(text).ok_or_else(|| TimeFlaw::Form { text: shown(text) })?;
    let no_such = || TimeFlaw::NoSuch { text: shown(text) };
    let local = parts.local().ok_or_else(no_such)?;
    if !YEARS.contains(&local.year()) {
        return Err(TimeFlaw::Year { text: shown(text) });
    }
    match parts.offset_min {
        None => in_zone(local, zone, text).map(|at| ReadTime { at, has_offset: false }),
        Some(minutes) if minutes.abs() > WIDEST_OFFSET_MIN => {
            Err(TimeFlaw::Offset { text: shown(text) })
        }
        Some(minutes) => {
            let at = (local - TimeDelta::minutes(minutes.into())).and_utc();
            Ok(ReadTime { at, has_offset: true })
        }
    }
}

/// A date, `2026-01-14`, within the years 1970 to 2100.
///
/// # Errors
/// [`TimeFlaw::Date`], [`TimeFlaw::NoSuch`] or [`TimeFlaw::Year`].
pub fn read_date(text: &str) -> Result<NaiveDate, TimeFlaw> {
    let (year, month, day) =
        date_parts(text.trim()).ok_or_else(|| TimeFlaw::Date { text: shown(text) })?;
    let date = NaiveDate::from_ymd_opt(year, month, day)
        .ok_or_else(|| TimeFlaw::NoSuch { text: shown(text) })?;
    if YEARS.contains(&year) { Ok(date) } else { Err(TimeFlaw::Year { text: shown(text) }) }
}

/// A time of day, `07:30`.
///
/// # Errors
/// [`TimeFlaw::TimeOfDay`].
pub fn read_time_of_day(text: &str) -> Result<NaiveTime, TimeFlaw> {
    let flaw = || TimeFlaw::TimeOfDay { text: shown(text) };
    let (hour, minute, second) = clock_parts(text.trim()).ok_or_else(flaw)?;
    NaiveTime::from_hms_opt(hour, minute, second).ok_or_else(flaw)
}

/// An instant in RFC 3339 with seconds and the offset that the zone had then.
pub fn format_time(at: DateTime<Utc>, zone: Tz) -> String {
    rfc3339(&with_offset(at, zone))
}

/// An instant with the offset that the zone had then.
pub fn with_offset(at: DateTime<Utc>, zone: Tz) -> DateTime<FixedOffset> {
    at.with_timezone(&zone).fixed_offset()
}

fn rfc3339(time: &DateTime<FixedOffset>) -> String {
    time.to_rfc3339_opts(SecondsFormat::Secs, false)
}

struct Parts {
    date: (i32, u32, u32),
    clock: (u32, u32, u32),
    offset_min: Option<i32>,
}

impl Parts {
    fn local(&self) -> Option<NaiveDateTime> {
        let date = NaiveDate::from_ymd_opt(self.date.0, self.date.1, self.date.2)?;
        match self.clock {
            (24, 0, 0) => date.succ_opt()?.and_hms_opt(0, 0, 0),
            (hour, minute, second) => date.and_hms_opt(hour, minute, second),
        }
    }
}

fn split(text: &str) -> Option<Parts> {
    let text = text.trim();
    if !text.is_ascii() || text.len() < 16 || !matches!(text.as_bytes()[10], b'T' | b't' | b' ') {
        return None;
    }
    let (date, rest) = (&text[..10], &text[11..]);
    let end = rest.find(['Z', 'z', '+', '-']).unwrap_or(rest.len());
    let (clock, offset) = rest.split_at(end);
    let offset_min = if offset.is_empty() { None } else { Some(offset_minutes(offset)?) };
    Some(Parts { date: date_parts(date)?, clock: clock_parts(clock)?, offset_min })
}

fn date_parts(text: &str) -> Option<(i32, u32, u32)> {
    let bytes = text.as_bytes();
    if bytes.len() != 10 || bytes[4] != b'-' || bytes[7] != b'-' || !text.is_ascii() {
        return None;
    }
    Some((i32::try_from(digits(&text[..4])?).ok()?, digits(&text[5..7])?, digits(&text[8..])?))
}

fn clock_parts(text: &str) -> Option<(u32, u32, u32)> {
    if !text.is_ascii() {
        return None;
    }
    let (clock, fraction) = text.split_once('.').unwrap_or((text, "0"));
    if fraction.is_empty() || !fraction.bytes().all(|byte| byte.is_ascii_digit()) {
        return None;
    }
    let mut fields = clock.split(':').map(two_digits);
    let (hour, minute) = (fields.next()??, fields.next()??);
    let second = match fields.next() {
        Some(second) => second?,
        None if fraction == "0" => 0,
        None => return None,
    };
    fields.next().is_none().then_some((hour, minute, second))
}

fn offset_minutes(text: &str) -> Option<i32> {
    let sign = match text.as_bytes()[0] {
        b'+' => 1,
        b'-' => -1,
        _ => return (text.len() == 1).then_some(0),
    };
    let text = &text[1..];
    let (hours, minutes) = match text.len() {
        2 => (text, "00"),
        4 => text.split_at(2),
        _ => text.split_once(':')?,
    };
    let (hours, minutes) = (two_digits(hours)?, two_digits(minutes)?);
    (minutes < 60).then(|| sign * i32::try_from(hours * 60 + minutes).unwrap_or(i32::MAX))
}

fn two_digits(text: &str) -> Option<u32> {
    (text.len() == 2).then(|| digits(text))?
}

fn digits(text: &str) -> Option<u32> {
    let all_digits = !text.is_empty() && text.bytes().all(|byte| byte.is_ascii_digit());
    all_digits.then(|| text.parse().ok())?
}

fn in_zone(local: NaiveDateTime, zone: Tz, text: &str) -> Result<DateTime<Utc>, TimeFlaw> {
    match zone.from_local_datetime(&local) {
        MappedLocalTime::Single(time) => Ok(time.to_utc()),
        MappedLocalTime::Ambiguous(first, second) => Err(TimeFlaw::Twice {
            text: shown(text),
            zone: zone.name(),
            first: first.fixed_offset().min(second.fixed_offset()),
            second: first.fixed_offset().max(second.fixed_offset()),
        }),
        MappedLocalTime::None => {
            let day = TimeDelta::days(1);
            let read_with = |near: NaiveDateTime| {
                let offset = zone.offset_from_utc_datetime(&near).fix();
                with_offset((local - offset).and_utc(), zone)
            };
            let (before, after) = (read_with(local - day), read_with(local + day));
            Err(TimeFlaw::Skipped {
                text: shown(text),
                zone: zone.name(),
                earlier: before.min(after),
                later: before.max(after),
            })
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use chrono_tz::{America, Asia, Australia, Europe, Pacific};
    use proptest::prelude::*;

    fn iso(text: &str, zone: Tz) -> String {
        match read_time(text, zone) {
            Ok(time) => format_time(time.at, zone),
            Err(flaw) => flaw.to_string(),
        }
    }

    #[test]
    fn every_allowed_form_is_one_instant() {
        for text in [
            "2026-01-14T09:30:00+10:30",
            "2026-01-14T09:30+10:30",
            "2026-01-14 09:30:00.25+1030",
            "2026-01-13T23:00Z",
            "2026-01-13t23:00:00z",
            " 2026-01-14T08:00+09 ",
            "2026-01-14T09:30",
        ] {
            assert_eq!(iso(text, Australia::Adelaide), "2026-01-14T09:30:00+10:30", "{text}");
        }
        assert_eq!(iso("2026-01-14T24:00", Asia::Kolkata), "2026-01-15T00:00:00+05:30");
    }

    #[test]
    fn whether_an_offset_was_there_is_told() {
        assert!(read_time("2026-01-14T09:30Z", Tz::UTC).unwrap().has_offset);
        assert!(!read_time("2026-01-14T09:30", Tz::UTC).unwrap().has_offset);
    }

    #[test]
    fn other_forms_are_refused() {
        for text in [
            "",
            "14/01/2026 09:30",
            "2026-01-14",
            "2026-01-14T9:30",
            "2026-01-14T09:30+",
            "2026-01-14T09:30:00 Adelaide",
            "20260114T0930",
            "2026-01-14T09:30+10:3",
            "2026-01-14T09:30:00\u{2212}10:30",
        ] {
            let flaw = read_time(text, Tz::UTC).unwrap_err();
            assert!(matches!(flaw, TimeFlaw::Form { .. }), "{text}: {flaw}");
        }
        for text in ["2026-02-30T09:30Z", "2026-01-14T24:30Z", "2026-01-14T23:59:60Z"] {
            assert!(matches!(read_time(text, Tz::UTC), Err(TimeFlaw::NoSuch { .. })), "{text}");
        }
        assert!(matches!(read_time("0026-01-14T09:30Z", Tz::UTC), Err(TimeFlaw::Year { .. })));
        let flaw = read_time("2026-01-14T09:30+15:00", Tz::UTC);
        assert!(matches!(flaw, Err(TimeFlaw::Offset { .. })));
    }

    #[test]
    fn a_skipped_time_names_both_candidates() {
        assert_eq!(
            iso("2026-10-04T02:30", Australia::Adelaide),
            "'2026-10-04T02:30' was skipped in Australia/Adelaide when clocks were set forward; \
             write 2026-10-04T01:30:00+09:30 or 2026-10-04T03:30:00+10:30"
        );
        // A gap of half an hour, and one of a whole day.
        assert_eq!(
            iso("2026-10-04T02:15", Australia::Lord_Howe),
            "'2026-10-04T02:15' was skipped in Australia/Lord_Howe when clocks were set forward; \
             write 2026-10-04T01:45:00+10:30 or 2026-10-04T02:45:00+11:00"
        );
        assert_eq!(
            iso("2011-12-30T12:00", Pacific::Apia),
            "'2011-12-30T12:00' was skipped in Pacific/Apia when clocks were set forward; \
             write 2011-12-29T12:00:00-10:00 or 2011-12-31T12:00:00+14:00"
        );
    }

    #[test]
    fn a_time_that_came_twice_names_both_candidates() {
        assert_eq!(
            iso("2026-10-25T02:30", Europe::Madrid),
            "'2026-10-25T02:30' came twice in Europe/Madrid when clocks were set back; \
             write 2026-10-25T02:30:00+02:00 or 2026-10-25T02:30:00+01:00"
        );
        assert_eq!(
            iso("2026-04-05T01:45", Australia::Lord_Howe),
            "'2026-04-05T01:45' came twice in Australia/Lord_Howe when clocks were set back; \
             write 2026-04-05T01:45:00+11:00 or 2026-04-05T01:45:00+10:30"
        );
    }

    #[test]
    fn days_of_odd_length_are_counted_right() {
        let hours = |date: (i32, u32, u32), zone: Tz| {
            let midnight = |date: NaiveDate| read_time(&format!("{date}T00:00"), zone).unwrap().at;
            let date = NaiveDate::from_ymd_opt(date.0, date.1, date.2).unwrap();
            (midnight(date.succ_opt().unwrap()) - midnight(date)).num_minutes() as f64 / 60.0
        };
        assert_eq!(hours((2026, 10, 4), Australia::Lord_Howe), 23.5);
        assert_eq!(hours((2026, 4, 5), Australia::Lord_Howe), 24.5);
        assert_eq!(hours((2026, 3, 29), Europe::Madrid), 23.0);
        assert_eq!(hours((2026, 4, 5), Australia::Adelaide), 25.0);
        assert_eq!(hours((2026, 4, 5), Asia::Kolkata), 24.0);
    }

    #[test]
    fn dates_and_times_of_day() {
        assert_eq!(read_date("2026-02-28").unwrap().to_string(), "2026-02-28");
        assert!(matches!(read_date("28.2.2026"), Err(TimeFlaw::Date { .. })));
        assert!(matches!(read_date("2026-02-29"), Err(TimeFlaw::NoSuch { .. })));
        assert!(matches!(read_date("1026-02-28"), Err(TimeFlaw::Year { .. })));
        assert_eq!(read_time_of_day("07:30").unwrap().to_string(), "07:30:00");
        for text in ["7:30", "24:00", "07:60", "0730", "", "07:30+01:00"] {
            assert!(read_time_of_day(text).is_err(), "{text}");
        }
    }

    fn zones() -> impl Strategy<Value = Tz> {
        prop::sample::select(vec![
            Australia::Adelaide,
            Asia::Kolkata,
            America::St_Johns,
            Australia::Lord_Howe,
            Europe::Madrid,
            Tz::UTC,
        ])
    }

    proptest! {
        #[test]
        fn written_times_read_back(seconds in 0_i64..4_100_000_000, zone in zones()) {
            let at = DateTime::from_timestamp(seconds, 0).unwrap();
            let read = read_time(&format_time(at, zone), zone).unwrap();
            prop_assert_eq!(read, ReadTime { at, has_offset: true });
        }

        #[test]
        fn a_time_without_offset_is_right_or_refused(
            seconds in 0_i64..4_100_000_000,
            zone in zones(),
        ) {
            let at = DateTime::from_timestamp(seconds, 0).unwrap();
            let text = format_time(at, zone);
            match read_time(&text[..19], zone) {
                Ok(read) => prop_assert_eq!(read.at, at),
                Err(TimeFlaw::Twice { first, second, .. }) => {
                    prop_assert!(first.to_utc() == at || second.to_utc() == at);
                }
                Err(flaw) => prop_assert!(false, "{}", flaw),
            }
        }

        #[test]
        fn no_text_panics(text in "\\PC*", digits in "[0-9T:.+Z -]{0,40}", zone in zones()) {
            let _ = (read_time(&text, zone), read_date(&text), read_time_of_day(&text));
            let _ = (read_time(&digits, zone), read_date(&digits), read_time_of_day(&digits));
        }
    }
}
