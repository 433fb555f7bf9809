//! How many of several bags will be empty, all together: a simulation in which the trees share
//! their day, their block, their coefficients and the weather.

use super::{Course, Residual};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal, StandardUniform};
use std::sync::Arc;

/// Several draws whose thirsts are jointly normal, each with a residual of its own.
#[derive(Debug, Clone)]
pub struct Together {
    /// Where each draw's clock stands; all with the same number of members.
    pub courses: Vec<Arc<Course>>,
    /// `ln` of the demand-hours that each charge asks for at the mean thirst.
    pub ln_wanted: Vec<f64>,
    /// Lower factor of the covariance of ln thirst, row by row.
    pub factor: Vec<Vec<f64>>,
    /// Shape of the residual.
    pub residual: Residual,
    /// Its scale.
    pub scale: f64,
}

impl Together {
    /// Each draw's finish in each of `draws` simulated days: the weather member of the day, and by how
    /// much each ln thirst departs from its mean. The same seed gives the same days.
    pub fn days(&self, draws: usize, seed: u64) -> Vec<(usize, Vec<f64>)> {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let members = self.courses.iter().map(|course| course.members()).min().unwrap_or(1);
        (0..draws)
            .map(|draw| {
                let shocks: Vec<f64> =
                    self.factor.iter().map(|_| StandardNormal.sample(&mut random)).collect();
                let each = self.factor.iter().map(|row| {
                    let shared: f64 = row.iter().zip(&shocks).map(|(l, z)| l * z).sum();
                    let p: f64 = StandardUniform.sample(&mut random);
                    shared + self.scale * self.residual.quantile(p.clamp(1e-12, 1.0 - 1e-12))
                });
                (draw % members, each.collect())
            })
            .collect()
    }

    /// In each of `draws` simulated days, how many bags are empty within `within_min` minutes of
    /// their own start; sorted from few to many.
    pub fn empty_counts(&self, within_min: &[f64], draws: usize, seed: u64) -> Vec<usize> {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let members = self.courses.iter().map(|course| course.members()).min().unwrap_or(1);
        // What a bag must have been offered by its deadline, per tree and member.
        let ln_reached: Vec<Vec<f64>> = self
            .courses
            .iter()
            .zip(within_min)
            .map(|(course, &within)| {
                (0..members).map(|member| course.demand_hours(member, within).ln()).collect()
            })
            .collect();
        let mut counts: Vec<usize> = (0..draws)
            .map(|draw| {
                let shocks: Vec<f64> =
                    self.factor.iter().map(|_| StandardNormal.sample(&mut random)).collect();
                let empty = |tree: usize, residual: f64| {
                    let shared: f64 =
                        self.factor[tree].iter().zip(&shocks).map(|(l, z)| l * z).sum();
                    let y = shared + self.scale * residual;
                    ln_reached[tree][draw % members] + y >= self.ln_wanted[tree]
                };
                (0..self.ln_wanted.len())
                    .filter(|&tree| {
                        let p: f64 = StandardUniform.sample(&mut random);
                        empty(tree, self.residual.quantile(p.clamp(1e-12, 1.0 - 1e-12)))
                    })
                    .count()
            })
            .collect();
        counts.sort_unstable();
        counts
    }
}

/// The largest number that at least a share `sure` of sorted counts reaches.
pub fn at_least(counts: &[usize], sure: f64) -> usize {
    let below = ((1.0 - sure) * counts.len() as f64 + 1e-9).floor() as usize;
    counts.get(below).copied().unwrap_or(0)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn together(shared: f64, own: f64, trees: usize) -> Together {
        let course = Arc::new(Course::new(vec![60.0, 120.0], vec![vec![1.0, 2.0]]));
        let factor = (0..trees)
            .map(|i| {
                let mut row = vec![0.0; trees + 1];
                row[0] = shared;
                row[i + 1] = own;
                row
            })
            .collect();
        Together {
            courses: vec![course; trees],
            ln_wanted: vec![0.0; trees],
            factor,
            residual: Residual::Logistic,
            scale: 0.1,
        }
    }

    /// With nothing shared the count is binomial: mean n p, variance n p (1 - p).
    #[test]
    fn independent_trees_count_as_a_binomial_and_shared_days_spread_wider() {
        let spread = |together: Together| {
            let counts = together.empty_counts(&[60.0; 40], 20_000, 7);
            let mean = counts.iter().sum::<usize>() as f64 / counts.len() as f64;
            let square = counts.iter().map(|c| (*c as f64 - mean).powi(2)).sum::<f64>();
            (mean, square / counts.len() as f64)
        };
        let mut alone = together(0.0, 0.3, 40);
        alone.factor.iter_mut().for_each(|row| row.push(0.0));
        let (mean, variance) = spread(alone);
        assert!((mean - 20.0).abs() < 0.1 && (variance - 10.0).abs() < 0.4, "{mean} {variance}");
        let (mean, variance) = spread(together(0.3, 0.3, 40));
        assert!((mean - 20.0).abs() < 0.4 && variance > 60.0, "{mean} {variance}");
    }

    #[test]
    fn at_least_is_the_low_quantile() {
        let counts: Vec<usize> = (1..=100).collect();
        assert_eq!(at_least(&counts, 0.9), 11);
        assert_eq!(at_least(&[], 0.9), 0);
    }
}
