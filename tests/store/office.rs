//! The office: two connections at once, what runs out, what is refused, what is never changed.

use crate::means::postgres::new_place;
use chrono::{DateTime, Duration, TimeZone, Utc};
use rusqlite::Connection;
use std::path::{Path, PathBuf};
use std::sync::Barrier;
use tempfile::TempDir;
use xylocast::store::office::{
    How, KEPT_DAYS, KeptGrove, Lives, OFFICE, Office, OfficeError, Role, Sending, Sent, Written,
};

const HASH: &str = "$argon2id$v=19$m=19456,t=2,p=1$c2FsdHNhbHQ$aGFzaGhhc2g";
const LIVES: Lives = Lives { at_most: Duration::hours(12), idle: Duration::hours(2) };

fn now() -> DateTime<Utc> {
    Utc.with_ymd_and_hms(2026, 1, 14, 9, 30, 0).unwrap()
}

/// Where an office is kept: a folder, or a server's database.
struct Data {
    folder: TempDir,
    server: Option<PathBuf>,
}

impl Data {
    fn new() -> Self {
        Self { folder: tempfile::tempdir().unwrap(), server: new_place() }
    }

    fn path(&self) -> &Path {
        self.server.as_deref().unwrap_or(self.folder.path())
    }
}

fn office() -> (Data, Office) {
    let data = Data::new();
    let office = Office::open(data.path()).unwrap();
    (data, office)
}

fn with_people() -> (Data, Office) {
    let (data, office) = office();
    office.add_person("Ada", Role::Manager, HASH, now()).unwrap();
    office.add_person("Bo", Role::Crew, HASH, now()).unwrap();
    (data, office)
}

fn words<T: std::fmt::Debug>(refused: Result<T, OfficeError>) -> String {
    refused.unwrap_err().to_string()
}

#[test]
fn names_are_one_whatever_their_case_and_have_letters() {
    let (_data, office) = with_people();
    assert!(matches!(
        office.add_person(" ada ", Role::Reader, HASH, now()),
        Err(OfficeError::Taken { .. })
    ));
    for bad in ["", "  ", "a\nb", &"x".repeat(65)] {
        let refused = office.add_person(bad, Role::Reader, HASH, now());
        assert!(matches!(refused, Err(OfficeError::Name { .. })), "{bad:?}");
    }
    let (person, hash) = office.with_password("ADA").unwrap().unwrap();
    assert_eq!((person.name.as_str(), person.role, hash.as_str()), ("Ada", Role::Manager, HASH));
    assert!(office.with_password("nobody").unwrap().is_none());
    // What is no Argon2 hash cannot be kept by mistake.
    assert!(office.add_person("Cy", Role::Reader, "open sesame", now()).is_err());
}

#[test]
fn there_is_always_a_manager() {
    let (_data, office) = office();
    assert!(!office.has_people().unwrap());
    let first = words(office.add_person("Bo", Role::Crew, HASH, now()));
    assert!(first.contains("first person must be a manager"), "{first}");
    office.add_person("Ada", Role::Manager, HASH, now()).unwrap();
    assert!(office.has_people().unwrap());
    for refused in [office.disable("Ada", true), office.change_role("Ada", Role::Crew)] {
        assert!(words(refused).contains("only manager"));
    }
    assert_eq!(office.people().unwrap()[0].role, Role::Manager, "refused writes leave nothing");
    office.add_person("Bo", Role::Manager, HASH, now()).unwrap();
    office.disable("Ada", true).unwrap();
    assert!(words(office.change_role("Bo", Role::Reader)).contains("only manager"));
}

#[test]
fn sessions_run_out_in_both_ways() {
    let (_data, office) = with_people();
    let (ada, _) = office.with_password("Ada").unwrap().unwrap();
    office.open_session(&ada, &[1; 32], LIVES, now()).unwrap();
    let at = |minutes| office.session(&[1; 32], now() + Duration::minutes(minutes)).unwrap();
    assert_eq!(at(0).unwrap().person, ada);
    assert!(at(-1).is_none(), "a clock set back opens nothing");
    // Idle for just less than two hours, again and again; then the twelve hours are over.
    for step in 0..=6 {
        assert!(at(step * 119).is_some(), "step {step}");
    }
    assert!(at(719).is_some());
    assert!(at(720).is_none());
    office.open_session(&ada, &[2; 32], LIVES, now()).unwrap();
    assert!(office.session(&[2; 32], now() + Duration::minutes(120)).unwrap().is_none());
    assert!(office.session(&[3; 32], now()).unwrap().is_none());
}

#[test]
fn sessions_end_with_log_out_and_with_what_changes_a_person() {
    let (_data, office) = with_people();
    let (bo, _) = office.with_password("Bo").unwrap().unwrap();
    let open = |office: &Office| office.open_session(&bo, &[1; 32], LIVES, now()).unwrap();
    let lives = |office: &Office| office.session(&[1; 32], now()).unwrap().is_some();
    open(&office);
    assert!(lives(&office));
    office.close_session(&[1; 32]).unwrap();
    assert!(!lives(&office));
    open(&office);
    office.change_password("Bo", HASH).unwrap();
    assert!(!lives(&office));
    open(&office);
    office.disable("Bo", true).unwrap();
    assert!(!lives(&office));
    office.disable("Bo", false).unwrap();
    assert!(!lives(&office), "let in again, but to log in again");
    open(&office);
    office.change_role("Bo", Role::Reader).unwrap();
    assert_eq!(office.session(&[1; 32], now()).unwrap().unwrap().person.role, Role::Reader);
}

#[test]
fn a_token_does_no_more_than_its_person() {
    let (_data, office) = with_people();
    let above = words(office.add_token("logger", Role::Manager, "Bo", &[1; 32], now()));
    assert!(above.contains("cannot do more than its person"), "{above}");
    office.add_token("logger", Role::Crew, "bo", &[1; 32], now()).unwrap();
    assert!(matches!(
        office.add_token("Logger", Role::Crew, "Bo", &[2; 32], now()),
        Err(OfficeError::TokenTaken { .. })
    ));
    let (person, role) = office.token(&[1; 32], now()).unwrap().unwrap();
    assert_eq!((person.name.as_str(), role), ("Bo", Role::Crew));
    office.change_role("Bo", Role::Reader).unwrap();
    assert_eq!(office.token(&[1; 32], now()).unwrap().unwrap().1, Role::Reader);
    office.disable("Bo", true).unwrap();
    assert!(office.token(&[1; 32], now()).unwrap().is_none());
    assert!(matches!(
        office.add_token("other", Role::Reader, "Bo", &[3; 32], now()),
        Err(OfficeError::Disabled { .. })
    ));
    office.disable("Bo", false).unwrap();
    office.revoke_token("LOGGER", now()).unwrap();
    assert!(office.token(&[1; 32], now()).unwrap().is_none());
    assert!(matches!(office.revoke_token("logger", now()), Err(OfficeError::NoToken { .. })));
    office.add_token("logger", Role::Reader, "Bo", &[4; 32], now()).unwrap();
    let tokens = office.tokens().unwrap();
    assert_eq!(tokens.len(), 2);
    assert!(tokens[0].revoked.is_none() && tokens[1].revoked == Some(now()));
    assert_eq!(tokens[1].used, Some(now()));
}

#[test]
fn what_is_sent_twice_is_done_once() {
    let (data, office) = office();
    let sending = Sending { person: "Bo", key: "k1", at: "POST /g/west/log", body: [7; 32] };
    assert_eq!(office.take_on(&sending, now()).unwrap(), None);
    assert!(matches!(office.take_on(&sending, now()), Err(OfficeError::OnItsWay)));
    let sent = Sent {
        status: 201,
        media_type: Some("text/plain".into()),
        location: Some("/g/west/today".into()),
        answer: b"ok".to_vec(),
    };
    office.answered("Bo", "k1", &sent).unwrap();
    assert_eq!(office.take_on(&sending, now()).unwrap(), Some(sent.clone()));
    let other = Sending { body: [8; 32], ..sending.clone() };
    assert!(matches!(office.take_on(&other, now()), Err(OfficeError::OtherBody)));
    let elsewhere = Sending { at: "POST /g/east/log", ..sending.clone() };
    assert!(matches!(office.take_on(&elsewhere, now()), Err(OfficeError::OtherBody)));
    let somebody_else = Sending { person: "Ada", ..sending.clone() };
    assert_eq!(office.take_on(&somebody_else, now()).unwrap(), None);
    office.not_done("Ada", "k1").unwrap();
    assert_eq!(office.take_on(&somebody_else, now()).unwrap(), None);
    // A process alone forgets it as it starts; of several, one takes over what another one left.
    let soon = now() + Duration::minutes(2);
    assert!(matches!(office.take_on(&somebody_else, soon), Err(OfficeError::OnItsWay)));
    match data.server {
        None => assert_eq!(office.forget_unanswered().unwrap(), 1),
        Some(_) => {
            assert_eq!(office.forget_unanswered().unwrap(), 0);
            let later = soon + Duration::seconds(1);
            assert_eq!(office.take_on(&somebody_else, later).unwrap(), None);
        }
    }
    assert_eq!(office.take_on(&sending, now()).unwrap(), Some(sent));
    let later = now() + Duration::days(KEPT_DAYS + 1);
    assert_eq!(office.take_on(&sending, later).unwrap(), None, "kept for {KEPT_DAYS} days");
    for key in ["", &"k".repeat(256)] {
        let keyed = Sending { key, ..sending.clone() };
        assert!(matches!(office.take_on(&keyed, now()), Err(OfficeError::Key { .. })));
    }
}

#[test]
fn the_audit_is_only_added_to() {
    let (_data, office) = office();
    let asked = Written {
        at: now(),
        who: "Bo".into(),
        how: How::Session,
        method: "POST".into(),
        path: "/g/west/log".into(),
        grove: Some("west".into()),
        request_id: Some("1a-2b".into()),
        status: None,
    };
    let number = office.write_asked(&asked).unwrap();
    office.write_answered(number, 303).unwrap();
    assert_eq!(office.last_writes(5).unwrap(), [Written { status: Some(303), ..asked }]);
    assert!(office.write_answered(number, 200).is_err(), "an answer stays");
    for sql in [
        "DELETE FROM audit",
        "UPDATE audit SET who = 'Ada'",
        "UPDATE audit SET status = NULL",
        "UPDATE audit SET status = 200, path = '/'",
    ] {
        assert!(office.tried(sql).is_err(), "{sql}");
    }
}

#[test]
fn groves_are_kept_once() {
    let (_data, office) = office();
    let west = KeptGrove {
        grove: "west".into(),
        name: "West wood".into(),
        clock_offset: Duration::seconds(-3_600),
        added: now(),
    };
    office.keep_grove(&west).unwrap();
    assert!(matches!(office.keep_grove(&west), Err(OfficeError::GroveTaken { .. })));
    assert_eq!(office.groves().unwrap(), [west]);
    office.let_grove_go("west").unwrap();
    assert!(office.groves().unwrap().is_empty());
}

const STEPS: usize = 8;

/// Two connections as of two processes, several threads each; nothing gets lost, and of twins one
/// is done.
#[test]
fn two_connections_at_once() {
    let (data, one) = with_people();
    let two = Office::open(data.path()).unwrap();
    let start = Barrier::new(8);
    let done: usize = std::thread::scope(|scope| {
        let threads: Vec<_> = (0..8_usize)
            .map(|thread| {
                let (office, start) = (if thread % 2 == 0 { &one } else { &two }, &start);
                scope.spawn(move || {
                    start.wait();
                    (0..STEPS).filter(|step| add_twin(office, thread, *step)).count()
                })
            })
            .collect();
        threads.into_iter().map(|thread| thread.join().unwrap()).sum()
    });
    assert_eq!(done, STEPS, "each key was taken on once");
    assert_eq!(one.people().unwrap().len(), 2 + 8);
    assert_eq!(two.last_writes(1_000).unwrap().len(), 8 * STEPS);
}

fn add_twin(office: &Office, thread: usize, step: usize) -> bool {
    if step == 0 {
        office.add_person(&format!("p{thread}"), Role::Reader, HASH, now()).unwrap();
    }
    let asked = Written {
        at: now(),
        who: format!("p{thread}"),
        how: How::Token,
        method: "POST".into(),
        path: "/".into(),
        grove: None,
        request_id: None,
        status: None,
    };
    let number = office.write_asked(&asked).unwrap();
    office.write_answered(number, 200).unwrap();
    let key = format!("k{step}");
    let sending = Sending { person: "", key: &key, at: "POST /", body: [0; 32] };
    match office.take_on(&sending, now()) {
        Ok(None) => true,
        Ok(Some(_)) | Err(OfficeError::OnItsWay) => false,
        Err(error) => panic!("{error}"),
    }
}

#[test]
fn several_open_a_new_office_at_once() {
    let data = Data::new();
    std::thread::scope(|scope| {
        for _ in 0..6 {
            scope.spawn(|| assert!(!Office::open(data.path()).unwrap().has_people().unwrap()));
        }
    });
}

#[test]
fn what_of_a_file_cannot_be_an_office_is_told_once() {
    let data = tempfile::tempdir().unwrap();
    let path = data.path().join(OFFICE);
    std::fs::write(&path, "no database at all, whatever its name says").unwrap();
    assert!(words(Office::open(data.path())).contains("move it away"));
    std::fs::remove_file(&path).unwrap();
    Connection::open(&path).unwrap().execute_batch("CREATE TABLE other (x)").unwrap();
    assert!(matches!(Office::open(data.path()), Err(OfficeError::Foreign { .. })));
    std::fs::remove_file(&path).unwrap();
    drop(Office::open(data.path()).unwrap());
    Connection::open(&path).unwrap().pragma_update(None, "user_version", 99).unwrap();
    let newer = words(Office::open(data.path()));
    assert!(newer.contains("99") && newer.contains("newer xylocast"), "{newer}");
}

#[test]
fn a_damaged_office_of_a_file_is_told_once() {
    let (data, office) = with_people();
    let path = office.path().to_owned();
    let behind = Connection::open(&path).unwrap();
    behind.pragma_update_and_check(None, "wal_checkpoint", "TRUNCATE", |_| Ok(())).unwrap();
    drop((behind, office));
    let mut bytes = std::fs::read(&path).unwrap();
    let half = bytes.len() / 2;
    bytes[4_096..half].fill(0xff);
    std::fs::write(&path, bytes).unwrap();
    let told = words(Office::open(data.path()));
    assert!(told.contains("damaged") && told.contains("groves are files of their own"), "{told}");
}

#[cfg(unix)]
#[test]
fn other_users_of_the_machine_do_not_read_what_is_of_a_file() {
    use std::os::unix::fs::PermissionsExt;
    let (_data, office) = with_people();
    for ending in ["", "-wal"] {
        let file = format!("{}{ending}", office.path().display());
        let mode = std::fs::metadata(&file).unwrap().permissions().mode();
        assert_eq!(mode & 0o077, 0, "{file}");
    }
}
