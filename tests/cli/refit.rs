//! A refit shows what would change, asks, and refuses what would have predicted worse.

use super::folder::{Folder, Ran, Sky, fair};
use std::fmt::Write;

/// Six draws of three trees each other day; `minutes` tells how long each took.
fn history(days: usize, minutes: &dyn Fn(usize, usize) -> i64) -> Folder {
    let observed = Sky { from: "2025-12-14T13:30:00", hours: 740, issued: None, ..fair() };
    let mut draws = String::from("draw_id,tree_id,started,charge_ml,last_wet,first_empty\n");
    for day in 0..days {
        for tree in 0..3 {
            let date = chrono::NaiveDate::from_ymd_opt(2025, 12, 16).unwrap()
                + chrono::Days::new(day as u64);
            let took = minutes(day, tree);
            let at = |minute: i64| {
                let clock = date.and_hms_opt(9, 0, 0).unwrap() + chrono::TimeDelta::minutes(minute);
                clock.format("%Y-%m-%dT%H:%M:00+10:30").to_string()
            };
            let _ = writeln!(
                draws,
                "d{day}-{tree},T{},{},1000,{},{}",
                tree + 1,
                at(0),
                at(took - 5),
                at(took + 5)
            );
        }
    }
    Folder::good().with("weather/observed.csv", &observed.csv()).with("draws.csv", &draws)
}

fn models(grove: &Folder) -> usize {
    std::fs::read_dir(grove.path("models")).map_or(0, Iterator::count)
}

fn steady(_: usize, tree: usize) -> i64 {
    100 + 20 * tree as i64
}

fn says(ran: &Ran, words: &str) {
    let flat = ran.out.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(flat.contains(words), "{words:?} is not in {}{}", ran.out, ran.err);
}

#[test]
fn nothing_is_written_where_nobody_can_be_asked() {
    let grove = Folder::with_draws();
    let ran = grove.run(&["refit"]);
    assert_eq!((ran.code, models(&grove)), (0, 0), "{}", ran.err);
    says(&ran, "Nothing was written: there is no terminal to ask at");
    says(&ran, "too few draws to hold a refit against");
}

#[test]
fn every_model_that_was_in_use_is_kept_and_compare_uses_it() {
    let grove = history(11, &steady);
    let first = grove.run(&["refit", "--yes", "--as-of", "2025-12-21T20:00:00+10:30"]);
    assert_eq!((first.code, models(&grove)), (0, 1), "{}{}", first.out, first.err);
    for _ in 0..2 {
        let again = grove.run(&["refit", "--yes", "--even-if-worse"]);
        assert_eq!(again.code, 0, "{}", again.err);
        says(&again, "Before: the model in use, fitted");
        says(&again, "out of time, the");
    }
    assert_eq!(models(&grove), 3, "the second of one instant has a name of its own");
    let compared = grove.run(&["compare", "--json"]).json();
    let then: Vec<bool> = compared["draws"]
        .as_array()
        .unwrap()
        .iter()
        .map(|draw| draw["in_use_then"].as_bool().unwrap())
        .collect();
    // Six days of three draws before the first refit, five after.
    assert_eq!(then.iter().filter(|then| **then).count(), 15, "{then:?}");
    assert!(then[..18].iter().all(|then| !then) && then[18..].iter().all(|then| *then));
    assert!(compared["rests_on"].as_str().unwrap().contains("15 draws as predicted then"));
}

/// A month so even that a refit on it believes in minutes, then a week that is not.
#[test]
fn a_refit_that_is_worse_out_of_time_is_refused_unless_told() {
    let wild = |day: usize, tree: usize| {
        let even = steady(day, tree);
        if day < 17 { even } else { [even / 3, 3 * even, even][(day + 2 * tree) % 3] }
    };
    let grove = history(24, &wild);
    let refused = grove.run(&["refit", "--yes"]);
    assert_eq!((refused.code, models(&grove)), (1, 0), "{}", refused.out);
    says(&refused, "--even-if-worse writes it all the same");
    let told = grove.run(&["refit", "--yes", "--even-if-worse"]);
    assert_eq!((told.code, models(&grove)), (0, 1), "{}", told.err);
    says(&told, "worse");
}
