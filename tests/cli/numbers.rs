//! The same question gives the same numbers in table, JSON and CSV.

use super::folder::{Folder, Sky, demo, fair, settings};
use serde_json::Value;

const TIMES: &str = "draw_id,tree_id,start,p10_min,p50_min,p90_min,empty_p10,empty_p50,empty_p90,\
                     p_empty_by_dusk,p_empty_by_morning,basis,warnings";
const HANG: &str = "draw_id,tree_id,start,charge_ml\n\
                    h1,T2,2026-01-15T08:00:00+10:30,1000\n\
                    h2,T1,2026-01-15T14:00:00+10:30,500\n\
                    h3,T3,2026-01-19T03:00:00+10:30,900\n\
                    h4,T3,2026-02-18T15:00:00+10:30,900\n";

/// As a table writes so many minutes.
fn words(minutes: f64) -> String {
    match minutes.round() as i64 {
        ..1 => "<1 min".into(),
        whole @ 1..60 => format!("{whole} min"),
        whole => format!("{} h {:02}", whole / 60, whole % 60),
    }
}

fn minutes(value: &Value) -> (String, String) {
    match value {
        Value::Object(after) => {
            let after = after["after_min"].as_f64().unwrap();
            let table = if after > 0.0 { format!(">{}", words(after)) } else { "-".into() };
            (format!(">{after}"), table)
        }
        value => (value.as_f64().unwrap().to_string(), words(value.as_f64().unwrap())),
    }
}

#[test]
fn times_agree_in_all_three_forms_also_beyond_the_weather() {
    let grove = Folder::good().with("hang.csv", HANG);
    let json = grove.run(&["times", "--json"]).json();
    let csv = grove.run(&["times", "--csv"]);
    let table = grove.run(&["times"]).out;
    assert_eq!(csv.out.lines().next(), Some(TIMES));
    let rows = csv.rows();
    assert_eq!((rows.len(), json.as_array().unwrap().len()), (5, 4));
    for (row, time) in rows[1..].iter().zip(json.as_array().unwrap()) {
        let line = table.lines().find(|line| line.contains(&row[0])).unwrap();
        for (column, key) in [(3, "p10_min"), (4, "p50_min"), (5, "p90_min")] {
            let (cell, word) = minutes(&time[key]);
            assert_eq!(row[column], cell);
            assert!(line.contains(&word), "{word} in {line}");
        }
        for (column, key) in [(6, "empty_p10"), (7, "empty_p50"), (8, "empty_p90")] {
            assert_eq!(row[column], time[key].as_str().unwrap_or_default());
        }
        for (column, key) in [(9, "p_empty_by_dusk"), (10, "p_empty_by_morning")] {
            let p = time[key].as_f64();
            assert_eq!(row[column], p.map_or(String::new(), |p| p.to_string()));
            assert!(p.is_none_or(|p| (0.0..=1.0).contains(&p)));
        }
    }
    assert!(rows[3][5].starts_with('>'), "the weather ends: {:?}", rows[3]);
    assert!(json[2]["p90_min"]["after_min"].as_f64().unwrap() > 60.0);
    assert_eq!(rows[4][3], ">0", "no weather a month ahead");
    assert!(rows[4][12].contains("no weather at the start"));
    assert!(rows[1..].iter().all(|row| row[11] == "prior" && row[12].contains("prior only")));
}

#[test]
fn a_bag_beyond_the_weather_keeps_its_order_and_its_mass() {
    let json = Folder::good().with("hang.csv", HANG).run(&["times", "--json"]).json();
    for time in json.as_array().unwrap() {
        let least = |key: &str| {
            time[key].as_f64().or_else(|| time[key]["after_min"].as_f64()).expect("minutes")
        };
        assert!(least("p10_min") <= least("p50_min") && least("p50_min") <= least("p90_min"));
    }
}

#[test]
fn tomorrow_agrees_in_all_three_forms() {
    let (table, json) = (demo(&["tomorrow"]).out, demo(&["tomorrow", "--json"]).json());
    let rows = demo(&["tomorrow", "--csv"]).rows();
    let trees = json["trees"].as_array().unwrap();
    assert_eq!(rows.len(), trees.len() + 1);
    let column = |name: &str| rows[0].iter().position(|cell| cell == name).unwrap();
    let after_title = table.split("Trees (each alone)").nth(1).unwrap();
    for (row, tree) in rows[1..].iter().zip(trees) {
        let id = tree["tree_id"].as_str().unwrap();
        let line = after_title.lines().find(|line| line.starts_with(&format!("  {id} "))).unwrap();
        let (cell, word) = minutes(&tree["p50_min"]);
        assert_eq!(row[column("p50_min")], cell);
        assert!(line.contains(&word), "{word} in {line}");
        assert_eq!(row[column("call")], tree["call"].as_str().unwrap());
        assert_eq!(row[column("start")], tree["start"].as_str().unwrap());
        for key in ["start", "empty_p10", "empty_p90"] {
            let clock = &tree[key].as_str().unwrap()[11..16];
            assert!(line.contains(clock), "{clock} in {line}");
        }
        assert_eq!(row[column("p_in_time")], tree["p_in_time"].as_f64().unwrap().to_string());
    }
    let counts = &json["counts"];
    let count = |key: &str| counts[key].as_u64().unwrap();
    assert_eq!(
        count("listed"),
        count("hung") + count("do_not_hang") + count("not_reached") + count("not_known")
    );
    let unwrapped = table.replace('\n', " ");
    assert!(unwrapped.contains(json["answer"].as_str().unwrap()));
}

#[test]
fn window_is_that_of_tomorrow_and_its_rows_are_its_curve() {
    let (window, tomorrow) =
        (demo(&["window", "--json"]).json(), demo(&["tomorrow", "--json"]).json());
    for key in ["answer", "start_window", "start_to_finish", "typical_tree", "rests_on"] {
        assert_eq!(window[key], tomorrow[key], "{key}");
    }
    let rows = demo(&["window", "--csv"]).rows();
    let curve = window["start_to_finish"].as_array().unwrap();
    assert_eq!(rows.len(), curve.len() + 1);
    for (row, start) in rows[1..].iter().zip(curve) {
        assert_eq!(row[0], start["start"].as_str().unwrap());
        for (column, finish) in [(1, 0), (2, 1), (3, 2)] {
            assert_eq!(row[column], start["finish"][finish].as_str().unwrap_or_default());
        }
        assert_eq!(row[4], start["p_in_time"].as_f64().unwrap().to_string());
    }
}

#[test]
fn overnight_and_times_look_at_the_starts_of_tomorrow() {
    let tomorrow = demo(&["tomorrow", "--json"]).json();
    let overnight = demo(&["overnight", "--json"]).json();
    let times = demo(&["times", "--json"]).json();
    let bags = overnight["bags"].as_array().unwrap();
    for tree in tomorrow["trees"].as_array().unwrap() {
        let same = |bag: &&Value| bag["hanging"] == false && bag["tree_id"] == tree["tree_id"];
        let bag = bags.iter().find(same).unwrap();
        for key in ["start", "call", "because", "p_empty_by_dusk"] {
            assert_eq!(bag[key], tree[key], "{} {key}", tree["tree_id"]);
        }
        let same = |time: &&Value| time["tree_id"] == tree["tree_id"];
        let time = times.as_array().unwrap().iter().find(same).unwrap();
        for key in ["start", "p10_min", "p50_min", "p90_min", "empty_p90"] {
            assert_eq!(time[key], tree[key], "{} {key}", tree["tree_id"]);
        }
    }
}

#[test]
fn later_rows_never_change_an_earlier_answer() {
    let as_of = "2026-01-12T07:00:00+10:30";
    let early = Sky { issued: Some("2026-01-12T05:00:00+10:30"), ..fair() };
    let dark = Sky { coldest_c: -3.0, noon_shift_h: 15.0, ..fair() };
    let later = dark.csv().lines().skip(1).collect::<Vec<_>>().join("\n");
    let observed = Sky { from: "2026-01-08T13:30:00", hours: 82, issued: None, ..fair() };
    let rest =
        Sky { from: "2026-01-11T23:30:00", hours: 60, coldest_c: 30.0, issued: None, ..fair() };
    let observed_later = rest.csv().lines().skip(1).collect::<Vec<_>>().join("\n");
    let before = Folder::with_draws()
        .with("weather/forecast.csv", &early.csv())
        .with("weather/observed.csv", &observed.csv());
    let after = Folder::with_draws()
        .with("weather/forecast.csv", &(early.csv() + &later + "\n"))
        .with("weather/observed.csv", &(observed.csv() + &observed_later + "\n"));
    let known = "draw_id,tree_id,started,charge_ml,last_wet,first_empty\n\
                 d0,T1,2026-01-10T08:00:00+10:30,1000,2026-01-10T10:00:00+10:30,2026-01-10T10:30:00+10:30\n";
    let unknown = "d1,T2,2026-01-13T08:00:00+10:30,1000,2026-01-13T15:00:00+10:30,2026-01-13T15:30:00+10:30\n";
    let before = before.with("draws.csv", known);
    let after = after.with("draws.csv", &(known.to_owned() + unknown));
    for command in ["tomorrow", "outlook", "window", "overnight", "times", "compare"] {
        let line = [command, "--json", "--as-of", as_of];
        let (before, after) = (before.run(&line), after.run(&line));
        assert_eq!(before.code, after.code, "{command}: {}{}", before.err, after.err);
        assert_eq!(before.out, after.out, "{command}");
        assert_ne!(before.code, 2, "{command}: {}", before.err);
    }
}

#[test]
fn exact_weather_narrows_the_band() {
    let width = |line: &[&str]| -> f64 {
        let json = Folder::good().with("hang.csv", HANG).run(line).json();
        json[0]["p90_min"].as_f64().unwrap() / json[0]["p10_min"].as_f64().unwrap()
    };
    assert!(width(&["times", "--json", "--exact-weather"]) < width(&["times", "--json"]));
}

#[test]
fn starts_begin_when_a_bag_can_run_and_no_tree_starts_before() {
    let json = demo(&["tomorrow", "--json"]).json();
    assert_eq!(json["start_to_finish"][0]["start"], "2025-12-23T07:45:00+10:30");
    let opening = json["start_window"][0].as_str().unwrap();
    for tree in json["trees"].as_array().unwrap() {
        assert!(tree["start"].as_str().unwrap() >= opening);
    }
}

#[test]
fn trees_not_to_hang_take_no_kit() {
    // One slow tree first on the list, one kit: it must not keep the kit from the others.
    let slow = "tree_id,block,species,circumference_cm,ports,charge_ml\n\
                SLOW,north,elm,80,1,1900\nT1,north,elm,80,20,300\nT2,north,elm,80,20,300\n";
    let toml = settings("Australia/Adelaide", -35.0, 138.8, "", "[bag]\ncapacity_ml = 2000")
        .replace("kits = 40", "kits = 1");
    let grove = Folder::good().with("grove.toml", &toml).with("trees.csv", slow);
    let json = grove.run(&["tomorrow", "--json"]).json();
    let call = |tree: usize| json["trees"][tree]["call"].as_str().unwrap().to_owned();
    assert_eq!(call(0), "do_not_hang", "{}", json["answer"]);
    assert_eq!(json["counts"]["not_reached"], 0, "{}", json["answer"]);
    assert_eq!(call(1), "finish_today");
}

#[test]
fn typed_starts_are_kept_and_said() {
    let grove = Folder::good().with("hang.csv", HANG);
    let json = grove.run(&["tomorrow", "--json"]).json();
    assert_eq!(json["trees"][1]["start"], "2026-01-15T14:00:00+10:30");
    let rests = json["rests_on"].to_string();
    assert!(rests.contains("typed in hang.csv"), "{rests}");
    let times = grove.run(&["times", "--json"]).json();
    assert_eq!(times[0]["p50_min"], json["trees"][0]["p50_min"]);
}
