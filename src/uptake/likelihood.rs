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
/// Nodes of the sum over a reading error.
const NODES: usize = 48;

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
                measured(residual, f, scale, centre, error, low.max(centre - 6.0 * error), {
                    high.min(centre + 6.0 * error)
                })
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

/// Sum over the reading error: nodes of equal spacing on `[low, high]`, weighted by its density.
/// The integrand is smooth and its ends are either cut hard or six errors out, so Simpson's rule
/// with 48 panels is exact to 1e-5.
fn measured(
    residual: Residual,
    f: f64,
    scale: f64,
    centre: f64,
    error: f64,
    low: f64,
    high: f64,
) -> Slopes {
    let step = (high - low) / NODES as f64;
    let terms: Vec<(f64, Slopes)> = (0..=NODES)
        .map(|node| {
            let y = low + step * node as f64;
            let simpson = match node {
                0 | NODES => 1.0,
                odd if odd % 2 == 1 => 4.0,
                _ => 2.0,
            } * step
                / 3.0;
            let reading = ln_normal_density((y - centre) / error) - error.ln();
            let slopes = residual.density((y - f) / scale, scale);
            (slopes.value + reading + f64::ln(simpson), slopes)
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
        ff: mean(&|d| d.ff + d.f * d.f) - slope_f * slope_f,
        ss: mean(&|d| d.ss + d.s * d.s) - slope_s * slope_s,
        fs: mean(&|d| d.fs + d.f * d.s) - slope_f * slope_s,
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
