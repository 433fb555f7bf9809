//! The demo grove, made up from fixed seeds: the same text at every run.
//!
//! `sky` invents the weather, `trees` the trees, `truth` what each tree really takes up, and
//! `season` sends two crews through twelve weeks of it, who see of that truth what crews see:
//! bags that are wet or empty at the times they come by.

pub mod dice;
pub mod forecast;
pub mod season;
pub mod sky;
pub mod table;
pub mod trees;
pub mod truth;
pub mod visits;

use chrono::{DateTime, FixedOffset, NaiveDate, NaiveTime, TimeDelta, TimeZone, Utc};
use chrono_tz::{Australia::Adelaide, Tz};
use std::collections::BTreeMap;
use xylocast::units::{Latitude, Longitude, Metres, Place};

/// Where clocks differ from UTC by a half hour, and change in the season.
pub const ZONE: Tz = Adelaide;

/// `grove.toml`, as a user would write it.
const SETTINGS: &str = include_str!("grove.toml");

/// `blocks.csv`: elms are in leaf a month before walnuts.
const BLOCKS: &str = "block,leaf_on_from,leaf_off_from,bloom_from,bloom_to\n\
                      avenue,09-05,05-15,08-10,08-31\n\
                      walnuts,10-12,05-05,10-14,11-03\n";

/// The files of the demo grove by their names inside `data/demo`.
pub fn files() -> BTreeMap<&'static str, String> {
    let hours = sky::hours();
    let (whole, rainy) = (table::observed(&hours), sky::rainy_mornings(&hours));
    let seen = table::observed(&sky::with_gaps(hours));
    let trees = trees::trees();
    let list = trees::csv(&trees);
    let truth = truth::Truth::new(&trees, SETTINGS, &list, &whole);
    let season = season::season(&trees, &truth, &rainy);
    BTreeMap::from([
        ("as_of", format!("{}\n", table::time(as_of()))),
        ("blocks.csv", BLOCKS.into()),
        ("draws.csv", season.draws),
        ("grove.toml", SETTINGS.into()),
        ("pauses.csv", season.pauses),
        ("readings.csv", season.readings),
        ("trees.csv", list),
        ("weather/forecast.csv", table::forecast(forecast::issued_at(), &forecast::hours())),
        ("weather/observed.csv", seen),
    ])
}

/// The demo's own now: the evening before the day that the forecast is about.
pub fn as_of() -> DateTime<Utc> {
    at(date(2025, 12, 22), 18 * 60)
}

/// First day of weather, 90 days with that of [`as_of`].
pub fn first_day() -> NaiveDate {
    date(2025, 9, 24)
}

/// Where the grove is; `grove.toml` says the same.
pub fn place() -> Place {
    Place {
        latitude: Latitude::new(-35.06).expect("in range"),
        longitude: Longitude::new(138.8).expect("in range"),
        elevation: Metres::new(380.0).expect("in range"),
    }
}

/// A date of the calendar.
pub fn date(year: i32, month: u32, day: u32) -> NaiveDate {
    NaiveDate::from_ymd_opt(year, month, day).expect("a date of the calendar")
}

/// Minutes past midnight on the grove's clocks.
pub fn at(date: NaiveDate, minutes: i64) -> DateTime<Utc> {
    let shown = date.and_time(NaiveTime::MIN) + TimeDelta::minutes(minutes);
    ZONE.from_local_datetime(&shown).single().expect("shown once").to_utc()
}

/// Hours of the day by the sun's clock, which no summer time moves: UTC + 9 h 30 min.
pub fn standard_hour(at: DateTime<Utc>) -> f64 {
    let standard = FixedOffset::east_opt(9 * 3600 + 1800).expect("within a day");
    let clock = at.with_timezone(&standard).time() - NaiveTime::MIN;
    clock.num_seconds() as f64 / 3600.0
}
