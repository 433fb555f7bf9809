//! A series of hours in order, without overlap, that knows its gaps.

use super::hour::{Flag, Flags, Hour, Span};
use crate::units::{Celsius, Kilopascal, MetresPerSecond, Millimetres, WattsPerSquareMetre};
use chrono::{DateTime, TimeDelta, Utc};

/// Longest gap, in hours, that is bridged by a straight line between its neighbours.
pub const LONGEST_BRIDGE_HOURS: i64 = 3;

/// A hole in a series.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Gap {
    /// The time without weather.
    pub span: Span,
}

/// Why rows do not make a series.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum SeriesError {
    /// An hour ends before it has lasted.
    #[error("the hour starting {from} ends at {to}: it must be longer than nothing")]
    NoLength {
        /// Its start.
        from: DateTime<Utc>,
        /// Its end.
        to: DateTime<Utc>,
    },
    /// Two hours claim the same time.
    #[error("the hour starting {second} overlaps the one starting {first}")]
    Overlap {
        /// Start of the earlier hour.
        first: DateTime<Utc>,
        /// Start of the later one.
        second: DateTime<Utc>,
    },
}

/// Hours in order, none overlapping; what lies between them is a gap.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Series {
    hours: Vec<Hour>,
}

impl Series {
    /// A series of hours in any order.
    ///
    /// # Errors
    /// [`SeriesError::NoLength`] where one of them does not end after it starts;
    /// [`SeriesError::Overlap`] where two of them share time.
    pub fn new(mut hours: Vec<Hour>) -> Result<Self, SeriesError> {
        if let Some(Hour { span: Span { from, to }, .. }) =
            hours.iter().find(|hour| hour.span.to <= hour.span.from)
        {
            return Err(SeriesError::NoLength { from: *from, to: *to });
        }
        hours.sort_by_key(|hour| hour.span.from);
        match hours.windows(2).find(|pair| pair[1].span.from < pair[0].span.to) {
            Some(pair) => {
                Err(SeriesError::Overlap { first: pair[0].span.from, second: pair[1].span.from })
            }
            None => Ok(Self { hours }),
        }
    }

    /// The hours, in order.
    pub fn hours(&self) -> &[Hour] {
        &self.hours
    }

    /// From the first hour's start to the last one's end; none where there is no hour.
    pub fn span(&self) -> Option<Span> {
        Some(Span { from: self.hours.first()?.span.from, to: self.hours.last()?.span.to })
    }

    /// The hour that an instant falls into.
    pub fn at(&self, instant: DateTime<Utc>) -> Option<&Hour> {
        let after = self.hours.partition_point(|hour| hour.span.from <= instant);
        self.hours[..after].last().filter(|hour| hour.span.contains(instant))
    }

    /// The hours that share time with `span`.
    pub fn within(&self, span: Span) -> &[Hour] {
        let first = self.hours.partition_point(|hour| hour.span.to <= span.from);
        let end = self.hours.partition_point(|hour| hour.span.from < span.to);
        &self.hours[first..end.max(first)]
    }

    /// The holes between the hours.
    pub fn gaps(&self) -> Vec<Gap> {
        let between = |pair: &[Hour]| Span { from: pair[0].span.to, to: pair[1].span.from };
        self.hours
            .windows(2)
            .map(between)
            .filter(|span| span.from < span.to)
            .map(|span| Gap { span })
            .collect()
    }

    /// Gaps of up to [`LONGEST_BRIDGE_HOURS`] filled by straight lines between their neighbours and
    /// flagged; longer ones stay.
    pub fn bridged(&self) -> Series {
        let mut hours: Vec<Hour> = Vec::with_capacity(self.hours.len());
        for &hour in &self.hours {
            if let Some(&before) = hours.last() {
                hours.extend(bridge(&before, &hour));
            }
            hours.push(hour);
        }
        // A few bridges beyond what was reserved double it.
        hours.shrink_to_fit();
        Series { hours }
    }

    /// The part inside `span`.
    pub fn clipped(&self, span: Span) -> Series {
        Series { hours: self.within(span).iter().filter_map(|hour| hour.clipped(span)).collect() }
    }

    /// This series up to `cut`, then the other from `cut` on. An hour that straddles the cut is
    /// clipped at it.
    pub fn followed_by(&self, later: &Series, cut: DateTime<Utc>) -> Series {
        let before = Span { from: DateTime::<Utc>::MIN_UTC, to: cut };
        let after = Span { from: cut, to: DateTime::<Utc>::MAX_UTC };
        let mut hours = self.clipped(before).hours;
        hours.extend(later.clipped(after).hours);
        Series { hours }
    }

    /// This series with the other's hours where it has none of its own.
    pub fn filled_from(&self, other: &Series) -> Series {
        let free = |hour: &&Hour| self.within(hour.span).is_empty();
        let mut hours: Vec<Hour> = other.hours.iter().filter(free).copied().collect();
        hours.extend(&self.hours);
        hours.sort_by_key(|hour| hour.span.from);
        Series { hours }
    }

    /// The mean of ensemble members over the spans that all of them have; flags of any are kept.
    /// It is for showing: what weather does to a tree is to be reckoned member by member.
    pub fn mean(members: &[Series]) -> Series {
        let [first, others @ ..] = members else { return Series::default() };
        let of_span = |hour: &Hour| {
            let same = |other: &Series| {
                other.at(hour.span.from).filter(|it| it.span == hour.span).copied()
            };
            let hours: Option<Vec<Hour>> =
                std::iter::once(Some(*hour)).chain(others.iter().map(same)).collect();
            Some(Hour::mean(&hours?))
        };
        Series { hours: first.hours.iter().filter_map(of_span).collect() }
    }

    /// The same spans with other values.
    pub fn map_hours(&self, change: impl Fn(usize, &Hour) -> Hour) -> Series {
        let same_span =
            |(index, hour): (usize, &Hour)| Hour { span: hour.span, ..change(index, hour) };
        Series { hours: self.hours.iter().enumerate().map(same_span).collect() }
    }

    /// Flags of every hour that shares time with `span`.
    pub fn flags(&self, span: Span) -> Flags {
        self.within(span).iter().fold(Flags::default(), |flags, hour| flags.union(hour.flags))
    }
}

fn bridge(before: &Hour, after: &Hour) -> Vec<Hour> {
    let gap = Span { from: before.span.to, to: after.span.from };
    let longest = TimeDelta::hours(LONGEST_BRIDGE_HOURS);
    if gap.from >= gap.to || gap.to - gap.from > longest {
        return Vec::new();
    }
    let distance = Span { from: before.span.middle(), to: after.span.middle() }.hours();
    let mut hours = Vec::new();
    let mut from = gap.from;
    while from < gap.to {
        let span = Span { from, to: (from + TimeDelta::hours(1)).min(gap.to) };
        let share = Span { from: before.span.middle(), to: span.middle() }.hours() / distance;
        hours.push(between(before, after, share, span));
        from = span.to;
    }
    hours
}

fn between(before: &Hour, after: &Hour, share: f64, span: Span) -> Hour {
    let line = |a: f64, b: f64| a + share * (b - a);
    Hour {
        span,
        air: Celsius::computed(line(before.air.value(), after.air.value())),
        vapour_pressure: Kilopascal::computed(line(
            before.vapour_pressure.value(),
            after.vapour_pressure.value(),
        )),
        wind_2m: MetresPerSecond::computed(line(before.wind_2m.value(), after.wind_2m.value())),
        shortwave: WattsPerSquareMetre::computed(line(
            before.shortwave.value(),
            after.shortwave.value(),
        )),
        rain: Millimetres::computed(line(before.rain.value(), after.rain.value()) * span.hours()),
        pressure: Kilopascal::computed(line(before.pressure.value(), after.pressure.value())),
        soil_water_m3_m3: before
            .soil_water_m3_m3
            .zip(after.soil_water_m3_m3)
            .map(|(a, b)| line(a, b)),
        flags: before.flags.union(after.flags).with(Flag::Bridged),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn hour(from_min: i64, to_min: i64) -> Hour {
        let at = |min: i64| DateTime::from_timestamp(min * 60, 0).unwrap();
        Hour {
            span: Span { from: at(from_min), to: at(to_min) },
            air: Celsius::computed(20.0),
            vapour_pressure: Kilopascal::computed(1.0),
            wind_2m: MetresPerSecond::computed(2.0),
            shortwave: WattsPerSquareMetre::computed(0.0),
            rain: Millimetres::computed(0.0),
            pressure: Kilopascal::computed(101.3),
            soil_water_m3_m3: None,
            flags: Flags::default(),
        }
    }

    #[test]
    fn hours_of_no_length_are_refused() {
        for to_min in [60, 59] {
            let refused = Series::new(vec![hour(0, 60), hour(60, to_min)]).unwrap_err();
            let SeriesError::NoLength { from, to } = refused else { panic!("{refused}") };
            assert_eq!((from.timestamp(), to.timestamp()), (3600, to_min * 60));
        }
        assert!(Series::new(vec![hour(60, 61), hour(0, 60)]).is_ok());
    }

    #[test]
    fn hours_that_share_time_are_refused() {
        let refused = Series::new(vec![hour(60, 120), hour(0, 61)]).unwrap_err();
        assert!(matches!(refused, SeriesError::Overlap { .. }), "{refused}");
    }
}
