//! Hours brought in order: duplicates, rows out of place, spacing and place in the hour.

use super::parse::RawHour;
use crate::text::{Findings, FlawKind, Note, NoteKind, with_offset};
use chrono::{DateTime, Offset, TimeDelta, Timelike, Utc};
use chrono_tz::Tz;
use std::collections::BTreeMap;

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
        let mut repeated = 0;
        let mut kept: Vec<RawHour> = Vec::with_capacity(hours.len());
        for hour in hours.drain(..) {
            match kept.last().filter(|last| last.span == hour.span) {
                None => kept.push(hour),
                Some(last) if last.repeats(&hour) => repeated += 1,
                Some(last) => {
                    let time = with_offset(self.shown(&hour), self.zone);
                    let problem = FlawKind::HoursDiffer { time, first_row: last.row };
                    self.findings.flaw(self.file, Some(hour.row), None, problem);
                }
            }
        }
        *hours = kept;
        repeated
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

    /// All rows stand at one place in the hour, by UTC or by the grove's clocks: the two differ
    /// where clocks change by half an hour.
    fn has_one_phase(&mut self, hours: &[RawHour]) -> bool {
        let Some(first) = hours.first() else { return true };
        let one_by_utc = hours.iter().all(|hour| self.phase(hour) == self.phase(first));
        let one_by_clock = |phase| hours.iter().all(|hour| self.clock_phases(hour).contains(phase));
        if one_by_utc || self.clock_phases(first).iter().any(one_by_clock) {
            return true;
        }
        let mut counts: BTreeMap<i64, usize> = BTreeMap::new();
        for hour in hours {
            *counts.entry(self.phase(hour)).or_default() += 1;
        }
        let most = counts.iter().max_by_key(|(_, count)| **count);
        let (usual, usual_rows) = most.map_or((0, 0), |(phase, count)| (*phase, *count));
        let with = |usual_wanted: bool| {
            let wanted = |hour: &&RawHour| (self.phase(hour) == usual) == usual_wanted;
            hours.iter().filter(wanted).min_by_key(|hour| hour.row)
        };
        let (Some(usual), Some(odd)) = (with(true), with(false)) else { return true };
        let problem = FlawKind::MixedPhase {
            usual_minute: self.minute(usual),
            usual_rows,
            odd_minute: self.minute(odd),
            odd_rows: hours.len() - usual_rows,
        };
        self.findings.flaw(self.file, Some(odd.row), None, problem);
        false
    }

    /// Seconds past the hour by UTC.
    fn phase(&self, hour: &RawHour) -> i64 {
        self.shown(hour).timestamp().rem_euclid(3600)
    }

    /// Seconds past the hour by the grove's clocks, just before the time and at it: at a change
    /// of clocks a station may show either.
    fn clock_phases(&self, hour: &RawHour) -> [i64; 2] {
        let shown = self.shown(hour);
        [shown - TimeDelta::seconds(1), shown].map(|near| {
            let offset = near.with_timezone(&self.zone).offset().fix().local_minus_utc();
            (shown.timestamp() + i64::from(offset)).rem_euclid(3600)
        })
    }

    fn minute(&self, hour: &RawHour) -> u32 {
        self.shown(hour).with_timezone(&self.zone).minute()
    }
}
