//! The program as its user meets it: the real binary, on the demo and on folders made here.

#[path = "cli/folder.rs"]
mod folder;
#[path = "cli/hostile.rs"]
mod hostile;
#[path = "cli/numbers.rs"]
mod numbers;
#[path = "cli/refit.rs"]
mod refit;
#[path = "cli/snapshots.rs"]
mod snapshots;
#[path = "cli/weather.rs"]
mod weather;

use folder::{Folder, Ran, demo, ran};
use serde_json::Value;

/// A refit of the demo takes half a minute without optimisation: here it is asked of a small grove.
const COMMANDS: [&str; 8] =
    ["tomorrow", "outlook", "times", "window", "overnight", "today", "compare", "check"];

/// Does a JSON value hold a null under one of these keys, anywhere?
fn nulls(value: &Value, path: &str, found: &mut Vec<String>) {
    match value {
        Value::Null => found.push(path.to_owned()),
        Value::Array(items) => items.iter().for_each(|item| nulls(item, path, found)),
        Value::Object(map) => {
            map.iter().for_each(|(key, item)| nulls(item, &format!("{path}/{key}"), found));
        }
        _ => {}
    }
}

fn answers(command: &str, table: &Ran, json: &Ran, csv: &Ran) {
    assert_eq!((table.code, json.code, csv.code), (0, 0, 0), "{command}: {}", table.err);
    assert!(!table.out.contains("NaN") && !table.out.contains("inf"), "{command}");
    let mut found = Vec::new();
    nulls(&json.json(), "", &mut found);
    let owed: Vec<_> = found.iter().filter(|path| !may_be_null(path)).collect();
    assert!(owed.is_empty(), "{command}: null at {owed:?}");
    assert!(csv.rows().len() > 1, "{command}: {}", csv.out);
}

#[test]
fn every_command_answers_on_the_demo_as_table_json_and_csv() {
    for command in COMMANDS {
        let [json, csv] = [[command, "--json"], [command, "--csv"]].map(|line| demo(&line));
        answers(command, &demo(&[command]), &json, &csv);
    }
}

#[test]
fn refit_answers_as_table_json_and_csv() {
    let grove = Folder::with_draws();
    let [table, json, csv] = [&[][..], &["--json"], &["--csv"]]
        .map(|form| grove.run(&[&["refit", "--dry-run"], form].concat()));
    answers("refit", &table, &json, &csv);
}

/// What may be unknown in a sound answer: what nobody has seen, and what the weather does not reach.
fn may_be_null(path: &str) -> bool {
    [
        "/warning",
        "/written",
        "/draws/crew",
        "/draws/wet_at_min",
        "/draws/empty_at_min",
        "/bags/left_at_dusk_ml",
        "/leaving_refused",
        "/looked",
        "/at_start",
        "/now",
        "/next_check_round",
        "/order_of_suspicion",
        "/diagnosis/date",
        "/named/date",
        "/in_use",
        "/not_written",
        "/out_of_time",
        "/coefficients/prior",
        "/silent",
    ]
    .iter()
    .any(|end| path.ends_with(end))
}

#[test]
fn the_same_question_twice_gives_the_same_bytes() {
    for command in ["tomorrow", "outlook", "times", "window", "overnight", "check"] {
        let line = [command, "--json"];
        assert_eq!(demo(&line).out, ran(&line).out, "{line:?}");
    }
    let grove = Folder::with_draws();
    for line in [&["refit", "--dry-run", "--json"][..], &["compare", "--json"]] {
        assert_eq!(grove.run(line).out, grove.run(line).out, "{line:?}");
    }
}

#[test]
fn an_answer_is_zero_a_no_is_one_an_error_is_two() {
    let good = Folder::good();
    for command in ["tomorrow", "outlook", "times", "window", "overnight", "check"] {
        assert_eq!(good.run(&[command]).code, 0, "{command}");
    }
    let far = ["--date", "2026-03-01"];
    for command in ["tomorrow", "outlook", "window"] {
        let ran = good.run(&[&[command], &far[..]].concat());
        assert_eq!(ran.code, 1, "{command}: {}", ran.err);
        assert!(ran.out.contains("no weather for"), "{}", ran.out);
    }
    for line in [
        &[][..],
        &["frobnicate"],
        &["tomorrow", "--date", "tomorrow"],
        &["tomorrow", "--date", "2026-13-01"],
        &["tomorrow", "--as-of", "2026-01-14T18:00"],
        &["tomorrow", "--as-of", "yesterday"],
        &["tomorrow", "--grove", "no-such-folder"],
        &["check", "--grove", "no-such-folder"],
        &["tomorrow", "--model", "no-such-file.json"],
        &["times", "--hang", "no-such-file.csv"],
        &["tomorrow", "--demand", "moonlight"],
        &["tomorrow", "--json", "--csv"],
        &["refit", "--dry-run", "--out", "x.json"],
        &["tomorrow", "--date", "9999-12-31"],
    ] {
        let ran = ran(line);
        assert_eq!(ran.code, 2, "{line:?}: {}", ran.out);
        assert!(!ran.err.is_empty() && !ran.err.contains("panicked"), "{line:?}: {}", ran.err);
    }
    assert_eq!(ran(&["--help"]).code, 0);
    assert_eq!(ran(&["--version"]).code, 0);
}

#[test]
fn every_command_has_help_with_an_example() {
    for command in COMMANDS.into_iter().chain(["refit"]) {
        let help = ran(&[command, "--help"]);
        assert_eq!(help.code, 0);
        let example = help.out.lines().find_map(|line| line.trim().strip_prefix("Example: "));
        let example = example.unwrap_or_else(|| panic!("{command:?}: {}", help.out));
        assert!(example.starts_with(&format!("xylocast {command}")), "{example}");
    }
}

#[test]
fn check_tells_all_flaws_as_text_json_and_csv() {
    let flawed = Folder::good().with("draws.csv", "draw_id,tree_id\nd1,T1\n");
    let table = flawed.run(&["check"]);
    assert_eq!(table.code, 1);
    assert!(table.out.contains("not sound") && table.out.contains("draws.csv"), "{}", table.out);
    let json = flawed.run(&["check", "--json"]).json();
    assert_eq!(json["sound"], false);
    assert!(!json["flaws"].as_array().unwrap().is_empty());
    let rows = flawed.run(&["check", "--csv"]).rows();
    assert_eq!(rows[0], ["kind", "words"]);
    assert_eq!(rows[1][0], "flaw");
    assert_eq!(flawed.run(&["tomorrow"]).code, 2);
    let sound = Folder::good().run(&["check", "--json"]).json();
    assert_eq!(sound["sound"], true);
}

#[test]
fn rows_go_to_a_file_beside_json_and_never_to_a_path_that_cannot_be() {
    let good = Folder::good();
    let out = good.path("out.csv");
    let out = out.to_str().unwrap();
    let ran = good.run(&["times", "--csv", out]);
    assert_eq!((ran.code, ran.out.as_str()), (0, ""));
    let written = std::fs::read_to_string(out).unwrap();
    assert_eq!(written, good.run(&["times", "--csv"]).out);
    assert!(good.run(&["times", "--csv", out, "--json"]).json().is_array());
    for bad in ["no/such/folder/out.csv", good.path("").to_str().unwrap()] {
        let ran = good.run(&["times", "--csv", bad]);
        assert_eq!(ran.code, 2, "{bad}");
        assert!(ran.err.contains("error: "), "{}", ran.err);
    }
}

#[test]
fn a_closed_pipe_is_no_error_and_a_full_disk_is() {
    let closed = folder::piped_into("head -n 1", &["tomorrow"]);
    assert_eq!((closed.code, closed.err.as_str()), (0, ""));
    if std::path::Path::new("/dev/full").exists() {
        let full = folder::piped_into("cat > /dev/null", &["tomorrow"]);
        assert_eq!(full.code, 0);
        assert_eq!(folder::to_full_disk(&["tomorrow"]).code, 2);
    }
}

#[test]
fn no_colour_ever_and_no_line_of_prose_beyond_a_hundred() {
    for command in COMMANDS {
        let table = demo(&[command]);
        assert!(!table.out.contains('\u{1b}'), "{command:?}");
        for line in table.out.lines() {
            assert!(line.chars().count() <= 100, "{command:?}: {line}");
        }
    }
    let wide = demo(&["tomorrow"]).out;
    let trees: Vec<&str> = wide.lines().skip_while(|line| !line.starts_with("Trees")).collect();
    let tables = trees.iter().take_while(|line| !line.starts_with("Cautions"));
    assert!(tables.into_iter().all(|line| line.chars().count() <= 80));
}

#[test]
fn refit_writes_into_the_grove_and_tomorrow_uses_it() {
    let grove = Folder::with_draws();
    let before = grove.run(&["tomorrow"]);
    assert!(before.out.contains("model: 6 draws of 3 trees"), "{}", before.out);
    let dry = grove.run(&["refit", "--dry-run"]);
    assert!(dry.out.contains("Nothing was written"), "{}", dry.out);
    assert!(!grove.path("models").exists());
    let written = grove.run(&["refit", "--yes"]);
    assert_eq!(written.code, 0, "{}", written.err);
    let models: Vec<_> = std::fs::read_dir(grove.path("models")).unwrap().collect();
    assert_eq!(models.len(), 1);
    let file = models[0].as_ref().unwrap().path();
    let json: Value = serde_json::from_slice(&std::fs::read(&file).unwrap()).unwrap();
    assert_eq!(json["rests_on"]["draws"], 6);
    assert_eq!(grove.run(&["tomorrow"]).out, before.out, "fitted from the same draws");
    let named = grove.run(&["tomorrow", "--model", file.to_str().unwrap()]);
    assert!(named.out.contains("used as it stands"), "{}", named.out);
    assert_eq!(
        named.out.lines().next(),
        before.out.lines().next(),
        "the model file says the same as the draws that it rests on"
    );
    std::fs::write(&file, "{}").unwrap();
    let edited = grove.run(&["tomorrow"]);
    assert_eq!(edited.code, 2);
    assert!(edited.err.contains("model"), "{}", edited.err);
}

#[test]
fn a_model_of_another_schema_is_an_error_not_a_guess() {
    let grove = Folder::good();
    let out = grove.path("m.json");
    let out = out.to_str().unwrap();
    assert_eq!(Folder::with_draws().run(&["refit", "--out", out]).code, 0);
    let model = std::fs::read_to_string(out).unwrap();
    assert_eq!(grove.run(&["tomorrow", "--model", out]).code, 0);
    for (from, to) in [
        ("\"schema\": 2", "\"schema\": 3"),
        ("\"schema\": 2", "\"schema\": \"two\""),
        ("\"lead_h\": ", "\"lead_h\": 9"),
        // Of schema 2 a lead is wanted; only schema 1 knew none.
        ("\"lead_h\": ", "\"lead\": "),
        ("\"night_floor\":", "\"night_flaw\":"),
        ("\"lag_h\": ", "\"lag_h\": -"),
        ("\"night_floor_ln_sd\": ", "\"night_floor_ln_sd\": 1e999, \"was\": "),
        ("\"coefficients\": [", "\"coefficients\": [], \"was\": ["),
        ("}", ""),
    ] {
        assert!(model.contains(from), "{from}");
        std::fs::write(out, model.replacen(from, to, 1)).unwrap();
        let ran = grove.run(&["tomorrow", "--model", out]);
        assert_eq!(ran.code, 2, "{to}: {}", ran.out);
        assert!(ran.err.starts_with("error: ") && !ran.err.contains("panicked"), "{}", ran.err);
    }
}

#[test]
fn a_model_of_the_first_schema_predicts_without_a_lead() {
    let grove = Folder::with_draws();
    let out = grove.path("m.json");
    let out = out.to_str().unwrap();
    assert_eq!(grove.run(&["refit", "--out", out]).code, 0);
    let model = std::fs::read_to_string(out).unwrap();
    let mut file: serde_json::Value = serde_json::from_str(&model).unwrap();
    file["demand"]["lead_h"] = 0.0.into();
    let without_lead = serde_json::to_string(&file).unwrap();
    file["schema"] = 1.into();
    for part in ["demand", "beliefs"] {
        file[part].as_object_mut().unwrap().remove("lead_h").unwrap();
    }
    let old = serde_json::to_string(&file).unwrap();
    let [now, then] = [without_lead, old].map(|text| {
        std::fs::write(out, text).unwrap();
        let ran = grove.run(&["times", "--model", out, "--json"]);
        assert_eq!(ran.code, 0, "{}", ran.err);
        ran.out
    });
    assert_eq!(now, then);
}
