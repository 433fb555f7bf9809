//! The demand clock: demand accumulated since the start of a draw, and its inverse.
//!
//! Within a span the pull `x` is constant and the lagged pull `L` follows it exactly,
//! `L(t) = x + (L0 - x) exp(-t/tau)`; demand is `L` plus the night floor, so its integral over `t`
//! hours is `(x + floor) t + (L0 - x) tau (1 - exp(-t/tau))`. It rises strictly, so it can be
//! inverted.

use super::shape::{Pull, Shape};
use crate::units::DemandHours;
use crate::weather::{Flags, Span};
use chrono::{DateTime, TimeDelta, Utc};
use std::sync::Arc;

/// Weather wanted before a draw so that the lag has forgotten how it was started.
pub const WARM_UP: TimeDelta = TimeDelta::hours(6);

/// Two instants closer than this, a hundredth of a second, are one.
const ROUNDING_H: f64 = 3e-6;

/// Accumulated demand over one or more runs of unbroken weather.
#[derive(Debug, Clone)]
pub struct Clock {
    lag_h: f64,
    floor: f64,
    /// The spans, which members of one forecast share.
    ticks: Arc<[Tick]>,
    /// The state at the start of each.
    knots: Vec<Knot>,
}

/// A span of constant weather.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Tick {
    span: Span,
    run: u32,
    run_starts: DateTime<Utc>,
    flags: Flags,
}

/// The state at the start of a span.
#[derive(Debug, Clone, Copy)]
struct Knot {
    pull: f64,
    lagged: f64,
    accumulated: f64,
}

/// Why the clock cannot tell the demand between two instants.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum ClockError {
    /// No weather at the start.
    #[error("no weather at {at}")]
    Missing {
        /// The instant without weather.
        at: DateTime<Utc>,
    },
    /// The weather ends, or has a hole, before the second instant.
    #[error("the weather ends at {end}")]
    Ends {
        /// End of the unbroken weather.
        end: DateTime<Utc>,
    },
}

/// When a given demand is reached.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum When {
    /// At this instant.
    At(DateTime<Utc>),
    /// Not before the unbroken weather ends, here.
    After(DateTime<Utc>),
}

impl Clock {
    /// A clock over pulls in order of time. Pulls that touch make one run; in each run the lag
    /// starts in step with the first pull.
    pub fn new(shape: &Shape, pulls: &[Pull]) -> Self {
        let (lag_h, floor) = (shape.lag_h, shape.floor());
        let mut ticks: Vec<Tick> = Vec::with_capacity(pulls.len());
        let mut knots: Vec<Knot> = Vec::with_capacity(pulls.len());
        for pull in pulls {
            let (span, flags) = (pull.span, pull.flags);
            match ticks.last().copied().zip(knots.last().copied()) {
                Some((tick, before)) if tick.span.to == span.from => {
                    let after = before.after(tick.span.hours(), lag_h, floor);
                    knots.push(Knot { pull: pull.strength, ..after });
                    ticks.push(Tick { span, flags, ..tick });
                }
                before => {
                    let run = before.map_or(0, |(tick, _)| tick.run + 1);
                    let (pull, lagged) = (pull.strength, pull.strength);
                    knots.push(Knot { pull, lagged, accumulated: 0.0 });
                    ticks.push(Tick { span, run, run_starts: span.from, flags });
                }
            }
        }
        Self { lag_h, floor, ticks: ticks.into(), knots }
    }

    /// Keeps its spans together with another's where they are the same.
    pub fn share_spans(&mut self, other: &Self) {
        if self.ticks == other.ticks {
            self.ticks = other.ticks.clone();
        }
    }

    /// The same clock with nothing after `end`.
    pub fn until(mut self, end: DateTime<Utc>) -> Self {
        let mut ticks = self.ticks.to_vec();
        ticks.truncate(ticks.partition_point(|tick| tick.span.from < end));
        self.knots.truncate(ticks.len());
        if let Some(last) = ticks.last_mut() {
            last.span.to = last.span.to.min(end);
        }
        self.ticks = ticks.into();
        self
    }

    /// Demand accumulated between two instants, without the time that `pauses` cover.
    ///
    /// # Errors
    /// [`ClockError`] where the weather does not reach from one to the other unbroken.
    pub fn between(
        &self,
        from: DateTime<Utc>,
        to: DateTime<Utc>,
        pauses: &[Span],
    ) -> Result<DemandHours, ClockError> {
        let mut total = 0.0;
        for part in flowing(from, to, pauses) {
            total += self.accumulated(part.from, part.to)?;
        }
        Ok(DemandHours::computed(total))
    }

    /// When `wanted` demand has accumulated since `from`, without the time that `pauses` cover.
    ///
    /// # Errors
    /// [`ClockError::Missing`] where there is no weather at `from`.
    pub fn when(
        &self,
        from: DateTime<Utc>,
        wanted: DemandHours,
        pauses: &[Span],
    ) -> Result<When, ClockError> {
        let end = self.reach(from)?;
        let mut left = wanted.value();
        for part in flowing(from, end, pauses) {
            let here = self.accumulated(part.from, part.to)?;
            if left <= here {
                return Ok(When::At(self.invert(part.from, left)));
            }
            left -= here;
        }
        Ok(When::After(end))
    }

    /// Demand-hours accumulated from `start` to each of `minutes` after it, which rise; without the
    /// time that `pauses` cover.
    ///
    /// # Errors
    /// [`ClockError`] where the weather does not reach the last of them unbroken.
    pub fn along(
        &self,
        start: DateTime<Utc>,
        minutes: &[f64],
        pauses: &[Span],
    ) -> Result<Vec<f64>, ClockError> {
        if !pauses.is_empty() {
            let after = |minute: f64| start + TimeDelta::milliseconds((minute * 60_000.0) as i64);
            let each = minutes.iter().map(|minute| self.between(start, after(*minute), pauses));
            return each.map(|clock| clock.map(DemandHours::value)).collect();
        }
        let first = self.place_of(start)?;
        let opening = self.ticks[first];
        let base = self.reading(first, start);
        let mut total = Vec::with_capacity(minutes.len());
        // All in hours after the start: instants are not built for every minute.
        let mut at = first;
        let (mut knot_from_h, mut length_h) =
            (-hours(start - opening.span.from), opening.span.hours());
        for &minute in minutes {
            let at_h = minute / 60.0;
            while at_h > knot_from_h + length_h + ROUNDING_H {
                let end = self.ticks[at].span.to;
                at += 1;
                let next = self.ticks.get(at).filter(|tick| tick.run == opening.run);
                knot_from_h += length_h;
                length_h = next.ok_or(ClockError::Ends { end })?.span.hours();
            }
            let into_h = (at_h - knot_from_h).min(length_h);
            let state = self.knots[at].after(into_h, self.lag_h, self.floor);
            total.push(state.accumulated - base);
        }
        Ok(total)
    }

    /// End of the unbroken weather that holds `from`.
    ///
    /// # Errors
    /// [`ClockError::Missing`] where there is no weather at `from`.
    pub fn reach(&self, from: DateTime<Utc>) -> Result<DateTime<Utc>, ClockError> {
        let run = self.ticks[self.place_of(from)?].run;
        let next = self.ticks.partition_point(|tick| tick.run <= run);
        Ok(self.ticks[next - 1].span.to)
    }

    /// Demand at an instant.
    ///
    /// # Errors
    /// [`ClockError::Missing`] where there is no weather.
    pub fn demand(&self, at: DateTime<Utc>) -> Result<f64, ClockError> {
        let place = self.place_of(at)?;
        let into_h = hours(at - self.ticks[place].span.from);
        Ok(self.knots[place].after(into_h, self.lag_h, self.floor).lagged + self.floor)
    }

    /// Was there weather enough before `from` for the lag to have settled?
    pub fn is_warm(&self, from: DateTime<Utc>) -> bool {
        self.place_of(from).is_ok_and(|place| from - self.ticks[place].run_starts >= WARM_UP)
    }

    /// What was estimated in the weather between two instants.
    pub fn flags(&self, span: Span) -> Flags {
        let first = self.ticks.partition_point(|tick| tick.span.to <= span.from);
        self.ticks[first..]
            .iter()
            .take_while(|tick| tick.span.from < span.to)
            .fold(Flags::default(), |flags, tick| flags.union(tick.flags))
    }

    fn accumulated(&self, from: DateTime<Utc>, to: DateTime<Utc>) -> Result<f64, ClockError> {
        let start = self.place_of(from)?;
        match self.place_ending_at(to) {
            Some(end) if self.ticks[end].run == self.ticks[start].run => {
                Ok((self.reading(end, to) - self.reading(start, from)).max(0.0))
            }
            _ => Err(ClockError::Ends { end: self.reach(from)? }),
        }
    }

    /// Demand accumulated in the run by an instant of the span at a place.
    fn reading(&self, place: usize, at: DateTime<Utc>) -> f64 {
        let into_h = hours(at - self.ticks[place].span.from);
        self.knots[place].after(into_h, self.lag_h, self.floor).accumulated
    }

    /// The place of the span that holds `at`.
    fn place_of(&self, at: DateTime<Utc>) -> Result<usize, ClockError> {
        let after = self.ticks.partition_point(|tick| tick.span.from <= at);
        let place = after.checked_sub(1).filter(|place| at < self.ticks[*place].span.to);
        place.ok_or(ClockError::Missing { at })
    }

    /// The place of the span that holds `at` or ends there.
    fn place_ending_at(&self, at: DateTime<Utc>) -> Option<usize> {
        let after = self.ticks.partition_point(|tick| tick.span.from < at);
        let after = after.max(usize::from(self.ticks.first().is_some_and(|t| t.span.from == at)));
        after.checked_sub(1).filter(|place| at <= self.ticks[*place].span.to)
    }

    /// The instant at which `wanted` has accumulated since `from`; it must lie in the same run.
    fn invert(&self, from: DateTime<Utc>, wanted: f64) -> DateTime<Utc> {
        let Ok(start) = self.place_of(from) else { return from };
        let target = self.reading(start, from) + wanted;
        let run = self.ticks[start].run;
        let run_first = self.ticks.partition_point(|tick| tick.run < run);
        let run_end = self.ticks.partition_point(|tick| tick.run <= run);
        let after = self.knots[run_first..run_end]
            .partition_point(|knot| knot.accumulated <= target)
            .max(1);
        let place = run_first + after - 1;
        let (span, knot) = (self.ticks[place].span, self.knots[place]);
        let into_h = knot.hours_until(target, span.hours(), self.lag_h, self.floor);
        span.from + TimeDelta::milliseconds((into_h * 3_600_000.0).round() as i64)
    }
}

impl Knot {
    /// Lagged pull and accumulated demand `into_h` hours after the knot.
    fn after(&self, into_h: f64, lag_h: f64, floor: f64) -> Knot {
        let decay = (-into_h / lag_h).exp();
        Knot {
            lagged: self.pull + (self.lagged - self.pull) * decay,
            accumulated: self.accumulated
                + (self.pull + floor) * into_h
                + (self.lagged - self.pull) * lag_h * (1.0 - decay),
            pull: self.pull,
        }
    }

    /// Hours after the knot, of a span of `length_h`, at which `target` has accumulated: Newton's
    /// method, kept inside a bracket by bisection.
    fn hours_until(&self, target: f64, length_h: f64, lag_h: f64, floor: f64) -> f64 {
        let (mut low, mut high) = (0.0, length_h);
        let mut into_h = 0.5 * high;
        for _ in 0..60 {
            let state = self.after(into_h, lag_h, floor);
            let excess = state.accumulated - target;
            if excess > 0.0 {
                high = into_h
            } else {
                low = into_h
            }
            let newton = into_h - excess / (state.lagged + floor);
            let next = if newton > low && newton < high { newton } else { 0.5 * (low + high) };
            if (next - into_h).abs() < 1e-9 {
                return next;
            }
            into_h = next;
        }
        into_h
    }
}

/// The parts of `[from, to)` that no pause covers.
fn flowing(from: DateTime<Utc>, to: DateTime<Utc>, pauses: &[Span]) -> Vec<Span> {
    let mut shut: Vec<Span> = pauses.to_vec();
    shut.sort_by_key(|pause| pause.from);
    let mut parts = Vec::with_capacity(shut.len() + 1);
    let mut at = from;
    for pause in shut {
        if pause.from > at {
            parts.push(Span { from: at, to: pause.from.min(to) });
        }
        at = at.max(pause.to);
        if at >= to {
            break;
        }
    }
    if at < to {
        parts.push(Span { from: at, to });
    }
    parts.retain(|part| part.from < part.to);
    parts
}

fn hours(delta: TimeDelta) -> f64 {
    // Microseconds, since a lead moves spans by parts of a millisecond; of ages they overflow.
    match delta.num_microseconds() {
        Some(microseconds) => microseconds as f64 / 3.6e9,
        None => delta.num_milliseconds() as f64 / 3.6e6,
    }
}
