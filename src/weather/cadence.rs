//! Hours brought in order: duplicates, rows out of place, spacing and place in the hour.

use super::parse::RawHour;
use crate::text::{Findings, FlawKind, Note, NoteKind, with_offset};
use chrono::{DateTime, TimeDelta, Timelike, Utc};
use chrono_tz::Tz;
use std::collections::{BTreeMap, HashMap};

const HOUR: TimeDelta = TimeDelta::hours(1);

/// Rows that must be there before their spacing is judged too wide.
const ROWS_TO_JUDGE: usize = 4;

/// Groups of hours, each put in order and freed of repeated rows; one note a file for each.
pub(super) fn in_order<K: Ord>(
    file: &str,
    groups: BTreeMap<K, Vec<RawHour>>,
    ending: bool,
    zone: Tz,
    findings: &mut Findings,
) -> BTreeMap<K, Vec<RawHour>> {
    let (mut repeated, mut moved) = (0, 0);
    let mut cadence = Cadence { file, ending, zone, findings };
    let groups = groups
        .into_iter()
        .map(|(series, mut hours)| {
            moved += out_of_order(&hours);
            hours.sort_by_key(|hour| hour.span.from);
            repeated += cadence.drop_repeated(&mut hours);
            if cadence.is_hourly(&hours) && cadence.has_one_phase(&hours) {
                clip_at_clock_changes(&mut hours, ending);
            }
            (series, hours)
        })
        .collect();
    if repeated > 0 {
        findings.note(Note::on_file(file, NoteKind::Repeated { count: repeated }));
    }
    if moved > 0 {
        findings.note(Note::on_file(file, NoteKind::Sorted { count: moved }));
    }
    groups
}

fn out_of_order(hours: &[RawHour]) -> usize {
    let mut latest = DateTime::<Utc>::MIN_UTC;
    let earlier = |hour: &&RawHour| {
        let earlier = hour.span.from < latest;
        latest = latest.max(hour.span.from);
        earlier
    };
    hours.iter().filter(earlier).count()
}

/// Where clocks change by half an hour, the hour as the station's clock shows it is shorter.
fn clip_at_clock_changes(hours: &mut [RawHour], ending: bool) {
    for at in 1..hours.len() {
        let (before, after) = (hours[at - 1].span, hours[at].span);
        if after.from < before.to {
            if ending {
                hours[at].span.from = before.to;
            } else {
                hours[at - 1].span.to = after.from;
            }
        }
    }
}

struct Cadence<'c> {
    file: &'c str,
    ending: bool,
    zone: Tz,
    findings: &'c mut Findings,
}

impl Cadence<'_> {
    /// The time that the row shows.
    fn shown(&self, hour: &RawHour) -> DateTime<Utc> {
        if self.ending { hour.span.to } else { hour.span.from }
    }

    /// Rows that tell the same of one hour are one; those that do not are flaws.
    fn drop_repeated(&mut self, hours: &mut Vec<RawHour>) -> usize {
        let before = hours.len();
        let mut kept: Vec<RawHour> = Vec::with_capacity(before);
        for hour in hours.drain(..) {
            match kept.last().filter(|last| last.span == hour.span) {
                None => kept.push(hour),
                Some(last) if last.repeats(&hour) => {}
                Some(last) => {
                    let time = with_offset(self.shown(&hour), self.zone);
                    let problem = FlawKind::HoursDiffer { time, first_row: last.row };
                    self.findings.flaw(self.file, Some(hour.row), None, problem);
                }
            }
        }
        *hours = kept;
        before - hours.len()
    }

    fn is_hourly(&mut self, hours: &[RawHour]) -> bool {
        let apart = |pair: &[RawHour]| pair[1].span.from - pair[0].span.from;
        let mut counts: BTreeMap<TimeDelta, usize> = BTreeMap::new();
        for pair in hours.windows(2) {
            *counts.entry(apart(pair)).or_default() += 1;
        }
        let usual = counts.iter().max_by_key(|(_, count)| **count).map(|(apart, _)| *apart);
        let narrowest = counts.keys().next().copied();
        let (spacing, wanted) = match (usual, narrowest) {
            (Some(usual), _) if usual < HOUR => (usual, "hourly means, and hourly sums of rain"),
            (_, Some(narrowest)) if narrowest > HOUR && hours.len() >= ROWS_TO_JUDGE => {
                (narrowest, "one row for each hour")
            }
            _ => return true,
        };
        let problem = FlawKind::NotHourly { minutes: spacing.num_minutes(), wanted };
        self.findings.flaw(self.file, None, None, problem);
        false
    }

    /// All rows stand at one place in the hour, by UTC or by the grove's clocks (the two differ
    /// where clocks change by half an hour).
    fn has_one_phase(&mut self, hours: &[RawHour]) -> bool {
        let utc = |hour: &RawHour| self.shown(hour).timestamp().rem_euclid(3600);
        let local = |hour: &RawHour| {
            let shown = self.shown(hour).with_timezone(&self.zone);
            (shown.minute(), shown.second())
        };
        let one = |mut pairs: std::slice::Windows<RawHour>, same: &dyn Fn(&[RawHour]) -> bool| {
            pairs.all(same)
        };
        let windows = || hours.windows(2);
        if one(windows(), &|pair| utc(&pair[0]) == utc(&pair[1]))
            || one(windows(), &|pair| local(&pair[0]) == local(&pair[1]))
        {
            return true;
        }
        let mut counts: HashMap<i64, usize> = HashMap::new();
        for hour in hours {
            *counts.entry(utc(hour)).or_default() += 1;
        }
        let most = |(phase, count): &(&i64, &usize)| (**count, -**phase);
        let Some((&usual, &usual_rows)) = counts.iter().max_by_key(most) else { return true };
        let is_odd = |hour: &&RawHour| utc(hour) != usual;
        let (Some(odd), Some(even)) = (
            hours.iter().filter(is_odd).min_by_key(|hour| hour.row),
            hours.iter().find(|h| !is_odd(h)),
        ) else {
            return true;
        };
        let problem = FlawKind::MixedPhase {
            usual_minute: local(even).0,
            usual_rows,
            odd_minute: local(odd).0,
            odd_rows: hours.len() - usual_rows,
        };
        self.findings.flaw(self.file, Some(odd.row), None, problem);
        false
    }
}
