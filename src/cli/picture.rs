//! The small picture of a day in the terminal: demand, night, rain and the start window, two
//! characters an hour.

use crate::app::tomorrow::Tomorrow;
use chrono::{DateTime, TimeDelta, Utc};

const LEVELS: [char; 9] = [' ', '▁', '▂', '▃', '▄', '▅', '▆', '▇', '█'];
/// Demand that fills the picture's height.
const FULL: f64 = 1.2;

/// Four lines: demand, light, rain, window; under them the hours.
pub fn day(answer: &Tomorrow) -> String {
    let hours = &answer.outlook.hours;
    let (Some(first), Some(last)) = (hours.first(), hours.last()) else { return String::new() };
    let mut columns = Vec::new();
    let mut at = first.span.from;
    while at < last.span.to {
        columns.push(at);
        at += TimeDelta::minutes(30);
    }
    let hour_at = |at: DateTime<Utc>| hours.iter().find(|hour| hour.span.contains(at));
    let line = |name: &str, mark: &dyn Fn(DateTime<Utc>) -> char| {
        let marks: String = columns.iter().map(|at| mark(*at)).collect();
        format!("  {name:<8}|{}|\n", marks)
    };
    let demand = |at: DateTime<Utc>| {
        let share = hour_at(at).map_or(0.0, |hour| hour.demand / FULL);
        LEVELS[((share * 8.0).round() as usize).min(8)]
    };
    let night = |at: DateTime<Utc>| match hour_at(at) {
        Some(hour) if hour.night => '·',
        Some(_) => ' ',
        None => '?',
    };
    let rain = |at: DateTime<Utc>| match hour_at(at).map_or(0.0, |hour| hour.rain_mm) {
        mm if mm >= 1.0 => '#',
        mm if mm >= 0.1 => ':',
        _ => ' ',
    };
    let meets = |at: DateTime<Utc>| {
        let start = answer.start_to_finish.iter().find(|start| start.at == at);
        match start {
            Some(start) if start.barred.is_empty() && start.sure >= Some(answer.sure) => '=',
            _ => ' ',
        }
    };
    let mut picture = line("demand", &demand);
    picture += &line("night", &night);
    picture += &line("rain", &rain);
    picture += &line("start", &meets);
    picture += &format!("  {:<8} {}\n", "", hour_labels(answer, &columns));
    picture += "           demand: full height = 1.2 (1 = fair weather)   · night   \
                : # rain   = start meets the wish\n";
    picture
}

fn hour_labels(answer: &Tomorrow, columns: &[DateTime<Utc>]) -> String {
    let mut labels = vec![' '; columns.len() + 2];
    for (index, at) in columns.iter().enumerate() {
        let Some(hour) = answer.outlook.hours.iter().find(|hour| hour.span.from == *at) else {
            continue;
        };
        let clock = hour.hour_starting.get(11..13).unwrap_or_default();
        if clock.parse::<u32>().is_ok_and(|hour| hour % 3 == 0) {
            for (offset, letter) in clock.chars().enumerate() {
                labels[index + offset] = letter;
            }
        }
    }
    labels.into_iter().collect::<String>().trim_end().to_owned()
}
