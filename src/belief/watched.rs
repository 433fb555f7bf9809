//! The belief about a bag that hangs and has been looked at: the law of its thirst, cut where it was
//! seen wet or empty and weighed by what was read off it, each look counted once.

use super::law::ln_normal_density;
use super::{Course, Finish, Law};
use std::sync::Arc;

/// Thirsts of equal probability that stand for the law.
const SLICES: usize = 256;
/// Cells of the sum over a reading error, and errors to either side that count.
const CELLS: usize = 400;
const FARTHEST_READING: f64 = 6.0;
/// Halvings of the search for a time: to a second in four days.
const HALVINGS: usize = 24;
/// Halvings of the search for a share: to a thousandth.
const SHARE_HALVINGS: usize = 10;

/// What was seen of this one draw, on the scale of ln thirst.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Looked {
    /// Lower end of where it must lie, or minus infinity.
    pub low: f64,
    /// Upper end, or plus infinity.
    pub high: f64,
    /// The volumes read, where any were.
    pub reading: Option<Reading>,
}

/// Volumes read off a bag, as what they say of the thirst of the whole draw.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reading {
    /// Mean, on the scale of ln thirst.
    pub centre: f64,
    /// Its error: of the readings, and of the rest's going at another pace.
    pub error: f64,
}

impl Looked {
    /// Nobody has looked.
    pub const NOTHING: Looked =
        Looked { low: f64::NEG_INFINITY, high: f64::INFINITY, reading: None };
}

/// One draw that hangs: when will it be empty?
#[derive(Debug, Clone)]
pub struct Watched {
    course: Arc<Course>,
    /// What was seen, under each member of the course, or once for all.
    under: Vec<Under>,
}

impl Watched {
    /// A bag offered `exp(ln_offered)` mL in all, its ln thirst about `mean` by `law`, seen so under
    /// each member of the course; one [`Looked`] stands for all members.
    pub fn new(
        course: Arc<Course>,
        law: &Law,
        mean: f64,
        looked: &[Looked],
        ln_offered: f64,
    ) -> Self {
        debug_assert!(looked.len() == 1 || looked.len() == course.members());
        let mut under: Vec<Under> =
            looked.iter().map(|looked| Under::new(law, mean, looked, ln_offered)).collect();
        let likely: f64 = under.iter().map(|under| under.weight).sum();
        for under in &mut under {
            under.weight /= likely * (course.members() / looked.len()) as f64;
        }
        Self { course, under }
    }

    fn under(&self, member: usize) -> &Under {
        &self.under[member.min(self.under.len() - 1)]
    }

    /// The mean over members, each as likely as what was seen makes it.
    fn over_members(&self, of: impl Fn(f64, &Under) -> f64, minutes: f64) -> f64 {
        (0..self.course.members())
            .map(|member| {
                let under = self.under(member);
                under.weight * of(self.course.demand_hours(member, minutes).ln(), under)
            })
            .sum()
    }

    /// Probability that the bag is empty so many minutes after its start; none beyond the weather.
    pub fn empty_by(&self, minutes: f64) -> Option<f64> {
        (minutes <= self.course.horizon_min()).then(|| self.reached(minutes))
    }

    /// The time by which the bag is empty with probability `p`.
    pub fn quantile(&self, p: f64) -> Finish {
        let horizon = self.course.horizon_min();
        if self.reached(horizon) < p {
            return Finish::After(horizon);
        }
        let (mut low, mut high) = (0.0, horizon);
        for _ in 0..HALVINGS {
            let middle = 0.5 * (low + high);
            if self.reached(middle) < p { low = middle } else { high = middle }
        }
        Finish::At(high)
    }

    /// Volume expected to be left so many minutes after the start, as a share of what was offered;
    /// none beyond the weather.
    pub fn share_left(&self, minutes: f64) -> Option<f64> {
        if minutes > self.course.horizon_min() {
            return None;
        }
        Some(self.over_members(Under::share_left, minutes))
    }

    /// The share of what was offered that is left with probability `p` at most, so many minutes after
    /// the start; none beyond the weather.
    pub fn share_left_quantile(&self, minutes: f64, p: f64) -> Option<f64> {
        if minutes > self.course.horizon_min() {
            return None;
        }
        if self.reached(minutes) >= p {
            return Some(0.0);
        }
        // At most a share s is left where the demand-hours wanted are at most the clock's / (1 - s).
        let (mut low, mut high) = (0.0, 1.0);
        for _ in 0..SHARE_HALVINGS {
            let middle: f64 = 0.5 * (low + high);
            let at_most = self.reached_times(minutes, 1.0 / (1.0 - middle));
            if at_most < p { low = middle } else { high = middle }
        }
        Some(high)
    }

    fn reached(&self, minutes: f64) -> f64 {
        self.reached_times(minutes, 1.0)
    }

    /// Probability that the demand-hours wanted are at most so many times those passed.
    fn reached_times(&self, minutes: f64, times: f64) -> f64 {
        self.over_members(|ln_clock, under| under.reached(ln_clock + times.ln()), minutes)
    }
}

/// What was seen, under one course of the weather.
#[derive(Debug, Clone)]
struct Under {
    /// `ln` of the demand-hours that the bag asks for, sorted, each equally likely.
    ln_wanted: Vec<f64>,
    /// How likely it makes what was seen, in proportion.
    weight: f64,
}

impl Under {
    fn new(law: &Law, mean: f64, looked: &Looked, ln_offered: f64) -> Self {
        let (thirsts, weight) = thirsts(law, mean, looked);
        let mut ln_wanted: Vec<f64> = thirsts.into_iter().map(|y| ln_offered - y).collect();
        ln_wanted.sort_unstable_by(f64::total_cmp);
        Self { ln_wanted, weight }
    }

    /// Probability that the demand-hours wanted are at most these; straight between neighbours.
    fn reached(&self, ln_clock: f64) -> f64 {
        let all = &self.ln_wanted;
        let below = all.partition_point(|ln| *ln <= ln_clock);
        let part = match (below.checked_sub(1).map(|i| all[i]), all.get(below)) {
            (Some(low), Some(high)) if high > &low => (ln_clock - low) / (high - low),
            _ => 0.5,
        };
        ((below as f64 - 0.5 + part) / all.len() as f64).clamp(0.0, 1.0)
    }

    fn share_left(ln_clock: f64, under: &Under) -> f64 {
        let left = under.ln_wanted.iter().map(|ln| 1.0 - (ln_clock - ln).exp().min(1.0));
        left.sum::<f64>() / under.ln_wanted.len() as f64
    }
}

/// What has next to no chance still has some, so that weights stay numbers.
const LEAST_WEIGHT: f64 = 1e-300;

/// Thirsts of equal probability, the middles of equal slices of the law as seen; and how likely that
/// was, in proportion.
fn thirsts(law: &Law, mean: f64, looked: &Looked) -> (Vec<f64>, f64) {
    let middle = |k: usize| (k as f64 + 0.5) / SLICES as f64;
    if let Some(reading) = looked.reading {
        return read(law, mean, looked, reading);
    }
    // The law is symmetric: the side on which it has little left keeps its digits.
    let upside_down = looked.low - mean > mean - looked.high;
    let (low, high) = match upside_down {
        true => (mean - looked.high, mean - looked.low),
        false => (looked.low - mean, looked.high - mean),
    };
    let cumulative = |x: f64| match x.is_finite() {
        true => law.cumulative(x),
        false => f64::from(x > 0.0),
    };
    let (from, to) = (cumulative(low), cumulative(high));
    let slices = (0..SLICES)
        .map(|k| {
            let p = (from + middle(k) * (to - from)).clamp(1e-300, 1.0 - 1e-15);
            let x = law.quantile(p).clamp(low, high);
            if upside_down { mean - x } else { mean + x }
        })
        .collect();
    (slices, (to - from).max(LEAST_WEIGHT))
}

fn read(law: &Law, mean: f64, looked: &Looked, reading: Reading) -> (Vec<f64>, f64) {
    let Reading { centre, error, .. } = reading;
    let from = (centre - FARTHEST_READING * error).max(looked.low);
    let to = (centre + FARTHEST_READING * error).min(looked.high);
    if to <= from {
        return (vec![centre.clamp(looked.low, looked.high); SLICES], LEAST_WEIGHT);
    }
    let width = (to - from) / CELLS as f64;
    let edge = |cell: usize| from + width * cell as f64;
    let mass = |cell: usize| {
        let (a, b) = (edge(cell) - mean, edge(cell + 1) - mean);
        // On the upper side the tail is the lower one mirrored.
        let between = if a > 0.0 {
            law.cumulative(-a) - law.cumulative(-b)
        } else {
            law.cumulative(b) - law.cumulative(a)
        };
        between.max(1e-300) * ln_normal_density((edge(cell) + 0.5 * width - centre) / error).exp()
    };
    let masses: Vec<f64> = (0..CELLS).map(mass).collect();
    let total: f64 = masses.iter().sum();
    let (mut cell, mut passed) = (0, 0.0);
    let slices = (0..SLICES)
        .map(|k| {
            let wanted = total * (k as f64 + 0.5) / SLICES as f64;
            while cell + 1 < CELLS && passed + masses[cell] < wanted {
                passed += masses[cell];
                cell += 1;
            }
            edge(cell) + width * ((wanted - passed) / masses[cell]).clamp(0.0, 1.0)
        })
        .collect();
    (slices, total.max(LEAST_WEIGHT))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::belief::Belief;
    use crate::belief::Residual;

    fn course() -> Arc<Course> {
        let minutes: Vec<f64> = (1..=300).map(|k| 6.0 * f64::from(k)).collect();
        let member = |pull: f64| minutes.iter().map(|m| pull * m / 60.0).collect::<Vec<f64>>();
        Arc::new(Course::new(minutes.clone(), vec![member(0.9), member(1.0), member(1.2)]))
    }

    fn law() -> Law {
        Law::new(0.3, Residual::Logistic, 0.15)
    }

    fn at(finish: Finish) -> f64 {
        match finish {
            Finish::At(minutes) => minutes,
            Finish::After(_) => f64::NAN,
        }
    }

    /// A bag is empty by its P90 where nothing is left with probability 0.9; the median share left is
    /// near the mean, and more is left the surer one wishes to be.
    #[test]
    fn what_is_left_agrees_with_the_finish() {
        let watched = Watched::new(course(), &law(), 5.0, &[Looked::NOTHING], 1000f64.ln());
        let left = |minutes: f64, p: f64| watched.share_left_quantile(minutes, p).unwrap();
        for p in [0.1, 0.5, 0.9] {
            let finish = at(watched.quantile(p));
            assert!(left(finish + 1.0, p) < 1e-9, "{p}");
            assert!(left(0.97 * finish, p) > 0.005, "{p}: {}", left(0.97 * finish, p));
        }
        let mean = watched.share_left(120.0).unwrap();
        assert!((left(120.0, 0.5) - mean).abs() < 0.05, "{} {mean}", left(120.0, 0.5));
        assert!(left(120.0, 0.1) < left(120.0, 0.5) && left(120.0, 0.5) < left(120.0, 0.9));
        assert_eq!(watched.share_left_quantile(1e9, 0.5), None);
    }

    /// Without a look it is the belief of a bag that is still to be hung.
    #[test]
    fn nothing_seen_is_the_plain_belief() {
        let watched = Watched::new(course(), &law(), 5.0, &[Looked::NOTHING], 1000f64.ln());
        let plain = Belief::new(course(), Arc::new(law()), 1000f64.ln() - 5.0);
        for p in [0.1, 0.5, 0.9] {
            let (a, b) = (at(watched.quantile(p)), at(plain.quantile(p)));
            assert!((a / b - 1.0).abs() < 3e-3, "{p}: {a} {b}");
        }
        for minutes in [120.0, 300.0, 500.0] {
            let (a, b) = (watched.empty_by(minutes).unwrap(), plain.empty_by(minutes).unwrap());
            assert!((a - b).abs() < 3e-3, "{minutes}: {a} {b}");
            let (a, b) = (watched.share_left(minutes).unwrap(), plain.share_left(minutes).unwrap());
            assert!((a - b).abs() < 3e-3, "{minutes}: {a} {b}");
        }
    }

    /// With one member a wet look is the condition of not being empty by then.
    #[test]
    fn wet_is_the_condition_of_not_being_empty() {
        let minutes: Vec<f64> = (1..=100).map(|k| 6.0 * f64::from(k)).collect();
        let one = vec![minutes.iter().map(|m| m / 60.0).collect::<Vec<f64>>()];
        let course = Arc::new(Course::new(minutes, one));
        let high = (1000.0f64 / 5.0).ln();
        let looked = Looked { high, ..Looked::NOTHING };
        let watched = Watched::new(course.clone(), &law(), 5.0, &[looked], 1000f64.ln());
        let plain = Belief::new(course, Arc::new(law()), 1000f64.ln() - 5.0);
        assert!(watched.empty_by(299.0).unwrap() < 3e-3);
        for minutes in [330.0, 420.0, 540.0] {
            let wanted = plain.empty_by_if_wet_at(minutes, 300.0).unwrap();
            assert!((watched.empty_by(minutes).unwrap() - wanted).abs() < 5e-3, "{minutes}");
        }
        // Far beyond what the law expects it still is later than the look.
        let looked = Looked { high: 2.0, ..Looked::NOTHING };
        let (late, _) = thirsts(&law(), 5.0, &looked);
        assert!(late.iter().all(|y| *y <= 2.0 && *y > 0.0));
        let looked = Looked { low: 9.0, ..Looked::NOTHING };
        assert!(thirsts(&law(), 5.0, &looked).0.iter().all(|y| *y >= 9.0 && *y < 12.0));
    }

    /// A wet look under each member's own clock is the condition of not being empty by then, members
    /// that would have emptied it being the less likely for it; and it is empty before in none.
    #[test]
    fn wet_under_each_member_is_the_same_condition() {
        let course = course();
        let plain = Belief::new(course.clone(), Arc::new(law()), 1000f64.ln() - 5.0);
        let looked: Vec<Looked> = (0..course.members())
            .map(|member| Looked {
                high: 1000f64.ln() - course.demand_hours(member, 300.0).ln(),
                ..Looked::NOTHING
            })
            .collect();
        let watched = Watched::new(course, &law(), 5.0, &looked, 1000f64.ln());
        assert!(watched.empty_by(299.9).unwrap() < 2e-3);
        for minutes in [310.0, 330.0, 420.0, 540.0, 900.0] {
            let wanted = plain.empty_by_if_wet_at(minutes, 300.0).unwrap();
            assert!((watched.empty_by(minutes).unwrap() - wanted).abs() < 5e-3, "{minutes}");
        }
    }

    /// A reading makes the members in which such a tree would have drawn so much the likelier: held
    /// to a plain sum over members and thirsts.
    #[test]
    fn a_reading_weighs_the_members() {
        let (course, law, error) = (course(), Law::new(0.1, Residual::Normal, 0.05), 0.08);
        let ln_gone_over_clock = |member| 600f64.ln() - course.demand_hours(member, 240.0).ln();
        let looked: Vec<Looked> = (0..3)
            .map(|member| Reading { centre: ln_gone_over_clock(member), error })
            .map(|reading| Looked { reading: Some(reading), ..Looked::NOTHING })
            .collect();
        let watched = Watched::new(course.clone(), &law, 5.0, &looked, 1000f64.ln());
        let wanted = |minutes: f64| {
            let (mut empty, mut all) = (0.0, 0.0);
            for member in 0..3 {
                for step in -2000..2000 {
                    let y = 5.0 + f64::from(step) * 5e-4;
                    let density =
                        law.cumulative(y + 2.5e-4 - 5.0) - law.cumulative(y - 2.5e-4 - 5.0);
                    let likely =
                        density * ln_normal_density((ln_gone_over_clock(member) - y) / error).exp();
                    all += likely;
                    if course.demand_hours(member, minutes).ln() + y >= 1000f64.ln() {
                        empty += likely;
                    }
                }
            }
            empty / all
        };
        for minutes in [340.0, 380.0, 400.0, 440.0] {
            let found = watched.empty_by(minutes).unwrap();
            assert!(
                (found - wanted(minutes)).abs() < 0.01,
                "{minutes}: {found} {}",
                wanted(minutes)
            );
        }
    }

    /// A sharp reading is where the thirst is; a blunt one leaves the law; in between, normal times
    /// normal has a mean of its own.
    #[test]
    fn a_reading_weighs_by_its_error() {
        let normal = Law::new(0.3, Residual::Normal, 0.4);
        let mean_of = |error: f64| {
            let reading = Reading { centre: 5.6, error };
            let looked = Looked { reading: Some(reading), ..Looked::NOTHING };
            let (all, _) = thirsts(&normal, 5.0, &looked);
            all.iter().sum::<f64>() / all.len() as f64
        };
        assert!((mean_of(0.01) - 5.6).abs() < 2e-3);
        // Prior sd 0.5, reading error 0.5: half way.
        assert!((mean_of(0.5) - 5.3).abs() < 5e-3, "{}", mean_of(0.5));
        assert!((mean_of(5.0) - 5.0).abs() < 0.02);
    }
}
