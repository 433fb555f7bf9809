//! The crew's rhythm: who of the list can be hung when, with so many people and kits.
//!
//! The list's order is kept. A person sets one tree after the other; a kit is taken again once its
//! bag is expected to be empty and somebody has stripped it.

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
/// Whoever is free first sets the next tree. Where no kit is on hand, that person first waits for the
/// next bag to be done and takes its kit off: an empty bag can wait, a start window cannot, but what
/// is stripped takes somebody's time as setting does.
///
/// `ports` has one entry a tree; `opens` tells the first instant from another one on at which a bag
/// may be started, none where that day has no more; `held_min` tells for how many minutes a bag that
/// starts on a tree at an instant keeps its kit, none where it keeps it beyond the weather.
pub fn starts(
    crew: &Crew,
    ports: &[u32],
    from: DateTime<Utc>,
    until: DateTime<Utc>,
    opens: impl Fn(DateTime<Utc>) -> Option<DateTime<Utc>>,
    mut held_min: impl FnMut(usize, DateTime<Utc>) -> Option<f64>,
) -> Vec<Option<DateTime<Utc>>> {
    let mut round = Round::new(crew, from);
    ports
        .iter()
        .enumerate()
        .map(|(tree, &ports)| {
            let (person, kit) = round.next()?;
            // Measuring and drilling need no kit: it must be there when the bag is started.
            let ready = round.people[person] + minutes(crew.setting_min(ports));
            let start = opens(ready.max(kit))?;
            if start >= until {
                return None;
            }
            round.started(person, start, held_min(tree, start));
            Some(start)
        })
        .collect()
}

/// Where people and kits are in the course of a day.
struct Round<'a> {
    crew: &'a Crew,
    /// When each person is free.
    people: Vec<DateTime<Utc>>,
    /// When each kit that hangs nowhere is on hand.
    kits: Vec<DateTime<Utc>>,
    /// When each hanging bag is done.
    done: Vec<DateTime<Utc>>,
}

impl<'a> Round<'a> {
    fn new(crew: &'a Crew, from: DateTime<Utc>) -> Self {
        Self {
            crew,
            people: vec![from; crew.people as usize],
            kits: vec![from; crew.kits as usize],
            done: Vec::new(),
        }
    }

    /// Who sets the next tree, and when a kit is on hand for it; none where no kit comes back.
    fn next(&mut self) -> Option<(usize, DateTime<Utc>)> {
        loop {
            let person = earliest(&self.people)?;
            if let Some(kit) = earliest(&self.kits) {
                return Some((person, self.kits.swap_remove(kit)));
            }
            let bag = earliest(&self.done)?;
            let at = self.done.swap_remove(bag).max(self.people[person]);
            let stripped = at + minutes(self.crew.strip_min);
            self.kits.push(stripped);
            self.people[person] = stripped + minutes(self.crew.walk_min);
        }
    }

    fn started(&mut self, person: usize, start: DateTime<Utc>, held_min: Option<f64>) {
        self.people[person] = start + minutes(self.crew.walk_min);
        self.done.extend(held_min.map(|held| start + minutes(held)));
    }
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

    fn waits(people: u32, kits: u32) -> Vec<i64> {
        let from = DateTime::UNIX_EPOCH;
        let until = from + TimeDelta::days(9);
        let starts = starts(&crew(people, kits), &[8; 24], from, until, Some, |_, _| Some(120.0));
        let starts: Vec<_> = starts.into_iter().flatten().collect();
        starts.windows(2).map(|pair| (pair[1] - pair[0]).num_minutes() - 12).collect()
    }

    /// By hand. One person sets a tree every 12 min; eight kits hang after 96. The first bag is done at
    /// 132, its kit is off at 147, the ninth tree set at 159: 51 min later than it could be. Two
    /// people have hung them by 48; one strips the first from 132 to 147 while the other drills, so
    /// that the ninth bag runs at 147, 135 min after the first, as Little's law has it (120 min
    /// uptake and 15 min to strip).
    #[test]
    fn stripping_takes_the_time_of_somebody() {
        assert!(waits(1, 30).iter().all(|wait| *wait == 0));
        let alone = waits(1, 8);
        assert!(alone[..7].iter().all(|wait| *wait == 0));
        assert_eq!(alone[7], 51);
        let together = waits(2, 8);
        assert_eq!(together[..8].iter().map(|wait| wait + 12).sum::<i64>(), 135);
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
