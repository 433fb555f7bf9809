//! Constructive starts: sequences of visits by simple rules, as a foreman would improvise them.

use super::problem::Problem;
use super::rota::{Rota, Visit};

/// How much later a set may begin than the next visit to a hanging bag and still come first,
/// minutes: from "kits first" to "sets first".
const PREFERENCES_MIN: [i32; 4] = [-20, 0, 20, 100_000];
/// Hanging bags looked at for the next visit.
const CONSIDERED: usize = 3;

/// Some sequences, each with every visit of every tree: everybody everywhere, or each person with a
/// part of the list of their own.
pub(super) fn openings(problem: &Problem) -> Vec<Vec<Visit>> {
    let mut all = Vec::new();
    for order in orders(problem) {
        let anyone: Vec<Visit> = order.iter().map(|&tree| Visit::new(tree, None)).collect();
        let shared = shared_out(problem, &order);
        for prefer in PREFERENCES_MIN {
            all.push(improvised(problem, &anyone, prefer, false));
            if problem.people.len() > 1 {
                all.push(improvised(problem, &shared, prefer, true));
            }
        }
    }
    all
}

/// An order cut into as many parts as people who may set, of about equal work.
fn shared_out(problem: &Problem, order: &[usize]) -> Vec<Visit> {
    let setters: Vec<usize> =
        (0..problem.people.len()).filter(|&it| problem.people[it].may_set).collect();
    let work = |tree: usize| f64::from(problem.steps.set_min[tree] + 10);
    let whole: f64 = order.iter().map(|&tree| work(tree)).sum();
    let mut done = 0.0;
    order
        .iter()
        .map(|&tree| {
            let part = (done / whole.max(1.0) * setters.len() as f64) as usize;
            done += work(tree);
            Visit::new(tree, setters.get(part.min(setters.len().saturating_sub(1))).copied())
        })
        .collect()
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

/// Sets in an order, each person's own apart; visits to hanging bags as they come ready, by whoever
/// set them where `keeps`, else by anybody.
pub(super) fn improvised(
    problem: &Problem,
    order: &[Visit],
    prefer_min: i32,
    keeps: bool,
) -> Vec<Visit> {
    let mut rota = Rota::new(problem, false);
    let mut sequence: Vec<Visit> = Vec::with_capacity(2 * problem.trees.len());
    let mut owner: Vec<Option<usize>> = vec![None; problem.trees.len()];
    for visit in order.iter().filter(|_| keeps) {
        owner[visit.tree] = visit.who;
    }
    let mut hanging: Vec<usize> =
        (0..problem.trees.len()).filter(|&tree| rota.ready(tree).is_some()).collect();
    let mut whose: Vec<Option<usize>> = order.iter().map(|visit| visit.who).collect();
    whose.sort_unstable();
    whose.dedup();
    let mut queues: Vec<std::collections::VecDeque<Visit>> = whose
        .iter()
        .map(|who| order.iter().filter(|visit| visit.who == *who).copied().collect())
        .collect();
    loop {
        hanging.retain(|&tree| rota.ready(tree).is_some());
        hanging.sort_by_key(|&tree| rota.ready(tree));
        let visit = hanging
            .iter()
            .take(CONSIDERED)
            .map(|&tree| Visit::new(tree, owner[tree]))
            .filter_map(|visit| rota.propose(visit).map(|it| (it.begin(), visit)))
            .min_by_key(|it| it.0);
        let set = next_set(&mut rota, &mut queues);
        let chosen = match (set, visit) {
            (Some((begin, set)), Some((ready, visit))) => {
                if begin <= ready.saturating_add(prefer_min) { set } else { visit }
            }
            (Some((_, set)), None) => set,
            (None, Some((_, visit))) => visit,
            (None, None) => break,
        };
        rota.make(chosen);
        sequence.push(chosen);
        if rota.ready(chosen.tree).is_some() && !hanging.contains(&chosen.tree) {
            hanging.push(chosen.tree);
        }
    }
    completed(problem, sequence)
}

/// Of the heads of all queues, the set that can begin first; those that cannot be made at all, while
/// a kit is there, are left.
fn next_set(
    rota: &mut Rota,
    queues: &mut [std::collections::VecDeque<Visit>],
) -> Option<(i32, Visit)> {
    let mut first: Option<(i32, Visit)> = None;
    for queue in queues {
        while let Some(&visit) = queue.front() {
            if !rota.waits(visit.tree) {
                queue.pop_front();
                continue;
            }
            if !rota.has_kit(visit.tree) {
                break;
            }
            let Some(proposal) = rota.propose(visit) else {
                rota.leave(visit.tree);
                continue;
            };
            if first.is_none_or(|it| proposal.begin() < it.0) {
                first = Some((proposal.begin(), visit));
            }
            break;
        }
    }
    first
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
            sequence.push(Visit::new(tree, None));
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
