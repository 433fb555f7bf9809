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
use std::cmp::Ordering;
use std::fs;
use std::path::Path;
use std::time::Instant;
use xylocast::plan::check::check;
use xylocast::plan::day::{Effort, Plan, Problem, Score, solve};

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
    let mut tally = Tally::default();
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
        let ours = check(&problem, &ours).expect("our plan passes");
        let trees = problem.trees.len();
        println!("{which:02}, {trees} trees: ours   {}", words(&ours));
        for peer in ["theirs", "hinted"] {
            match read::<Plan>(&file(peer)).map(|plan| check(&problem, &plan)) {
                None => println!("              {peer} none found"),
                Some(Err(breaches)) => println!("              {peer} refused: {}", breaches[0]),
                Some(Ok(other)) => {
                    println!("              {peer} {}", words(&other));
                    tally.add(peer, &ours, &other);
                }
            }
        }
    }
    tally.tell();
}

fn words(score: &Score) -> String {
    format!(
        "{} not empty, {} due left, end {}, {} min on foot",
        score.not_empty, score.due_left, score.end, score.walking_min
    )
}

/// Of each peer: days on which we are better in trees, worse, and the gaps of the end where equal.
#[derive(Default)]
struct Tally(std::collections::BTreeMap<&'static str, (u32, u32, Vec<f64>)>);

impl Tally {
    fn add(&mut self, peer: &'static str, ours: &Score, other: &Score) {
        let counts = |it: &Score| (it.not_empty, it.due_left, it.overnight);
        let (better, worse, gaps) = self.0.entry(peer).or_default();
        match counts(ours).cmp(&counts(other)) {
            Ordering::Less => *better += 1,
            Ordering::Greater => *worse += 1,
            Ordering::Equal => {
                gaps.push(100.0 * (f64::from(ours.end) / f64::from(other.end) - 1.0));
            }
        }
    }

    fn tell(&self) {
        for (peer, (better, worse, gaps)) in &self.0 {
            let mean = gaps.iter().sum::<f64>() / gaps.len().max(1) as f64;
            println!(
                "{peer}: ours better in trees on {better} days, worse on {worse}, equal on {} with a \
                 mean gap of the end of {mean:+.2} %",
                gaps.len()
            );
        }
    }
}
