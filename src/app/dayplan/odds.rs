//! What a plan comes to on days that are not as believed: a seeded simulation over tree, day and
//! weather, and what one more kit, one more person or an earlier start would buy on the same days.
//!
//! On each simulated day the crew keeps to the plan's people, and strips a bag when it is in fact
//! empty: in the plan's order, with acts that slide, or as bags come ready, whichever serves the plan
//! better over other days, simulated for that choice alone; a bag that is still wet in the evening stays
//! on its tree.

use super::lay::Laid;
use crate::app::ahead::target;
use crate::app::desk::Desk;
use crate::app::times::SEED;
use crate::belief::joint::Together;
use crate::belief::{Course, Finish};
use crate::plan::check::check;
use crate::plan::day::{
    Act, Deed, Effort, Kit, Knot, Manner, Person, Plan, Problem, bettered, replayed, solve,
};
use crate::uptake::linear;
use rayon::prelude::*;
use serde::Serialize;
use std::sync::Arc;

/// Simulated days behind the odds of a plan.
pub const DAYS: usize = 200;
/// Where a plan is made again in the field, and the answer must not be waited for.
pub const DAYS_AGAIN: usize = 100;
/// Moves of the search where a question is what something would buy.
const MOVES: usize = 600;
/// Ways of a crew with a plan: the one that serves it best on days of their own is its way.
const MANNERS: [Manner; 8] = [
    Manner::InOrder(100_000),
    Manner::InOrder(30),
    Manner::InOrder(5),
    Manner::AsReady(-20),
    Manner::AsReady(0),
    Manner::AsReady(10),
    Manner::AsReady(40),
    Manner::AsReady(100_000),
];
/// Ways are compared on so many other days for each ten that are scored.
const COMPARED_OF_TEN: usize = 2;
/// How much earlier a start is asked about, min.
pub const EARLIER_MIN: i32 = 30;
/// Keeps a covariance of near-equal trees positive definite.
const JITTER: f64 = 1e-9;

/// What is to be expected of a plan.
#[derive(Debug, Clone, PartialEq, Serialize, utoipa::ToSchema)]
pub struct Odds {
    /// Simulated days behind it.
    pub simulated_days: usize,
    /// Probability that every bag planned to be empty is, and is stripped within the day.
    pub p_all_done: f64,
    /// Bags expected to be still hanging at the end, planned ones included.
    pub overnight_bags: f64,
    /// Minutes that one person is expected to wait, of the whole crew's mean.
    pub idle_min_per_person: f64,
    /// Minutes that one kit is expected to hang nowhere while the crew works.
    pub idle_min_per_kit: f64,
}

/// The same with one thing changed.
#[derive(Debug, Clone, PartialEq, Serialize, utoipa::ToSchema)]
pub struct WhatIf {
    /// What is changed, in words.
    pub change: &'static str,
    /// Trees surely empty in time.
    pub surely_empty: usize,
    /// End of the plan, minutes after that of the plan itself.
    pub end_later_min: i32,
    /// What is to be expected.
    pub odds: Odds,
}

/// Simulated days: per tree and day, when its bag is empty by its start.
pub struct Days {
    courses: Vec<(i32, Option<Arc<Course>>)>,
    ln_wanted: Vec<f64>,
    /// What a plan is scored on.
    days: Vec<Day>,
    /// What a way of going about it is chosen on.
    trials: Vec<Day>,
}

/// The weather member of a day, and by how much each ln thirst departs from its mean.
type Day = (usize, Vec<f64>);

impl Days {
    /// So many days for the trees laid out; none where their covariance is none.
    pub fn of(desk: &Desk, laid: &Laid, count: usize) -> Option<Self> {
        let courses: Vec<(i32, Option<Arc<Course>>)> = laid
            .problem
            .trees
            .first()?
            .drawdown
            .iter()
            .map(|knot| (knot.start, laid.ahead.course(laid.at(knot.start)).ok()))
            .collect();
        let shared: Vec<Arc<Course>> = courses.iter().filter_map(|it| it.1.clone()).collect();
        let posterior = desk.model.posterior();
        let targets: Vec<_> = laid.hangs.iter().map(|hang| target(&desk.grove, hang)).collect();
        let mut joint = posterior.joint(&targets);
        joint.covariance.diag_mut().mapv_inplace(|variance| variance + JITTER);
        let factor = linear::factor(&joint.covariance, "covariance of the trees").ok()?;
        let variances = posterior.variances();
        let together = Together {
            courses: shared,
            ln_wanted: laid.thirsts.ln_wanted.clone(),
            factor: factor.rows().into_iter().map(|row| row.to_vec()).collect(),
            residual: variances.residual,
            scale: variances.scale,
        };
        if together.courses.is_empty() {
            return None;
        }
        let days = together.days(count, SEED);
        let trials = together.days(count * COMPARED_OF_TEN / 10, SEED + 1);
        Some(Self { courses, ln_wanted: together.ln_wanted, days, trials })
    }

    /// The problem as it is on one of these days. A bag that is not empty in time stays; refills are
    /// counted in its time.
    fn problem(&self, believed: &Problem, (member, shifts): &Day) -> Problem {
        let mut problem = believed.clone();
        for (tree, it) in problem.trees.iter_mut().enumerate() {
            let wanted = self.ln_wanted[tree] - shifts[tree];
            let mut last = i32::MIN;
            it.drawdown = self
                .courses
                .iter()
                .map(|(start, course)| {
                    let reached = course.as_ref().map(|course| course.reach(*member, wanted));
                    let at = match reached {
                        Some(Finish::At(minutes)) => {
                            last = last.max(start + minutes.ceil() as i32);
                            Some(last)
                        }
                        _ => None,
                    };
                    Knot { start: *start, p50: at, p90: at, sure: at }
                })
                .collect();
        }
        may_all_stay(&problem)
    }

    /// What is to be expected of a plan.
    pub fn odds(&self, problem: &Problem, plan: &Plan) -> Odds {
        let lived_out = |days: &[Day]| -> Vec<Problem> {
            days.par_iter().map(|day| self.problem(problem, day)).collect()
        };
        let (days, trials) = (lived_out(&self.days), lived_out(&self.trials));
        let seen = |manner: Manner, days: &[Problem]| -> Vec<[f64; 4]> {
            days.par_iter().map(|day| lived(problem, plan, &replayed(day, plan, manner))).collect()
        };
        let merit = |manner: &Manner| {
            let seen = seen(*manner, &trials);
            let sum = |which: usize| seen.iter().map(|it| it[which]).sum::<f64>();
            (-sum(0), sum(1))
        };
        let manner = MANNERS.into_iter().map(|it| (merit(&it), it)).min_by(|a, b| {
            let ((all, hanging), (other_all, other_hanging)) = (a.0, b.0);
            all.total_cmp(&other_all).then(hanging.total_cmp(&other_hanging))
        });
        let seen = seen(manner.map_or(MANNERS[0], |it| it.1), &days);
        let mean = |which: usize| seen.iter().map(|it| it[which]).sum::<f64>() / seen.len() as f64;
        Odds {
            simulated_days: seen.len(),
            p_all_done: mean(0),
            overnight_bags: mean(1),
            idle_min_per_person: mean(2),
            idle_min_per_kit: mean(3),
        }
    }

    /// What one more kit, one more person and half an hour would buy, on the same days.
    pub fn what_if(&self, problem: &Problem, plan: &Plan, may_start_earlier: bool) -> Vec<WhatIf> {
        let widest = problem.kits.iter().map(|kit| kit.ports).max().unwrap_or(0);
        let more = |change: &dyn Fn(&mut Problem)| {
            let mut changed = problem.clone();
            change(&mut changed);
            changed
        };
        let mut changes: Vec<(&'static str, Problem)> = vec![
            ("one more kit", more(&|it| it.kits.push(Kit { ports: widest }))),
            (
                "one more person",
                more(&|it| {
                    let first = it.people.iter().find(|person| person.is_here()).cloned();
                    it.people.extend(first.map(|first| Person { may_set: true, ..first }));
                }),
            ),
        ];
        if may_start_earlier {
            let earlier = |it: &mut Problem| {
                it.people.iter_mut().for_each(|person| person.from -= EARLIER_MIN);
            };
            changes.push(("start half an hour earlier", more(&earlier)));
        }
        let effort = Effort { moves: MOVES, seed: 1 };
        let Ok(score) = check(problem, plan) else { return Vec::new() };
        changes
            .into_iter()
            .filter_map(|(change, changed)| {
                // What is there already is never made worse by having more.
                let fresh = solve(&changed, effort, None);
                let same = padded(plan, &changed);
                let moved_on = bettered(&changed, effort, &same);
                let scored = |plan: Plan| check(&changed, &plan).ok().map(|score| (score, plan));
                let (better, plan) = [scored(fresh), scored(moved_on), scored(same)]
                    .into_iter()
                    .flatten()
                    .min_by_key(|it| it.0)?;
                Some(WhatIf {
                    change,
                    surely_empty: problem.trees.len() - better.not_empty,
                    end_later_min: better.end - score.end,
                    odds: self.odds(&changed, &plan),
                })
            })
            .collect()
    }
}

/// A plan for a crew with one more person, who does nothing yet.
fn padded(plan: &Plan, problem: &Problem) -> Plan {
    let mut plan = plan.clone();
    plan.people.resize(problem.people.len(), Vec::new());
    plan
}

/// A bag that is not empty in time stays, whatever the label says: nobody knew when it was hung.
fn may_all_stay(problem: &Problem) -> Problem {
    let mut problem = problem.clone();
    for tree in problem.trees.iter_mut().filter(|tree| tree.hung.is_none()) {
        if tree.fillings > 1 {
            one_filling(tree, problem.steps.refill_min);
        }
        (tree.due, tree.overnight_until) = (true, Some(i32::MAX));
    }
    problem
}

/// Bags left hanging, those that were never hung included.
fn unfinished(planned: &Plan, lived: &Plan) -> usize {
    let hanging = lived.draws.iter().filter(|draw| draw.overnight).count();
    hanging + planned.draws.len().saturating_sub(lived.draws.len())
}

/// All fillings of a tree as one.
fn one_filling(tree: &mut crate::plan::day::Tree, refill_min: i32) {
    let single = tree.drawdown.clone();
    let finish = |start: i32| {
        let at = single.partition_point(|knot| knot.start < start);
        single.get(at).and_then(|knot| knot.sure)
    };
    for knot in &mut tree.drawdown {
        let mut at = knot.sure;
        for _ in 1..tree.fillings {
            at = at.and_then(|at| finish(at + refill_min));
        }
        (knot.p50, knot.p90, knot.sure) = (at, at, at);
    }
    tree.fillings = 1;
}

/// Of one simulated day: all done? bags left hanging; idle minutes of a person and of a kit.
fn lived(problem: &Problem, planned: &Plan, lived: &Plan) -> [f64; 4] {
    let left_hanging = unfinished(planned, lived);
    let all_done = left_hanging <= planned.draws.iter().filter(|draw| draw.overnight).count();
    let works = |act: &&Act| act.deed != Deed::Break;
    let here = problem.people.iter().filter(|person| person.is_here());
    let from = here.map(|person| person.from).min().unwrap_or(0);
    let end = lived.people.iter().flatten().filter(works).map(|act| act.to).max().unwrap_or(from);
    let busy: i32 = lived.people.iter().flatten().map(|act| act.to - act.from).sum();
    let people = problem.people.iter().filter(|person| person.is_here()).count().max(1) as f64;
    let strip_end = |tree: usize| {
        let strips = lived.people.iter().flatten().filter(|act| act.deed == Deed::Strip);
        strips.filter(|act| act.at == tree).map(|act| act.to).next().unwrap_or(end)
    };
    let hung: i32 = lived
        .draws
        .iter()
        .map(|draw| (strip_end(draw.tree).min(end) - draw.start.max(from)).max(0))
        .sum();
    let kits = problem.kits.iter().filter(|kit| kit.ports > 0).count().max(1) as f64;
    let day = f64::from(end - from);
    [
        f64::from(u8::from(all_done)),
        left_hanging as f64,
        (day - f64::from(busy) / people).max(0.0),
        (day - f64::from(hung) / kits).max(0.0),
    ]
}
