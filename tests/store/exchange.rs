//! Folder to database to folder: every byte of meaning, all or nothing, twice changes nothing.

use super::groves::{Kept, by, count, demo_folder, full_folder, import, now, place, put};
use std::collections::BTreeMap;
use std::fs;
use std::path::Path;
use xylocast::grove::Grove;
use xylocast::store::db::{Database, StoreError};
use xylocast::store::folder;
use xylocast::store::home::Home;

/// Values of a grove; rows of files and notes on them are not of its meaning.
fn meaning(grove: Grove) -> String {
    let mut grove = Grove { notes: Vec::new(), ..grove };
    for draw in &mut grove.draws {
        draw.readings.iter_mut().for_each(|reading| reading.row = 0);
        draw.pauses.iter_mut().for_each(|pause| pause.row = 0);
    }
    grove.hang.iter_mut().flatten().for_each(|hang| hang.row = 0);
    format!("{grove:#?}")
}

/// Rows of all CSV files below a folder as sets of named cells, so that the order of columns and of
/// rows, columns without any value, and digits that say nothing do not count.
fn rows(folder: &Path) -> BTreeMap<String, Vec<BTreeMap<String, String>>> {
    let mut all = BTreeMap::new();
    let mut folders = vec![folder.to_owned()];
    while let Some(at) = folders.pop() {
        for entry in fs::read_dir(&at).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|ending| ending == "csv") {
                let mut reader = csv::Reader::from_path(&path).unwrap();
                let header = reader.headers().unwrap().clone();
                let row = |row: csv::StringRecord| -> BTreeMap<String, String> {
                    // 1.110 is 1.11.
                    let same = |cell: &str| match cell.parse::<f64>() {
                        Ok(number) => number.to_string(),
                        Err(_) => xylocast::text::plain(cell).to_owned(),
                    };
                    let cells = header.iter().map(str::to_owned).zip(row.iter().map(same));
                    cells.filter(|(_, cell)| !cell.is_empty()).collect()
                };
                let mut rows: Vec<_> =
                    reader.records().map(|record| row(record.unwrap())).collect();
                rows.sort();
                all.insert(path.strip_prefix(folder).unwrap().display().to_string(), rows);
            }
        }
    }
    all
}

fn exported(kept: &Kept) -> std::path::PathBuf {
    let to = kept.at.path().join("out");
    kept.open().export(&to, false, now()).unwrap();
    to
}

#[test]
fn the_demo_goes_in_and_comes_out_as_it_was() {
    let folder = demo_folder();
    let kept = Kept::of(folder.path());
    assert_eq!(
        meaning(kept.open().grove().unwrap()),
        meaning(folder::read(folder.path()).unwrap())
    );
    let out = exported(&kept);
    assert_eq!(rows(&out), rows(folder.path()));
    for name in ["grove.toml", "models/demo.json"] {
        assert_eq!(fs::read(out.join(name)).unwrap(), fs::read(folder.path().join(name)).unwrap());
    }
}

#[test]
fn every_file_and_unknown_columns_go_in_and_come_out() {
    let folder = full_folder();
    let kept = Kept::of(folder.path());
    let (own, stored) = (folder::read(folder.path()).unwrap(), kept.open().grove().unwrap());
    assert_eq!(meaning(stored), meaning(own.clone()));
    let out = exported(&kept);
    assert_eq!(meaning(folder::read(&out).unwrap()), meaning(own));
    // What a spreadsheet would run comes out behind an apostrophe, and in again as it was.
    let applications = fs::read_to_string(out.join("applications.csv")).unwrap();
    assert!(applications.contains(",'=1+1,") && !applications.contains(",=1+1,"), "{applications}");
    let (mut before, mut after) = (rows(folder.path()), rows(&out));
    // A time typed with another offset means the same.
    for rows in [&mut before, &mut after] {
        let draw = &mut rows.get_mut("draws.csv").unwrap()[1];
        assert_eq!(draw["draw_id"], "d2");
        draw.remove("started");
    }
    assert_eq!(after, before);
    // And the copy's copy is the copy, byte by byte.
    let again = Kept::of(&out);
    let twice = exported(&again);
    for name in rows(&out).keys() {
        assert_eq!(
            fs::read(twice.join(name)).unwrap(),
            fs::read(out.join(name)).unwrap(),
            "{name}"
        );
    }
}

#[test]
fn commands_answer_the_same_on_both() {
    let folder = full_folder();
    let kept = Kept::of(folder.path());
    let homes = [Home::of(Some(folder.path())), Home::of(Some(&kept.file))];
    assert!(matches!(&homes[0], Home::Folder(_)) && matches!(&homes[1], Home::Database(_)));
    let model = |home: &Home| home.models(now(), now()).unwrap().pop().unwrap().1.to_json();
    assert_eq!(model(&homes[0]), model(&homes[1]));
    let pulled = |home: &Home| home.pulled_series(now()).unwrap();
    assert_eq!(pulled(&homes[0]), pulled(&homes[1]));
}

#[test]
fn the_name_of_a_file_need_not_tell_what_it_is() {
    let kept = Kept::full();
    let odd = kept.at.path().join("grove");
    fs::copy(&kept.file, &odd).unwrap();
    assert!(matches!(Home::of(Some(&odd)), Home::Database(_)));
}

#[test]
fn the_same_folder_twice_changes_nothing() {
    let folder = full_folder();
    let kept = Kept::of(folder.path());
    let audit = "SELECT count(*) FROM audit WHERE table_name <> 'batches'";
    let before = count(&kept.open(), audit);
    let again = import(&kept.file, folder.path()).unwrap();
    assert!(again.changed_nothing(), "{again:?}");
    assert_eq!(again.files["readings.csv"].same, 6);
    assert_eq!(count(&kept.open(), audit), before);
    // What is new is added, what is not there any more stays.
    put(
        folder.path(),
        "readings.csv",
        "draw_id,time,left_ml,by\nd2,2026-01-14T11:30:00+10:30,390,ben\n",
    );
    assert_eq!(import(&kept.file, folder.path()).unwrap().files["readings.csv"].new, 1);
    assert_eq!(count(&kept.open(), "SELECT count(*) FROM readings"), 7);
}

fn flaws(error: StoreError) -> Vec<String> {
    let StoreError::Refused(refused) = error else { panic!("{error}") };
    refused.flaws.iter().map(ToString::to_string).collect()
}

#[test]
fn other_content_under_the_same_name_is_a_conflict_row_by_row() {
    let folder = full_folder();
    let kept = Kept::of(folder.path());
    let edit = |name: &str, from: &str, to: &str| {
        let text = fs::read_to_string(folder.path().join(name)).unwrap();
        assert!(text.contains(from), "{name}");
        put(folder.path(), name, text.replace(from, to));
    };
    edit("trees.csv", "A1,North,elm", "A1,North,oak");
    edit("trees.csv", ",rot,1", ",blau,1");
    edit("readings.csv", "600,,,anna", "590,,,anna");
    edit("weather/observed.csv", "23.25", "23.5");
    edit("grove.toml", "elevation_m = 120", "elevation_m = 130");
    let all = "SELECT count(*) FROM audit";
    let before = (count(&kept.open(), all), fs::read(&kept.file).ok());
    let told = flaws(import(&kept.file, folder.path()).unwrap_err());
    let remedy = "make the two agree";
    assert_eq!(
        told,
        [
            format!(
                "grove.toml line 6: a line of the settings of Home is stored as 'elevation_m = \
                     120' and offered as 'elevation_m = 130'; {remedy}"
            ),
            format!(
                "trees.csv row 2: species of 'A1' is stored as 'elm' and offered as 'oak'; {remedy}"
            ),
            format!(
                "trees.csv row 2: other columns of 'A1' is stored as {{\"a,b\":\"1\",\"colour\":\
                     \"rot\"}} and offered as {{\"a,b\":\"1\",\"colour\":\"blau\"}}; {remedy}"
            ),
            format!(
                "readings.csv row 3: left_ml of 'd1 2026-01-12T09:30:00+10:30' is stored as '600' \
                     and offered as '590'; {remedy}"
            ),
            format!(
                "weather/observed.csv row 3: air_temp_c of the hour from \
                     2026-01-13T10:00:00+10:30 is stored as 23.25 and offered as 23.5; {remedy}"
            ),
        ]
    );
    let after = (count(&kept.open(), all), fs::read(&kept.file).ok());
    assert_eq!(after, before, "nothing of it is kept");
    let mut database = kept.open();
    let imported = database.import(folder.path(), by(), true, &mut |_, _, _| {}).unwrap();
    assert_eq!(imported.files["trees.csv"].replaced, 1);
    let grove = database.grove().unwrap();
    assert_eq!(grove.trees[0].species.as_deref(), Some("oak"));
    assert_eq!(grove.settings.place.elevation.value(), 130.0);
    let old = "SELECT count(*) FROM audit WHERE what = 'update' AND before ->> 'species' = 'elm'";
    assert_eq!(count(&database, old), 1, "the audit keeps the old one");
}

#[test]
fn every_bad_row_is_told_and_nothing_is_kept() {
    let folder = full_folder();
    put(folder.path(), "trees.csv", "tree_id,block,species,dbh_cm,ports\nA1,n,,1,99\nA1,n,,30,8\n");
    put(folder.path(), "kits.csv", "kit_id,tips\n,8\n");
    let at = tempfile::tempdir().unwrap();
    let file = place(at.path());
    let told = flaws(import(&file, folder.path()).unwrap_err());
    assert!(told.len() >= 4, "{told:#?}");
    let database = Database::open(&file, now()).unwrap();
    assert_eq!(count(&database, "SELECT count(*) FROM trees"), 0);
    assert!(matches!(database.grove(), Err(StoreError::NoGrove { .. })));
    // Rows that are sound alone but not beside those stored.
    let kept = Kept::full();
    let more = full_folder();
    put(
        more.path(),
        "pauses.csv",
        "draw_id,from,to\nd1,2026-01-12T09:15:00+10:30,2026-01-12T09:25:00+10:30\n",
    );
    put(more.path(), "readings.csv", "draw_id,time,left_ml\nd1,2026-01-12T09:35:00+10:30,700\n");
    let told = flaws(import(&kept.file, more.path()).unwrap_err());
    assert_eq!(
        told,
        [
            "readings.csv row 2: the database refuses the row: a reading stands above the one \
             before, with no refill between; correct it",
            "pauses.csv row 2: the database refuses the row: two pauses of one draw overlap; correct \
             it",
        ]
    );
    assert_eq!(count(&kept.open(), "SELECT count(*) FROM pauses"), 2);
}

#[test]
fn a_plan_replaced_is_the_whole_plan() {
    let folder = full_folder();
    let kept = Kept::of(folder.path());
    put(
        folder.path(),
        "hang.csv",
        "draw_id,tree_id,start,charge_ml\nh2,A1,2026-01-16T08:00:00+10:30,900\n",
    );
    import(&kept.file, folder.path()).unwrap();
    assert_eq!(kept.open().grove().unwrap().hang.unwrap().len(), 2);
    kept.open().import(folder.path(), by(), true, &mut |_, _, _| {}).unwrap();
    let hang = kept.open().grove().unwrap().hang.unwrap();
    assert_eq!((hang.len(), hang[0].id.as_str()), (1, "h2"));
}

#[test]
fn an_export_never_writes_over_what_is_there() {
    let kept = Kept::full();
    let to = kept.at.path().join("out");
    fs::create_dir(&to).unwrap();
    kept.open().export(&to, false, now()).unwrap();
    fs::write(to.join("mine.txt"), "mine").unwrap();
    let error = kept.open().export(&to, false, now()).unwrap_err();
    assert!(matches!(error, StoreError::NotEmpty { .. }), "{error}");
    let (_, old) = kept.open().export(&to, true, now()).unwrap();
    let old = old.unwrap();
    assert!(!to.join("mine.txt").exists() && to.join("trees.csv").exists());
    assert_eq!(fs::read_to_string(old.join("mine.txt")).unwrap(), "mine");
    let left: Vec<String> = fs::read_dir(kept.at.path())
        .unwrap()
        .map(|entry| entry.unwrap().file_name().to_string_lossy().into_owned())
        .filter(|name| name.ends_with(".part"))
        .collect();
    assert_eq!(left, [] as [&str; 0]);
}

#[test]
fn the_days_of_a_clock_change_by_half_an_hour_come_back() {
    let toml = "name = \"L\"\ntime_zone = \"Australia/Lord_Howe\"\nlatitude_deg = -31.5\n\
                longitude_deg = 159\nelevation_m = 10\n";
    // Clocks go forward by half an hour on 5 October 2025 at 02:00, and back on 5 April 2026.
    let mut hours =
        String::from("hour_ending,air_temp_c,rel_humidity_pct,wind_m_s,shortwave_w_m2,rain_mm\n");
    for (first, count) in [("2025-10-04T20:00:00+10:30", 12), ("2026-04-04T20:00:00+11:00", 12)] {
        let first: chrono::DateTime<chrono::FixedOffset> = first.parse().unwrap();
        for hour in 0..count {
            let zone = chrono_tz::Australia::Lord_Howe;
            let naive = first.naive_local() + chrono::TimeDelta::hours(hour);
            let at = naive.and_local_timezone(zone).latest();
            let Some(at) = at else { continue };
            hours += &format!("{},{},50,2,0,0\n", at.fixed_offset().to_rfc3339(), 15 + hour);
        }
    }
    let folder = super::groves::folder(&[
        ("grove.toml", toml.as_bytes()),
        ("trees.csv", b"tree_id,block,species,dbh_cm,ports\nA1,n,,30,8\n"),
        ("weather/observed.csv", hours.as_bytes()),
    ]);
    let own = folder::read(folder.path()).unwrap();
    let kept = Kept::of(folder.path());
    assert_eq!(kept.open().grove().unwrap().observed, own.observed);
    let out = exported(&kept);
    assert_eq!(folder::read(&out).unwrap().observed, own.observed);
}
