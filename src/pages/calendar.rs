//! A day plan as iCalendar (RFC 5545), for the crew's telephones: one event for each act.

use crate::app::dayplan::{DayPlan, Doing};
use chrono::{DateTime, Utc};

/// Longest line in octets, its end left out (RFC 5545, section 3.1).
const LONGEST_LINE: usize = 75;

/// The calendar; `stamp` is when it is made. `only` leaves one person's acts.
pub fn calendar(plan: &DayPlan, stamp: DateTime<Utc>) -> String {
    let mut out = String::new();
    let mut line = |text: &str| folded(&mut out, text);
    line("BEGIN:VCALENDAR");
    line("VERSION:2.0");
    line("PRODID:-//xylocast//day plan//EN");
    line("CALSCALE:GREGORIAN");
    line("METHOD:PUBLISH");
    for (which, person) in plan.people.iter().enumerate() {
        for (number, doing) in person.acts.iter().enumerate() {
            line("BEGIN:VEVENT");
            // The same act of the same plan keeps its UID, so that a later file replaces it.
            let grove: String = plan.grove.bytes().map(|byte| format!("{byte:02x}")).collect();
            line(&format!(
                "UID:{}-{}-{}-{}@xylocast.invalid",
                plan.date,
                which + 1,
                number + 1,
                grove
            ));
            line(&format!("DTSTAMP:{}", utc(stamp)));
            line(&format!("DTSTART:{}", utc(doing.at[0])));
            line(&format!("DTEND:{}", utc(doing.at[1])));
            line(&format!("SUMMARY:{}", escaped(&summary(&person.person, doing))));
            line(&format!("DESCRIPTION:{}", escaped(&description(plan, doing))));
            line(&format!("CATEGORIES:{}", escaped(&person.person)));
            line("END:VEVENT");
        }
    }
    line("END:VCALENDAR");
    out
}

fn summary(person: &str, doing: &Doing) -> String {
    let trees = match doing.trees.is_empty() {
        true => String::new(),
        false => format!(" {}", doing.trees.join(", ")),
    };
    let kit = doing.kit.map_or(String::new(), |kit| format!(" (kit {kit})"));
    format!("{person}: {}{trees}{kit}", doing.what)
}

fn description(plan: &DayPlan, doing: &Doing) -> String {
    let mut lines: Vec<String> = doing.note.iter().cloned().collect();
    lines.push(plan.grove.clone());
    lines.push(
        "Planning estimate: the product label, local law and licensed practice prevail.".into(),
    );
    lines.join("\n")
}

fn utc(at: DateTime<Utc>) -> String {
    at.format("%Y%m%dT%H%M%SZ").to_string()
}

/// TEXT as RFC 5545, section 3.3.11, has it.
fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for letter in text.chars() {
        match letter {
            '\\' | ';' | ',' => out.extend(['\\', letter]),
            '\n' => out.push_str("\\n"),
            letter if letter.is_control() => {}
            letter => out.push(letter),
        }
    }
    out
}

/// A line and its end; a long one goes on behind a blank on the next, never inside a letter.
fn folded(out: &mut String, text: &str) {
    let mut octets = 0;
    for letter in text.chars() {
        if octets + letter.len_utf8() > LONGEST_LINE {
            out.push_str("\r\n ");
            octets = 1;
        }
        out.push(letter);
        octets += letter.len_utf8();
    }
    out.push_str("\r\n");
}
