//! From what was seen of a bag to what that says of the tree's thirst.
//!
//! With `C` the demand clock since the start and `V` the volume offered so far, uptake is
//! `C exp(y)`. Wet at an instant means `C exp(y) < V`, which bounds `y` from above; empty means
//! `C exp(y) >= V`, which bounds it from below; a volume read off the bag is the curve itself, with
//! a reading error.

use super::likelihood::Seen;
use super::linear;
use crate::demand::{Clock, ClockError};
use crate::units::Millilitres;
use crate::weather::Span;
use chrono::{DateTime, Utc};
use ndarray::Array2;

/// Error of one volume read off a hanging bag, mL (judgement: half a mark of a bag marked every
/// 50 mL).
pub const READING_ERROR_ML: f64 = 25.0;
/// Spread of the ln of a draw's pace over half of it about the pace over all of it. Pace wanders as
/// noise on the demand clock: over a share `p` of a draw its variance about the whole is this squared
/// times `(1 - p) / p`. From the histories of ten groves of the open sap-flow campaigns (pace of the
/// rest over pace so far, hour by hour; 0.17 to 0.20 with any one grove left out).
const WANDER_LN_SD: f64 = 0.19;
/// A volume says where the curve is once this much has left the bag, mL; before that it says how
/// much cannot have left yet.
const LEAST_UPTAKE_ML: f64 = 2.0 * READING_ERROR_ML;
/// What may have left the bag beyond what was read, mL: three reading errors.
const UNSEEN_UPTAKE_ML: f64 = 3.0 * READING_ERROR_ML;

/// What is known of one draw.
#[derive(Debug, Clone, PartialEq)]
pub struct Sighting {
    /// When fluid began to run.
    pub started: DateTime<Utc>,
    /// Volume loaded at the start.
    pub charge: Millilitres,
    /// Volumes added later.
    pub refills: Vec<(DateTime<Utc>, Millilitres)>,
    /// When the line was clamped shut.
    pub pauses: Vec<Span>,
    /// Times at which somebody saw fluid, in any order.
    pub wet: Vec<DateTime<Utc>>,
    /// First time somebody saw none.
    pub first_empty: Option<DateTime<Utc>>,
    /// Volumes read off the bag.
    pub volumes: Vec<(DateTime<Utc>, Millilitres)>,
    /// When a leak was seen: nothing from then on tells of the tree.
    pub leaked: Option<DateTime<Utc>>,
}

/// Why a draw tells nothing.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum Silent {
    /// It leaked before anything else was seen.
    #[error("it leaked before it was looked at")]
    Leaked,
    /// Nobody looked at it after the start.
    #[error("nobody looked at it")]
    NotLookedAt,
    /// No weather for the times at which it was looked at.
    #[error("{0}")]
    NoWeather(#[from] ClockError),
    /// What was seen cannot all be true.
    #[error(
        "seen wet at {wet_clock:.2} and empty at {empty_clock:.2} demand-hours: between the two \
         looks the line was shut, or the times are wrong"
    )]
    Contradiction {
        /// Demand-hours at the last wet look.
        wet_clock: f64,
        /// Demand-hours at the first empty one.
        empty_clock: f64,
    },
}

impl Sighting {
    /// What had been seen by `instant`: later looks are left out.
    pub fn as_of(&self, instant: DateTime<Utc>) -> Sighting {
        let seen = |at: &DateTime<Utc>| *at <= instant;
        Sighting {
            wet: self.wet.iter().filter(|at| seen(at)).copied().collect(),
            first_empty: self.first_empty.filter(seen),
            volumes: self.volumes.iter().filter(|(at, _)| seen(at)).copied().collect(),
            refills: self.refills.iter().filter(|(at, _)| seen(at)).copied().collect(),
            pauses: self.pauses.iter().filter(|pause| seen(&pause.from)).copied().collect(),
            leaked: self.leaked.filter(seen),
            ..*self
        }
    }

    /// The last time somebody looked.
    pub fn last_look(&self) -> Option<DateTime<Utc>> {
        let wet = self.wet.iter().copied();
        self.volumes.iter().map(|(at, _)| *at).chain(wet).chain(self.first_empty).max()
    }

    /// The last time somebody saw fluid without reading how much.
    pub fn last_wet(&self) -> Option<DateTime<Utc>> {
        self.wet.iter().copied().max()
    }

    /// What it says of `ln thirst`.
    ///
    /// # Errors
    /// [`Silent`] where it says nothing, with the reason.
    pub fn seen(&self, clock: &Clock) -> Result<Seen, Silent> {
        let before_leak = |at: &DateTime<Utc>| self.leaked.is_none_or(|leaked| *at < leaked);
        let mut looks = Looks::new(self, clock);
        for at in self.wet.iter().filter(|at| before_leak(at)) {
            looks.wet(*at);
        }
        for at in self.first_empty.iter().filter(|at| before_leak(at)) {
            looks.empty(*at);
        }
        for (at, left) in self.volumes.iter().filter(|(at, _)| before_leak(at)) {
            looks.volume(*at, *left);
        }
        looks.told(self.leaked.is_some())
    }

    fn offered_ml(&self, at: DateTime<Utc>) -> f64 {
        let added: f64 =
            self.refills.iter().filter(|(when, _)| *when < at).map(|(_, ml)| ml.value()).sum();
        self.charge.value() + added
    }
}

/// The looks at one bag, gathered into bounds and readings.
struct Looks<'a> {
    draw: &'a Sighting,
    clock: &'a Clock,
    low: f64,
    high: f64,
    low_clock: f64,
    high_clock: f64,
    volumes: Vec<Volume>,
    without_weather: Option<ClockError>,
    looked: bool,
}

impl<'a> Looks<'a> {
    fn new(draw: &'a Sighting, clock: &'a Clock) -> Self {
        Self {
            draw,
            clock,
            low: f64::NEG_INFINITY,
            high: f64::INFINITY,
            low_clock: 0.0,
            high_clock: 0.0,
            volumes: Vec::new(),
            without_weather: None,
            looked: false,
        }
    }

    /// Demand-hours at a look after the start; a look without weather behind it is set aside.
    fn demand_hours(&mut self, at: DateTime<Utc>) -> Option<f64> {
        if at <= self.draw.started {
            return None;
        }
        self.looked = true;
        match self.clock.between(self.draw.started, at, &self.draw.pauses) {
            Ok(clock) if clock.value() > 0.0 => Some(clock.value()),
            Ok(_) => None,
            Err(error) => {
                self.without_weather = Some(error);
                None
            }
        }
    }

    fn wet(&mut self, at: DateTime<Utc>) {
        self.not_more_than(at, self.draw.offered_ml(at));
    }

    /// Less than this had left the bag.
    fn not_more_than(&mut self, at: DateTime<Utc>, gone_ml: f64) {
        if let Some(clock) = self.demand_hours(at) {
            let bound = (gone_ml / clock).ln();
            if bound < self.high {
                (self.high, self.high_clock) = (bound, clock);
            }
        }
    }

    fn empty(&mut self, at: DateTime<Utc>) {
        if let Some(clock) = self.demand_hours(at) {
            let bound = (self.draw.offered_ml(at) / clock).ln();
            if bound > self.low {
                (self.low, self.low_clock) = (bound, clock);
            }
        }
    }

    fn volume(&mut self, at: DateTime<Utc>, left: Millilitres) {
        if left.value() <= 0.0 {
            return self.empty(at);
        }
        let gone_ml = self.draw.offered_ml(at) - left.value();
        self.wet(at);
        if gone_ml < LEAST_UPTAKE_ML {
            return self.not_more_than(at, gone_ml.max(0.0) + UNSEEN_UPTAKE_ML);
        }
        if let Some(clock) = self.demand_hours(at) {
            let offered_ml = self.draw.offered_ml(at);
            self.volumes.push(Volume {
                ln_pace: (gone_ml / clock).ln(),
                reading_variance: (READING_ERROR_ML / gone_ml).powi(2),
                share_gone: (gone_ml / offered_ml).min(1.0),
            });
        }
    }

    fn told(self, leaked: bool) -> Result<Seen, Silent> {
        let (low, high) = (self.low, self.high);
        if low >= high {
            let (wet_clock, empty_clock) = (self.high_clock, self.low_clock);
            return Err(Silent::Contradiction { wet_clock, empty_clock });
        }
        if let Some((centre, error)) = taken_together(&self.volumes) {
            // A reading error may put the centre a little outside what was seen; the sum over the
            // error needs some of its mass inside.
            let centre = centre.clamp(low - 3.0 * error, high + 3.0 * error);
            return Ok(Seen::Measured { centre, error, low, high });
        }
        if low.is_finite() || high.is_finite() {
            return Ok(Seen::Between { low, high });
        }
        Err(match self.without_weather {
            Some(error) => Silent::NoWeather(error),
            None if leaked => Silent::Leaked,
            None => Silent::NotLookedAt,
        })
    }
}

/// One volume read off the bag.
struct Volume {
    /// Uptake per demand-hour so far.
    ln_pace: f64,
    /// Variance that the reading error gives it.
    reading_variance: f64,
    /// Share of what was offered that has gone.
    share_gone: f64,
}

/// What volumes say together of the thirst of the whole draw, with its error; none without volumes.
///
/// Reading errors are each volume's own. How the pace wandered up to the earlier of two is in both,
/// so that their shared variance is that of the later one: generalised least squares.
fn taken_together(volumes: &[Volume]) -> Option<(f64, f64)> {
    let n = volumes.len();
    let wandered = |share: f64| WANDER_LN_SD.powi(2) * (1.0 - share) / share;
    let covariance = Array2::from_shape_fn((n, n), |(i, j)| {
        let shared = wandered(volumes[i].share_gone.max(volumes[j].share_gone));
        shared + if i == j { volumes[i].reading_variance } else { 0.0 }
    });
    let factor = linear::factor(&covariance, "covariance of volumes").ok()?;
    let weights = linear::solve(&factor, &Array2::ones((n, 1)));
    let precision = weights.sum();
    let centre: f64 = weights.iter().zip(volumes).map(|(w, volume)| w * volume.ln_pace).sum();
    (precision > 0.0).then(|| (centre / precision, precision.sqrt().recip()))
}
