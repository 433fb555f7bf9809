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

/// Weather wanted before a draw so that the lag has forgotten how it was started.
pub const WARM_UP: TimeDelta = TimeDelta::hours(6);

/// Two instants closer than this, a hundredth of a second, are one.
const ROUNDING_H: f64 = 3e-6;

/// Accumulated demand over one or more runs of unbroken weather.
#[derive(Debug, Clone)]
pub struct Clock {
    lag_h: f64,
    floor: f64,
    knots: Vec<Knot>,
}

/// The state at the start of a span.
#[derive(Debug, Clone, Copy)]
struct Knot {
    span: Span,
    pull: f64,
    lagged: f64,
    accumulated: f64,
    run: u32,
    run_starts: DateTime<Utc>,
    flags: Flags,
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
        let mut knots: Vec<Knot> = Vec::with_capacity(pulls.len());
        for pull in pulls {
            let knot = match knots.last() {
                Some(before) if before.span.to == pull.span.from => {
                    let after = before.after(before.span.hours(), lag_h, floor);
                    Knot {
                        span: pull.span,
                        pull: pull.strength,
                        lagged: after.lagged,
                        accumulated: after.accumulated,
                        flags: pull.flags,
                        ..*before
                    }
                }
                before => Knot {
                    span: pull.span,
                    pull: pull.strength,
                    lagged: pull.strength,
                    accumulated: 0.0,
                    run: before.map_or(0, |before| before.run + 1),
                    run_starts: pull.span.from,
                    flags: pull.flags,
                },
            };
            knots.push(knot);
        }
        Self { lag_h, floor, knots }
    }

    /// The same clock with nothing after `end`.
    pub fn until(mut self, end: DateTime<Utc>) -> Self {
        self.knots.truncate(self.knots.partition_point(|knot| knot.span.from < end));
        if let Some(last) = self.knots.last_mut() {
            last.span.to = last.span.to.min(end);
        }
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
        let opening = self.knot_at(start)?;
        let first = self.knots.partition_point(|knot| knot.span.to <= start);
        let mut later = self.knots[first + 1..].iter().take_while(|knot| knot.run == opening.run);
        let base = self.reading(opening, start);
        let mut total = Vec::with_capacity(minutes.len());
        // All in hours after the start: instants are not built for every minute.
        let mut knot = opening;
        let (mut knot_from_h, mut length_h) =
            (-hours(start - opening.span.from), opening.span.hours());
        for &minute in minutes {
            let at_h = minute / 60.0;
            while at_h > knot_from_h + length_h + ROUNDING_H {
                let end = knot.span.to;
                knot = later.next().ok_or(ClockError::Ends { end })?;
                knot_from_h += length_h;
                length_h = knot.span.hours();
            }
            let into_h = (at_h - knot_from_h).min(length_h);
            total.push(knot.after(into_h, self.lag_h, self.floor).accumulated - base);
        }
        Ok(total)
    }

    /// End of the unbroken weather that holds `from`.
    ///
    /// # Errors
    /// [`ClockError::Missing`] where there is no weather at `from`.
    pub fn reach(&self, from: DateTime<Utc>) -> Result<DateTime<Utc>, ClockError> {
        let run = self.knot_at(from)?.run;
        let next = self.knots.partition_point(|knot| knot.run <= run);
        Ok(self.knots[next - 1].span.to)
    }

    /// Demand at an instant.
    ///
    /// # Errors
    /// [`ClockError::Missing`] where there is no weather.
    pub fn demand(&self, at: DateTime<Utc>) -> Result<f64, ClockError> {
        let knot = self.knot_at(at)?;
        Ok(knot.after(hours(at - knot.span.from), self.lag_h, self.floor).lagged + self.floor)
    }

    /// Was there weather enough before `from` for the lag to have settled?
    pub fn is_warm(&self, from: DateTime<Utc>) -> bool {
        self.knot_at(from).is_ok_and(|knot| from - knot.run_starts >= WARM_UP)
    }

    /// What was estimated in the weather between two instants.
    pub fn flags(&self, span: Span) -> Flags {
        let first = self.knots.partition_point(|knot| knot.span.to <= span.from);
        self.knots[first..]
            .iter()
            .take_while(|knot| knot.span.from < span.to)
            .fold(Flags::default(), |flags, knot| flags.union(knot.flags))
    }

    fn accumulated(&self, from: DateTime<Utc>, to: DateTime<Utc>) -> Result<f64, ClockError> {
        let start = self.knot_at(from)?;
        let end = self.knot_ending_at(to);
        match end {
            Some(end) if end.run == start.run => {
                Ok((self.reading(end, to) - self.reading(start, from)).max(0.0))
            }
            _ => Err(ClockError::Ends { end: self.reach(from)? }),
        }
    }

    fn reading(&self, knot: &Knot, at: DateTime<Utc>) -> f64 {
        knot.after(hours(at - knot.span.from), self.lag_h, self.floor).accumulated
    }

    fn knot_at(&self, at: DateTime<Utc>) -> Result<&Knot, ClockError> {
        let after = self.knots.partition_point(|knot| knot.span.from <= at);
        self.knots[..after]
            .last()
            .filter(|knot| at < knot.span.to)
            .ok_or(ClockError::Missing { at })
    }

    /// The knot whose span holds `at` or ends there.
    fn knot_ending_at(&self, at: DateTime<Utc>) -> Option<&Knot> {
        let after = self.knots.partition_point(|knot| knot.span.from < at);
        let after = after.max(usize::from(self.knots.first().is_some_and(|k| k.span.from == at)));
        self.knots[..after].last().filter(|knot| at <= knot.span.to)
    }

    /// The instant at which `wanted` has accumulated since `from`; it must lie in the same run.
    fn invert(&self, from: DateTime<Utc>, wanted: f64) -> DateTime<Utc> {
        let Ok(start) = self.knot_at(from) else { return from };
        let target = self.reading(start, from) + wanted;
        let run_first = self.knots.partition_point(|knot| knot.run < start.run);
        let run_end = self.knots.partition_point(|knot| knot.run <= start.run);
        let run = &self.knots[run_first..run_end];
        let after = run.partition_point(|knot| knot.accumulated <= target).max(1);
        let knot = &run[after - 1];
        let into_h = knot.hours_until(target, self.lag_h, self.floor);
        knot.span.from + TimeDelta::milliseconds((into_h * 3_600_000.0).round() as i64)
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
            ..*self
        }
    }

    /// Hours after the knot at which `target` has accumulated: Newton's method, kept inside a
    /// bracket by bisection.
    fn hours_until(&self, target: f64, lag_h: f64, floor: f64) -> f64 {
        let (mut low, mut high) = (0.0, self.span.hours());
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
