//! Words for figures, the same in the terminal and on the pages: spans, clock times, chances.

use super::diagnosis::{Kind, Named, TOO_FAST};
use super::rests::counted;
use super::times::Minutes;
use chrono::NaiveDate;

/// A probability, where there is one.
pub fn percent(p: Option<f64>) -> String {
    p.map_or("-".into(), crate::plan::percent)
}

/// Hours and minutes, as people say them.
pub fn span(minutes: Option<Minutes>) -> String {
    match minutes {
        Some(Minutes::At(minutes)) => hours(minutes),
        Some(Minutes::After { after_min }) if after_min > 0.0 => format!(">{}", hours(after_min)),
        _ => "-".into(),
    }
}

/// So many minutes, as people say them; never none.
pub fn hours(minutes: f64) -> String {
    let whole = minutes.round() as i64;
    match whole {
        ..1 => "<1 min".into(),
        1..60 => format!("{whole} min"),
        _ => format!("{} h {:02}", whole / 60, whole % 60),
    }
}

/// `HH:MM` of a local time as answers have it.
pub fn time_of_day(time: &str) -> &str {
    time.get(11..16).unwrap_or(time)
}

/// The same, after the day where that is not `date`.
pub fn clock(time: Option<&str>, date: NaiveDate) -> String {
    let Some(time) = time else { return "-".into() };
    let clock = time_of_day(time);
    match time.get(..10).and_then(|day| day.parse::<NaiveDate>().ok()) {
        Some(day) if day == date => clock.to_owned(),
        Some(day) => format!("{} {clock}", day.format("%-d %b")),
        None => time.to_owned(),
    }
}

/// Day and clock of a local time as answers have it.
pub fn day_clock(time: &str) -> String {
    clock(Some(time), NaiveDate::MIN)
}

/// A kind of what is out of the ordinary, as people say it.
pub fn kind_word(kind: Kind) -> &'static str {
    match kind {
        Kind::Tree => "tree",
        Kind::Crew => "crew",
        Kind::CrewDay => "crew's day",
        Kind::Day => "day",
        Kind::Block => "block",
    }
}

/// One that is out of the ordinary, in a sentence.
pub fn odd(named: &Named) -> String {
    let (longer, [low, high]) = (named.times_as_long, named.interval);
    let logged = match named.logged.is_empty() {
        true => String::new(),
        false => format!("; logged: {}", named.logged.join("; ")),
    };
    let fast = if longer < 1.0 { format!("; {TOO_FAST}") } else { String::new() };
    format!(
        "{} {}: {longer:.1} times as long as it should be ({low:.1}-{high:.1}, {}): look at \
         {}{fast}{logged}",
        kind_word(named.kind),
        named.name,
        counted(named.draws, "draw", "draws"),
        named.suspicion
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn minutes_are_never_none() {
        assert_eq!(
            [0.2, 0.6, 59.4, 59.6, 125.0].map(hours),
            ["<1 min", "1 min", "59 min", "1 h 00", "2 h 05"]
        );
        assert_eq!(span(Some(Minutes::After { after_min: 0.0 })), "-");
    }

    #[test]
    fn another_day_is_named() {
        let date = NaiveDate::from_ymd_opt(2026, 1, 14).unwrap();
        assert_eq!(clock(Some("2026-01-14T09:30:00+10:30"), date), "09:30");
        assert_eq!(clock(Some("2026-01-15T00:10:00+10:30"), date), "15 Jan 00:10");
    }
}
