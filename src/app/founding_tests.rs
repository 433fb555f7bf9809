//! New groves: forms told field by field, names that lead elsewhere, nothing half-made.

use super::*;
use crate::app::desk::{Desk, Request};
use tempfile::TempDir;

fn office() -> (TempDir, Office) {
    let data = tempfile::tempdir().unwrap();
    let office = Office::open(data.path()).unwrap();
    (data, office)
}

fn by() -> By<'static> {
    By { who: "Ada", at: "2026-01-14T09:30:00Z".parse().unwrap() }
}

fn form(fields: &[(&str, &str)]) -> Typed {
    fields.iter().map(|(field, text)| ((*field).to_owned(), (*text).to_owned())).collect()
}

const WEST: [(&str, &str); 5] = [
    ("name", "West \"wood\" <b>"),
    ("time_zone", "Australia/Adelaide"),
    ("latitude_deg", "-34,93"),
    ("longitude_deg", "138.6"),
    ("elevation_m", "164 ft"),
];

/// What stands in a folder but the office itself.
fn left(data: &TempDir) -> Vec<String> {
    let entries = fs::read_dir(data.path()).unwrap();
    let names = entries.map(|entry| entry.unwrap().file_name().to_string_lossy().into_owned());
    let mut names: Vec<String> = names.filter(|name| !name.starts_with("office")).collect();
    names.sort();
    names
}

#[test]
fn a_form_makes_a_grove_and_trees_are_added_to_it() {
    let (data, office) = office();
    let founded = found(&office, &form(&WEST), by()).unwrap();
    assert_eq!(founded.kept.grove, "west-wood-b");
    assert_eq!(left(&data), ["west-wood-b.db"], "nothing else is left");
    let home = Home::Database(founded.file.clone());
    let grove = home.grove(by().at).unwrap();
    assert_eq!(grove.settings.name, "West \"wood\" <b>");
    assert!((grove.settings.place.elevation.value() - 49.9872).abs() < 1e-9);
    assert!(grove.trees.is_empty());
    let tree =
        [("tree_id", "A1"), ("block", "north"), ("circumference_cm", "40 in"), ("ports", "6")];
    add_tree(&home, &form(&tree), by()).unwrap();
    let grove = home.grove(by().at).unwrap();
    assert_eq!((grove.trees.len(), grove.trees[0].ports), (1, 6));
    // 40 in around are 101.6 cm, 101.6 / pi = 32.340 cm through.
    assert!((grove.trees[0].dbh.value() - 101.6 / std::f64::consts::PI).abs() < 1e-6);
    let Err(FoundingError::Form(wrong)) = add_tree(&home, &form(&tree), by()) else { panic!() };
    assert_eq!(wrong[0].field, "tree_id");
    let other =
        [("tree_id", "A1"), ("block", "south"), ("circumference_cm", "10x"), ("ports", "90")];
    let Err(FoundingError::Form(wrong)) = add_tree(&home, &form(&other), by()) else { panic!() };
    let fields: Vec<&str> = wrong.iter().map(|wrong| wrong.field.as_str()).collect();
    assert!(fields.contains(&"circumference_cm") && fields.contains(&"ports"), "{wrong:?}");
    let request = Request { grove: Some(founded.file), ..Request::default() };
    Desk::lay(&request, by().at).unwrap();
    let twin = found(&office, &form(&WEST), by()).unwrap();
    assert_eq!(twin.kept.grove, "west-wood-b-2");
}

#[test]
fn all_that_is_wrong_with_a_form_is_told_beside_its_field() {
    let (data, office) = office();
    let fields = [
        ("name", " "),
        ("time_zone", "Australia/Adelaid"),
        ("latitude_deg", "95"),
        ("longitude_deg", "NaN"),
        ("elevation_m", ""),
    ];
    let Err(FoundingError::Form(wrong)) = found(&office, &form(&fields), by()) else { panic!() };
    let mut told: Vec<&str> = wrong.iter().map(|wrong| wrong.field.as_str()).collect();
    told.sort_unstable();
    assert_eq!(told, ["elevation_m", "latitude_deg", "longitude_deg", "name", "time_zone"]);
    assert!(left(&data).is_empty());
}

fn folder(root: &str) -> Vec<(String, Vec<u8>)> {
    let files = demo::files().into_iter();
    files.map(|(name, bytes)| (format!("{root}{name}"), bytes.to_vec())).collect()
}

#[test]
fn a_folder_is_brought_in_as_the_import_would() {
    let (data, office) = office();
    let mut sent = folder("elms/");
    sent.push(("elms/old/trees.csv".into(), b"nonsense".to_vec()));
    sent.push(("elms/.DS_Store".into(), Vec::new()));
    let (founded, passed_over) = bring_in(&office, sent, by()).unwrap();
    assert_eq!(passed_over, ["elms/old/trees.csv", "elms/.DS_Store"]);
    let grove = Home::Database(founded.file).grove(by().at).unwrap();
    assert_eq!(grove.trees, demo::grove().unwrap().trees);
    assert_eq!(grove.draws.len(), demo::grove().unwrap().draws.len());
    assert_eq!(left(&data).len(), 1);
}

#[test]
fn flaws_are_told_by_file_and_row_and_nothing_is_left() {
    let (data, office) = office();
    let mut sent = folder("");
    for (name, bytes) in &mut sent {
        if name == "trees.csv" {
            *bytes = String::from_utf8_lossy(bytes).replacen(",7,", ",seven,", 1).into_bytes();
        }
    }
    let told = bring_in(&office, sent, by()).unwrap_err().to_string();
    assert!(told.contains("trees.csv row 2: ports"), "{told}");
    assert!(left(&data).is_empty() && office.groves().unwrap().is_empty());
}

#[test]
fn names_that_lead_elsewhere_are_refused() {
    let (data, office) = office();
    for name in [
        "../trees.csv",
        "a/../../etc/trees.csv",
        "/etc/trees.csv",
        "a\\..\\trees.csv",
        "C:trees.csv",
        "a//trees.csv",
        "./trees.csv",
        "trees.csv\0",
        "",
    ] {
        let mut sent = folder("a/");
        sent.push((name.into(), b"x".to_vec()));
        let refused = bring_in(&office, sent, by());
        assert!(matches!(refused, Err(FoundingError::Path { .. })), "{name:?}: {refused:?}");
    }
    let mut twice = folder("a/");
    twice.push(("a/trees.csv".into(), b"x".to_vec()));
    assert!(matches!(bring_in(&office, twice, by()), Err(FoundingError::Twice { .. })));
    let other = vec![("a/notes.txt".into(), Vec::new())];
    assert!(matches!(bring_in(&office, other, by()), Err(FoundingError::NoneKnown { sent: 1 })));
    assert!(left(&data).is_empty());
}

#[test]
fn files_chosen_one_by_one_find_their_place() {
    for (name, root, own) in [
        ("trees.csv", "", "trees.csv"),
        ("observed.csv", "", "weather/observed.csv"),
        ("west/weather/forecast.csv", "west/", "weather/forecast.csv"),
        ("west/models/2026.json", "west/", "models/2026.json"),
        ("west/weather/forecasts/a.csv", "west/", "weather/forecasts/a.csv"),
        ("weather/pulled.csv", "", "weather/pulled.csv"),
    ] {
        assert_eq!(split(name), Some((root, own.to_owned())), "{name}");
    }
    for name in ["other-trees.csv", "west/models/.hidden.json", "models/a.txt", "office.db"] {
        assert_eq!(split(name), None, "{name}");
    }
}

#[test]
fn a_copy_of_the_demo_lives_in_the_demos_days() {
    let (_data, office) = office();
    let founded = copy_demo(&office, by()).unwrap();
    assert_eq!(by().at + founded.kept.clock_offset, demo::as_of());
    assert_eq!(office.groves().unwrap()[0].clock_offset, founded.kept.clock_offset);
    let home = Home::Database(founded.file);
    assert_eq!(home.grove(demo::as_of()).unwrap().trees.len(), 40);
    assert_eq!(home.models(demo::as_of(), by().at).unwrap().len(), 1);
}

#[test]
fn files_are_added_to_a_grove_that_is_there() {
    let (_data, office) = office();
    let founded = copy_demo(&office, by()).unwrap();
    let home = Home::Database(founded.file);
    let more =
        "tree_id,block,species,circumference_cm,ports\nZ1,avenue,elm,100,5\nZ2,avenue,elm,110,5\n";
    let (counts, _) = add_files(&home, vec![("trees.csv".into(), more.into())], by()).unwrap();
    assert_eq!(counts["trees.csv"].new, 2);
    assert_eq!(home.grove(by().at).unwrap().trees.len(), 42);
    let other = "tree_id,block,species,circumference_cm,ports\nZ1,avenue,elm,120,5\n";
    let told = add_files(&home, vec![("trees.csv".into(), other.into())], by()).unwrap_err();
    assert!(told.to_string().contains("Z1"), "{told}");
    assert!(matches!(
        add_files(&Home::Demo, vec![("trees.csv".into(), other.into())], by()),
        Err(FoundingError::NotADatabase)
    ));
}
