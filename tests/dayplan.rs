//! The day planner against its independent checker, against exhaustive search, and against Little's
//! law.
#![allow(missing_docs)]

#[path = "dayplan/again.rs"]
mod again;
#[path = "dayplan/breaches.rs"]
mod breaches;
#[path = "dayplan/exact.rs"]
mod exact;
#[path = "dayplan/instances.rs"]
mod instances;

use breaches::BREACHES;
use exact::Search;
use instances::{Like, invented};
use proptest::prelude::*;
use xylocast::plan::check::check;
use xylocast::plan::day::{
    Effort, Kit, Knot, Manner, Person, Problem, Score, Steps, Tree, replayed, solve,
};

fn like(seed: u64) -> Like {
    Like {
        trees: 3 + seed as usize % 12,
        people: 1 + seed as usize % 3,
        kits: 2 + seed as usize % 5,
        day_min: 300 + 60 * (seed as i32 % 4),
        looks: !seed.is_multiple_of(3),
    }
}

#[test]
fn every_plan_passes_the_checker() {
    let mut counts = [0; 4];
    for seed in 0..150 {
        let like = like(seed);
        let problem = invented(seed, like);
        let effort = Effort { moves: 200, seed };
        let plan = solve(&problem, effort, None);
        let score = check(&problem, &plan)
            .unwrap_or_else(|breaches| panic!("{seed} {breaches:#?} {plan:#?}"));
        counts[0] += like.trees - score.not_empty;
        counts[1] += score.overnight;
        counts[2] += plan.left.len();
        counts[3] += 1;
    }
    assert!(counts.iter().all(|count| *count > 3), "{counts:?}");
}

/// A crew that keeps to the plan on a day as believed loses nothing, and no rule is broken; nor where
/// every bag is empty sooner, or where one is late and its kit is waited for.
#[test]
fn a_plan_lived_on_the_day_it_was_made_for_goes_as_planned() {
    let mut hung = 0;
    for seed in 0..100 {
        let problem = invented(seed, like(seed));
        let plan = solve(&problem, Effort { moves: 200, seed }, None);
        let score = check(&problem, &plan).unwrap();
        let lived = replayed(&problem, &plan, Manner::InOrder(10_000));
        let again = check(&problem, &lived).unwrap();
        let trees = |it: &Score| (it.not_empty, it.overnight);
        assert!(trees(&again) <= trees(&score), "{seed}: {again:?}, planned {score:?}");
        let mut fast = problem.clone();
        for knot in fast.trees.iter_mut().flat_map(|tree| &mut tree.drawdown) {
            for at in [&mut knot.p50, &mut knot.p90, &mut knot.sure] {
                *at = at.map(|at| knot.start + (at - knot.start) / 2);
            }
        }
        let lived = replayed(&fast, &plan, Manner::InOrder(10_000));
        let sooner = check(&fast, &lived).unwrap();
        assert!(trees(&sooner) <= trees(&score), "{seed}: {sooner:?}, planned {score:?}");
        hung += plan.draws.len();
    }
    assert!(hung > 300, "{hung}");
}

/// On 200 small days of up to 4 trees the plan equals the exact optimum, level by level, in at least
/// 95 %, and where it differs in nothing but the end or the walking, the end is never more than 3 %
/// later. With `XYLOCAST_LONG=1` up to 7 trees: 197 of the 198 days that were searched to the end are
/// equal (99.5 %), the other is 2.4 % later; held to the same.
#[test]
fn small_days_are_planned_as_well_as_exhaustive_search_can() {
    let long = std::env::var("XYLOCAST_LONG").is_ok_and(|value| value == "1");
    let (most_trees, most_days) = if long { (7, 30_000_000) } else { (4, 300_000) };
    let (equal_pct, late_share) = (95, 1.03);
    let (mut equal, mut proven, mut late, mut worse) = (0, 0, 0, Vec::new());
    for seed in 1000..1200 {
        let like = Like {
            trees: 2 + seed as usize % (most_trees - 1),
            people: 1 + seed as usize / 2 % 2,
            kits: 1 + seed as usize / 3 % 3,
            day_min: 240 + 60 * (seed as i32 % 4),
            looks: false,
        };
        let problem = invented(seed, like);
        let plan = solve(&problem, Effort::for_size(&problem), None);
        let score = check(&problem, &plan).unwrap();
        let Some(best) = Search::run(&problem, score, most_days) else { continue };
        proven += 1;
        if best == score {
            equal += 1;
            continue;
        }
        let counts = |it: &Score| (it.not_empty, it.due_left, it.overnight);
        let end = f64::from(score.end) / f64::from(best.end);
        late += usize::from(counts(&score) == counts(&best) && end > late_share);
        worse.push((seed, like.trees, score, best));
    }
    println!("{equal} of {proven} proven days equal the optimum; others: {worse:#?}");
    assert_eq!(late, 0, "{worse:#?}");
    assert!(proven >= 190, "only {proven} of 200 days were searched to the end");
    assert!(equal * 100 >= equal_pct * proven, "{equal} of {proven}: {worse:#?}");
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, failure_persistence: None, ..ProptestConfig::default() })]

    /// Any plan passes; with any one breach planted it does not.
    #[test]
    fn any_planted_breach_is_refused(seed in 0u64..1_000_000) {
        let problem = invented(seed, like(seed));
        let plan = solve(&problem, Effort { moves: 60, seed }, None);
        prop_assert!(check(&problem, &plan).is_ok());
        for (rule, plant) in BREACHES {
            let (mut problem, mut plan) = (problem.clone(), plan.clone());
            if plant(&mut problem, &mut plan) {
                prop_assert!(check(&problem, &plan).is_err(), "{rule} passed");
            }
        }
    }
}

/// Each rule is told by its own name at least once, so that none is caught by accident only.
#[test]
fn each_breach_is_told_by_its_rule() {
    for (rule, plant) in BREACHES {
        let told = (0..400).any(|seed| {
            let mut problem = invented(seed, like(seed));
            let mut plan = solve(&problem, Effort { moves: 0, seed }, None);
            let breaches = match plant(&mut problem, &mut plan) {
                true => check(&problem, &plan).unwrap_err(),
                false => Vec::new(),
            };
            breaches.iter().any(|breach| format!("{breach:?}").starts_with(rule))
        });
        assert!(told, "{rule} is never told");
    }
}

/// One person sets, others strip; 120 min of uptake from any start, 15 min to strip.
fn rhythm(kits: usize) -> Problem {
    let trees = 24;
    let knot = |start: i32| Knot {
        start,
        p50: Some(start + 120),
        p90: Some(start + 120),
        sure: Some(start + 120),
    };
    let tree = Tree {
        ports: 8,
        due: true,
        fillings: 1,
        drawdown: vec![knot(0), knot(5000)],
        overnight_until: None,
        hung: None,
    };
    let person = |may_set| Person { from: 0, to: 4000, at: trees, may_set };
    Problem {
        people: vec![person(true), person(false), person(false), person(false)],
        kits: vec![Kit { ports: 8 }; kits],
        trees: vec![tree; trees],
        breaks: Vec::new(),
        closed: Vec::new(),
        steps: Steps {
            set_min: vec![12; trees],
            leak_check_min: 0,
            second_look_min: 10_000,
            check_every_min: 10_000,
            look_slack_min: 0,
            look_min: 0,
            refill_min: 0,
            strip_min: 15,
        },
        walks_min: vec![0; (trees + 1) * (trees + 1)],
        done_by: 4000,
    }
}

/// Little's law (derived): a set every 12 min, 120 min of uptake and 15 min to strip hold
/// 135 / 12 = 11.25 kits, so 12 do; with 8, hung in 96 min, the crew waits 135 - 96 = 39 min a round.
#[test]
fn twelve_kits_keep_a_crew_busy_and_eight_make_it_wait_39_minutes() {
    let starts = |kits: usize| -> Vec<i32> {
        let problem = rhythm(kits);
        let plan = solve(&problem, Effort::for_size(&problem), None);
        check(&problem, &plan).unwrap();
        plan.draws.iter().map(|draw| draw.start).collect()
    };
    assert!(starts(12).windows(2).all(|pair| pair[1] - pair[0] == 12));
    let eight = starts(8);
    assert_eq!((eight[8] - eight[7], eight[16] - eight[15]), (12 + 39, 12 + 39), "{eight:?}");
    assert_eq!(starts(11).windows(2).map(|pair| pair[1] - pair[0] - 12).sum::<i32>(), 6);
}

/// 500 trees, 40 kits, 6 people: 1.0 s of one core in a release build, 76 MB. The goal of 2 s is for an
/// idle machine; a busy one is given four times that.
#[test]
fn a_large_day_is_planned() {
    let day = Like { trees: 500, people: 6, kits: 40, day_min: 600, looks: true };
    let problem = invented(1, day);
    let began = std::time::Instant::now();
    let plan = solve(&problem, Effort::for_size(&problem), None);
    let took = began.elapsed();
    let score = check(&problem, &plan).unwrap();
    println!("500 trees, 40 kits, 6 people: {took:.1?}, {score:?}");
    assert!(score.not_empty < 440, "{score:?}");
    assert!(cfg!(debug_assertions) || took.as_secs_f64() < 8.0, "{took:?}");
}
