use super::*;
use crate::grove::{SETTINGS, TREES};

const TOML: &str = "name = \"Home\"\ntime_zone = \"UTC\"\nlatitude_deg = 40\nlongitude_deg = 0\n\
                    elevation_m = 120\n";

fn folder(files: &[(&str, &[u8])]) -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    for (name, bytes) in files {
        let path = folder.path().join(name);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(path, bytes).unwrap();
    }
    folder
}

fn least<'b>() -> [(&'static str, &'b [u8]); 2] {
    [
        (SETTINGS, TOML.as_bytes()),
        (TREES, b"\xef\xbb\xbftree_id,block,species,dbh_cm,ports\r\nA1,North,,30,8\r\n"),
    ]
}

fn flaws(folder: &Path) -> Vec<String> {
    read(folder).unwrap_err().flaws.iter().map(ToString::to_string).collect()
}

#[test]
fn a_folder_reads_as_its_files() {
    let folder = folder(&least());
    fs::write(folder.path().join("readme.txt"), "not ours").unwrap();
    let grove = read(folder.path()).unwrap();
    let from_memory = Grove::read(&least().into_iter().collect()).unwrap();
    assert_eq!(grove, from_memory);
    assert_eq!(grove.trees[0].id, "A1");
}

#[test]
fn no_folder_and_an_empty_one() {
    let empty = folder(&[]);
    let missing = empty.path().join("none");
    let flaw = flaws(&missing).join("|");
    assert!(flaw.ends_with("none: there is no such folder; name the folder that holds grove.toml"));
    assert_eq!(flaws(empty.path()).len(), 2);
}

#[test]
fn a_folder_in_place_of_a_file() {
    let folder = folder(&[(SETTINGS, TOML.as_bytes())]);
    fs::create_dir(folder.path().join(TREES)).unwrap();
    assert_eq!(
        flaws(folder.path()),
        ["trees.csv: this is not a file; a plain file is needed under this name"]
    );
}

#[test]
fn flaws_inside_files_are_told_beside_those_of_files() {
    let folder = folder(&[(SETTINGS, b"name = 3\n")]);
    fs::create_dir(folder.path().join(TREES)).unwrap();
    let flaws = flaws(folder.path());
    assert_eq!(flaws.len(), 2, "{flaws:?}");
    assert!(flaws[1].starts_with("grove.toml line 1: invalid type"), "{flaws:?}");
}

#[test]
fn intended_draws_from_a_file_anywhere() {
    let folder = folder(&least());
    let grove = read(folder.path()).unwrap();
    let path = folder.path().join("plan.csv");
    let refused = read_hang(&path, &grove).unwrap_err().to_string();
    assert!(refused.ends_with("the file is missing; name a file that is there"), "{refused}");
    fs::write(&path, "draw_id,tree_id,start,charge_ml\nh1,A1,2026-01-14T09:00,1000\n").unwrap();
    assert_eq!(read_hang(&path, &grove).unwrap().0.len(), 1);
}

#[test]
fn a_write_leaves_the_new_bytes_and_nothing_else() {
    let folder = folder(&[]);
    let path = folder.path().join("out.csv");
    write_atomically(&path, b"old").unwrap();
    write_atomically(&path, b"new").unwrap();
    assert_eq!(fs::read(&path).unwrap(), b"new");
    assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1);
}

#[test]
fn a_write_that_fails_leaves_what_was_there() {
    let folder = folder(&[("out.csv/inside", b"kept")]);
    assert!(write_atomically(&folder.path().join("out.csv"), b"new").is_err());
    assert_eq!(fs::read(folder.path().join("out.csv/inside")).unwrap(), b"kept");
    assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1);
    assert!(write_atomically(&folder.path().join("none/out.csv"), b"new").is_err());
    assert!(write_atomically(Path::new(".."), b"new").is_err());
}

#[cfg(unix)]
#[test]
fn a_write_keeps_the_permissions() {
    use std::os::unix::fs::PermissionsExt;
    let folder = folder(&[("out.csv", b"old")]);
    let path = folder.path().join("out.csv");
    fs::set_permissions(&path, fs::Permissions::from_mode(0o640)).unwrap();
    write_atomically(&path, b"new").unwrap();
    assert_eq!(fs::metadata(&path).unwrap().permissions().mode() & 0o777, 0o640);
}
