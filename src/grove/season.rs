//! When a block has leaves and bloom, as far as the user said.

use crate::text::{TimeFlaw, read_date, shown};
use chrono::{Datelike, NaiveDate, TimeDelta};

/// Season dates of a grove or a block. Unknown ones are a caution, never a guess.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Season {
    /// First day with leaves.
    pub leaf_on_from: Option<SeasonDay>,
    /// First day without.
    pub leaf_off_from: Option<SeasonDay>,
    /// First and last day of bloom.
    pub bloom: Option<(SeasonDay, SeasonDay)>,
}

/// A day of the season: of one year, `2026-09-15`, or of every year, `09-15`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SeasonDay {
    /// This day only.
    Dated(NaiveDate),
    /// This day every year.
    Yearly {
        /// Month, 1 to 12.
        month: u32,
        /// Day of the month.
        day: u32,
    },
}

/// A dated season tells nothing of days further away than this.
const DATED_HOLDS_DAYS: i64 = 366;

impl SeasonDay {
    /// Reads `2026-09-15` or `09-15`.
    ///
    /// # Errors
    /// [`TimeFlaw::SeasonDay`] for any other text.
    pub fn read(text: &str) -> Result<Self, TimeFlaw> {
        let text = text.trim();
        let flaw = |_| TimeFlaw::SeasonDay { text: shown(text) };
        if text.len() != 5 {
            return read_date(text).map(Self::Dated).map_err(flaw);
        }
        // A leap year, so that 02-29 is a day.
        let date = read_date(&format!("2024-{text}")).map_err(flaw)?;
        Ok(Self::Yearly { month: date.month(), day: date.day() })
    }

    /// The last such day up to `date`; none where this day of one year comes after it.
    pub fn latest_by(self, date: NaiveDate) -> Option<NaiveDate> {
        self.near(date.year()).into_iter().filter(|day| *day <= date).max()
    }

    /// The days it stands for around `year`.
    fn near(self, year: i32) -> Vec<NaiveDate> {
        match self {
            Self::Dated(date) => vec![date],
            Self::Yearly { month, day } => (year - 1..=year + 1)
                .filter_map(|year| NaiveDate::from_ymd_opt(year, month, day))
                .collect(),
        }
    }
}

impl Season {
    /// This season, with `other` where this one says nothing.
    pub fn or(self, other: Season) -> Season {
        let leaves_said = self.leaf_on_from.is_some() || self.leaf_off_from.is_some();
        let leaves = if leaves_said { self } else { other };
        Season {
            leaf_on_from: leaves.leaf_on_from,
            leaf_off_from: leaves.leaf_off_from,
            bloom: self.bloom.or(other.bloom),
        }
    }

    /// Are leaves on? None where the dates do not tell.
    ///
    /// The last event up to `date` tells; before the first known one, its contrary holds.
    pub fn leaf_on(&self, date: NaiveDate) -> Option<bool> {
        let days = |day: Option<SeasonDay>, on: bool| {
            day.map_or(vec![], |day| day.near(date.year())).into_iter().map(move |day| (day, on))
        };
        let mut events: Vec<(NaiveDate, bool)> =
            days(self.leaf_on_from, true).chain(days(self.leaf_off_from, false)).collect();
        events.retain(|(day, _)| (date - *day).abs() <= TimeDelta::days(DATED_HOLDS_DAYS));
        events.sort_unstable();
        match events.partition_point(|(day, _)| *day <= date) {
            0 => events.first().map(|(_, on)| !on),
            after => Some(events[after - 1].1),
        }
    }

    /// Is it in bloom? None where the dates do not tell.
    pub fn in_bloom(&self, date: NaiveDate) -> Option<bool> {
        let (from, to) = self.bloom?;
        let near = |day: &NaiveDate| (date - *day).abs() <= TimeDelta::days(DATED_HOLDS_DAYS);
        let starts: Vec<NaiveDate> = from.near(date.year()).into_iter().filter(near).collect();
        let ends: Vec<NaiveDate> = to.near(date.year()).into_iter().filter(near).collect();
        if starts.is_empty() || ends.is_empty() {
            return None;
        }
        let started = starts.iter().filter(|day| **day <= date).max();
        Some(started.is_some_and(|start| {
            // The end that belongs to this start is the first one after it.
            ends.iter().filter(|end| *end >= start).min().is_some_and(|end| date <= *end)
        }))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn day(text: &str) -> Option<SeasonDay> {
        Some(SeasonDay::read(text).unwrap())
    }

    fn date(text: &str) -> NaiveDate {
        read_date(text).unwrap()
    }

    #[test]
    fn leaves_in_a_southern_year() {
        let season =
            Season { leaf_on_from: day("09-15"), leaf_off_from: day("05-20"), bloom: None };
        assert_eq!(season.leaf_on(date("2026-01-14")), Some(true));
        assert_eq!(season.leaf_on(date("2026-05-19")), Some(true));
        assert_eq!(season.leaf_on(date("2026-05-20")), Some(false));
        assert_eq!(season.leaf_on(date("2026-09-15")), Some(true));
    }

    #[test]
    fn dated_days_hold_for_their_year_only() {
        let season = Season { leaf_on_from: day("2026-04-10"), leaf_off_from: None, bloom: None };
        assert_eq!(season.leaf_on(date("2026-04-09")), Some(false));
        assert_eq!(season.leaf_on(date("2026-12-01")), Some(true));
        assert_eq!(season.leaf_on(date("2029-12-01")), None);
        assert_eq!(Season::default().leaf_on(date("2026-01-01")), None);
    }

    #[test]
    fn bloom_over_the_turn_of_the_year() {
        let bloom = day("12-20").zip(day("01-10"));
        let season = Season { bloom, ..Season::default() };
        for (text, blooms) in [
            ("2026-12-19", false),
            ("2026-12-20", true),
            ("2027-01-10", true),
            ("2027-01-11", false),
        ] {
            assert_eq!(season.in_bloom(date(text)), Some(blooms), "{text}");
        }
        assert_eq!(Season::default().in_bloom(date("2026-12-24")), None);
    }

    #[test]
    fn forms_of_a_day() {
        assert_eq!(day("02-29"), Some(SeasonDay::Yearly { month: 2, day: 29 }));
        for text in ["9-15", "13-01", "02-30", "", "été20", "sept."] {
            assert!(SeasonDay::read(text).is_err(), "{text}");
        }
    }
}
