//! The belief about one draw's finishing time, mixed over weather members.

use super::law::Law;
use std::sync::Arc;

/// How far the demand clocks have come after so many minutes from one start: one row per weather
/// member, on a common grid of minutes.
#[derive(Debug, Clone)]
pub struct Course {
    minutes: Vec<f64>,
    /// `ln` of the demand-hours accumulated, per member; never falling.
    ln_clock: Vec<Vec<f64>>,
    /// The same at each minute as at most [`MOST_NODES`] numbers of equal weight, in order: a
    /// mixture at one instant depends on the set of its members alone, and neighbours in that set
    /// are averaged.
    nodes: Vec<f64>,
    nodes_each: usize,
}

/// A clock that stands still from the start, as under a clamp, keeps a logarithm.
const LEAST_CLOCK_H: f64 = 1e-12;
/// Most numbers that stand for the members at one minute.
const MOST_NODES: usize = 8;

/// A finishing time, in minutes after the start.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Finish {
    /// After so many minutes.
    At(f64),
    /// Later than the end of the weather, so many minutes after the start.
    After(f64),
}

impl Finish {
    /// The minutes, or those to the end of the weather: a lower bound in either case.
    pub fn at_least_min(self) -> f64 {
        match self {
            Finish::At(minutes) | Finish::After(minutes) => minutes,
        }
    }

    /// Is the time known?
    pub fn is_within(self) -> bool {
        matches!(self, Finish::At(_))
    }
}

impl Course {
    /// A course from the demand-hours of each member at the minutes given, which rise from above 0.
    ///
    /// # Panics
    /// Where there is no member or no minute, or lengths differ: a fault of the caller.
    pub fn new(minutes: Vec<f64>, demand_hours: Vec<Vec<f64>>) -> Self {
        assert!(!minutes.is_empty() && !demand_hours.is_empty(), "a course needs weather");
        assert!(demand_hours.iter().all(|member| member.len() == minutes.len()));
        let ln_clock: Vec<Vec<f64>> = demand_hours
            .into_iter()
            .map(|m| m.into_iter().map(|hours| hours.max(LEAST_CLOCK_H).ln()).collect())
            .collect();
        let nodes_each = ln_clock.len().min(MOST_NODES);
        let nodes = (0..minutes.len()).flat_map(|minute| nodes(&ln_clock, minute)).collect();
        Self { minutes, ln_clock, nodes, nodes_each }
    }

    /// The minutes at which it is kept, rising to the horizon.
    pub fn minutes(&self) -> &[f64] {
        &self.minutes
    }

    /// Minutes from the start to the end of the weather.
    pub fn horizon_min(&self) -> f64 {
        self.minutes[self.minutes.len() - 1]
    }

    /// Number of weather members.
    pub fn members(&self) -> usize {
        self.ln_clock.len()
    }

    /// Demand-hours of one member after so many minutes, up to the horizon.
    pub fn demand_hours(&self, member: usize, minutes: f64) -> f64 {
        self.ln_at(member, self.place(minutes)).exp()
    }

    /// When a member's clock reaches `ln_wanted`.
    pub fn reach(&self, member: usize, ln_wanted: f64) -> Finish {
        let row = &self.ln_clock[member];
        let cell = row.partition_point(|ln| *ln < ln_wanted);
        if cell == row.len() {
            return Finish::After(self.horizon_min());
        }
        let wanted = ln_wanted.exp();
        let (t0, c0) =
            if cell == 0 { (0.0, 0.0) } else { (self.minutes[cell - 1], row[cell - 1].exp()) };
        let (t1, c1) = (self.minutes[cell], row[cell].exp());
        let share = if c1 > c0 { (wanted - c0) / (c1 - c0) } else { 1.0 };
        Finish::At(t0 + share.clamp(0.0, 1.0) * (t1 - t0))
    }

    /// The cell that holds so many minutes and how far into it they are.
    fn place(&self, minutes: f64) -> (usize, f64) {
        let minutes = minutes.min(self.horizon_min());
        let cell = self.minutes.partition_point(|m| *m < minutes).min(self.minutes.len() - 1);
        let from = if cell == 0 { 0.0 } else { self.minutes[cell - 1] };
        (cell, ((minutes - from) / (self.minutes[cell] - from)).clamp(0.0, 1.0))
    }

    /// Demand is interpolated straight within a cell, from nothing at the start.
    fn ln_at(&self, member: usize, (cell, share): (usize, f64)) -> f64 {
        let row = &self.ln_clock[member];
        let high = row[cell];
        if share >= 1.0 {
            return high;
        }
        let below = if cell == 0 { 0.0 } else { (row[cell - 1] - high).exp() };
        high + (below + share * (1.0 - below)).ln()
    }
}

/// One draw: when will it be empty?
#[derive(Debug, Clone)]
pub struct Belief {
    course: Arc<Course>,
    law: Arc<Law>,
    /// `ln` of the demand-hours that the charge asks for at the mean thirst.
    ln_wanted: f64,
}

impl Belief {
    /// A draw whose charge asks for `exp(ln_wanted)` demand-hours, give or take `law`.
    pub fn new(course: Arc<Course>, law: Arc<Law>, ln_wanted: f64) -> Self {
        Self { course, law, ln_wanted }
    }

    /// The same thirst and charge on another course.
    pub fn on(self, course: Arc<Course>) -> Self {
        Self { course, ..self }
    }

    /// Probability that the bag is empty so many minutes after its start; none beyond the weather.
    pub fn empty_by(&self, minutes: f64) -> Option<f64> {
        (minutes <= self.course.horizon_min()).then(|| self.mixture(self.course.place(minutes)))
    }

    /// The same for a bag that was still wet after `wet_min`.
    pub fn empty_by_if_wet_at(&self, minutes: f64, wet_min: f64) -> Option<f64> {
        let (then, by) = (self.empty_by(wet_min)?, self.empty_by(minutes)?);
        Some(if then < 1.0 { ((by - then) / (1.0 - then)).clamp(0.0, 1.0) } else { 1.0 })
    }

    /// The time by which the bag is empty with probability `p`.
    pub fn quantile(&self, p: f64) -> Finish {
        let (course, cell) = (&*self.course, self.cell_of(p));
        if cell == course.minutes.len() {
            return Finish::After(course.horizon_min());
        }
        let from = if cell == 0 { 0.0 } else { course.minutes[cell - 1] };
        Finish::At(from + self.share_of_cell(cell, p) * (course.minutes[cell] - from))
    }

    /// Volume expected to be left so many minutes after the start, as a share of the charge; none
    /// beyond the weather. The expectation is over thirst and weather.
    pub fn share_left(&self, minutes: f64) -> Option<f64> {
        if minutes > self.course.horizon_min() {
            return None;
        }
        // 1 - min(1, C exp(y) / V), averaged over the middles of equal slices of probability.
        const SLICES: usize = 40;
        let place = self.course.place(minutes);
        let members = self.course.members();
        let thirsts: Vec<f64> =
            (0..SLICES).map(|k| self.law.quantile((k as f64 + 0.5) / SLICES as f64)).collect();
        let left: f64 = (0..members)
            .map(|member| {
                let reached = self.course.ln_at(member, place) - self.ln_wanted;
                thirsts.iter().map(|y| 1.0 - (reached + y).exp().min(1.0)).sum::<f64>()
            })
            .sum();
        Some(left / (members * SLICES) as f64)
    }

    /// The weather and clocks behind it.
    pub fn shared_course(&self) -> Arc<Course> {
        self.course.clone()
    }

    /// `ln` of the demand-hours that the charge asks for at the mean thirst.
    pub fn ln_wanted(&self) -> f64 {
        self.ln_wanted
    }

    /// Probability of being empty at a place on the course.
    fn mixture(&self, (cell, share): (usize, f64)) -> f64 {
        let each = self.course.nodes_each;
        let high = &self.course.nodes[cell * each..(cell + 1) * each];
        let sum: f64 = if share >= 1.0 {
            high.iter().map(|ln| self.law.cumulative(ln - self.ln_wanted)).sum()
        } else if cell == 0 {
            high.iter().map(|ln| self.law.cumulative(ln + share.ln() - self.ln_wanted)).sum()
        } else {
            let low = &self.course.nodes[(cell - 1) * each..cell * each];
            low.iter()
                .zip(high)
                .map(|(low, high)| {
                    let below = (low - high).exp();
                    let ln = high + (below + share * (1.0 - below)).ln();
                    self.law.cumulative(ln - self.ln_wanted)
                })
                .sum()
        };
        sum / each as f64
    }

    /// The first cell at whose end the probability is reached; the number of cells where it is
    /// not. Searched from where the middle of the members reaches the law's own quantile.
    fn cell_of(&self, p: f64) -> usize {
        let (course, each) = (&*self.course, self.course.nodes_each);
        let cells = course.minutes.len();
        let wanted = self.ln_wanted + self.law.quantile(p);
        let (mut low, mut high) = (0, cells);
        while low < high {
            let middle = (low + high) / 2;
            if course.nodes[middle * each + each / 2] < wanted {
                low = middle + 1;
            } else {
                high = middle;
            }
        }
        let reached = |cell: usize| cell == cells || self.mixture((cell, 1.0)) >= p;
        let (mut below, mut above, mut step) = (low, low, 1);
        if reached(low) {
            loop {
                if above == 0 {
                    return 0;
                }
                below = above.saturating_sub(step);
                if !reached(below) {
                    break;
                }
                above = below;
                step *= 2;
            }
        } else {
            loop {
                above = (below + step).min(cells);
                if reached(above) {
                    break;
                }
                below = above;
                step *= 2;
            }
        }
        while above - below > 1 {
            let middle = (below + above) / 2;
            if reached(middle) { above = middle } else { below = middle }
        }
        above
    }

    /// How far into a cell the probability is reached: false position, its stale end halved
    /// (Illinois), so that it neither creeps nor leaves the bracket.
    fn share_of_cell(&self, cell: usize, p: f64) -> f64 {
        let excess = |share: f64| self.mixture((cell, share)) - p;
        let before = if cell == 0 { 0.0 } else { self.mixture((cell - 1, 1.0)) };
        let (mut low, mut high) = (0.0, 1.0);
        let (mut below, mut above) = (before - p, excess(1.0));
        for _ in 0..30 {
            let share = high - above * (high - low) / (above - below);
            let here = excess(share.clamp(0.0, 1.0));
            if here.abs() < 1e-7 || high - low < 1e-6 {
                return share.clamp(0.0, 1.0);
            }
            if here > 0.0 {
                (high, above) = (share, here);
                below *= 0.5;
            } else {
                (low, below) = (share, here);
                above *= 0.5;
            }
        }
        0.5 * (low + high)
    }
}

/// The members at one minute in order, neighbours averaged into at most [`MOST_NODES`] groups of
/// sizes as equal as can be.
fn nodes(ln_clock: &[Vec<f64>], minute: usize) -> Vec<f64> {
    let mut all: Vec<f64> = ln_clock.iter().map(|member| member[minute]).collect();
    all.sort_unstable_by(f64::total_cmp);
    let groups = all.len().min(MOST_NODES);
    (0..groups)
        .map(|group| {
            let part = &all[group * all.len() / groups..(group + 1) * all.len() / groups];
            part.iter().sum::<f64>() / part.len() as f64
        })
        .collect()
}
