//! Entries in the database are the pure fold of entries, whatever comes.

use super::groves::{Kept, ago, count, entry, ml, now, start, wet};
use chrono::{DateTime, TimeDelta, Utc};
use proptest::prelude::*;
use xylocast::grove::{Grove, Seen};
use xylocast::journal::{Act, Admission, Clock, Entry, Start, State, What};
use xylocast::store::db::Database;
use xylocast::store::folder_log::LogError;

fn clock(grove: &Grove) -> Clock {
    Clock { now: now(), zone: grove.settings.zone }
}

#[test]
fn an_entry_sent_twice_does_nothing_twice() {
    let kept = Kept::bare();
    let mut database = kept.open();
    let begun = entry("k1", ago(60), Act::Start(start("d1", "A1")));
    assert_eq!(database.append(&begun, now()).unwrap().0, Admission::New);
    let look = entry("k2", ago(30), wet("d1"));
    assert_eq!(database.append(&look, now()).unwrap().0, Admission::New);
    let audit = count(&database, "SELECT count(*) FROM audit");
    assert_eq!(database.append(&look, now()).unwrap().0, Admission::Repeated);
    assert_eq!(count(&database, "SELECT count(*) FROM audit"), audit);
    let other = entry("k2", ago(20), wet("d1"));
    let error = database.append(&other, now()).unwrap_err();
    assert!(error.to_string().starts_with("the key 'k2' was used for another entry"), "{error}");
    assert_eq!(count(&database, "SELECT count(*) FROM readings"), 1);
    let who = "SELECT count(*) FROM audit WHERE table_name = 'readings' AND who = 'ben'";
    assert_eq!(count(&database, who), 1);
}

#[test]
fn an_undo_takes_the_effect_out_and_keeps_the_entry() {
    let kept = Kept::bare();
    let mut database = kept.open();
    let with_kit = Start { kit: Some("K1".into()), ..start("d1", "A1") };
    let strip = Act::Strip { draw_id: "d1".into(), left: Some(ml(100.0)) };
    let undo = |key: &str, of: &str| entry(key, now(), Act::Undo { of: of.into() });
    for (key, at, act) in [
        ("s", 90, Act::Start(with_kit)),
        ("p", 80, Act::Pause { draw_id: "d1".into(), why: Some("wind".into()) }),
        ("r", 70, Act::Resume { draw_id: "d1".into() }),
        ("l", 60, Act::Seen { draw_id: "d1".into(), seen: Seen::Left(ml(400.0)) }),
        ("z", 30, strip),
    ] {
        database.append(&entry(key, ago(at), act), now()).unwrap();
    }
    let hangs = "SELECT count(*) FROM draws WHERE stripped_utc IS NULL";
    assert_eq!(count(&database, hangs), 0);
    for (key, of, query, left) in [
        ("u1", "z", hangs, 1),
        ("u2", "l", "SELECT count(*) FROM readings", 0),
        ("u3", "r", "SELECT count(*) FROM pauses WHERE to_utc IS NULL", 1),
        ("u4", "p", "SELECT count(*) FROM pauses", 0),
        ("u5", "s", "SELECT count(*) FROM draws", 0),
    ] {
        database.append(&undo(key, of), now()).unwrap();
        assert_eq!(count(&database, query), left, "{of}");
    }
    assert_eq!(count(&database, "SELECT count(*) FROM entries"), 10, "history is kept");
    let again = database.append(&undo("u6", "z"), now()).unwrap_err();
    assert!(again.to_string().contains("undone already"), "{again}");
    let changed = database.tried(Some("me"), "DELETE FROM entries").unwrap_err();
    assert!(changed.contains("never taken out"), "{changed}");
}

#[test]
fn what_came_with_a_folder_can_be_looked_at_and_stripped() {
    let kept = Kept::full();
    let mut database = kept.open();
    let after = |minutes: i64| -> DateTime<Utc> {
        "2026-01-14T00:40:00Z".parse::<DateTime<Utc>>().unwrap() + TimeDelta::minutes(minutes)
    };
    let resume = entry("r", after(20), Act::Resume { draw_id: "d2".into() });
    database.append(&resume, now()).unwrap();
    let look = Act::Seen { draw_id: "d2".into(), seen: Seen::Left(ml(300.0)) };
    database.append(&entry("l", after(30), look), now()).unwrap();
    let rises = Act::Seen { draw_id: "d2".into(), seen: Seen::Left(ml(450.0)) };
    let error = database.append(&entry("m", after(40), rises), now()).unwrap_err();
    assert!(error.to_string().contains("held 300 mL"), "{error}");
    let strip = Act::Strip { draw_id: "d2".into(), left: None };
    database.append(&entry("z", after(60), strip), now()).unwrap();
    let grove = database.grove().unwrap();
    let draw = grove.draws.iter().find(|draw| draw.id == "d2").unwrap();
    assert_eq!((draw.stripped, draw.pauses[0].to), (Some(after(60)), Some(after(20))));
    // Its journal goes out and comes in with the rest.
    let out = kept.at.path().join("out");
    database.export(&out, false, now()).unwrap();
    let again = Kept::of(&out);
    assert_eq!(again.open().logbook().unwrap().state, database.logbook().unwrap().state);
    let mut again = again.open();
    again.append(&entry("u", now(), Act::Undo { of: "z".into() }), now()).unwrap();
    assert_eq!(count(&again, "SELECT count(*) FROM draws WHERE stripped_utc IS NULL"), 1);
}

#[derive(Debug, Clone)]
enum Try {
    Start { draw: u8, tree: u8, kit: Option<u8>, second: bool },
    Seen { draw: u8, seen: Seen },
    Pause(u8),
    Resume(u8),
    Strip { draw: u8, left: Option<f64> },
    Undo(u8),
    Again(u8),
}

fn tries() -> impl Strategy<Value = Vec<(Try, i64, u8)>> {
    let draw = || 0..3_u8;
    let volume = || (1..40_u32).prop_map(|n| f64::from(n) * 25.0);
    let seen = prop_oneof![
        3 => Just(Seen::Wet),
        1 => Just(Seen::Empty),
        4 => volume().prop_map(|left| Seen::Left(ml(left))),
        1 => volume().prop_map(|added| Seen::Refill { added: ml(added) }),
        1 => prop::option::of(volume()).prop_map(|left| Seen::Leak { left: left.map(ml) }),
    ];
    let one = prop_oneof![
        3 => (draw(), 0..3_u8, prop::option::of(0..2_u8), any::<bool>())
            .prop_map(|(draw, tree, kit, second)| Try::Start { draw, tree, kit, second }),
        6 => (draw(), seen).prop_map(|(draw, seen)| Try::Seen { draw, seen }),
        2 => draw().prop_map(Try::Pause),
        2 => draw().prop_map(Try::Resume),
        1 => (draw(), prop::option::of(volume())).prop_map(|(draw, left)| Try::Strip { draw, left }),
        2 => (0..30_u8).prop_map(Try::Undo),
        1 => (0..30_u8).prop_map(Try::Again),
    ];
    // Few instants, so that many things fall on the same one; noted in an order of its own, as
    // phones send late.
    prop::collection::vec((one, 0..12_i64, 0..40_u8), 1..40)
}

fn act(one: &Try) -> Act {
    let id = |draw: &u8| format!("d{draw}");
    match one {
        Try::Start { draw, tree, kit, second } => Act::Start(Start {
            kit: kit.map(|kit| format!("K{kit}")),
            second_bag: *second,
            ..start(&id(draw), &format!("A{}", tree + 1))
        }),
        Try::Seen { draw, seen } => Act::Seen { draw_id: id(draw), seen: *seen },
        Try::Pause(draw) => Act::Pause { draw_id: id(draw), why: Some("wind".into()) },
        Try::Resume(draw) => Act::Resume { draw_id: id(draw) },
        Try::Strip { draw, left } => Act::Strip { draw_id: id(draw), left: left.map(ml) },
        Try::Undo(of) => Act::Undo { of: format!("k{of}") },
        Try::Again(_) => unreachable!("not an act"),
    }
}

/// Draws, readings and pauses as rows, in order; of the database.
fn rows(database: &Database) -> Vec<String> {
    let mut rows = Vec::new();
    for sql in [
        "SELECT 'draw', draw_id, tree_id, started_utc, charge_ml, ports, head_m, stripped_utc,
             left_ml, crew, kit_id, note FROM draws ORDER BY draw_id",
        "SELECT 'reading', draw_id, time_utc, state, left_ml, added_ml, \"by\", note FROM readings
         ORDER BY draw_id, time_utc, noted_ms, entry_key",
        "SELECT 'pause', draw_id, from_utc, to_utc, why FROM pauses ORDER BY draw_id, from_utc",
    ] {
        for row in database.look(sql).unwrap() {
            let cells = row.into_iter().map(|cell| format!("{:?}", Ok::<_, rusqlite::Error>(cell)));
            rows.push(cells.collect::<Vec<_>>().join(" "));
        }
    }
    rows
}

/// The same of the fold.
fn folded(state: &State) -> Vec<String> {
    use rusqlite::types::Value;
    let whole = |at: DateTime<Utc>| Value::Integer(at.timestamp());
    let text = |text: &str| Value::Text(text.to_owned());
    let maybe = |value: Option<Value>| value.unwrap_or(Value::Null);
    let line = |cells: Vec<Value>| {
        let cells = cells.into_iter().map(|cell| format!("{:?}", Ok::<_, rusqlite::Error>(cell)));
        cells.collect::<Vec<_>>().join(" ")
    };
    let (mut draws, mut readings, mut pauses) = (Vec::new(), Vec::new(), Vec::new());
    for told in state.draws() {
        let id = &told.start.draw_id;
        let strip = told.strip.as_ref();
        draws.push(line(vec![
            text("draw"),
            text(id),
            text(&told.start.tree_id),
            whole(told.started),
            Value::Real(told.start.charge.value()),
            Value::Integer(told.start.ports.into()),
            maybe(told.start.head.map(|head| Value::Real(head.value()))),
            maybe(strip.map(|strip| whole(strip.at))),
            maybe(strip.and_then(|strip| Some(Value::Real(strip.left?.value())))),
            maybe(told.crew.as_deref().map(text)),
            maybe(told.start.kit.as_deref().map(text)),
            maybe(told.note.as_deref().map(text)),
        ]));
        let mut shut: Option<(DateTime<Utc>, Option<String>)> = None;
        let pause = |from, to: Option<DateTime<Utc>>, why: &Option<String>| {
            let why = maybe(why.as_deref().map(text));
            line(vec![text("pause"), text(id), whole(from), maybe(to.map(whole)), why])
        };
        for event in &told.events {
            match &event.what {
                What::Pause(why) => shut = Some((event.at, why.clone())),
                What::Resume => {
                    let (from, why) = shut.take().unwrap();
                    pauses.push(pause(from, Some(event.at), &why));
                }
                What::Seen(seen) => {
                    let (state, left, added) = match seen {
                        Seen::Wet => (Some("wet"), None, None),
                        Seen::Empty => (Some("empty"), None, None),
                        Seen::Left(left) => (None, Some(*left), None),
                        Seen::Refill { added } => (Some("refill"), None, Some(*added)),
                        Seen::Leak { left } => (Some("leak"), *left, None),
                    };
                    readings.push(line(vec![
                        text("reading"),
                        text(id),
                        whole(event.at),
                        maybe(state.map(text)),
                        maybe(left.map(|left| Value::Real(left.value()))),
                        maybe(added.map(|added| Value::Real(added.value()))),
                        maybe(event.by.as_deref().map(text)),
                        maybe(event.note.as_deref().map(text)),
                    ]));
                }
                What::OwnRow(_) => {}
            }
        }
        if let Some((from, why)) = shut {
            pauses.push(pause(from, None, &why));
        }
    }
    [draws, readings, pauses].concat()
}

proptest! {
    #![proptest_config(ProptestConfig {
        cases: if std::env::var_os("XYLOCAST_LONG").is_some() { 1000 } else { 60 },
        ..ProptestConfig::default()
    })]

    #[test]
    fn any_sequence_of_entries_leaves_what_the_fold_of_them_tells(tries in tries()) {
        let kept = Kept::bare();
        let mut database = kept.open();
        // Whether it reaches the disk is another test's matter.
        if let Some(file) = database.connection() {
            file.execute_batch("PRAGMA synchronous = OFF").unwrap();
        }
        let grove = database.logbook().unwrap().grove;
        let mut state = State::of(&grove.trees, &[]);
        let mut admitted: Vec<Entry> = Vec::new();
        for (number, (one, slot, late)) in tries.iter().enumerate() {
            let new = if let Try::Again(of) = one {
                let Some(known) = admitted.get(usize::from(*of)) else { continue };
                known.clone()
            } else {
                let at = ago(600 - slot * 45);
                let noted = now() - TimeDelta::seconds((*late).into());
                Entry { noted, ..entry(&format!("k{number}"), at, act(one)) }
            };
            let expected = state.admit(&new, clock(&grove)).map_err(|refusal| refusal.to_string());
            let found = match database.append(&new, now()) {
                Ok((admission, _)) => Ok(admission),
                Err(LogError::Refusal(refusal)) => Err(refusal.to_string()),
                Err(error) => return Err(TestCaseError::fail(format!("{new:?}: {error}"))),
            };
            prop_assert_eq!(&found, &expected, "{:?}", new);
            if found == Ok(Admission::New) {
                state.put(new.clone());
                admitted.push(new);
            }
        }
        prop_assert_eq!(rows(&database), folded(&state));
        let fold = State::fold(&grove.trees, &[], admitted.iter().rev().cloned());
        prop_assert_eq!(rows(&database), folded(&fold));
        prop_assert_eq!(database.soundness().unwrap().problems, Vec::<String>::new());
        let read = database.grove();
        prop_assert!(read.is_ok(), "{}", read.unwrap_err());
    }
}
