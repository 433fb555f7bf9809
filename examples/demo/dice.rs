//! Chance from a fixed seed.

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// A stream of chance; parts of the demo have one each, so that none disturbs another.
pub struct Dice(ChaCha8Rng);

impl Dice {
    /// The stream of a seed.
    pub fn new(seed: u64) -> Self {
        Self(ChaCha8Rng::seed_from_u64(seed))
    }

    /// Evenly from 0 to 1, never quite either.
    pub fn even(&mut self) -> f64 {
        (f64::from(self.0.random::<u32>()) + 0.5) / 4_294_967_296.0
    }

    /// Evenly between two numbers.
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.even()
    }

    /// A whole number, both ends included.
    pub fn whole(&mut self, low: i64, high: i64) -> i64 {
        let steps = (high - low + 1) as f64;
        low + (self.even() * steps).floor() as i64
    }

    /// True with this probability.
    pub fn chance(&mut self, probability: f64) -> bool {
        self.even() < probability
    }

    /// Normal, mean 0 and standard deviation 1 (Box and Muller).
    pub fn normal(&mut self) -> f64 {
        let (radius, turn) = (self.even(), self.even());
        (-2.0 * radius.ln()).sqrt() * (std::f64::consts::TAU * turn).cos()
    }

    /// Logistic, mean 0 and scale 1.
    pub fn logistic(&mut self) -> f64 {
        let p = self.even();
        (p / (1.0 - p)).ln()
    }

    /// A walk about 0 of `steps` values with this standard deviation; each keeps a share of the
    /// one before.
    pub fn walk(&mut self, steps: usize, sd: f64, kept: f64) -> Vec<f64> {
        let fresh = sd * (1.0 - kept * kept).sqrt();
        let mut value = sd * self.normal();
        let mut values = Vec::with_capacity(steps);
        for _ in 0..steps {
            values.push(value);
            value = kept * value + fresh * self.normal();
        }
        values
    }
}
