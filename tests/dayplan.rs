//! The day planner against its independent checker, against exhaustive search, and against Little's
//! law.
#![allow(missing_docs)]

#[path = "dayplan/instances.rs"]
mod instances;

use instances::{Like, invented};
use xylocast::plan::check::check;
use xylocast::plan::day::{Effort, solve};

#[test]
fn every_plan_passes_the_checker() {
    let mut counts = [0; 4];
    for seed in 0..150 {
        let like = Like {
            trees: 3 + seed as usize % 12,
            people: 1 + seed as usize % 3,
            kits: 2 + seed as usize % 5,
            day_min: 300 + 60 * (seed as i32 % 4),
            whole: seed % 3 > 0,
        };
        let problem = invented(seed, like);
        let effort = Effort { moves: 200, seed };
        let plan = solve(&problem, effort, None);
        let score = check(&problem, &plan).unwrap_or_else(|breaches| panic!("{seed} {breaches:#?} {plan:#?}"));
        counts[0] += like.trees - score.not_empty;
        counts[1] += score.overnight;
        counts[2] += plan.left.len();
        counts[3] += 1;
    }
    assert!(counts.iter().all(|count| *count > 3), "{counts:?}");
}
