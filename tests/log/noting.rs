//! A day of entries: what is said, what stands in the files, what is refused.

use super::folder::settings;
use super::{Folder, at, file, noted, ran, shows};

const FILES: [&str; 4] = ["journal.csv", "draws.csv", "readings.csv", "pauses.csv"];

fn all(folder: &Folder) -> Vec<String> {
    FILES.iter().map(|name| file(folder, name)).collect()
}

/// Every line with its answer.
fn day(folder: &Folder, lines: &[(&str, &[&str])]) -> String {
    let mut text = String::new();
    for (number, (clock, line)) in lines.iter().enumerate() {
        let key = format!("k{number}");
        let keyed: Vec<&str> = match line.contains(&"show") || line.contains(&"--key") {
            true => line.to_vec(),
            false => [*line, &["--key", &key, "--by", "anna"]].concat(),
        };
        let ran = at(folder, clock, &keyed);
        text += &format!("{clock} $ log {}\n{}{}", line.join(" "), ran.out, ran.err);
    }
    text
}

#[test]
fn a_day() {
    let folder = Folder::bare();
    let told = day(
        &folder,
        &[
            ("08:00", &["start", "T1", "--kit", "K1"]),
            ("08:10", &["start", "T2", "--at", "08:05", "--charge-ml", "500", "--ports", "4"]),
            ("09:00", &["reading", "T1", "700"]),
            ("09:05", &["reading", "T2", "wet", "--note", "slow"]),
            ("09:10", &["pause", "T2", "--why", "wind"]),
            ("09:20", &["reading", "T1", "900"]),
            ("09:30", &["resume", "T2"]),
            ("09:40", &["refill", "T2", "250"]),
            ("10:00", &["reading", "T1", "empty"]),
            ("10:01", &["undo"]),
            ("10:05", &["reading", "T1", "0"]),
            ("10:06", &["strip", "T1"]),
            ("10:10", &["start", "T3", "--kit", "K1"]),
            ("10:20", &["leak", "T3", "--left-ml", "600"]),
            ("10:30", &["strip", "T2"]),
            ("10:31", &["undo"]),
            ("10:32", &["strip", "T2", "--left-ml", "120"]),
            ("10:33", &["reading", "T2", "wet"]),
            ("10:40", &["show"]),
        ],
    );
    shows("log_day", &told);
    shows("log_files", &all(&folder).join("\n"));
    // What was noted is what the rest of the program reads.
    let check = folder.run(&["check"]);
    assert!(check.out.contains("3 trees in 2 blocks, 3 draws"), "{}{}", check.out, check.err);
}

#[test]
fn an_users_file_is_kept_byte_for_byte() {
    let draws = "\u{feff}tree_id,draw_id , weight_kg,started,charge_ml\r\n\
                 T1,\"old, one\", 12 ,2026-01-10T08:00:00+10:30,\"1000\"\r\n\r\n";
    let readings = "draw_id,time,left_ml\n\"old, one\",2026-01-10T09:00:00+10:30,900";
    let folder = Folder::bare().with("draws.csv", draws).with("readings.csv", readings);
    noted(&folder, "08:00", &["start", "T2", "--key", "s", "--note", "a, b"]);
    let with_ports = draws
        .replace("charge_ml\r\n", "charge_ml,ports,note\r\n")
        .replace("\"1000\"\r\n", "\"1000\",,\r\n");
    let row = "T2,T2-2026-01-14,,2026-01-14T08:00:00+10:30,1000,7,\"a, b\"\r\n";
    assert_eq!(file(&folder, "draws.csv"), format!("{with_ports}{row}"));
    noted(&folder, "09:00", &["reading", "T2", "850"]);
    assert_eq!(
        file(&folder, "readings.csv"),
        format!("{readings}\nT2-2026-01-14,2026-01-14T09:00:00+10:30,850\n")
    );
    noted(&folder, "09:01", &["undo"]);
    assert_eq!(file(&folder, "readings.csv"), format!("{readings}\n"));
    noted(&folder, "10:00", &["strip", "T2", "--left-ml", "20"]);
    noted(&folder, "10:01", &["undo"]);
    noted(&folder, "10:02", &["undo", "s"]);
    // The columns that the strip needed stay, empty; no row of the user's own has changed.
    let header = "charge_ml,ports,note,stripped,left_ml\r\n";
    let kept = draws.replace("charge_ml\r\n", header).replace("\"1000\"\r\n", "\"1000\",,,,\r\n");
    assert_eq!(file(&folder, "draws.csv"), kept);
}

#[test]
fn a_repeated_send_does_nothing_twice() {
    let folder = Folder::bare();
    let start = ["start", "T1", "--key", "k1"];
    noted(&folder, "08:00", &start);
    let before = all(&folder);
    // Without --at, an hour later: the first time counts.
    let again = noted(&folder, "09:00", &start);
    assert!(again.out.starts_with("Noted before, nothing was changed."), "{}", again.out);
    assert_eq!(all(&folder), before);
    let json = noted(&folder, "09:00", &["start", "T1", "--key", "k1", "--json"]).json();
    assert_eq!(json["repeated"], true);
    assert_eq!(json["entry"]["at"], "2026-01-13T21:30:00Z");
    let other = at(&folder, "09:00", &["start", "T2", "--key", "k1"]);
    assert!(other.err.contains("the key 'k1' was used for another entry"), "{}", other.err);
    noted(&folder, "10:00", &["undo", "--key", "u1"]);
    let undone = noted(&folder, "10:05", &["undo", "--key", "u1"]);
    assert!(undone.out.starts_with("Noted before"), "{}", undone.out);
}

#[test]
fn what_is_refused_changes_nothing() {
    let folder = Folder::bare();
    noted(&folder, "08:00", &["start", "T1", "--kit", "K1", "--by", "anna"]);
    noted(&folder, "08:30", &["reading", "T1", "700", "--by", "anna"]);
    let before = all(&folder);
    for (line, told) in [
        (&["start", "T9"][..], "tree 'T9' is not in trees.csv"),
        (&["start", "T1"], "tree 'T1' has a bag since 2026-01-14 08:00"),
        (&["start", "T2", "--kit", "K1"], "kit 'K1' hangs on tree 'T1'"),
        (&["start", "T2", "--charge-ml", "1"], "charge 1 mL is outside 10 to 200000 mL"),
        (&["start", "T2", "--charge-ml", "NaN"], "volume NaN mL is outside"),
        (&["start", "T2", "--head-m", "90"], "head 90 m is outside 0.1 to 10 m"),
        (&["start", "T2", "--ports", "80"], "80 is not in 1..=40"),
        (&["start", "T2", "--draw", "T1-2026-01-14"], "is there already, on tree 'T1'"),
        (&["reading", "T1", "720.5"], "held 700 mL at 2026-01-14 08:30 and 720.5 mL at"),
        (&["reading", "T1", "much"], "write wet, empty, or the mL left as a bare number"),
        (&["reading", "T2", "wet"], "no bag hangs on tree 'T2' at that time"),
        (&["reading", "Z", "wet"], "'Z' is neither a tree nor a draw of this grove"),
        (&["reading", "T1", "wet", "--at", "07:59"], "no bag hangs on tree 'T1' at that time"),
        (&["reading", "T1", "wet", "--at", "18:00"], "lies ahead of now (2026-01-14 09:00)"),
        (&["reading", "T1", "wet", "--at", "8 o'clock"], "is not a time"),
        (&["reading", "T1", "wet", "--at", "25:10"], "'25:10' is not a time of day"),
        (&["reading", "T1", "wet", "--note", "=cmd"], "starts with '='"),
        (&["reading", "T1", "wet", "--by", " "], "is empty or has blanks"),
        (&["refill", "T1", "0.2"], "refill 0.2 mL is outside 1 to 200000 mL"),
        (&["resume", "T1"], "was not shut at 2026-01-14 09:00"),
        (&["undo"], "nobody in particular noted nothing today"),
        (&["undo", "none"], "no entry has the key 'none'"),
        (&["undo", "--by", "ben"], "ben noted nothing today that could be undone"),
        (&["reading", "T1", "wet", "--csv"], "an entry has no rows"),
    ] {
        let ran = at(&folder, "09:00", line);
        assert_eq!(ran.code, 2, "{line:?}: {}", ran.out);
        assert!(ran.err.contains(told), "{line:?}: {}\nwanted: {told}", ran.err);
        assert_eq!(all(&folder), before, "{line:?}");
    }
    let demo = ran(&["log", "start", "E03"]);
    assert!(demo.code == 2 && demo.err.contains("demo"), "{}", demo.err);
    let none = ran(&["log", "show", "--grove", "/nothing/here"]);
    assert!(none.err.contains("there is no such folder"), "{}", none.err);
}

#[test]
fn an_undo_is_of_the_same_local_day() {
    let folder = Folder::bare();
    noted(&folder, "23:50", &["start", "T1", "--key", "k"]);
    let late = folder.run(&["log", "undo", "k", "--as-of", "2026-01-15T00:01:00+10:30"]);
    assert!(late.err.contains("was noted on 2026-01-14, and only entries of the same day"));
    noted(&folder, "23:59", &["undo", "k"]);
    let show = noted(&folder, "23:59", &["show", "--json"]).json();
    assert_eq!(show["entries"].as_array().unwrap().len(), 2);
    assert_eq!(show["entries"][0]["undone"], true);
    assert_eq!(show["bags"].as_array().unwrap().len(), 0);
}

#[test]
fn clocks_that_were_changed() {
    let toml = settings("Europe/Madrid", 40.4, -3.7, "", "");
    let folder = Folder::bare().with("grove.toml", &toml);
    let run =
        |as_of: &str, line: &[&str]| folder.run(&[&["log"], line, &["--as-of", as_of]].concat());
    let back = "2026-10-25T12:00:00+01:00";
    let twice = run(back, &["start", "T1", "--at", "02:30"]);
    let told = "the time: '2026-10-25T02:30' came twice in Europe/Madrid when clocks were set back; \
                write 2026-10-25T02:30:00+02:00 or 2026-10-25T02:30:00+01:00";
    assert!(twice.code == 2 && twice.err.contains(told), "{}", twice.err);
    let skipped = run("2026-03-29T12:00:00+02:00", &["start", "T1", "--at", "02:30"]);
    assert!(skipped.err.contains("was skipped in Europe/Madrid"), "{}", skipped.err);
    assert_eq!(run(back, &["start", "T1", "--at", "2026-10-25T02:30+02:00"]).code, 0);
    // An hour and a half by the sun, half an hour by the wall.
    let wet = run(back, &["reading", "T1", "wet", "--at", "03:00"]);
    assert!(wet.out.contains("1 h 30 after the start"), "{}{}", wet.out, wet.err);
}

#[test]
fn two_bags_on_a_tree_are_told_apart() {
    let folder = Folder::bare();
    noted(&folder, "08:00", &["start", "T1"]);
    noted(&folder, "08:30", &["start", "T1", "--second-bag"]);
    let which = at(&folder, "09:00", &["reading", "T1", "wet"]);
    let told = "tree 'T1' has more than one bag; name the draw: T1-2026-01-14-2, T1-2026-01-14";
    assert!(which.err.contains(told), "{}", which.err);
    noted(&folder, "09:00", &["reading", "T1-2026-01-14-2", "wet"]);
    // Of a bag that was seen empty, the tree's name is enough again.
    noted(&folder, "09:10", &["reading", "T1-2026-01-14-2", "empty"]);
    let other = noted(&folder, "09:20", &["reading", "T1", "800"]);
    assert!(other.out.contains("800 mL left"), "{}", other.out);
}

#[test]
fn a_database_takes_the_same_day() {
    let folder = Folder::bare();
    let file = folder.path("grove.db");
    let file = file.to_str().unwrap();
    let home = folder.path("grove.toml");
    let home = home.parent().unwrap().to_str().unwrap();
    let made = ran(&["import", home, "--grove", file]);
    assert_eq!(made.code, 0, "{}", made.err);
    let lines: [(&str, &[&str]); 5] = [
        ("08:00", &["start", "T1", "--key", "a", "--kit", "K1"]),
        ("08:00", &["start", "T1", "--key", "a", "--kit", "K1"]),
        ("09:00", &["reading", "T1", "700", "--key", "b"]),
        ("09:10", &["undo", "b", "--key", "c"]),
        ("10:00", &["strip", "T1", "--left-ml", "300", "--key", "d"]),
    ];
    for (clock, line) in lines {
        let as_of = format!("2026-01-14T{clock}:00+10:30");
        let tail = ["--as-of", as_of.as_str(), "--grove", file];
        let stored = ran(&[&["log"][..], line, &tail].concat());
        let kept = at(&folder, clock, line);
        assert_eq!((stored.code, stored.out, stored.err), (kept.code, kept.out, kept.err));
    }
    let show = |grove: &str| {
        ran(&["log", "show", "--json", "--as-of", "2026-01-14T11:00+10:30", "--grove", grove])
            .json()
    };
    assert_eq!(show(file), show(home));
}

/// A clock that is set back between two entries: the first one stays, though it lies ahead now, what
/// cannot be before it is refused, and all goes on when the clock is right again.
#[test]
fn a_clock_that_goes_back_between_two_entries_loses_neither() {
    let folder = Folder::bare();
    noted(&folder, "10:00", &["start", "T1", "--key", "k1"]);
    let early = at(&folder, "09:30", &["reading", "T1", "wet", "--key", "k2"]);
    assert!(early.code == 2 && early.err.contains("no bag hangs on tree 'T1'"), "{}", early.err);
    noted(&folder, "09:30", &["start", "T2", "--key", "k3"]);
    noted(&folder, "10:05", &["reading", "T1", "wet", "--key", "k2"]);
    let again = noted(&folder, "09:40", &["start", "T2", "--at", "09:30", "--key", "k3"]);
    assert!(again.out.starts_with("Noted before"), "{}", again.out);
    let shown = noted(&folder, "10:06", &["show", "--json"]).json();
    assert_eq!(shown["entries"].as_array().unwrap().len(), 3, "{shown}");
    assert_eq!(shown["bags"].as_array().unwrap().len(), 2, "{shown}");
}
