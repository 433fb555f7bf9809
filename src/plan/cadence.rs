//! The crew's rhythm: who of the list can be hung when, with so many people and kits.
//!
//! The list's order is kept. A person sets one tree after the other; a kit is taken again once its
//! bag is expected to be empty and it has been stripped.

use chrono::{DateTime, TimeDelta, Utc};

/// People, kits and the time that each act takes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Crew {
    /// People who set trees side by side.
    pub people: u32,
    /// Kits on the van.
    pub kits: u32,
    /// Hanging, purging and starting a bag, minutes.
    pub set_min: f64,
    /// Drilling and seating one port, minutes.
    pub per_port_min: f64,
    /// Taking a kit off, minutes.
    pub strip_min: f64,
    /// Walking to the next tree, minutes.
    pub walk_min: f64,
}

impl Crew {
    /// Minutes that one person needs from reaching a tree to its bag running.
    pub fn setting_min(&self, ports: u32) -> f64 {
        self.set_min + self.per_port_min * f64::from(ports)
    }
}

/// Starts of the draws, in the order of the list: none for a tree that could not start before
/// `until`.
///
/// `ports` has one entry a tree; `opens` tells the first instant from another one on at which a bag
/// may be started, none where that day has no more; `held_min` tells for how many minutes a bag that starts on a tree
/// at an instant keeps its kit, none where it keeps it beyond the weather.
pub fn starts(
    crew: &Crew,
    ports: &[u32],
    from: DateTime<Utc>,
    until: DateTime<Utc>,
    opens: impl Fn(DateTime<Utc>) -> Option<DateTime<Utc>>,
    mut held_min: impl FnMut(usize, DateTime<Utc>) -> Option<f64>,
) -> Vec<Option<DateTime<Utc>>> {
    let mut people = vec![from; crew.people as usize];
    let mut kits = vec![from; crew.kits as usize];
    ports
        .iter()
        .enumerate()
        .map(|(tree, &ports)| {
            let person = earliest(&people)?;
            let kit = earliest(&kits)?;
            // Measuring and drilling need no kit: it must be there when the bag is started.
            let ready = people[person] + minutes(crew.setting_min(ports));
            let start = opens(ready.max(kits[kit]))?;
            if start >= until {
                return None;
            }
            people[person] = start + minutes(crew.walk_min);
            kits[kit] = match held_min(tree, start) {
                Some(held) => start + minutes(held + crew.strip_min),
                None => DateTime::<Utc>::MAX_UTC - TimeDelta::days(2),
            };
            Some(start)
        })
        .collect()
}

fn earliest(free_from: &[DateTime<Utc>]) -> Option<usize> {
    (0..free_from.len()).min_by_key(|&index| free_from[index])
}

/// A span of minutes, to the millisecond.
pub fn minutes(minutes: f64) -> TimeDelta {
    TimeDelta::milliseconds((minutes * 60_000.0).round() as i64)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn crew(people: u32, kits: u32) -> Crew {
        Crew { people, kits, set_min: 4.0, per_port_min: 1.0, strip_min: 15.0, walk_min: 0.0 }
    }

    fn waits(kits: u32) -> Vec<i64> {
        let from = DateTime::UNIX_EPOCH;
        let starts =
            starts(&crew(1, kits), &[8; 24], from, from + TimeDelta::days(9), Some, |_, _| {
                Some(120.0)
            });
        let starts: Vec<_> = starts.into_iter().flatten().collect();
        starts.windows(2).map(|pair| (pair[1] - pair[0]).num_minutes() - 12).collect()
    }

    /// Little's law (derived): set every 12 min, 120 min uptake and 15 min to strip hold
    /// 135 / 12 = 11.25 kits. With 8 kits, hung in 96 min, the crew waits 39 min a round.
    #[test]
    fn twelve_kits_keep_a_crew_busy_and_eight_make_it_wait_39_minutes() {
        assert!(waits(12).iter().all(|wait| *wait == 0));
        assert_eq!(waits(11)[10], 3);
        let with_eight = waits(8);
        assert_eq!(with_eight[7], 39);
    }

    #[test]
    fn a_kit_that_never_comes_back_ends_the_list() {
        let from = DateTime::UNIX_EPOCH;
        let starts =
            starts(&crew(2, 3), &[6; 5], from, from + TimeDelta::hours(9), Some, |_, _| None);
        assert_eq!(starts.iter().flatten().count(), 3);
    }

    #[test]
    fn nobody_starts_a_bag_before_the_day_opens_or_after_it_shuts() {
        let from = DateTime::UNIX_EPOCH;
        let hour = |hour: i64| from + TimeDelta::hours(hour);
        let opens = |at: DateTime<Utc>| (at < hour(3)).then(|| at.max(hour(2)));
        let starts = starts(&crew(1, 9), &[8; 9], from, hour(9), opens, |_, _| Some(120.0));
        assert_eq!(starts[0], Some(hour(2)));
        assert_eq!(starts.iter().flatten().count(), 5);
        assert!(starts.iter().flatten().all(|at| *at < hour(3)));
    }
}
