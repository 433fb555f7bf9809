//! The week ahead as a weather service might have issued it that morning: one series, no member.
//!
//! Tomorrow is bright and dry until a front's cloud comes in after noon, and its rain in the middle
//! of the afternoon. Nothing that came later is known, so nothing here can equal it.

use super::sky::{clear_w_m2, swing, vapour_kpa};
use super::table::Air;
use super::{ZONE, at, date};
use chrono::{DateTime, NaiveDate, TimeDelta, Timelike, Utc};
use xylocast::weather::Span;

/// Hours that one issue reaches ahead.
const REACH: i64 = 7 * 24;

/// A day in a few numbers.
struct Day {
    /// Mean air temperature, and how far it swings about it.
    air_c: (f64, f64),
    /// Dew point.
    dew_c: f64,
    /// Share of a clear sky's shortwave before and after noon.
    through: (f64, f64),
    /// Rain of each hour after 14:00.
    rain_mm: f64,
}

const fn day(air_c: (f64, f64), dew_c: f64, through: (f64, f64), rain_mm: f64) -> Day {
    Day { air_c, dew_c, through, rain_mm }
}

/// 22 to 29 December.
const DAYS: [Day; 8] = [
    day((23.0, 7.0), 8.5, (0.94, 0.9), 0.0),
    day((20.5, 6.0), 9.5, (0.95, 0.4), 0.8),
    day((13.5, 3.5), 8.5, (0.4, 0.55), 0.4),
    day((14.5, 5.0), 7.5, (0.7, 0.8), 0.0),
    day((16.5, 6.0), 7.5, (0.9, 0.85), 0.0),
    day((18.5, 6.5), 8.0, (0.95, 0.95), 0.0),
    day((20.0, 6.5), 8.5, (0.9, 0.75), 0.0),
    day((21.0, 6.5), 9.5, (0.8, 0.7), 0.0),
];

/// When the front is forecast.
fn front_day() -> NaiveDate {
    date(2025, 12, 23)
}

/// The front's afternoon from 12:00, hour by hour: share of a clear sky's shortwave, rain, fall of
/// temperature and rise of dew point against the day's course. The last row holds to midnight.
const FRONT: [(f64, f64, f64, f64); 9] = [
    (0.25, 0.0, 3.0, 2.5),
    (0.16, 0.0, 6.0, 4.0),
    (0.12, 0.2, 8.5, 5.0),
    (0.1, 1.4, 11.0, 5.0),
    (0.09, 2.8, 11.5, 5.0),
    (0.1, 1.9, 11.5, 4.5),
    (0.14, 1.0, 10.5, 4.0),
    (0.2, 0.4, 9.0, 3.5),
    (0.3, 0.2, 7.0, 3.0),
];

/// When the service issued it.
pub fn issued_at() -> DateTime<Utc> {
    at(date(2025, 12, 22), 6 * 60)
}

/// The hours of the issue.
pub fn hours() -> Vec<Air> {
    (1..=REACH).map(|ahead| hour(issued_at() + TimeDelta::hours(ahead))).collect()
}

fn hour(ends: DateTime<Utc>) -> Air {
    let span = Span { from: ends - TimeDelta::hours(1), to: ends };
    let shown = span.from.with_timezone(&ZONE);
    let (date, clock) = (shown.date_naive(), shown.hour() as usize);
    let number = (date - self::date(2025, 12, 22)).num_days() as usize;
    let day = &DAYS[number];
    let through = if clock < 12 { day.through.0 } else { day.through.1 };
    let rain_mm = if clock >= 14 { day.rain_mm } else { 0.0 };
    let front = (date == front_day() && clock >= 12).then(|| FRONT[(clock - 12).min(8)]);
    let (through, rain_mm, cooler, damper) = front.unwrap_or((through, rain_mm, 0.0, 0.0));
    let air_c = mean_c(number, clock) + day.air_c.1 * swing(span.middle()) - cooler;
    Air {
        ends,
        air_c,
        vapour_kpa: vapour_kpa(air_c, day.dew_c + damper),
        wind_m_s: 2.0 + swing(span.middle()) + if front.is_some() { 2.0 } else { 0.0 },
        shortwave_w_m2: through * clear_w_m2(span),
        rain_mm,
        pressure_kpa: if date == front_day() { 96.2 } else { 96.8 },
    }
}

/// The day's mean temperature; until 8:00 it comes over from that of the day before, unless the
/// front has brought it down already.
fn mean_c(number: usize, clock: usize) -> f64 {
    let after_front = front_day() == date(2025, 12, 21 + number as u32);
    let before = if number == 0 || after_front { number } else { number - 1 };
    let kept = (1.0 - (clock as f64 + 0.5) / 8.0).max(0.0);
    DAYS[number].air_c.0 + kept * (DAYS[before].air_c.0 - DAYS[number].air_c.0)
}
