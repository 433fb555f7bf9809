//! Days for a comparison of the planner with a general solver, and the score of what either makes.
//!
//!     cargo run --release --example dayplan_peers -- write FOLDER    20 days as JSON, with our plans
//!     python benches/peers/dayplan_cp_sat.py FOLDER                  the other's plans
//!     cargo run --release --example dayplan_peers -- score FOLDER    both, held to plan::check
//!
//! The days have no looks, breaks, refills or nights: what a general solver can be asked without a
//! model of our own rules.

#[path = "../tests/dayplan/instances.rs"]
mod instances;

use instances::{Like, invented};
use std::fs;
use std::path::Path;
use std::time::Instant;
use xylocast::plan::check::check;
use xylocast::plan::day::{Effort, Plan, Problem, solve};

const DAYS: u64 = 20;

fn day(which: u64) -> Problem {
    let trees = 20 + 2 * which as usize;
    let like =
        Like { trees, people: 2 + which as usize % 2, kits: trees / 3, day_min: 480, looks: false };
    let mut problem = invented(7000 + which, like);
    problem.breaks.clear();
    problem.people.iter_mut().for_each(|person| person.may_set = true);
    for tree in &mut problem.trees {
        (tree.fillings, tree.overnight_until) = (1, None);
    }
    problem
}

fn read<T: serde::de::DeserializeOwned>(path: &Path) -> Option<T> {
    serde_json::from_str(&fs::read_to_string(path).ok()?).ok()
}

fn main() {
    let arguments: Vec<String> = std::env::args().collect();
    let [_, verb, folder] = arguments.as_slice() else {
        eprintln!("write FOLDER or score FOLDER");
        std::process::exit(2);
    };
    let folder = Path::new(folder);
    let mut gaps = Vec::new();
    for which in 0..DAYS {
        let problem = day(which);
        let file = |what: &str| folder.join(format!("{which:02}-{what}.json"));
        if verb == "write" {
            let began = Instant::now();
            let plan = solve(&problem, Effort::for_size(&problem), None);
            let took = began.elapsed();
            let score = check(&problem, &plan).expect("our plan passes");
            println!("{which:02}: {} trees, {took:.2?}, {score:?}", problem.trees.len());
            fs::write(file("day"), serde_json::to_string(&problem).expect("plain data"))
                .expect("written");
            fs::write(file("ours"), serde_json::to_string(&plan).expect("plain data"))
                .expect("written");
            continue;
        }
        let Some(ours) = read::<Plan>(&file("ours")) else { continue };
        let Some(theirs) = read::<Plan>(&file("theirs")) else { continue };
        let ours = check(&problem, &ours).expect("our plan passes");
        match check(&problem, &theirs) {
            Err(breaches) => println!("{which:02}: theirs is refused: {}", breaches[0]),
            Ok(theirs) => {
                let counts = |it: &xylocast::plan::day::Score| (it.not_empty, it.due_left);
                let gap = 100.0 * (f64::from(ours.end) / f64::from(theirs.end) - 1.0);
                let equal = counts(&ours) == counts(&theirs);
                println!(
                    "{which:02}: ours {ours:?}\n    theirs {theirs:?}, gap of the end {gap:+.1} %"
                );
                if equal {
                    gaps.push(gap);
                }
            }
        }
    }
    if !gaps.is_empty() {
        let mean = gaps.iter().sum::<f64>() / gaps.len() as f64;
        println!("mean gap of the end over {} days with equal trees: {mean:+.2} %", gaps.len());
    }
}
