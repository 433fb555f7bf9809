//! The problem as the planner asks it: walks, drawdowns, kits, openings.

use super::problem::{Knot, Problem};

impl Problem {
    /// Minutes from one place to another.
    pub(super) fn walk(&self, from: usize, to: usize) -> i32 {
        self.walks_min[from * (self.trees.len() + 1) + to]
    }

    /// Most minutes from a start to the second look.
    pub(super) fn second_look_within(&self) -> i32 {
        self.steps.second_look_min + self.steps.look_slack_min
    }

    /// Most minutes from look to look after that.
    pub(super) fn look_within(&self) -> i32 {
        self.steps.check_every_min + self.steps.look_slack_min
    }

    /// The first instant from another one on at which a bag may be started.
    pub(super) fn opens(&self, at: i32) -> i32 {
        let mut at = at;
        for span in &self.closed {
            if span.from <= at && at < span.to {
                at = span.to;
            }
        }
        at
    }

    /// When the last filling is surely empty if each refill is made at once; none beyond the table.
    pub(super) fn surely_empty(&self, tree: usize, start: i32) -> Option<i32> {
        let mut runs = start;
        for _ in 1..self.trees[tree].fillings {
            runs = self.sure(tree, runs)? + self.steps.refill_min;
        }
        self.sure(tree, runs)
    }

    /// When one filling is surely empty.
    pub(super) fn sure(&self, tree: usize, start: i32) -> Option<i32> {
        finish(&self.trees[tree].drawdown, start, |knot| knot.sure)
    }

    /// How a bag that starts at an instant would end: none where it must not be started.
    pub(super) fn ends(&self, tree: usize, start: i32) -> Option<Ends> {
        if self.surely_empty(tree, start).is_some_and(|at| at <= self.done_by) {
            return Some(Ends::Empty);
        }
        let it = &self.trees[tree];
        let stays = it.due && it.fillings == 1 && it.overnight_until.is_some_and(|to| start <= to);
        stays.then_some(Ends::Overnight)
    }
}

/// How a day ends for a bag.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Ends {
    /// Surely empty in time.
    Empty,
    /// Hanging through the night.
    Overnight,
}

/// A finish between two knots lies straight between theirs, rounded up.
pub(super) fn finish(
    knots: &[Knot],
    start: i32,
    pick: impl Fn(&Knot) -> Option<i32>,
) -> Option<i32> {
    let after = knots.partition_point(|knot| knot.start < start);
    let high = knots.get(after)?;
    if high.start == start {
        return pick(high);
    }
    let low = knots.get(after.checked_sub(1)?)?;
    let (from, to) = (i64::from(pick(low)?), i64::from(pick(high)?));
    let (gone, whole) = (i64::from(start - low.start), i64::from(high.start - low.start));
    let rise = ((to - from) * gone + whole - 1).div_euclid(whole);
    i32::try_from(from + rise).ok()
}
