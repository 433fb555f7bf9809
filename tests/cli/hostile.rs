//! Forty inputs that mean no good: an answer or an error in words, never a panic.

use super::folder::{Folder, Ran, TREES, ran, settings};

fn holds(ran: &Ran, what: &str) {
    assert!((0..=2).contains(&ran.code), "{what}: exit code {}\n{}", ran.code, ran.err);
    for word in ["panicked", "RUST_BACKTRACE", "unwrap"] {
        assert!(!ran.err.contains(word) && !ran.out.contains(word), "{what}: {}", ran.err);
    }
    assert_eq!(ran.code == 2, ran.err.contains("error: "), "{what}: {}{}", ran.out, ran.err);
    assert!(!ran.out.contains('\u{1b}'), "{what}: an escape reaches the terminal");
}

#[test]
fn flawed_files() {
    let long = format!("{TREES}{},north,elm,80,6\n", "x".repeat(100_000));
    let many: String = (0..400).map(|n| format!("N{n},north,elm,80,6\n")).collect();
    let many = TREES.to_owned() + &many;
    let toml = |from: &str, to: &str| {
        settings("Australia/Adelaide", -35.0, 138.8, "", "").replace(from, to)
    };
    let cases: Vec<(&str, Vec<u8>)> = vec![
        ("trees.csv", Vec::new()),
        ("trees.csv", b"\xff\xfe\x00".to_vec()),
        ("trees.csv", b"tree_id,block,species,circumference_cm,ports\n\"open".to_vec()),
        ("trees.csv", TREES.replace("80", "NaN").into()),
        ("trees.csv", TREES.replace("80", "1e309").into()),
        ("trees.csv", TREES.replace("80", "-80").into()),
        ("trees.csv", TREES.replace("T1", "T\u{1b}[31m1").into()),
        ("trees.csv", TREES.replace("T1", "\"=cmd|' /C calc'!A0\"").into()),
        ("trees.csv", TREES.replace("T1", "日本の木 🌳").into()),
        ("trees.csv", TREES.replace("T1", "T2").into()),
        ("trees.csv", TREES.replace(",6\n", ",99999999999999999999\n").into()),
        ("trees.csv", long.into()),
        ("trees.csv", many.into()),
        ("grove.toml", Vec::new()),
        ("grove.toml", b"name = ".to_vec()),
        ("grove.toml", toml("Australia/Adelaide", "Mars/Olympus").into()),
        ("grove.toml", toml("latitude_deg = -35", "latitude_deg = 1e400").into()),
        ("grove.toml", toml("latitude_deg = -35", "latitude_deg = nan").into()),
        ("grove.toml", toml("latitude_deg = -35", "latitude_deg = 90").into()),
        ("grove.toml", toml("people = 1", "people = 0").into()),
        ("grove.toml", toml("kits = 40", "kits = -1").into()),
        ("grove.toml", toml("day_starts = \"07:30\"", "day_starts = \"25:00\"").into()),
        ("grove.toml", toml("day_ends = \"18:00\"", "day_ends = \"07:00\"").into()),
        ("grove.toml", toml("day_ends = \"18:00\"", "day_ends = \"07:31\"").into()),
        ("grove.toml", toml("set_min = 6", "set_min = 480").into()),
        ("grove.toml", toml("[crew]", "[wishes]\nsure = 0.99\nlatest_done = \"06:00\"\n[crew]").into()),
        ("grove.toml", toml("[crew]", "[wishes]\nsure = 1.0\n[crew]").into()),
        ("hang.csv", b"draw_id,tree_id,start,charge_ml\nh,T1,2026-01-15T25:00:00+10:30,1000\n".to_vec()),
        ("hang.csv", b"draw_id,tree_id,start,charge_ml\nh,T9,2026-01-15T08:00:00+10:30,1000\n".to_vec()),
        ("hang.csv", b"draw_id,tree_id,start,charge_ml\nh,T1,9999-01-15T08:00:00+10:30,1000\n".to_vec()),
        ("hang.csv", b"draw_id,tree_id,start,charge_ml\nh,T1,1900-01-15T08:00:00+10:30,1000\n".to_vec()),
        ("hang.csv", b"draw_id,tree_id,start,charge_ml\nh,T1,2026-01-15T08:00:00+10:30,0\n".to_vec()),
        ("hang.csv", b"draw_id,tree_id,start,charge_ml\n".to_vec()),
        ("draws.csv", b"draw_id,tree_id,started,charge_ml,last_wet,first_empty\nd,T1,2026-01-14T08:00:00+10:30,1000,2026-01-14T12:00:00+10:30,2026-01-14T09:00:00+10:30\n".to_vec()),
        ("draws.csv", b"draw_id,tree_id,started,charge_ml\nd,T1,2030-01-14T08:00:00+10:30,1000\n".to_vec()),
        ("weather/forecast.csv", b"hour_ending,air_temp_c\n".to_vec()),
        ("weather/forecast.csv", b"hour_ending,air_temp_c\n2026-01-15T09:00:00+10:30,20\n".to_vec()),
        ("weather/forecast.csv", b"hour_ending,hour_starting,air_temp_c\n".to_vec()),
        ("weather/forecast.csv", b"hour_ending,air_temp_c\n2026-01-15T09:00:00+10:30,200\n".to_vec()),
        ("weather/observed.csv", b"hour_ending,air_temp_c\n0000-01-15T09:00:00Z,20\n9999-01-15T09:00:00Z,20\n".to_vec()),
        ("models/m.json", b"[]".to_vec()),
        ("models/m.json", b"{\"schema\": 1e99}".to_vec()),
    ];
    assert!(cases.len() >= 40);
    for (index, (name, bytes)) in cases.into_iter().enumerate() {
        let folder = Folder::good().with_bytes(name, &bytes);
        let start = String::from_utf8_lossy(&bytes[..bytes.len().min(90)]).into_owned();
        for command in ["tomorrow", "times", "overnight", "check", "compare"] {
            holds(&folder.run(&[command]), &format!("case {index}, {command}, {name}: {start}"));
        }
    }
}

#[test]
fn hostile_arguments() {
    let long = "9".repeat(10_000);
    for line in [
        &["tomorrow", "--date", "+262142-12-31"][..],
        &["tomorrow", "--date", "-262143-01-01"],
        &["tomorrow", "--date", "0000-00-00"],
        &["tomorrow", "--date", "2999-12-31"],
        &["outlook", "--date", "0001-01-01"],
        &["window", "--date", "2011-12-30"],
        &["tomorrow", "--as-of", "9999-12-31T23:59:59Z"],
        &["tomorrow", "--as-of", "1900-01-01T00:00:00Z"],
        &["tomorrow", "--as-of", &long],
        &["tomorrow", "--as-of", ""],
        &["tomorrow", "--grove", ""],
        &["tomorrow", "--grove", "/dev/null"],
        &["tomorrow", "--model", "/dev/null"],
        &["tomorrow", "--model", "."],
        &["times", "--hang", "/dev/null"],
        &["times", "--hang", "."],
        &["times", "--csv", ""],
        &["times", "--csv", "."],
        &["times", "--csv", "/"],
        &["refit", "--as-of", "2020-01-01T00:00:00Z"],
        &["compare", "--as-of", "2020-01-01T00:00:00Z"],
        &["overnight", "--as-of", "2020-01-01T00:00:00Z"],
    ] {
        holds(&ran(line), &format!("{line:?}"));
    }
    let other = Folder::with_draws().run(&["tomorrow", "--demand", "reference-et"]);
    holds(&other, "reference ET");
}

#[test]
fn a_date_that_a_zone_left_out_is_an_error() {
    let toml = settings("Pacific/Apia", -13.8, -171.8, "", "");
    let ran = Folder::good().with("grove.toml", &toml).run(&["tomorrow", "--date", "2011-12-30"]);
    assert_eq!(ran.code, 2, "{}", ran.out);
    holds(&ran, "Samoa's missing Friday");
}
