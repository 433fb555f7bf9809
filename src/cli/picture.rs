//! The small picture of a day in the terminal: demand, night, rain and the start window, two
//! characters an hour from midnight to midnight, however long the day is.

use crate::app::outlook::{OutlookHour, is_night};
use crate::app::tomorrow::Tomorrow;
use crate::weather::Span;
use chrono::{DateTime, TimeDelta, Timelike, Utc};
use chrono_tz::Tz;

const LEVELS: [char; 9] = [' ', '▁', '▂', '▃', '▄', '▅', '▆', '▇', '█'];
/// Demand that fills the picture's height.
const FULL: f64 = 1.2;
/// One character.
const COLUMN: TimeDelta = TimeDelta::minutes(30);
/// What the marks mean.
const LEGEND: &str = "  demand: full height = 1.2, 1 = fair weather, ? = no weather; rain: : some, # \
                      1 mm/h\n  or more; · night; = a start then meets the wish\n";

/// Four lines: demand, light, rain, window; under them the hours.
pub fn day(answer: &Tomorrow) -> String {
    let columns = columns(answer.outlook.span);
    let line = |name: &str, mark: &dyn Fn(Span) -> char| {
        let marks: String = columns.iter().map(|column| mark(*column)).collect();
        format!("  {name:<8}|{marks}|\n")
    };
    let hour = |column: Span| -> Option<&OutlookHour> {
        answer.outlook.hours.iter().find(|hour| hour.span.contains(column.middle()))
    };
    let demand = |column: Span| match hour(column) {
        Some(hour) => LEVELS[((hour.demand / FULL * 8.0).round() as usize).min(8)],
        None => '?',
    };
    let night = |column: Span| match is_night(&answer.outlook.turns, column.middle()) {
        true => '·',
        false => ' ',
    };
    let rain = |column: Span| match hour(column).map_or(0.0, |hour| hour.rain_mm) {
        mm if mm >= 1.0 => '#',
        mm if mm >= 0.1 => ':',
        _ => ' ',
    };
    let meets = |column: Span| match answer.start_to_finish.iter().any(|start| {
        column.contains(start.at) && start.barred.is_empty() && start.sure >= Some(answer.sure)
    }) {
        true => '=',
        false => ' ',
    };
    let mut picture = line("demand", &demand);
    picture += &line("night", &night);
    picture += &line("rain", &rain);
    picture += &line("start", &meets);
    let labels = labels(&columns, answer.time_zone.parse().unwrap_or(Tz::UTC));
    picture + &format!("  {:<8} {labels}\n", "") + LEGEND
}

fn columns(day: Span) -> Vec<Span> {
    let mut columns = Vec::new();
    let mut from = day.from;
    while from < day.to {
        let to = (from + COLUMN).min(day.to);
        columns.push(Span { from, to });
        from = to;
    }
    columns
}

/// Every third hour of the clock, under the column in which it strikes; midnight under the first.
fn labels(columns: &[Span], zone: Tz) -> String {
    let mut labels = vec![' '; columns.len() + 2];
    let mut last = None;
    for (index, column) in columns.iter().enumerate() {
        let hour = struck(*column, zone).filter(|hour| hour % 3 == 0 && Some(*hour) != last);
        let Some(hour) = hour else { continue };
        last = Some(hour);
        for (offset, digit) in format!("{hour:02}").chars().enumerate() {
            labels[index + offset] = digit;
        }
    }
    labels.into_iter().collect::<String>().trim_end().to_owned()
}

/// The full hour that the clock shows at the start of a column, or reaches inside it.
fn struck(column: Span, zone: Tz) -> Option<u32> {
    let local = |at: DateTime<Utc>| at.with_timezone(&zone).time();
    (0..30)
        .map(|minute| column.from + TimeDelta::minutes(minute))
        .take_while(|at| *at < column.to)
        .map(local)
        .find(|time| time.minute() == 0)
        .map(|time| time.hour())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::evapo::daily::span_of_date;
    use chrono::NaiveDate;

    fn day_labels(zone: Tz, year: i32, month: u32, day: u32) -> (usize, String) {
        let date = NaiveDate::from_ymd_opt(year, month, day).unwrap();
        let columns = columns(span_of_date(date, zone).unwrap());
        (columns.len(), labels(&columns, zone))
    }

    #[test]
    fn labels_stand_under_their_hours_on_days_of_any_length() {
        use chrono_tz::{Asia, Australia, Europe};
        let plain = "00    03    06    09    12    15    18    21";
        assert_eq!(day_labels(Asia::Kolkata, 2026, 1, 14), (48, plain.into()));
        let (columns, text) = day_labels(Europe::Berlin, 2026, 3, 29);
        assert_eq!((columns, &text[..12]), (46, "00  03    06"));
        let (columns, text) = day_labels(Europe::Berlin, 2026, 10, 25);
        assert_eq!((columns, &text[..16]), (50, "00      03    06"));
        let (columns, text) = day_labels(Australia::Lord_Howe, 2026, 10, 4);
        assert_eq!((columns, &text[..13]), (47, "00   03    06"));
        let (columns, text) = day_labels(Australia::Lord_Howe, 2026, 4, 5);
        assert_eq!((columns, &text[..15]), (49, "00     03    06"));
    }
}
