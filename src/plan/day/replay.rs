//! How a crew lives a plan on a day whose bags differ from what was believed.

use super::opening::improvised;
use super::plan::Plan;
use super::problem::Problem;
use super::rota::{Proposal, Rota, Visit};
use super::solver::{sequence_of, written};

/// How a crew goes about it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Manner {
    /// In the plan's order, by the plan's people; all acts slide, and a bag that is to be waited for
    /// longer than so many minutes is passed over for what comes next, until it is ready.
    InOrder(i32),
    /// Sets in the plan's order; visits as bags come ready, the next tree first where it can begin at
    /// most so many minutes later.
    AsReady(i32),
}

/// Visits looked at ahead of one that waits for its bag.
const AHEAD: usize = 8;

/// The same trees by the same people on another day. Trees that the plan leaves stay left.
pub fn replayed(problem: &Problem, plan: &Plan, manner: Manner) -> Plan {
    let mut sequence = match manner {
        Manner::InOrder(patience_min) => followed(problem, plan, patience_min),
        Manner::AsReady(sets_first_min) => {
            let mut sets: Vec<(i32, Visit)> = plan
                .draws
                .iter()
                .filter(|draw| problem.trees[draw.tree].hung.is_none())
                .map(|draw| (draw.start, Visit::new(draw.tree, Some(draw.person))))
                .collect();
            sets.sort_by_key(|set| set.0);
            let order: Vec<Visit> = sets.into_iter().map(|set| set.1).collect();
            improvised(problem, &order, sets_first_min, false)
        }
    };
    sequence.retain(|visit| plan.draws.iter().any(|draw| draw.tree == visit.tree));
    written(problem, &sequence)
}

/// The order in which the plan's visits come to be made.
fn followed(problem: &Problem, plan: &Plan, patience_min: i32) -> Vec<Visit> {
    let mut rest = sequence_of(problem, plan);
    rest.retain(|visit| plan.draws.iter().any(|draw| draw.tree == visit.tree));
    let mut rota = Rota::new(problem, false);
    let mut made = Vec::with_capacity(rest.len());
    while !rest.is_empty() {
        let ahead: Vec<(usize, Proposal)> = (0..rest.len().min(AHEAD))
            .filter(|&at| !rest[..at].iter().any(|earlier| earlier.tree == rest[at].tree))
            .filter_map(|at| Some((at, rota.propose(rest[at])?)))
            .collect();
        let first = ahead.iter().map(|it| it.1.begin()).min();
        let until = first.map(|at| at.saturating_add(patience_min));
        let next = ahead.into_iter().find(|it| Some(it.1.begin()) <= until);
        // What cannot be made at all is no visit; it stays in the order for `written` to tell.
        let (at, proposal) = next.map_or((0, None), |(at, proposal)| (at, Some(proposal)));
        made.push(rest.remove(at));
        if let Some(proposal) = proposal {
            rota.accept(proposal);
        }
    }
    made
}
