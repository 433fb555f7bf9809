//! A few trees: every sequence of visits, by whom and with which kit, until nothing better is left
//! or so many visits were tried.
//!
//! Branches that cannot beat the best known plan are cut by bounds on what people and kits can still
//! do; so are days that another order reached with everything as early or earlier.

use super::Score;
use super::problem::Problem;
use super::rota::{Rota, Visit};
use std::collections::HashMap;

/// Up to so many visits a day is worth a complete search.
pub(super) const FEW_VISITS: usize = 18;
/// Days remembered for one set of bags.
const REMEMBERED: usize = 24;

/// Anything better than a score, among all sequences; gives the best found.
pub(super) fn bettered(problem: &Problem, known: Score, tries: usize) -> Option<Vec<Visit>> {
    let mut search = Complete {
        best: known,
        found: None,
        tries,
        holds: holds(problem),
        sizes: sizes(problem),
        seen: HashMap::new(),
        path: Vec::new(),
    };
    search.branch(&Rota::new(problem, false), problem);
    search.found
}

struct Complete {
    best: Score,
    found: Option<Vec<Visit>>,
    tries: usize,
    holds: Vec<i32>,
    sizes: Vec<Option<u32>>,
    seen: HashMap<Vec<u64>, Vec<Vec<i32>>>,
    path: Vec<Visit>,
}

/// Sizes of kits.
fn sizes(problem: &Problem) -> Vec<Option<u32>> {
    let mut sizes: Vec<Option<u32>> = problem.kits.iter().map(|kit| Some(kit.ports)).collect();
    sizes.sort_unstable();
    sizes.dedup();
    sizes
}

/// Least minutes that each tree holds a kit, from its start to the end of its strip.
fn holds(problem: &Problem) -> Vec<i32> {
    let steps = &problem.steps;
    let least = |tree: usize| {
        let it = &problem.trees[tree];
        let draws = it.drawdown.iter().filter_map(|knot| Some(knot.sure? - knot.start));
        let fillings = it.fillings as i32;
        // A finish between two knots is rounded up, so that knots alone bound it from below.
        let least = draws.min().unwrap_or(0);
        fillings * least + (fillings - 1) * steps.refill_min + steps.strip_min
    };
    (0..problem.trees.len()).map(least).collect()
}

impl Complete {
    fn branch(&mut self, day: &Rota, problem: &Problem) {
        if self.tries == 0 || day.bound(&self.holds, self.best) >= self.best {
            return;
        }
        self.leaf(day);
        if self.is_known(day) {
            return;
        }
        let mut next: Vec<(i32, Visit, Rota)> = Vec::new();
        for tree in 0..problem.trees.len() {
            let sets = day.waits(tree);
            for who in (0..problem.people.len()).filter(|&who| !day.has_twin_before(who)) {
                let sizes = if sets { &self.sizes[..] } else { &[None] };
                for &size in
                    sizes.iter().filter(|it| it.is_none_or(|it| it >= problem.trees[tree].ports))
                {
                    let visit = Visit { size, ..Visit::new(tree, Some(who)) };
                    let Some(proposal) = day.propose(visit) else { continue };
                    self.tries = self.tries.saturating_sub(1);
                    let begin = proposal.begin();
                    let mut after = day.clone();
                    after.accept(proposal);
                    if after.failed == 0 {
                        next.push((begin, visit, after));
                    }
                }
            }
        }
        next.sort_by_key(|it| it.0);
        for (_, visit, after) in next {
            self.path.push(visit);
            self.branch(&after, problem);
            self.path.pop();
        }
    }

    fn leaf(&mut self, day: &Rota) {
        if day.is_any_hanging() {
            return;
        }
        let mut ended = day.clone();
        ended.end();
        if ended.failed == 0 && ended.score() < self.best {
            self.best = ended.score();
            self.found = Some(self.path.clone());
        }
    }

    /// Did another order come to the same bags with nothing later? Else this one is remembered.
    fn is_known(&mut self, day: &Rota) -> bool {
        let (bags, times) = day.state();
        let others = self.seen.entry(bags).or_default();
        if others.iter().any(|other| other.iter().zip(&times).all(|(a, b)| a <= b)) {
            return true;
        }
        others.retain(|other| !other.iter().zip(&times).all(|(a, b)| b <= a));
        if others.len() < REMEMBERED {
            others.push(times);
        }
        false
    }
}
