//! How ln thirst spreads about its mean: a normal uncertainty of the mean plus the residual.

use serde::{Deserialize, Serialize};

/// Shape of the residual.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Residual {
    /// Logistic: heavier tails; `scale` is its scale (sd = scale pi / sqrt 3).
    Logistic,
    /// Normal: `scale` is its standard deviation.
    Normal,
}

impl Residual {
    /// Cumulative distribution at `x` residual scales.
    pub fn cumulative(self, x: f64) -> f64 {
        match self {
            Residual::Logistic => logistic(x),
            Residual::Normal => normal_cumulative(x),
        }
    }

    /// Standard deviation of a residual of scale 1.
    pub fn deviation(self) -> f64 {
        match self {
            Residual::Logistic => std::f64::consts::PI / 3f64.sqrt(),
            Residual::Normal => 1.0,
        }
    }

    /// The value below which a share `p` of residuals of scale 1 lies.
    pub fn quantile(self, p: f64) -> f64 {
        match self {
            Residual::Logistic => (p / (1.0 - p)).ln(),
            Residual::Normal => normal_quantile(p),
        }
    }
}

/// A symmetric distribution about zero: normal with standard deviation `sd`, plus a residual.
///
/// Kept as a table of the log odds of its distribution function, which is close to a straight
/// line: the interpolated probability is within 1e-5 of the integral.
#[derive(Debug, Clone)]
pub struct Law {
    step: f64,
    log_odds: Vec<f64>,
    /// Quantile of 0.9, asked for most.
    ninety: f64,
}

/// Knots from zero outwards, spaced by an eighth of the whole standard deviation; the last log odds
/// go on straight.
const KNOTS: usize = 65;
const KNOTS_PER_DEVIATION: f64 = 8.0;
/// Nodes of the integral over the mean's uncertainty to either side, at least.
const FEWEST_NODES: f64 = 24.0;
/// Six deviations to either side, in steps that a residual of scale 1 is not lost between.
const FARTHEST: f64 = 6.0;
const LONGEST_STEP: f64 = 1.5;

impl Law {
    /// The law of a residual of this scale about a mean known to `sd`.
    pub fn new(sd: f64, residual: Residual, scale: f64) -> Self {
        let deviation = sd.hypot(scale * residual.deviation());
        let step = deviation / KNOTS_PER_DEVIATION;
        let log_odds = (0..KNOTS)
            .map(|knot| {
                let above = upper_tail(step * knot as f64, sd, residual, scale);
                ((1.0 - above) / above).ln()
            })
            .collect();
        let law = Self { step, log_odds, ninety: f64::NAN };
        Self { ninety: law.searched(0.9), ..law }
    }

    /// Probability of a value up to `x`.
    #[inline]
    pub fn cumulative(&self, x: f64) -> f64 {
        let odds = self.log_odds(x.abs());
        let below = 1.0 / (1.0 + (-odds).exp());
        if x >= 0.0 { below } else { 1.0 - below }
    }

    /// The value below which a share `p` lies, `0 < p < 1`.
    pub fn quantile(&self, p: f64) -> f64 {
        match p {
            0.1 => -self.ninety,
            0.5 => 0.0,
            0.9 => self.ninety,
            _ => self.searched(p),
        }
    }

    fn searched(&self, p: f64) -> f64 {
        let wanted = (p / (1.0 - p)).ln().abs();
        let knot = self.log_odds.partition_point(|odds| *odds <= wanted).clamp(1, KNOTS - 1);
        let (mut low, mut high) = (self.step * (knot - 1) as f64, self.step * knot as f64);
        while self.log_odds(high) < wanted {
            high *= 1.5;
        }
        for _ in 0..60 {
            let middle = 0.5 * (low + high);
            if self.log_odds(middle) < wanted { low = middle } else { high = middle }
        }
        0.5 * (low + high) * if p < 0.5 { -1.0 } else { 1.0 }
    }

    /// Log odds of `X < x` for `x >= 0`: cubic between knots, straight beyond the last.
    #[inline]
    fn log_odds(&self, x: f64) -> f64 {
        let at = x / self.step;
        let knot = (at as usize).min(KNOTS - 2);
        let (y, t) = (&self.log_odds, at - knot as f64);
        // Odd symmetry about zero supplies the knot before the first.
        let before = if knot == 0 { -y[1] } else { y[knot - 1] };
        let after = if knot + 2 < KNOTS { y[knot + 2] } else { 2.0 * y[knot + 1] - y[knot] };
        let (slope0, slope1) = (0.5 * (y[knot + 1] - before), 0.5 * (after - y[knot]));
        if t > 1.0 {
            return y[knot + 1] + (t - 1.0) * (y[knot + 1] - y[knot]);
        }
        let rise = y[knot + 1] - y[knot];
        y[knot]
            + t * (slope0
                + t * (3.0 * rise - 2.0 * slope0 - slope1 + t * (slope0 + slope1 - 2.0 * rise)))
    }
}

/// `P(X > x)`, by the trapezoidal rule over the normal part, which converges faster than any power.
fn upper_tail(x: f64, sd: f64, residual: Residual, scale: f64) -> f64 {
    if residual == Residual::Normal {
        return normal_cumulative(-x / sd.hypot(scale));
    }
    let count = (FARTHEST * sd / (LONGEST_STEP * scale)).clamp(FEWEST_NODES, 2000.0).ceil() as i32;
    let nodes = (-count..=count).map(|node| FARTHEST * f64::from(node) / f64::from(count));
    let (mut total, mut tail) = (0.0, 0.0);
    for z in nodes {
        let weight = (-0.5 * z * z).exp();
        total += weight;
        tail += weight * residual.cumulative(-(x - sd * z) / scale);
    }
    tail / total
}

/// Standard normal distribution function.
pub fn normal_cumulative(x: f64) -> f64 {
    0.5 * libm::erfc(-x / std::f64::consts::SQRT_2)
}

/// `ln(Phi(b) - Phi(a))`, exact also where both ends lie far out in one tail.
pub fn ln_normal_between(a: f64, b: f64) -> f64 {
    if a > 0.0 {
        return ln_normal_between(-b, -a);
    }
    if b <= DEEP {
        let (low, high) = (ln_normal_cumulative(a), ln_normal_cumulative(b));
        return high + (-(low - high).exp()).ln_1p();
    }
    if b <= 0.0 {
        return (normal_cumulative(b) - normal_cumulative(a)).ln();
    }
    let outside = normal_cumulative(-b) + normal_cumulative(a);
    (-outside).ln_1p()
}

/// Below this `erfc` runs out of numbers.
const DEEP: f64 = -30.0;

/// `ln Phi(x)`, by its asymptotic series where `erfc` runs out of numbers.
pub fn ln_normal_cumulative(x: f64) -> f64 {
    if x == f64::NEG_INFINITY {
        return x;
    }
    if x > DEEP {
        return normal_cumulative(x).ln();
    }
    let u = 1.0 / (x * x);
    ln_normal_density(x) - (-x).ln() + (-u * (1.0 - 3.0 * u * (1.0 - 5.0 * u))).ln_1p()
}

/// Log density of the standard normal.
pub(crate) fn ln_normal_density(x: f64) -> f64 {
    -0.5 * x * x - 0.918_938_533_204_672_7
}

/// `1 / (1 + exp(-x))`.
pub(crate) fn logistic(x: f64) -> f64 {
    if x >= 0.0 {
        1.0 / (1.0 + (-x).exp())
    } else {
        let e = x.exp();
        e / (1.0 + e)
    }
}

/// Standard normal quantile, by bisection on the distribution function: exact, and called rarely.
fn normal_quantile(p: f64) -> f64 {
    let (mut low, mut high) = (-40.0, 40.0);
    for _ in 0..80 {
        let middle = 0.5 * (low + high);
        if normal_cumulative(middle) < p { low = middle } else { high = middle }
    }
    0.5 * (low + high)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Simpson's rule on a fine grid: the second way to the same number.
    fn by_integral(x: f64, sd: f64, scale: f64) -> f64 {
        let panels = 4000;
        let step = 20.0 / f64::from(panels);
        let term = |node: i32| {
            let z = -10.0 + step * f64::from(node);
            let simpson = match node {
                0 => 1.0,
                n if n == panels => 1.0,
                n if n % 2 == 1 => 4.0,
                _ => 2.0,
            };
            simpson * ln_normal_density(z).exp() * logistic((x - sd * z) / scale)
        };
        (0..=panels).map(term).sum::<f64>() * step / 3.0
    }

    #[test]
    fn the_law_is_the_integral_and_its_quantile_the_inverse() {
        for (sd, scale) in [(0.0, 0.2), (0.1, 0.2), (0.4, 0.15), (1.4, 0.15), (0.3, 0.9)] {
            let law = Law::new(sd, Residual::Logistic, scale);
            for step in -30..=30 {
                let x = f64::from(step) * 0.13;
                let difference = law.cumulative(x) - by_integral(x, sd, scale);
                assert!(difference.abs() < 1e-5, "{sd} {scale} {x}: {difference}");
            }
            for p in [0.001, 0.1, 0.5, 0.9, 0.999] {
                assert!((law.cumulative(law.quantile(p)) - p).abs() < 1e-9);
            }
            let normal = Law::new(sd, Residual::Normal, scale);
            let want = normal_quantile(0.9) * sd.hypot(scale);
            assert!((normal.quantile(0.9) - want).abs() < 1e-4 * (1.0 + want));
        }
    }
}
