use super::super::tree::read_trees;
use super::*;
use crate::text::format_time;
use chrono_tz::Australia::Adelaide;

struct Read {
    draws: Vec<Draw>,
    flaws: Vec<String>,
    notes: Vec<String>,
}

fn read(draws: &str, readings: &str, pauses: &str) -> Read {
    let mut findings = Findings::default();
    let trees = "tree_id,block,species,dbh_cm,ports\nA1,North,,30,8\nA2,North,,40,10\n";
    let (trees, ids) = read_trees(trees, Adelaide, &mut findings);
    let with = |header: &str, rows: &str| format!("{header}\n{}\n", rows.replace(' ', "\n"));
    let draws = with(
        "draw_id,tree_id,started,charge_ml,last_wet,first_empty,stripped,left_ml",
        &at_times(draws),
    );
    let readings = with("draw_id,time,left_ml,state,added_ml", &at_times(readings));
    let pauses = with("draw_id,from,to,why", &at_times(pauses));
    let texts = DrawTexts { draws: Some(&draws), readings: Some(&readings), pauses: Some(&pauses) };
    let draws = read_draws(texts, &Roll::new(&trees, &ids), Adelaide, &mut findings);
    let flaws = findings.flaws.iter().map(|flaw| short(&flaw.to_string())).collect();
    let notes = findings.notes.iter().map(ToString::to_string).collect();
    Read { draws, flaws, notes }
}

/// `@HHMM` in a row is a time on 14 January 2026.
fn at_times(rows: &str) -> String {
    let mut out = String::new();
    let mut parts = rows.split('@');
    out.push_str(parts.next().unwrap_or_default());
    for part in parts {
        out += &format!("2026-01-14T{}:{}:00+10:30{}", &part[..2], &part[2..4], &part[4..]);
    }
    out
}

fn short(text: &str) -> String {
    text.replace("2026-01-14T", "").replace(":00+10:30", "")
}

fn interval(read: &Read) -> (String, Option<String>) {
    assert_eq!(read.flaws, [] as [&str; 0]);
    let time = |at| format_time(at, Adelaide)[11..16].to_owned();
    (time(read.draws[0].last_wet), read.draws[0].first_empty.map(time))
}

fn is(last_wet: &str, first_empty: Option<&str>) -> (String, Option<String>) {
    (last_wet.to_owned(), first_empty.map(str::to_owned))
}

#[test]
fn a_draw_is_an_interval() {
    assert_eq!(
        interval(&read("d1,A1,@0900,1000,@1110,@1230,,", "", "")),
        is("11:10", Some("12:30"))
    );
    assert_eq!(interval(&read("d1,A1,@0900,1000,@1110,,,", "", "")), is("11:10", None));
    assert_eq!(interval(&read("d1,A1,@0900,1000,,@1230,,", "", "")), is("09:00", Some("12:30")));
    assert_eq!(interval(&read("d1,A1,@0900,1000,,,,", "", "")), is("09:00", None));
}

#[test]
fn readings_make_it_tighter() {
    let readings = "d1,@1200,150,, d1,@1220,,empty, d1,@1000,,wet,";
    let tight = read("d1,A1,@0900,1000,@1110,@1230,,", readings, "");
    assert_eq!(interval(&tight), is("12:00", Some("12:20")));
    let seen: Vec<Seen> = tight.draws[0].readings.iter().map(|reading| reading.seen).collect();
    let left = Seen::Left(Millilitres::new(150.0).unwrap());
    assert_eq!(seen, [Seen::Wet, left, Seen::Empty]);
}

#[test]
fn what_is_left_at_the_end_counts() {
    let stripped = read("d1,A1,@0900,1000,@1110,,@1300,200", "", "");
    assert_eq!(interval(&stripped), is("13:00", None));
    assert_eq!(stripped.draws[0].left.unwrap().value(), 200.0);
    let empty = read("d1,A1,@0900,1000,@1110,,@1300,0", "", "");
    assert_eq!(interval(&empty), is("11:10", Some("13:00")));
}

#[test]
fn refills_begin_a_new_filling() {
    let readings = "d1,@1000,300,, d1,@1005,,refill,500 d1,@1100,700,, d1,@1300,0,,";
    let refilled = read("d1,A1,@0900,1000,,,,", readings, "");
    assert_eq!(interval(&refilled), is("11:00", Some("13:00")));
    assert_eq!(refilled.draws[0].total_charge().value(), 1500.0);
    // Seen empty, filled again, and not yet empty.
    let again = read("d1,A1,@0900,1000,,,,", "d1,@1000,,empty, d1,@1005,,refill,500", "");
    assert_eq!(interval(&again), is("10:05", None));
}

#[test]
fn a_reading_may_rise_by_an_error_of_reading() {
    let readings = "d1,@0910,1020,, d1,@1000,300,, d1,@1010,320,, d1,@1020,310,,";
    let risen = read("d1,A1,@0900,1000,,,@1030,330", readings, "");
    assert_eq!(interval(&risen), is("10:30", None));
    let told = "left_ml readings up to 20 mL above the one before without a refill, taken as \
                errors of reading";
    assert_eq!(risen.notes, [format!("draws.csv: {told}: 1"), format!("readings.csv: {told}: 2")]);
    let too_far = read("d1,A1,@0900,1000,,,,", "d1,@1000,300,, d1,@1010,321,,", "");
    assert_eq!(too_far.flaws.len(), 1, "{:?}", too_far.flaws);
    assert_eq!(too_far.notes, [] as [&str; 0]);
}

#[test]
fn leaks_are_marked() {
    let leaking = read("d1,A1,@0900,1000,,,,", "d1,@1000,,leak, d1,@1010,400,leak,", "");
    assert_eq!(interval(&leaking), is("10:10", None));
    assert!(leaking.draws[0].leaked());
    assert!(!read("d1,A1,@0900,1000,,,,", "", "").draws[0].leaked());
}

#[test]
fn ports_and_head_fall_back() {
    let draws = read("d1,A2,@0900,1000,,,,", "", "").draws;
    assert_eq!((draws[0].tree, draws[0].ports, draws[0].head), (1, 10, None));
}

#[test]
fn times_in_the_wrong_order() {
    assert_eq!(
        read("d1,A1,@0900,1000,@0830,@1230,,", "", "").flaws,
        ["draws.csv row 2: last_wet 08:30 must not be before started 09:00; correct one of the \
             two",]
    );
    assert_eq!(
        read("d1,A1,@0900,1000,@1230,@1230,,", "", "").flaws,
        ["draws.csv row 2: first_empty 12:30 must be after last_wet 12:30; correct one of the \
             two",]
    );
    assert_eq!(
        read("d1,A1,@0900,1000,,@0900,,", "", "").flaws,
        ["draws.csv row 2: first_empty 09:00 must be after started 09:00; correct one of the two"]
    );
    assert_eq!(
        read("d1,A1,@0900,1000,,@1230,@1200,", "", "").flaws,
        ["draws.csv row 2: stripped 12:00 must not be before first_empty 12:30; correct one of \
             the two",]
    );
    assert_eq!(
        read("d1,A1,@0900,1000,,,@1200,", "d1,@0855,,wet, d1,@1230,,wet,", "").flaws,
        [
            "readings.csv row 2: time 08:55 must not be before started 09:00; correct one of the \
             two",
            "readings.csv row 3: time 12:30 must not be after stripped 12:00; correct one of the \
             two",
        ]
    );
}

#[test]
fn readings_must_agree_with_the_draw() {
    assert_eq!(
        read("d1,A1,@0900,1000,@1110,@1200,,", "d1,@1230,,wet,", "").flaws,
        ["readings.csv row 2: the bag was empty at 12:00 (draws.csv row 2) and wet at 12:30, \
             with no refill between; correct one, or add a row with state refill and added_ml",]
    );
    assert_eq!(
        read("d1,A1,@0900,1000,@1110,,,", "d1,@1000,,empty,", "").flaws,
        ["draws.csv row 2: the bag was empty at 10:00 (readings.csv row 2) and wet at 11:10, \
             with no refill between; correct one, or add a row with state refill and added_ml",]
    );
    assert_eq!(
        read("d1,A1,@0900,1000,@1110,,,", "d1,@1110,,empty,", "").flaws,
        ["readings.csv row 2: this row and draws.csv row 2 tell two things of the bag at 11:10; \
             keep one",]
    );
    assert_eq!(
        read("d1,A1,@0900,1000,@1110,@1200,@1300,50", "", "").flaws,
        ["draws.csv row 2: the bag was empty at 12:00 (draws.csv row 2) and wet at 13:00, with \
             no refill between; correct one, or add a row with state refill and added_ml",]
    );
}

#[test]
fn a_bag_never_fills_by_itself() {
    assert_eq!(
        read("d1,A1,@0900,1000,,,,", "d1,@1000,400,, d1,@1030,600,,", "").flaws,
        ["readings.csv row 3: the bag held 400 mL at 10:00 (readings.csv row 2) and 600 mL at \
             10:30, with no refill between; correct one, or add a row with state refill and \
             added_ml",]
    );
    assert_eq!(
        read("d1,A1,@0900,1000,,,,", "d1,@1000,1400,,", "").flaws,
        ["readings.csv row 2: the bag held 1000 mL at 09:00 (draws.csv row 2) and 1400 mL at \
             10:00, with no refill between; correct one, or add a row with state refill and \
             added_ml",]
    );
    assert_eq!(
        read("d1,A1,@0900,1000,,,,", "d1,@1000,400,, d1,@1000,300,,", "").flaws,
        ["readings.csv row 3: this row and readings.csv row 2 tell two things of the bag at \
             10:00; keep one",]
    );
}

#[test]
fn a_reading_tells_one_thing() {
    let readings = "d1,@1000,,, d1,@1001,300,empty, d1,@1002,0,wet, d1,@1003,300,refill,200 \
                    d1,@1004,,refill, d1,@1005,300,,200 d1,@1006,,dry, d1,@1007,-5,,";
    assert_eq!(
        read("d1,A1,@0900,1000,,,,", readings, "").flaws,
        [
            "readings.csv row 2: left_ml and state are both empty; fill one of them",
            "readings.csv row 3: state 'empty' does not go with left_ml 300; leave one of the two \
             empty",
            "readings.csv row 4: state 'wet' does not go with left_ml 0; leave one of the two empty",
            "readings.csv row 5: state 'refill' does not go with left_ml 300; leave one of the two \
             empty",
            "readings.csv row 6: state 'refill' needs added_ml; write how much was added",
            "readings.csv row 7: added_ml is for a row with state refill only; write the state, or \
             leave added_ml empty",
            "readings.csv row 8: state 'dry' is not one of the words wet, empty, refill, leak; \
             write one of them",
            "readings.csv row 9: left_ml -5 mL is outside 0 to 200000 mL; correct the value or its \
             unit",
        ]
    );
    let both = read("d1,A1,@0900,1000,,,,", "d1,@1000,300,wet, d1,@1100,0,empty,", "");
    assert_eq!(interval(&both), is("10:00", Some("11:00")));
}

#[test]
fn readings_told_twice_count_once() {
    let twice = read("d1,A1,@0900,1000,,,,", "d1,@1000,300,, d1,@1000,300,,", "");
    assert_eq!(twice.draws[0].readings.len(), 1);
    let notes = ["readings.csv: rows that repeat another one in full, counted once: 1"];
    assert_eq!(twice.notes, notes);
}

#[test]
fn unknown_and_repeated_ids() {
    let draws = "d1,A1,@0900,1000,,,, d1,A2,@0900,1000,,,, d2,A7,@0900,1000,,,,";
    assert_eq!(
        read(draws, "d9,@1000,300,, d2,@1000,300,,", "d9,@1000,,").flaws,
        [
            "draws.csv row 3: draw_id 'd1' stands already in row 2; each may stand once",
            "draws.csv row 4: tree_id 'A7' is not in trees.csv; correct it, or add it there",
            "readings.csv row 2: draw_id 'd9' is not in draws.csv; correct it, or add it there",
            "pauses.csv row 2: draw_id 'd9' is not in draws.csv; correct it, or add it there",
        ]
    );
}

#[test]
fn left_ml_needs_its_time() {
    assert_eq!(
        read("d1,A1,@0900,1000,,,,200", "", "").flaws,
        ["draws.csv row 2: left_ml is given without stripped; fill both or neither"]
    );
}

#[test]
fn pauses_lie_in_the_draw_and_apart() {
    let paused = read("d1,A1,@0900,1000,,,,", "", "d1,@1200,, d1,@1000,@1030,wind");
    assert_eq!(paused.flaws, [] as [&str; 0]);
    assert_eq!(paused.draws[0].pauses[0].why.as_deref(), Some("wind"));
    assert_eq!(paused.draws[0].pauses[1].to, None);
    assert_eq!(
        read("d1,A1,@0900,1000,,,@1300,", "", "d1,@1000,@1000, d1,@0800,@0930, d1,@1200,@1400,")
            .flaws,
        [
            "pauses.csv row 2: to 10:00 must be after from 10:00; correct one of the two",
            "pauses.csv row 3: from 08:00 must not be before started 09:00; correct one of the two",
            "pauses.csv row 4: to 14:00 must not be after stripped 13:00; correct one of the two",
        ]
    );
    assert_eq!(
        read("d1,A1,@0900,1000,,,,", "", "d1,@1000,@1100, d1,@1030,@1130, d1,@1200,, d1,@1300,,")
            .flaws,
        [
            "pauses.csv row 3: from overlaps the pause in row 2 of the same draw; join the two",
            "pauses.csv row 5: from overlaps the pause in row 4 of the same draw; join the two",
        ]
    );
}

#[test]
fn a_shut_bag_does_not_empty() {
    assert_eq!(
        read("d1,A1,@0900,1000,@1110,@1230,,", "", "d1,@1100,@1240,").flaws,
        ["pauses.csv row 2: the bag emptied between 11:10 and 12:30, but this pause held it shut \
             all that time; correct the pause or the times",]
    );
}

#[test]
fn two_bags_on_one_tree_are_told() {
    let shared = read("d1,A1,@0900,1000,@1110,@1230,, d2,A1,@1200,1000,,,,", "", "");
    assert_eq!(shared.flaws, [] as [&str; 0]);
    assert_eq!(
        shared.notes,
        ["draws.csv: draw 'd2' starts while draw 'd1' hangs on tree 'A1': two bags share the tree"]
    );
}
