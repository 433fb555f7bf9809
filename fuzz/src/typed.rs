//! What people type: settings of the service, addresses of servers, trunks, times.

use super::in_words;
use chrono::NaiveDate;
use chrono_tz::{Australia::Lord_Howe, Tz};
use std::path::Path;
use std::str::FromStr;
use tokio_postgres::Config;
use xylocast::app::measure::{Tape, Wish, measure, read_file, read_list};
use xylocast::grove::SeasonDay;
use xylocast::http::settings;
use xylocast::store::sql::Address;
use xylocast::text::{format_time, read_date, read_time, read_time_of_day};

/// The first byte says what was typed; the rest is the text.
pub fn typed(data: &[u8]) {
    let Some((which, bytes)) = data.split_first() else { return };
    let text = String::from_utf8_lossy(bytes);
    match which % 6 {
        0 => serve_toml(&text),
        1 => address(&text),
        2 => trunks(bytes, Tape::Centimetres),
        3 => trunks(bytes, Tape::Inches),
        4 => time(&text, Lord_Howe),
        _ => days(&text),
    }
}

fn serve_toml(text: &str) {
    let typed = match settings::Typed::of(Path::new("serve.toml"), text) {
        Ok(typed) => typed,
        Err(error) => return in_words(&error),
    };
    let over = settings::Typed::default().over(typed.clone()).settled(None, None);
    match (typed.settled(None, None), over) {
        (Ok(settings), Ok(over)) => {
            assert_eq!(settings, over);
            settings.shared().iter().for_each(shown);
        }
        (Err(error), Err(_)) => in_words(&error),
        (typed, over) => panic!("{typed:?} of the file alone, {over:?} under no flag"),
    }
}

fn address(text: &str) {
    // It names a file, and not any file is to be read here.
    if text.contains("sslrootcert") {
        return;
    }
    match text.parse::<Address>() {
        Ok(address) => {
            assert_eq!(Address::try_from(address.typed().as_path()).as_ref(), Ok(&address));
            shown(&address);
        }
        Err(error) => in_words(&error),
    }
}

/// As the driver reads it, what is shown of an address has no password and leads to the same place.
fn shown(address: &Address) {
    let address = address.of_grove(None);
    let read = |text: &str| {
        let config = Config::from_str(text);
        config.unwrap_or_else(|error| panic!("{text} is shown, and is no address: {error}"))
    };
    let (shown, typed) = (read(&address.to_string()), address.typed().display().to_string());
    assert_eq!(shown.get_password(), None, "the password is shown: {address}");
    // The most connections are a word of our own, which the driver does not read.
    if !typed.contains("connections=") {
        let typed = read(&typed);
        assert_eq!(shown.get_hosts(), typed.get_hosts());
        assert_eq!(shown.get_ports(), typed.get_ports());
        assert_eq!(shown.get_user(), typed.get_user());
        assert_eq!(shown.get_dbname(), typed.get_dbname());
    }
}

/// Trunks as a list and as a file: their sample can be summed up, and they read the same again.
fn trunks(bytes: &[u8], tape: Tape) {
    let list = read_list(None, &String::from_utf8_lossy(bytes), tape);
    for read in [list, read_file("trunks.csv", bytes, tape)] {
        let trunks = match read {
            Ok(trunks) => trunks,
            Err(error) => {
                in_words(&error);
                continue;
            }
        };
        let mut table = "dbh_cm\n".to_owned();
        trunks.iter().for_each(|trunk| table += &format!("{}\n", trunk.dbh.value()));
        let Ok(measured) = measure(&trunks, Wish::default()) else {
            assert!(trunks.is_empty(), "trunks that cannot be summed up");
            continue;
        };
        assert!(measured.mean_dbh_cm.is_finite());
        assert!(measured.trunks.iter().all(|it| it.off_mean.is_finite()));
        let again = read_file("again.csv", table.as_bytes(), tape).expect("what was written");
        assert!(again.iter().map(|it| it.dbh).eq(trunks.iter().map(|it| it.dbh)));
    }
}

fn time(text: &str, zone: Tz) {
    match read_time(text, zone) {
        Ok(read) => {
            let again = read_time(&format_time(read.at, zone), zone).expect("what was written");
            assert_eq!(again.at, read.at);
        }
        Err(flaw) => in_words(&flaw),
    }
}

/// Dates, times of day and days of the season.
fn days(text: &str) {
    match read_date(text) {
        Ok(date) => assert_eq!(read_date(&date.to_string()), Ok(date)),
        Err(flaw) => in_words(&flaw),
    }
    match read_time_of_day(text) {
        Ok(clock) => assert_eq!(read_time_of_day(&clock.to_string()), Ok(clock)),
        Err(flaw) => in_words(&flaw),
    }
    match SeasonDay::read(text) {
        Ok(day) => {
            let date = NaiveDate::from_ymd_opt(2026, 7, 1).expect("a date");
            assert!(day.latest_by(date).is_none_or(|latest| latest <= date));
        }
        Err(flaw) => in_words(&flaw),
    }
}
