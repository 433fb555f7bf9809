use super::*;
use crate::grove::{Draw, Files, Grove, Seen, Tree};
use crate::text::format_time;
use crate::units::{Head, Millilitres};
use chrono::{DateTime, TimeDelta, Utc};
use chrono_tz::{Australia, Tz};
use proptest::prelude::*;
use std::fmt::Write;

pub(crate) const ZONE: Tz = Australia::Adelaide;
pub(crate) const TREES: &str =
    "tree_id,block,species,dbh_cm,ports\nA1,North,elm,30,6\nA2,North,elm,30,6\n";
pub(crate) const TOML: &str = "name = 'x'\ntime_zone = 'Australia/Adelaide'\nlatitude_deg = -35\n\
                    longitude_deg = 138.7\nelevation_m = 100\n";

fn grove(files: &[(&'static str, &str)]) -> Grove {
    let least = [("grove.toml", TOML), ("trees.csv", TREES)];
    let files: Files =
        least.iter().chain(files).map(|(name, text)| (*name, text.as_bytes())).collect();
    Grove::read(&files).unwrap_or_else(|refused| panic!("{refused}"))
}

fn trees() -> Vec<Tree> {
    grove(&[]).trees
}

/// 07:00 in the grove on 14 January 2026, and so many minutes later.
fn at(minutes: i64) -> DateTime<Utc> {
    "2026-01-13T20:30:00Z".parse::<DateTime<Utc>>().unwrap() + TimeDelta::minutes(minutes)
}

pub(crate) fn clock() -> Clock {
    Clock { now: at(700), zone: ZONE }
}

fn ml(ml: f64) -> Millilitres {
    Millilitres::new(ml).unwrap()
}

fn entry(key: &str, minutes: i64, act: Act) -> Entry {
    Entry { key: key.into(), at: at(minutes), noted: at(minutes), by: None, note: None, act }
}

fn start(draw_id: &str, tree_id: &str) -> Start {
    Start {
        draw_id: draw_id.into(),
        tree_id: tree_id.into(),
        charge: ml(1000.0),
        ports: 6,
        head: None,
        kit: None,
        second_bag: false,
    }
}

fn seen(draw_id: &str, seen: Seen) -> Act {
    Act::Seen { draw_id: draw_id.into(), seen }
}

/// A state with one bag on A1 since 08:00, kit K1.
fn hung() -> State {
    let mut state = State::of(&trees(), []);
    let act = Act::Start(Start { kit: Some("K1".into()), ..start("d1", "A1") });
    noted(&mut state, entry("s1", 60, act)).unwrap();
    state
}

fn noted(state: &mut State, entry: Entry) -> Result<(), Refusal> {
    state.admit(&entry, clock())?;
    state.put(entry);
    Ok(())
}

fn refused(state: &State, minutes: i64, act: Act) -> String {
    let noted = at(690).min(at(minutes) + TimeDelta::seconds(1));
    let new = Entry { noted, ..entry("new", minutes, act) };
    state.admit(&new, clock()).unwrap_err().to_string()
}

#[test]
fn what_cannot_be_is_refused_with_its_values() {
    let state = hung();
    let strip = |left| Act::Strip { draw_id: "d1".into(), left };
    for (minutes, act, told) in [
        (70, Act::Start(start("d2", "A9")), "tree 'A9' is not in trees.csv"),
        (70, Act::Start(start("d1", "A2")), "draw 'd1' is there already, on tree 'A1'"),
        (70, Act::Start(start("d2", "A1")), "tree 'A1' has a bag since 2026-01-14 08:00"),
        (70, seen("d7", Seen::Wet), "draw 'd7' is not known"),
        (30, seen("d1", Seen::Wet), "07:30 is before the start of draw 'd1' at 2026-01-14 08:00"),
        (30, strip(None), "07:30 is before the start of draw 'd1'"),
        (720, seen("d1", Seen::Wet), "19:00 lies ahead of now (2026-01-14 18:40)"),
        (90, seen("d1", Seen::Left(ml(1020.5))), "held 1000 mL at 2026-01-14 08:00 and 1020.5 mL"),
        (90, seen("d1", Seen::Left(ml(0.0))), "left 0 mL is outside 0.1 to 200000 mL"),
        (90, seen("d1", Seen::Refill { added: ml(0.5) }), "refill 0.5 mL is outside 1 to"),
        (90, Act::Resume { draw_id: "d1".into() }, "was not shut at 2026-01-14 08:30"),
        (90, Act::Undo { of: "nobody".into() }, "no entry has the key 'nobody'"),
        (60, seen("d1", Seen::Empty), "two looks tell two things of draw 'd1'"),
    ] {
        let words = refused(&state, minutes, act);
        assert!(words.contains(told), "{words}\nwanted: {told}");
    }
    let kit = Act::Start(Start { kit: Some("K1".into()), ..start("d2", "A2") });
    assert!(refused(&state, 90, kit).starts_with("kit 'K1' hangs on tree 'A1' (draw 'd1'"));
    // A reading error above the line is none; a bag beside another may be meant.
    let near = entry("new", 90, seen("d1", Seen::Left(ml(1020.0))));
    assert_eq!(state.admit(&near, clock()), Ok(Admission::New));
    let second = Act::Start(Start { second_bag: true, ..start("d2", "A1") });
    assert_eq!(state.admit(&entry("new", 90, second), clock()), Ok(Admission::New));
}

#[test]
fn an_empty_a_shut_and_a_stripped_bag() {
    let mut state = hung();
    let pause = || Act::Pause { draw_id: "d1".into(), why: None };
    noted(&mut state, entry("p", 100, pause())).unwrap();
    assert!(refused(&state, 110, pause()).contains("is shut since 2026-01-14 08:40"));
    assert!(refused(&state, 100, Act::Resume { draw_id: "d1".into() }).contains("same moment"));
    noted(&mut state, entry("w", 105, seen("d1", Seen::Wet))).unwrap();
    assert!(refused(&state, 120, seen("d1", Seen::Empty)).contains("clamped shut all that time"));
    noted(&mut state, entry("r", 110, Act::Resume { draw_id: "d1".into() })).unwrap();
    noted(&mut state, entry("e", 120, seen("d1", Seen::Empty))).unwrap();
    assert!(refused(&state, 130, seen("d1", Seen::Wet)).contains("was empty at 2026-01-14 09:00"));
    // Empty, so another bag may follow; the kit is still there.
    assert!(state.admit(&entry("n", 130, Act::Start(start("d2", "A1"))), clock()).is_ok());
    assert_eq!(state.kits_in_use().keys().copied().collect::<Vec<_>>(), ["K1"]);
    noted(&mut state, entry("s", 140, Act::Strip { draw_id: "d1".into(), left: None })).unwrap();
    assert!(state.kits_in_use().is_empty());
    let words = refused(&state, 150, seen("d1", Seen::Wet));
    assert!(words.contains("was stripped at 2026-01-14 09:20"), "{words}");
    let again = Act::Strip { draw_id: "d1".into(), left: None };
    assert!(refused(&state, 150, again).contains("stripped already"));
    // A late note of an earlier look is welcome.
    assert!(state.admit(&entry("late", 119, seen("d1", Seen::Left(ml(40.0)))), clock()).is_ok());
}

#[test]
fn a_strip_before_a_later_look_is_refused() {
    let mut state = hung();
    noted(&mut state, entry("w", 200, seen("d1", Seen::Wet))).unwrap();
    let strip = Act::Strip { draw_id: "d1".into(), left: Some(ml(300.0)) };
    assert!(refused(&state, 190, strip).contains("has a look at 2026-01-14 10:20, after"));
}

#[test]
fn undo_and_its_limits() {
    let mut state = hung();
    let undo = |of: &str| Act::Undo { of: of.into() };
    noted(&mut state, entry("w", 90, seen("d1", Seen::Left(ml(700.0))))).unwrap();
    let words = refused(&state, 100, undo("s1"));
    assert!(words.contains("while these stand on it: reading of 08:30 (w)"), "{words}");
    noted(&mut state, entry("u", 100, undo("w"))).unwrap();
    assert!(refused(&state, 100, undo("w")).contains("is undone already"));
    assert!(refused(&state, 100, undo("u")).contains("is an undo itself"));
    noted(&mut state, entry("u2", 100, undo("s1"))).unwrap();
    assert_eq!(state.draws().count(), 0);
    // The next local day, though less than 24 hours later, and not yet a new day in UTC.
    let state = hung();
    let next = Entry { noted: at(17 * 60 + 1), ..entry("u", 17 * 60 + 1, undo("s1")) };
    let late = Clock { now: at(17 * 60 + 2), zone: ZONE };
    assert!(matches!(state.admit(&next, late), Err(Refusal::UndoTooLate { .. })));
    let same_day = Entry { noted: at(17 * 60 - 1), ..next };
    assert_eq!(state.admit(&same_day, late), Ok(Admission::New));
}

#[test]
fn an_undo_may_not_break_the_story_that_follows() {
    let mut state = hung();
    noted(&mut state, entry("e", 90, seen("d1", Seen::Empty))).unwrap();
    noted(&mut state, entry("f", 91, seen("d1", Seen::Refill { added: ml(500.0) }))).unwrap();
    noted(&mut state, entry("w", 120, seen("d1", Seen::Wet))).unwrap();
    let words = refused(&state, 130, Act::Undo { of: "f".into() });
    assert!(words.contains("was empty at 2026-01-14 08:30 and wet at 2026-01-14 09:00"), "{words}");
    // A kit that went on to another tree cannot be back on this one.
    noted(&mut state, entry("x", 130, Act::Strip { draw_id: "d1".into(), left: None })).unwrap();
    let next = Act::Start(Start { kit: Some("K1".into()), ..start("d2", "A2") });
    noted(&mut state, entry("n", 140, next)).unwrap();
    assert!(refused(&state, 150, Act::Undo { of: "x".into() }).contains("kit 'K1' hangs"));
}

#[test]
fn a_repeated_send_is_one_and_another_content_is_a_conflict() {
    let mut state = hung();
    let look = entry("k", 90, seen("d1", Seen::Wet));
    noted(&mut state, look.clone()).unwrap();
    let again = Entry { noted: at(95), ..look.clone() };
    assert_eq!(state.admit(&again, clock()), Ok(Admission::Repeated));
    let other = Entry { act: seen("d1", Seen::Left(ml(10.0))), ..look };
    let words = state.admit(&other, clock()).unwrap_err().to_string();
    assert!(
        words.starts_with("the key 'k' was used for another entry (reading of 2026-01-14 08:30")
    );
}

#[test]
fn texts_that_no_file_should_carry() {
    let state = hung();
    for (note, told) in [
        ("=1+1", "starts with '='"),
        ("@me", "starts with '@'"),
        ("two\nlines", "control character U+000A"),
        ("", "is empty"),
    ] {
        let with = Entry { note: Some(note.into()), ..entry("k", 90, seen("d1", Seen::Wet)) };
        let words = state.admit(&with, clock()).unwrap_err().to_string();
        assert!(words.contains(told), "{words}");
    }
    let long = Entry { key: "k".repeat(65), ..entry("", 90, seen("d1", Seen::Wet)) };
    assert!(matches!(state.admit(&long, clock()), Err(Refusal::TextTooLong { .. })));
}

// ── any sequence ──────────────────────────────────────────────────────────────────────────────

#[derive(Debug, Clone)]
pub(crate) enum Try {
    Start { draw: u8, tree: u8, kit: Option<u8>, second: bool },
    Seen { draw: u8, seen: Seen },
    Pause(u8),
    Resume(u8),
    Strip { draw: u8, left: Option<Millilitres> },
    Undo(u8),
}

pub(crate) fn tries() -> impl Strategy<Value = Vec<(Try, i64)>> {
    let draw = || 0..3_u8;
    let volume = || (1..40_u32).prop_map(|n| ml(f64::from(n) * 25.0));
    let seen = prop_oneof![
        3 => Just(Seen::Wet),
        1 => Just(Seen::Empty),
        4 => volume().prop_map(Seen::Left),
        1 => volume().prop_map(|added| Seen::Refill { added }),
        1 => prop::option::of(volume()).prop_map(|left| Seen::Leak { left }),
    ];
    let one = prop_oneof![
        3 => (draw(), 0..3_u8, prop::option::of(0..2_u8), any::<bool>())
            .prop_map(|(draw, tree, kit, second)| Try::Start { draw, tree, kit, second }),
        6 => (draw(), seen).prop_map(|(draw, seen)| Try::Seen { draw, seen }),
        2 => draw().prop_map(Try::Pause),
        2 => draw().prop_map(Try::Resume),
        1 => (draw(), prop::option::of(volume()))
            .prop_map(|(draw, left)| Try::Strip { draw, left }),
        2 => (0..30_u8).prop_map(Try::Undo),
    ];
    // Few instants, so that many things fall on the same one.
    prop::collection::vec((one, 0..12_i64), 1..40)
}

/// Entries as they are sent, whether they can be or not.
pub(crate) fn sent(tries: &[(Try, i64)]) -> Vec<Entry> {
    let number = |(number, (one, slot)): (usize, &(Try, i64))| {
        let id = |draw: u8| format!("d{draw}");
        let act = match one.clone() {
            Try::Start { draw, tree, kit, second } => Act::Start(Start {
                kit: kit.map(|kit| format!("K{kit}")),
                second_bag: second,
                head: Some(Head::new(1.5).unwrap()),
                ..start(&id(draw), &format!("A{}", tree + 1))
            }),
            Try::Seen { draw, seen } => Act::Seen { draw_id: id(draw), seen },
            Try::Pause(draw) => Act::Pause { draw_id: id(draw), why: Some("wind".into()) },
            Try::Resume(draw) => Act::Resume { draw_id: id(draw) },
            Try::Strip { draw, left } => Act::Strip { draw_id: id(draw), left },
            Try::Undo(of) => Act::Undo { of: format!("k{of}") },
        };
        let noted = at(600) + TimeDelta::seconds(number as i64);
        Entry { noted, ..entry(&format!("k{number}"), slot * 45, act) }
    };
    tries.iter().enumerate().map(number).collect()
}

/// What a store does: one by one as they come, some refused.
pub(crate) fn told(tries: &[(Try, i64)]) -> (State, Vec<Entry>) {
    let (mut state, mut admitted) = (State::of(&trees(), []), Vec::new());
    for new in sent(tries) {
        if state.admit(&new, clock()) == Ok(Admission::New) {
            state.put(new.clone());
            admitted.push(new);
        }
    }
    (state, admitted)
}

/// The three files about draws, as a hand would write them.
fn written(draws: &[Draw], trees: &[Tree]) -> [(&'static str, String); 3] {
    let time = |at| format_time(at, ZONE);
    let or_blank = |value: Option<f64>| value.map_or(String::new(), |value| value.to_string());
    let mut rows =
        String::from("draw_id,tree_id,started,charge_ml,ports,head_m,stripped,left_ml,kit_id\n");
    let mut readings = String::from("draw_id,time,left_ml,state,added_ml\n");
    let mut pauses = String::from("draw_id,from,to,why\n");
    for draw in draws {
        let _ = writeln!(
            rows,
            "{},{},{},{},{},{},{},{},{}",
            draw.id,
            trees[draw.tree].id,
            time(draw.started),
            draw.charge.value(),
            draw.ports,
            or_blank(draw.head.map(Head::value)),
            draw.stripped.map(time).unwrap_or_default(),
            or_blank(draw.left.map(Millilitres::value)),
            draw.kit.as_deref().unwrap_or_default(),
        );
        for reading in &draw.readings {
            let cells = match reading.seen {
                Seen::Wet => ",wet,".into(),
                Seen::Empty => ",empty,".into(),
                Seen::Left(left) => format!("{},,", left.value()),
                Seen::Refill { added } => format!(",refill,{}", added.value()),
                Seen::Leak { left } => format!("{},leak,", or_blank(left.map(Millilitres::value))),
            };
            let _ = writeln!(readings, "{},{},{cells}", draw.id, time(reading.at));
        }
        for pause in &draw.pauses {
            let to = pause.to.map(time).unwrap_or_default();
            let why = pause.why.as_deref().unwrap_or_default();
            let _ = writeln!(pauses, "{},{},{to},{why}", draw.id, time(pause.from));
        }
    }
    [("draws.csv", rows), ("readings.csv", readings), ("pauses.csv", pauses)]
}

fn without_rows(mut draw: Draw) -> Draw {
    // Rows are of the file, and readings that repeat another in full are dropped there.
    let mut kept: Vec<crate::grove::Reading> = Vec::new();
    for mut reading in draw.readings {
        reading.row = 0;
        if !kept.iter().any(|other| other.at == reading.at && other.seen == reading.seen) {
            kept.push(reading);
        }
    }
    draw.readings = kept;
    draw.pauses.iter_mut().for_each(|pause| pause.row = 0);
    draw
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(96))]

    #[test]
    fn any_order_of_arrival_gives_the_same_state(
        tries in tries(),
        order in prop::collection::vec(any::<u32>(), 40),
        twice in prop::collection::vec(any::<bool>(), 40),
    ) {
        let (state, admitted) = told(&tries);
        let again = admitted.iter().zip(&twice).filter(|(_, twice)| **twice);
        let mut sent: Vec<Entry> =
            admitted.iter().cloned().chain(again.map(|(entry, _)| entry.clone())).collect();
        let mut number = 0;
        sent.sort_by_cached_key(|_| {
            number += 1;
            order[number % order.len()].wrapping_mul(number as u32 | 1)
        });
        prop_assert_eq!(&State::fold(&trees(), [], sent), &state);
        for entry in &admitted {
            let later = Entry { noted: at(690), ..entry.clone() };
            prop_assert_eq!(state.admit(&later, clock()), Ok(Admission::Repeated));
        }
    }

    #[test]
    fn undone_is_as_never_said(tries in tries(), pick in any::<prop::sample::Index>()) {
        let (mut state, admitted) = told(&tries);
        prop_assume!(!admitted.is_empty());
        let of = pick.get(&admitted).key.clone();
        let undo = Entry { noted: at(650), ..entry("undo", 650, Act::Undo { of: of.clone() }) };
        prop_assume!(state.admit(&undo, clock()) == Ok(Admission::New));
        state.put(undo);
        let never = admitted.into_iter().filter(|entry| entry.key != of);
        let never = State::fold(&trees(), [], never);
        prop_assert_eq!(state.draws, never.draws);
    }

    /// The reader of grove folders is the second way to the same draws.
    #[test]
    fn what_is_admitted_reads_as_files_too(tries in tries()) {
        let (state, _) = told(&tries);
        let trees = trees();
        let draws: Vec<Draw> =
            state.draws().map(|told| told.draw(ZONE).expect("admitted")).collect();
        let files = written(&draws, &trees);
        let files: Vec<_> = files.iter().map(|(name, text)| (*name, text.as_str())).collect();
        let read = grove(&files).draws;
        prop_assert_eq!(read.len(), draws.len());
        for (read, told) in read.iter().zip(draws) {
            prop_assert_eq!(without_rows(read.clone()), without_rows(told));
        }
        // And a grove's draws, taken up again, tell the same story.
        for told in State::of(&trees, &read).draws() {
            let again = told.draw(ZONE).map_err(|refusal| {
                TestCaseError::fail(format!("read from files, then refused: {refusal}"))
            })?;
            let as_read = read.iter().find(|draw| draw.id == again.id).unwrap();
            prop_assert_eq!(without_rows(again), without_rows(as_read.clone()));
        }
    }

    #[test]
    fn entries_go_flat_and_come_back(tries in tries()) {
        for entry in told(&tries).1 {
            let flat = Flat::from(&entry);
            prop_assert_eq!(Entry::try_from(flat.clone()), Ok(entry.clone()));
            let json = serde_json::to_string(&flat).unwrap();
            let back: Flat = serde_json::from_str(&json).unwrap();
            prop_assert_eq!(Entry::try_from(back), Ok(entry));
        }
    }
}
