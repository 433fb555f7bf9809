//! Invented days for the planner: seeded, of any size.

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use xylocast::plan::day::{Break, Closed, Kit, Knot, Person, Problem, Steps, Tree};

/// What an invented day is like.
#[derive(Debug, Clone, Copy)]
pub struct Like {
    pub trees: usize,
    pub people: usize,
    pub kits: usize,
    /// Length of the working day, min.
    pub day_min: i32,
    /// Looks too?
    pub looks: bool,
}

/// A day by its seed.
pub fn invented(seed: u64, like: Like) -> Problem {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let places: Vec<(i32, i32)> =
        (0..=like.trees).map(|_| (random.random_range(0..4), random.random_range(0..6))).collect();
    let walks_min = places
        .iter()
        .flat_map(|a| places.iter().map(move |b| (a.0 - b.0).abs() + (a.1 - b.1).abs()))
        .collect();
    let trees: Vec<Tree> = (0..like.trees).map(|_| tree(&mut random, like)).collect();
    let set_min = trees.iter().map(|tree| 4 + tree.ports as i32).collect();
    let breaks = match random.random_bool(0.6) {
        true => vec![Break { from: 120, latest: 150, length_min: 20, why: "break".into() }],
        false => Vec::new(),
    };
    let closed = match random.random_bool(0.5) {
        true => vec![Closed { from: 60, to: random.random_range(61..90), why: "rain".into() }],
        false => Vec::new(),
    };
    let people = (0..like.people)
        .map(|person| Person {
            from: 0,
            to: like.day_min,
            at: like.trees,
            may_set: person == 0 || random.random_bool(0.8),
        })
        .collect();
    let kits = (0..like.kits).map(|kit| Kit { ports: if kit % 3 == 2 { 8 } else { 12 } }).collect();
    Problem {
        people,
        kits,
        trees,
        breaks,
        closed,
        steps: Steps {
            set_min,
            leak_check_min: 5,
            second_look_min: if like.looks { 30 } else { 10_000 },
            check_every_min: if like.looks { 60 } else { 10_000 },
            look_slack_min: 15,
            look_min: 1,
            refill_min: 4,
            strip_min: 5,
        },
        walks_min,
        done_by: like.day_min - 20,
    }
}

fn tree(random: &mut ChaCha8Rng, like: Like) -> Tree {
    let slow: f64 = random.random_range(25.0..160.0);
    let mut last = [0; 3];
    let drawdown = (0..=like.day_min / 15)
        .map(|step| {
            let start = 15 * step;
            // Slow in the morning, fast at noon, slow again.
            let hour = f64::from(start) / 60.0;
            let pace = 1.0 + 0.12 * (hour - 4.0).powi(2) / 4.0;
            for (at, share) in last.iter_mut().zip([0.7, 1.0, 1.1]) {
                *at = (start + (slow * pace * share) as i32).max(*at);
            }
            let beyond = |at: i32| Some(at).filter(|at| *at < 2 * like.day_min);
            Knot { start, p50: beyond(last[0]), p90: beyond(last[1]), sure: beyond(last[2]) }
        })
        .collect();
    Tree {
        ports: random.random_range(5..=12),
        due: random.random_bool(0.7),
        fillings: if random.random_bool(0.15) { 2 } else { 1 },
        drawdown,
        overnight_until: random.random_bool(0.4).then(|| random.random_range(0..like.day_min)),
        hung: None,
    }
}
