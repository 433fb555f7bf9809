//! From trunks to mix, as its user meets it: the real binary, and the use case under hostile input.

#[path = "cli/folder.rs"]
#[expect(dead_code, reason = "shared with the other commands' tests")]
mod folder;
#[path = "dose/handbook.rs"]
mod handbook;
#[path = "dose/properties.rs"]
mod properties;
#[path = "dose/shown.rs"]
mod shown;

use folder::{Folder, Ran, ran, settings};
use std::io::Write;
use std::process::{Command, Stdio};

const TREES: &str = "tree_id,block,species,dbh_cm,ports,flares\n\
                     T1,north,elm,30.4,6,7\nT2,north,elm,40.5,8,\nT3,south,elm,60,9,4\n";

/// Figures of an invented label: 1 mL per cm dbh in 9 parts of water.
const LABEL: &str = "[label]\nproduct_name = \"Invented\"\nlabel_rate_ml_per_cm_dbh = 1\n\
                     min_water_ml_per_ml_product = 9\n";

const BENCH: &str = "[mixing]\nproduct_mark_ml = 1\nwater_mark_ml = 10\npour_mark_ml = 5\n\
                     can_ml = 10000\nspare = 0\n[bag]\ncapacity_ml = 250\n";

fn toml(end: &str) -> String {
    settings("Australia/Adelaide", -35.0, 138.8, "", end)
}

fn grove(end: &str, trees: &str) -> Folder {
    Folder::bare().with("grove.toml", &toml(end)).with("trees.csv", trees)
}

fn labelled() -> Folder {
    grove(&format!("{LABEL}{BENCH}"), TREES)
}

fn typed_in(text: &str, line: &[&str]) -> Ran {
    let mut child = Command::new(env!("CARGO_BIN_EXE_xylocast"))
        .args(line)
        .env_remove("XYLOCAST_GROVE")
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    child.stdin.take().unwrap().write_all(text.as_bytes()).unwrap();
    let output = child.wait_with_output().unwrap();
    let text = |bytes| String::from_utf8(bytes).unwrap();
    let code = output.status.code().unwrap_or(-1);
    Ran { code, out: text(output.stdout), err: text(output.stderr) }
}

#[test]
fn without_a_rate_it_asks_and_proposes_none() {
    let bare = grove("", TREES).run(&["dose"]);
    assert_eq!(bare.code, 1, "{}", bare.err);
    assert!(bare.out.contains("No label rate is set, and none is ever filled in"), "{}", bare.out);
    assert!(bare.out.contains("directions for"), "{}", bare.out);
    let json = grove("", TREES).run(&["dose", "--json"]).json();
    assert_eq!(json["any_dose"], false);
    assert!(json["blocks"].as_array().unwrap().iter().all(|block| block["doses"].is_null()));
    // Ports and parts are answered all the same.
    assert_eq!(json["kits"]["parts"]["kits"], 3);
    let no_water = grove("[label]\nlabel_rate_ml_per_cm_dbh = 1\n", TREES).run(&["dose"]);
    assert_eq!(no_water.code, 1);
    assert!(no_water.out.contains("min_water_ml_per_ml_product"), "{}", no_water.out);
}

#[test]
fn a_mean_dose_is_refused_for_thin_trees_unless_the_label_was_typed_to_allow_it() {
    let refused = labelled().run(&["dose", "--by-mean", "--block", "north", "--json"]).json();
    let doses = &refused["blocks"][0]["doses"];
    assert_eq!(doses["refused"][0]["id"], "T1");
    assert_eq!(doses["refused"][0]["refusal"], "mean_over_own");
    assert_eq!(doses["trees"][0]["id"], "T2");
    let allowed = LABEL.replace("product_name", "mean_dose_allowed = true\nproduct_name");
    let allowed = grove(&format!("{allowed}{BENCH}"), TREES);
    let allowed = allowed.run(&["dose", "--by-mean", "--block", "north"]);
    // The mean is 35.45 cm: T1 gets more than its own rate, T2 less, and both are shown.
    assert!(allowed.out.contains("the block's mean dbh, 35.5 cm"), "{}", allowed.out);
    let against = |id: &str| {
        let row = allowed.out.lines().find(|line| line.trim_start().starts_with(id)).unwrap();
        row.split_whitespace().find(|cell| cell.starts_with(['+', '-'])).unwrap().to_owned()
    };
    assert!(against("T1").starts_with('+') && against("T2").starts_with('-'));
}

#[test]
fn label_limits_refuse_with_the_figure_and_what_to_do() {
    let limits = "max_per_tree_ml = 50\nmin_interval_days = 300\nmax_per_tree_season_ml = 70\n\
                  max_per_hectare_season_ml = 100\n";
    let trees = "tree_id,block,species,dbh_cm,ports,last_treated,product_at_most_ml,\
                 given_this_season_ml\n\
                 fits,a,,30,6,,,\nthick,a,,60,6,,,\nless,a,,60,6,,50,\nsoon,a,,30,6,2025-12-01,,0\n\
                 again,b,,30,6,,,45\nunknown,c,,30,6,2025-02-01,,\n";
    let blocks = "block,area_ha,area_acres\na,9,\nb,0.5,\nc,,20\n";
    let folder = grove(&format!("{LABEL}{limits}{BENCH}"), trees).with("blocks.csv", blocks);
    let ran = folder.run(&["dose", "--sheet", "dose"]);
    assert_eq!(ran.code, 0, "{}", ran.err);
    let out = ran.out.split_whitespace().collect::<Vec<_>>().join(" ");
    for told in [
        "tree thick: 60 mL is over the label's maximum of 50 mL per tree",
        "thick: where the label allows less than its rate, write 50 mL into trees.csv as \
         product_at_most_ml",
        "tree soon: last treated on 2025-12-01, 45 days before",
        "tree again: 30 mL with 45 mL given this season is over the label's maximum of 70 mL",
        "NO DOSE: the label has a maximum per area and season, trees of this block were treated",
        "label.season_from is not typed: the twelve months from 2025-01-15",
    ] {
        assert!(out.contains(told), "{told}\n{}", ran.out);
    }
    let json = folder.run(&["dose", "--json"]).json();
    let dosed: Vec<&str> = json["blocks"][0]["doses"]["trees"]
        .as_array()
        .unwrap()
        .iter()
        .map(|tree| tree["id"].as_str().unwrap())
        .collect();
    assert_eq!(dosed, ["fits", "less"]);
    // Half a hectare at 100 mL/ha: 30 mL and the 45 given are over 50.
    let figures = limits.replace("max_per_tree_season_ml = 70\n", "");
    let over = grove(&format!("{LABEL}{figures}{BENCH}"), trees).with("blocks.csv", blocks);
    let over = over.run(&["dose", "--block", "b"]);
    assert_eq!(over.code, 1);
    let out = over.out.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(out.contains("with 45 mL given this season that is over the label's maximum of 50 mL"));
}

#[test]
fn working_records_count_towards_season_and_interval() {
    let limits = "max_per_tree_season_ml = 70\nmin_interval_days = 30\n";
    let records = "application_id,tree_id,applied,product_ml,product_name\n\
                   a1,T1,2025-11-01T09:00:00+10:30,45,Invented\n\
                   a2,T2,2024-11-01T09:00:00+10:30,45,Invented\n\
                   a3,T3,2026-01-02T09:00:00+10:30,1,Invented\n";
    let folder = grove(&format!("{LABEL}{limits}{BENCH}"), TREES).with("applications.csv", records);
    let json = folder.run(&["dose", "--json"]).json();
    let refused = |block: usize| json["blocks"][block]["doses"]["refused"].clone();
    assert_eq!(refused(0)[0]["id"], "T1");
    assert_eq!(refused(0)[0]["refusal"], "over_tree_season");
    assert_eq!(refused(0)[0]["given"]["product_ml"], 45.0);
    assert_eq!(refused(0).as_array().unwrap().len(), 1, "T2 was treated the season before");
    assert_eq!(refused(1)[0]["refusal"], "too_soon");
    // Another product's records are no part of this label's season.
    let other = records.replace("Invented", "Something else");
    let folder = grove(&format!("{LABEL}{limits}{BENCH}"), TREES).with("applications.csv", &other);
    let json = folder.run(&["dose", "--json"]).json();
    assert!(json["blocks"][0]["doses"]["refused"].as_array().unwrap().is_empty());
}

#[test]
fn old_holes_turn_the_ring_and_a_crowded_trunk_is_told() {
    let eight: String =
        (0..8).map(|hole| format!("T2,2025-01-01,{},20,{}\n", hole + 1, 45 * hole)).collect();
    let crowded: String =
        (0..30).map(|hole| format!("T1,2025-01-01,{},15,{}\n", hole + 1, 12 * hole)).collect();
    let ports =
        format!("tree_id,date,hole,height_cm,azimuth_deg\n{eight}{crowded}T3,2025-01-01,1,20,\n");
    let folder = labelled().with("ports.csv", &ports);
    let out = folder.run(&["dose", "--sheet", "set-up"]).out;
    let out = out.split_whitespace().collect::<Vec<_>>().join(" ");
    // 40.5 cm dbh is 127.2 cm round, 8 ports 15.9 cm apart: half-way between the old ones.
    let turned = "T2: first hole 8.0 cm clockwise of north, then every 15.9 cm: 8.0 cm from the \
                  nearest old hole";
    assert!(out.contains(turned), "{out}");
    assert!(out.contains("T1: NOT CLEAR of old holes"), "{out}");
    assert!(out.contains("1 old hole at this height without a direction on record"), "{out}");
}

#[test]
fn a_narrow_line_is_told_where_line_not_tree_is_the_limit() {
    let wide = labelled().run(&["dose", "--sheet", "kit"]);
    assert!(!wide.out.contains("TOO NARROW"), "{}", wide.out);
    let narrow = grove(&format!("{LABEL}{BENCH}[kit]\nbore_mm = 1\n"), TREES);
    let narrow = narrow.run(&["dose", "--sheet", "kit"]);
    assert!(narrow.out.contains("THE LINE IS TOO NARROW"), "{}", narrow.out);
}

#[test]
fn trees_and_blocks_are_chosen_or_refused_by_name() {
    let ids = |line: &[&str]| -> Vec<String> {
        let json = labelled().run(&[&["dose", "--json"], line].concat()).json();
        let blocks = json["blocks"].as_array().unwrap();
        let trees = blocks.iter().flat_map(|block| block["doses"]["trees"].as_array().unwrap());
        trees.map(|tree| tree["id"].as_str().unwrap().to_owned()).collect()
    };
    assert_eq!(ids(&[]), ["T1", "T2", "T3"]);
    assert_eq!(ids(&["--tree", "T3,T1", "--tree", "T3"]), ["T3", "T1"]);
    assert_eq!(ids(&["--block", "south"]), ["T3"]);
    for (line, told) in [
        (["dose", "--tree", "T9"], "tree 'T9' is not in trees.csv"),
        (["dose", "--block", "west"], "block 'west' is not in trees.csv"),
        (["dose", "--kits", "0"], "--kits"),
    ] {
        let ran = labelled().run(&line);
        assert_eq!(ran.code, 2, "{line:?}");
        assert!(ran.err.contains(told), "{}", ran.err);
    }
    let hang = "draw_id,tree_id,start,charge_ml\nd1,T2,2026-01-15T09:00+10:30,100\n";
    let hung = labelled().with("hang.csv", hang).run(&["dose", "--json"]).json();
    assert_eq!(hung["chosen"], "the draws of hang.csv on this day");
    assert_eq!(hung["blocks"].as_array().unwrap().len(), 1);
    let told = hung["blocks"][0]["not_known"][0].as_str().unwrap();
    assert!(told.starts_with("hang.csv has other charges"), "{told}");
}

#[test]
fn help_has_an_example() {
    for (line, example) in [
        (&["dose", "--help"][..], "Example: xylocast dose --grove"),
        (&["dose", "measure", "--help"], "Example: xylocast dose measure"),
    ] {
        let help = ran(line);
        assert_eq!(help.code, 0);
        assert!(help.out.contains(example), "{}", help.out);
    }
}

#[test]
fn measuring_reads_arguments_files_and_standard_input_alike() {
    let list = ["94.2", "88", "101", "97", "150", "60"];
    let typed = ran(&[&["dose", "measure"], &list[..], &["--json"]].concat()).json();
    assert_eq!(typed["one_by_one"], serde_json::json!(["5", "6"]));
    assert_eq!(typed["large_enough"], false);
    let piped = typed_in(&list.join("\n"), &["dose", "measure", "-", "--json"]).json();
    assert_eq!(piped, typed);
    let folder = Folder::bare()
        .with("list.txt", &list.join("\r\n"))
        .with("sample.csv", &format!("circumference_cm\n{}\n", list.join("\n")))
        .with("in.csv", "tree_id,circumference_in\n=cmd,37\nB,35.5\n");
    for file in ["list.txt", "sample.csv"] {
        let path = folder.path(file);
        assert_eq!(
            ran(&["dose", "measure", path.to_str().unwrap(), "--json"]).json(),
            typed,
            "{file}"
        );
    }
    let path = folder.path("in.csv");
    let rows = ran(&["dose", "measure", path.to_str().unwrap(), "--csv", "--units", "us"]).rows();
    assert_eq!(rows[0], ["tree_id", "circumference_in", "dbh_in", "off_mean_pct", "one_by_one"]);
    assert_eq!(rows[1][..2], ["'=cmd", "37.0"]);
    assert_eq!(rows[2], ["B", "35.5", "11.30", "-2.1", "no"]);
}

#[test]
fn measuring_refuses_what_could_mean_two_things_with_row_and_value() {
    let bad = typed_in("94.2\nninety\n3\n", &["dose", "measure", "-"]);
    assert_eq!(bad.code, 2);
    assert!(bad.err.contains("standard input row 2: circumference 1: 'ninety'"), "{}", bad.err);
    assert!(bad.err.contains("standard input row 3: circumference 1, 3 cm"), "{}", bad.err);
    for (line, told) in [
        (&["94,2"][..], "'94,2' may be one number or two"),
        (&["94.2", "37 in"], "94.2 has no unit"),
        (&["nothing.csv"], "name a file that is there"),
        (&[], "type circumferences behind the command"),
        (&["94", "95", "--precision", "2"], "a precision of 2"),
        (&["94", "95", "--confidence", "nan"], "a confidence of NaN"),
        (&["94", "95", "--block-trees", "1"], "2 trunks were measured in a block said to hold 1"),
    ] {
        let ran = ran(&[&["dose", "measure"], line].concat());
        assert_eq!(ran.code, 2, "{line:?}: {}", ran.out);
        assert!(ran.err.contains(told), "{line:?}: {}", ran.err);
    }
}
