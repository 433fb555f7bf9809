//! Constructive starts: sequences of visits by simple rules, as a foreman would improvise them.

use super::problem::Problem;
use super::rota::{Rota, Visit};

/// How much later a set may begin than the next visit to a hanging bag and still come first,
/// minutes: from "kits first" to "sets first".
const PREFERENCES_MIN: [i32; 4] = [-20, 0, 20, 100_000];
/// Hanging bags looked at for the next visit.
const CONSIDERED: usize = 3;

/// Some sequences, each with every visit of every tree.
pub(super) fn openings(problem: &Problem) -> Vec<Vec<Visit>> {
    let orders = orders(problem);
    let each =
        |order: &Vec<usize>| PREFERENCES_MIN.map(|prefer| improvised(problem, order, prefer));
    orders.iter().flat_map(each).collect()
}

/// The list's own order, the next tree on the way, slow trees first, fast trees first.
fn orders(problem: &Problem) -> Vec<Vec<usize>> {
    let listed: Vec<usize> =
        (0..problem.trees.len()).filter(|&tree| problem.trees[tree].hung.is_none()).collect();
    let slowness = |&tree: &usize| {
        let first = problem.trees[tree].drawdown.first();
        first.and_then(|knot| problem.surely_empty(tree, knot.start)).unwrap_or(i32::MAX)
    };
    let mut slow_first = listed.clone();
    slow_first.sort_by_key(|tree| std::cmp::Reverse(slowness(tree)));
    let mut fast_first = listed.clone();
    fast_first.sort_by_key(slowness);
    vec![on_the_way(problem, &listed), listed, slow_first, fast_first]
}

fn on_the_way(problem: &Problem, listed: &[usize]) -> Vec<usize> {
    let mut rest = listed.to_vec();
    let mut at = problem.people.first().map_or(problem.trees.len(), |person| person.at);
    let mut order = Vec::with_capacity(rest.len());
    while let Some(next) = (0..rest.len()).min_by_key(|&it| (problem.walk(at, rest[it]), rest[it]))
    {
        at = rest.remove(next);
        order.push(at);
    }
    order
}

/// Sets in an order, visits to hanging bags as they come ready.
fn improvised(problem: &Problem, order: &[usize], prefer_min: i32) -> Vec<Visit> {
    let mut rota = Rota::new(problem, false);
    let mut sequence: Vec<Visit> = Vec::with_capacity(2 * problem.trees.len());
    let mut next = 0;
    let mut hanging: Vec<usize> =
        (0..problem.trees.len()).filter(|&tree| rota.ready(tree).is_some()).collect();
    loop {
        while next < order.len() && !rota.waits(order[next]) {
            next += 1;
        }
        hanging.retain(|&tree| rota.ready(tree).is_some());
        hanging.sort_by_key(|&tree| rota.ready(tree));
        let anyone = |tree: usize| Visit { tree, who: None };
        let visit = hanging
            .iter()
            .take(CONSIDERED)
            .filter_map(|&tree| rota.propose(anyone(tree)).map(|it| (it.begin(), tree)))
            .min();
        let set = order
            .get(next)
            .copied()
            .filter(|&tree| rota.has_kit(tree))
            .map(|tree| (tree, rota.propose(anyone(tree)).map(|proposal| proposal.begin())));
        let chosen = match (set, visit) {
            (Some((tree, None)), _) => {
                rota.leave(tree);
                continue;
            }
            (Some((tree, Some(begin))), Some((ready, bag))) => {
                if begin <= ready.saturating_add(prefer_min) { tree } else { bag }
            }
            (Some((tree, Some(_))), None) => tree,
            (None, Some((_, bag))) => bag,
            (None, None) => match order.get(next) {
                Some(&tree) if hanging.is_empty() => {
                    rota.leave(tree);
                    continue;
                }
                _ => break,
            },
        };
        rota.make(anyone(chosen));
        sequence.push(anyone(chosen));
        if rota.ready(chosen).is_some() && !hanging.contains(&chosen) {
            hanging.push(chosen);
        }
    }
    completed(problem, sequence)
}

/// With the visits that are missing appended, so that the search may still find room for them.
pub(super) fn completed(problem: &Problem, mut sequence: Vec<Visit>) -> Vec<Visit> {
    let mut made = vec![0; problem.trees.len()];
    sequence.retain(|visit| {
        made[visit.tree] += 1;
        made[visit.tree] <= visits(problem, visit.tree)
    });
    for (tree, made) in made.iter().enumerate() {
        for _ in *made..visits(problem, tree) {
            sequence.push(Visit { tree, who: None });
        }
    }
    sequence
}

/// How many visits a tree takes.
pub(super) fn visits(problem: &Problem, tree: usize) -> usize {
    let it = &problem.trees[tree];
    match &it.hung {
        Some(hung) => usize::from(hung.strip_from.is_some()) * it.fillings as usize,
        None => it.fillings as usize + 1,
    }
}
