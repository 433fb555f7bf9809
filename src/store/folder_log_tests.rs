use super::*;
use crate::journal::tests::{TOML, TREES as ROWS, clock, sent, told, tries};
use proptest::prelude::*;
use std::fs;
use tempfile::TempDir;

fn folder() -> TempDir {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join(SETTINGS), TOML).unwrap();
    fs::write(folder.path().join(TREES), ROWS).unwrap();
    folder
}

fn bytes(folder: &Path) -> Vec<Option<Vec<u8>>> {
    [JOURNAL, DRAWS, READINGS, PAUSES].map(|name| fs::read(folder.join(name)).ok()).to_vec()
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 12, failure_persistence: None, ..Default::default() })]

    /// The folder, read anew for every entry, against the pure fold; and every entry as a kill
    /// between the two files leaves it.
    #[test]
    fn any_sequence_leaves_what_the_fold_says(tries in tries()) {
        let (state, admitted) = told(&tries);
        let folder = folder();
        let path = folder.path();
        let mut noted = Vec::new();
        for entry in sent(&tries) {
            let before = bytes(path);
            match append(path, &entry, clock().now) {
                Ok((Admission::New, _)) => {
                    let after = bytes(path);
                    half_done(path, &before, &entry.key);
                    prop_assert_eq!(&super::super::folder::read(path).unwrap(), &{
                        put_back(path, &after);
                        super::super::folder::read(path).unwrap()
                    });
                    half_done(path, &before, &entry.key);
                    prop_assert_eq!(
                        append(path, &entry, clock().now).unwrap().0,
                        Admission::Repeated
                    );
                    prop_assert_eq!(bytes(path), after);
                    noted.push(entry);
                }
                Ok((Admission::Repeated, _)) => prop_assert!(false, "every key is new"),
                Err(_) => prop_assert_eq!(bytes(path), before),
            }
        }
        prop_assert_eq!(noted, admitted);
        prop_assert_eq!(read(path).unwrap().state, state);
    }
}

/// As a kill leaves it after the journal was put in its place and before the other file was.
fn half_done(path: &Path, before: &[Option<Vec<u8>>], key: &str) {
    let journal = fs::read(path.join(JOURNAL)).unwrap();
    put_back(path, before);
    fs::write(path.join(JOURNAL), journal).unwrap();
    fs::write(path.join(LOCK), format!("{key}\n")).unwrap();
}

fn put_back(path: &Path, files: &[Option<Vec<u8>>]) {
    for (name, bytes) in [JOURNAL, DRAWS, READINGS, PAUSES].into_iter().zip(files) {
        match bytes {
            Some(bytes) => fs::write(path.join(name), bytes).unwrap(),
            None => drop(fs::remove_file(path.join(name))),
        }
    }
    fs::write(path.join(LOCK), "").unwrap();
}

#[test]
fn a_mark_without_its_entry_means_nothing() {
    let folder = folder();
    fs::write(folder.path().join(LOCK), "nobody\n").unwrap();
    assert!(read(folder.path()).is_ok());
    fs::write(folder.path().join(LOCK), "cut of").unwrap();
    assert!(read(folder.path()).is_ok());
}

#[test]
fn a_flawed_journal_is_told_and_left_alone() {
    let folder = folder();
    let text = "key,noted,at,act,draw_id\nk1,now,2026-01-14T08:00,reading,d1\nk1,,,sing,\n";
    fs::write(folder.path().join(JOURNAL), text).unwrap();
    let words = read(folder.path()).unwrap_err().to_string();
    assert!(words.contains("journal.csv row 2: noted 'now' is not a time"), "{words}");
    assert!(words.contains("journal.csv row 3: key 'k1' stands already in row 2"), "{words}");
    assert_eq!(fs::read_to_string(folder.path().join(JOURNAL)).unwrap(), text);
    let missing = "key,noted,at,act,draw_id\nk1,2026-01-14T08:00:00Z,2026-01-14T08:00Z,refill,d1\n";
    fs::write(folder.path().join(JOURNAL), missing).unwrap();
    let words = read(folder.path()).unwrap_err().to_string();
    assert!(words.contains("no entry of the journal: refill needs added_ml"), "{words}");
}

#[test]
fn what_was_changed_by_hand_is_not_undone() {
    let folder = folder();
    let path = folder.path();
    let (state, _) = told(&[]);
    assert_eq!(state.draws().count(), 0);
    let entries = sent(&[(
        crate::journal::tests::Try::Start { draw: 0, tree: 0, kit: None, second: false },
        0,
    )]);
    append(path, &entries[0], clock().now).unwrap();
    let draws = fs::read_to_string(path.join(DRAWS)).unwrap();
    fs::write(path.join(DRAWS), draws.replace(",1000,", ",900,")).unwrap();
    let undo = Entry {
        key: "u".into(),
        act: crate::journal::Act::Undo { of: "k0".into() },
        ..entries[0].clone()
    };
    let words = append(path, &undo, clock().now).unwrap_err().to_string();
    assert!(words.contains("somebody has changed draw 'd0' by hand since"), "{words}");
}
