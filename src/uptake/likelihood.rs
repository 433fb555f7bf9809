//! The likelihood of what was seen of a draw, given its expected ln thirst; tails exact, slopes
//! and curvatures analytic.
//!
//! What is seen is an interval of `y = ln thirst`, often open at one end; sometimes several
//! volumes, each with a reading error. `y = f + e` with `f` expected and `e` the residual, so with
//! `a = (low - f) / s`, `b = (high - f) / s` the likelihood of an interval is `F(b) - F(a)`.

use crate::belief::Residual;
use crate::belief::law::{ln_normal_between, ln_normal_density, logistic};
use serde::{Deserialize, Serialize};

/// What was seen of one draw, on the scale of ln thirst.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Seen {
    /// Somewhere in `[low, high)`; an end that was never seen is infinite.
    Between {
        /// Lower end, or minus infinity (never seen empty).
        #[serde(with = "open_end::low")]
        low: f64,
        /// Upper end, or plus infinity (empty at the first look).
        #[serde(with = "open_end::high")]
        high: f64,
    },
    /// Exactly here.
    Exactly(f64),
    /// Near `centre` with a normal reading error, and inside `[low, high)` where that was seen.
    Measured {
        /// Mean of the volumes read, as ln thirst.
        centre: f64,
        /// Reading error of that mean.
        error: f64,
        /// Lower end, or minus infinity.
        #[serde(with = "open_end::low")]
        low: f64,
        /// Upper end, or plus infinity.
        #[serde(with = "open_end::high")]
        high: f64,
    },
}

/// JSON has no infinity: an open end is written as null.
mod open_end {
    macro_rules! end {
        ($name:ident, $open:expr) => {
            pub mod $name {
                use serde::{Deserialize, Deserializer, Serialize, Serializer};
                pub fn serialize<S: Serializer>(end: &f64, s: S) -> Result<S::Ok, S::Error> {
                    end.is_finite().then_some(*end).serialize(s)
                }
                pub fn deserialize<'de, D: Deserializer<'de>>(d: D) -> Result<f64, D::Error> {
                    Ok(Option::<f64>::deserialize(d)?.unwrap_or($open))
                }
            }
        };
    }
    end!(low, f64::NEG_INFINITY);
    end!(high, f64::INFINITY);
}

/// Log-likelihood with its derivatives in the expected value `f` and in `ln scale`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Slopes {
    /// Log-likelihood.
    pub value: f64,
    /// First derivative in `f`.
    pub f: f64,
    /// Second derivative in `f`; never positive.
    pub ff: f64,
    /// First derivative in `ln scale`.
    pub s: f64,
    /// Second derivative in `ln scale`.
    pub ss: f64,
    /// Mixed derivative.
    pub fs: f64,
}

/// Below this width (in residual scales) an interval is its middle times its width: the difference
/// of two distribution functions would lose its digits.
const NARROW: f64 = 1e-4;
/// Panels of the sum over a reading error, at least.
const FEWEST_PANELS: f64 = 6.0;
/// Gauss's rule with eight nodes on `0..1`: node and weight.
pub(super) const GAUSS: [(f64, f64); 8] = [
    (0.019855071751231912, 0.05061426814518853),
    (0.10166676129318664, 0.11119051722668721),
    (0.2372337950418355, 0.15685332293894344),
    (0.4082826787521751, 0.18134189168918083),
    (0.5917173212478248, 0.18134189168918083),
    (0.7627662049581645, 0.15685332293894344),
    (0.8983332387068134, 0.11119051722668721),
    (0.9801449282487681, 0.05061426814518853),
];

impl Seen {
    /// Log-likelihood and slopes at expected value `f` and residual scale `scale`.
    ///
    /// # Panics
    /// In debug builds, where the interval is empty or a number is NaN; [`Seen`] is built by
    /// [`super::observe`], which refuses both.
    pub fn slopes(&self, residual: Residual, f: f64, scale: f64) -> Slopes {
        match *self {
            Seen::Exactly(y) => residual.density((y - f) / scale, scale),
            Seen::Between { low, high } => {
                debug_assert!(low < high, "empty interval {low} to {high}");
                let (a, b) = ((low - f) / scale, (high - f) / scale);
                if b - a < NARROW {
                    let middle = residual.density(0.5 * (a + b), scale);
                    return Slopes { value: middle.value + (high - low).ln(), ..middle };
                }
                residual.interval(a, b).in_f_and_ln_scale(a, b, scale)
            }
            Seen::Measured { centre, error, low, high } => {
                measured(residual, f, scale, Reading { centre, error, low, high })
            }
        }
    }

    /// A value inside what was seen, to start a search from; `typical` where both ends are open.
    pub fn middle(&self, typical: f64) -> f64 {
        match *self {
            Seen::Exactly(y) => y,
            Seen::Measured { centre, .. } => centre,
            Seen::Between { low, high } => match (low.is_finite(), high.is_finite()) {
                (true, true) => 0.5 * (low + high),
                (true, false) => typical.max(low + 0.3),
                (false, true) => typical.min(high - 0.3),
                (false, false) => typical,
            },
        }
    }
}

/// The integral of residual density times reading density, `y` being inside `[low, high]`, by
/// Gauss's rule on panels laid where the integrand is: the reading may be far sharper or far
/// blunter than the residual, and far from where the residual expects it. To 1e-9.
fn measured(residual: Residual, f: f64, scale: f64, reading: Reading) -> Slopes {
    let (from, to) = reading.reach(residual, f, scale);
    let panels =
        ((to - from) / (2.0 * scale.min(reading.error))).ceil().clamp(FEWEST_PANELS, 400.0);
    let width = (to - from) / panels;
    let terms: Vec<(f64, Slopes)> = (0..panels as usize)
        .flat_map(|panel| GAUSS.map(|(node, weight)| (panel as f64 + node, weight)))
        .map(|(at, weight)| {
            let y = from + width * at;
            let slopes = residual.density((y - f) / scale, scale);
            (slopes.value + reading.ln_density(y) + (weight * width).ln(), slopes)
        })
        .collect();
    let top = terms.iter().map(|term| term.0).fold(f64::NEG_INFINITY, f64::max);
    let total: f64 = terms.iter().map(|term| (term.0 - top).exp()).sum();
    let mean = |part: &dyn Fn(&Slopes) -> f64| -> f64 {
        terms.iter().map(|(value, slopes)| (value - top).exp() / total * part(slopes)).sum()
    };
    let (slope_f, slope_s) = (mean(&|d| d.f), mean(&|d| d.s));
    Slopes {
        value: top + total.ln(),
        f: slope_f,
        s: slope_s,
        ff: (mean(&|d| d.ff + d.f * d.f) - slope_f * slope_f).min(0.0),
        ss: mean(&|d| d.ss + d.s * d.s) - slope_s * slope_s,
        fs: mean(&|d| d.fs + d.f * d.s) - slope_f * slope_s,
    }
}

/// A reading with its error, and the bounds that were seen.
#[derive(Clone, Copy)]
struct Reading {
    centre: f64,
    error: f64,
    low: f64,
    high: f64,
}

impl Reading {
    fn ln_density(&self, y: f64) -> f64 {
        ln_normal_density((y - self.centre) / self.error) - self.error.ln()
    }

    /// Where the integrand is worth summing up: it is log-concave with its peak between reading
    /// and expectation, so that it falls ever faster away from there.
    fn reach(&self, residual: Residual, f: f64, scale: f64) -> (f64, f64) {
        let ln_term = |y: f64| residual.density((y - f) / scale, scale).value + self.ln_density(y);
        let rises = |y: f64| {
            (self.centre - y) / self.error.powi(2) > residual.density((y - f) / scale, scale).f
        };
        let (mut below, mut above) = (self.centre.min(f), self.centre.max(f));
        for _ in 0..24 {
            let middle = 0.5 * (below + above);
            if rises(middle) { below = middle } else { above = middle }
        }
        let peak = (0.5 * (below + above)).clamp(self.low, self.high);
        let negligible = ln_term(peak) - 30.0;
        let edge = |side: f64, limit: f64| {
            let room = (limit - peak).abs();
            let (mut inside, mut step) = (0.0, 0.1 * scale.min(self.error));
            while step < room && ln_term(peak + side * step) > negligible {
                (inside, step) = (step, 1.5 * step);
            }
            // Halve what is left between a step that counts and one that does not.
            let mut outside = step;
            for _ in 0..4 {
                let middle = 0.5 * (inside + outside);
                let counts = ln_term(peak + side * middle) > negligible;
                if counts { inside = middle } else { outside = middle }
            }
            if outside < room { peak + side * outside } else { limit }
        };
        (edge(-1.0, self.low), edge(1.0, self.high))
    }
}

/// Derivatives of `ln(F(b) - F(a))` in its two ends.
struct EndSlopes {
    value: f64,
    a: f64,
    b: f64,
    aa: f64,
    bb: f64,
    ab: f64,
    /// `aa + 2 ab + bb`, without the cancellation that adding them up would suffer.
    both: f64,
}

impl EndSlopes {
    /// By the chain rule; an end that is open has no slope, and `0 * infinity` must not arise.
    fn in_f_and_ln_scale(&self, a: f64, b: f64, scale: f64) -> Slopes {
        let a = if a.is_finite() { a } else { 0.0 };
        let b = if b.is_finite() { b } else { 0.0 };
        Slopes {
            value: self.value,
            f: -(self.a + self.b) / scale,
            ff: (self.both / (scale * scale)).min(0.0),
            s: -(a * self.a + b * self.b),
            ss: a * self.a + b * self.b + a * a * self.aa + 2.0 * a * b * self.ab + b * b * self.bb,
            fs: (self.a + self.b + a * self.aa + (a + b) * self.ab + b * self.bb) / scale,
        }
    }
}

/// The log densities that the likelihood is made of.
trait Likelihood {
    fn density(self, x: f64, scale: f64) -> Slopes;
    fn interval(self, a: f64, b: f64) -> EndSlopes;
}

impl Likelihood for Residual {
    /// Log density of `y`, `x` scales from its expected value, with slopes.
    fn density(self, x: f64, scale: f64) -> Slopes {
        // d is the slope of the log density in x, dd its curvature.
        let (value, d, dd) = match self {
            Residual::Normal => (ln_normal_density(x), -x, -1.0),
            Residual::Logistic => {
                let (up, down) = (logistic(x), logistic(-x));
                (ln_logistic(x) + ln_logistic(-x), down - up, -2.0 * up * down)
            }
        };
        Slopes {
            value: value - scale.ln(),
            f: -d / scale,
            ff: dd / (scale * scale),
            s: -1.0 - x * d,
            ss: x * d + x * x * dd,
            fs: (d + x * dd) / scale,
        }
    }

    fn interval(self, a: f64, b: f64) -> EndSlopes {
        match self {
            Residual::Logistic => logistic_interval(a, b),
            Residual::Normal => normal_interval(a, b),
        }
    }
}

/// `F(b) - F(a) = F(b) F(-a) (1 - exp(a - b))` for the logistic: no cancellation anywhere.
fn logistic_interval(a: f64, b: f64) -> EndSlopes {
    let width = b - a;
    let inverse = 1.0 / width.exp_m1();
    let shared = inverse * (1.0 + inverse);
    let (curve_a, curve_b) = (logistic(a) * logistic(-a), logistic(b) * logistic(-b));
    EndSlopes {
        value: ln_logistic(b) + ln_logistic(-a) + (-(-width).exp()).ln_1p(),
        a: -logistic(a) - inverse,
        b: logistic(-b) + inverse,
        aa: -curve_a - shared,
        bb: -curve_b - shared,
        ab: shared,
        both: -curve_a - curve_b,
    }
}

fn normal_interval(a: f64, b: f64) -> EndSlopes {
    let value = ln_normal_between(a, b);
    let ratio = |x: f64| if x.is_finite() { (ln_normal_density(x) - value).exp() } else { 0.0 };
    let (p, q) = (ratio(a), ratio(b));
    let times = |x: f64, y: f64| if y == 0.0 { 0.0 } else { x * y };
    let (ap, bq) = (times(a, p), times(b, q));
    EndSlopes {
        value,
        a: -p,
        b: q,
        aa: ap - p * p,
        bb: -bq - q * q,
        ab: p * q,
        both: ap - bq - (p - q) * (p - q),
    }
}

fn ln_logistic(x: f64) -> f64 {
    if x >= 0.0 { -(-x).exp().ln_1p() } else { x - x.exp().ln_1p() }
}
