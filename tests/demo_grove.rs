//! The demo grove in `data/demo`: sound, as its generator makes it, and with everything in it that
//! it is there to show.

#[path = "../examples/demo/mod.rs"]
mod demo;

use chrono::{DateTime, Offset, TimeDelta, TimeZone, Utc};
use demo::trees::{HANGING, SLOW};
use demo::{ZONE, at, date};
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::sync::LazyLock;
use xylocast::app::ahead::target;
use xylocast::app::past::Past;
use xylocast::grove::{Draw, Grove, Hang, Seen};
use xylocast::plan::cadence::{Crew, starts};
use xylocast::store::folder;
use xylocast::uptake::model::ModelFile;

static GROVE: LazyLock<Grove> = LazyLock::new(|| match folder::read(&data()) {
    Ok(grove) => grove,
    Err(refused) => {
        panic!("{:?}", refused.flaws.iter().map(ToString::to_string).collect::<Vec<_>>())
    }
});

fn data() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("data/demo")
}

fn tree_id(draw: &Draw) -> &str {
    &GROVE.trees[draw.tree].id
}

fn tomorrow_at(minutes: i64) -> DateTime<Utc> {
    at(date(2025, 12, 23), minutes)
}

#[test]
fn the_files_are_what_the_generator_makes() {
    for (name, made) in demo::files() {
        let kept = std::fs::read_to_string(data().join(name)).unwrap();
        let differs = made.lines().zip(kept.lines()).find(|(made, kept)| made != kept);
        assert!(made == kept, "{name}: run `cargo run --example make_demo`; first: {differs:?}");
    }
}

#[test]
fn the_generator_makes_the_same_twice() {
    assert_eq!(demo::files(), demo::files());
}

#[test]
fn it_is_read_without_flaw_or_note() {
    let notes: Vec<String> = GROVE.notes.iter().map(ToString::to_string).collect();
    assert_eq!(notes, [] as [&str; 0]);
    // What it leaves to the habits of the trade is the table `[plan]`, and nothing else.
    let of_plan = |key: &&&str| key.starts_with("plan.");
    assert_eq!(GROVE.settings.defaulted.iter().find(|key| !of_plan(key)), None);
    assert_eq!(GROVE.settings.place, demo::place());
}

#[test]
fn it_says_that_it_is_invented() {
    assert!(GROVE.settings.name.contains("demo") && GROVE.settings.name.contains("invented"));
    let settings = std::fs::read_to_string(data().join("grove.toml")).unwrap();
    assert!(settings.lines().next().unwrap().starts_with("# The demo grove."));
    assert!(settings.contains("invented"));
}

#[test]
fn plain_water_that_may_hang_overnight() {
    let (settings, label) = (&GROVE.settings, &GROVE.settings.label);
    assert_eq!((&label.product_name, &label.registration_number, label.rate), (&None, &None, None));
    assert_eq!((label.unattended_allowed, settings.public_access), (Some(true), Some(false)));
    assert_eq!(settings.bag.charge.value(), f64::from(demo::trees::CHARGE_ML));
}

#[test]
fn forty_trees_of_which_thirty_six_are_for_tomorrow() {
    let mut blocks: BTreeMap<&str, usize> = BTreeMap::new();
    for tree in &GROVE.trees {
        *blocks.entry(&tree.block).or_default() += 1;
        assert!((6..=12).contains(&tree.ports), "{}", tree.id);
    }
    assert_eq!(blocks, BTreeMap::from([("avenue", 24), ("walnuts", 16)]));
    assert_eq!(GROVE.trees.iter().filter(|tree| tree.hang == Some(true)).count(), 36);
    let why = |tree: &xylocast::grove::Tree| tree.hang == Some(true) || tree.note.is_some();
    assert!(GROVE.trees.iter().all(why));
    assert!((3..=10).contains(&GROVE.trees.iter().filter(|tree| tree.charge.is_some()).count()));
}

#[test]
fn twelve_weeks_of_draws_seen_as_crews_see_them() {
    let count = |test: &dyn Fn(&Draw) -> bool| GROVE.draws.iter().filter(|draw| test(draw)).count();
    assert!((220..=260).contains(&GROVE.draws.len()), "{}", GROVE.draws.len());
    let days: BTreeSet<_> =
        GROVE.draws.iter().map(|draw| draw.started.with_timezone(&ZONE).date_naive()).collect();
    assert!((26..=40).contains(&days.len()), "{}", days.len());
    assert_eq!((*days.last().unwrap() - *days.first().unwrap()).num_weeks(), 12);
    assert!(count(&|draw| draw.first_empty.is_none()) >= 10);
    assert!(count(&|draw| draw.left.is_some()) >= 5);
    assert!(count(&|draw| draw.first_empty.is_some() && draw.last_wet == draw.started) >= 10);
    assert!(count(&|draw| draw.first_empty.is_some() && draw.last_wet > draw.started) >= 180);
    let slept = |draw: &Draw| {
        draw.first_empty.is_some_and(|empty| empty - draw.started > TimeDelta::hours(14))
    };
    assert!(count(&slept) >= 5);
    let volumes = GROVE.draws.iter().flat_map(|draw| &draw.readings);
    assert!(volumes.filter(|reading| matches!(reading.seen, Seen::Left(_))).count() >= 40);
    for crew in ["north", "south"] {
        assert!(count(&|draw| draw.crew.as_deref() == Some(crew)) >= 70, "{crew}");
    }
}

#[test]
fn a_leak_and_a_pause() {
    let leaks: Vec<&Draw> = GROVE.draws.iter().filter(|draw| draw.leaked()).collect();
    let [leak] = leaks[..] else { panic!("{} leaks", leaks.len()) };
    assert!(leak.last_wet == leak.started && leak.first_empty.is_some());
    assert!(leak.first_empty.unwrap() - leak.started < TimeDelta::minutes(45));
    let paused: Vec<&Draw> = GROVE.draws.iter().filter(|draw| !draw.pauses.is_empty()).collect();
    let [paused] = paused[..] else { panic!("{} pauses", paused.len()) };
    assert!(paused.pauses[0].to.unwrap() < paused.last_wet);
}

#[test]
fn ninety_days_of_weather_over_the_clock_change_with_two_gaps() {
    let span = GROVE.observed.span().unwrap();
    assert_eq!((span.from, span.to), (at(demo::first_day(), 0), demo::as_of()));
    let days = demo::as_of().with_timezone(&ZONE).date_naive() - demo::first_day();
    assert_eq!(days.num_days() + 1, 90);
    let gaps: Vec<f64> = GROVE.observed.gaps().iter().map(|gap| gap.span.hours()).collect();
    assert_eq!(gaps, [2.0, 5.0]);
    let offset_min = |at: DateTime<Utc>| {
        ZONE.offset_from_utc_datetime(&at.naive_utc()).fix().local_minus_utc() / 60
    };
    assert_eq!((offset_min(span.from), offset_min(span.to)), (570, 630));
    let slept_over = |draw: &&Draw| {
        draw.first_empty.is_some_and(|empty| offset_min(draw.started) < offset_min(empty))
    };
    assert!(GROVE.draws.iter().filter(slept_over).count() >= 2);
    let in_a_gap = |draw: &Draw| {
        let last = draw.stripped.unwrap_or(draw.last_wet);
        let gaps = GROVE.observed.gaps();
        gaps.iter().any(|gap| draw.started < gap.span.to && gap.span.from < last)
    };
    assert!(!GROVE.draws.iter().any(in_a_gap));
}

#[test]
fn nothing_is_seen_after_the_demos_own_now() {
    let text = std::fs::read_to_string(data().join("as_of")).unwrap();
    let as_of = DateTime::parse_from_rfc3339(text.trim_end()).unwrap();
    assert_eq!(as_of.to_utc(), demo::as_of());
    for draw in &GROVE.draws {
        let last = draw.stripped.or(draw.first_empty).unwrap_or(draw.last_wet);
        assert!(last <= as_of, "{}", draw.id);
    }
    let hangs = GROVE.draws.iter().filter(|draw| draw.stripped.is_none() && !draw.leaked());
    assert_eq!(hangs.map(tree_id).collect::<Vec<_>>(), HANGING);
    let forecast = GROVE.forecasts.latest(demo::as_of()).unwrap();
    let span = forecast.members[0].span().unwrap();
    assert_eq!((GROVE.forecasts.issues().len(), forecast.members.len()), (1, 1));
    assert_eq!(span.hours(), 7.0 * 24.0);
    assert_eq!(forecast.issued_at, Some(span.from));
}

/// What the draws say of each tree, mL per port and demand-hour, by block.
fn learned_by_block() -> BTreeMap<&'static str, Vec<(f64, &'static str)>> {
    let past = Past::new(&GROVE, &GROVE.observed.bridged(), demo::as_of());
    let model = past.condition(&ModelFile::prior()).unwrap();
    let hangs: Vec<Hang> = (0..GROVE.trees.len()).map(|tree| hang(tree, demo::as_of())).collect();
    let thirsts = model
        .posterior()
        .thirst(&hangs.iter().map(|hang| target(&GROVE, hang)).collect::<Vec<_>>());
    let mut blocks: BTreeMap<&str, Vec<(f64, &str)>> = BTreeMap::new();
    for (tree, (ln_thirst, _)) in GROVE.trees.iter().zip(thirsts) {
        let per_port = ln_thirst.exp() / f64::from(tree.ports);
        blocks.entry(&tree.block).or_default().push((per_port, &tree.id));
    }
    blocks.values_mut().for_each(|trees| trees.sort_by(|a, b| a.0.total_cmp(&b.0)));
    blocks
}

#[test]
fn the_draws_tell_the_two_slow_trees_and_the_thirstier_elms() {
    let blocks = learned_by_block();
    let median = |block: &str| blocks[block][blocks[block].len() / 2].0;
    assert!(median("avenue") > 1.15 * median("walnuts"));
    for (block, slow) in ["avenue", "walnuts"].into_iter().zip(SLOW) {
        let (per_port, id) = blocks[block][0];
        assert_eq!(id, slow, "{:?}", blocks[block]);
        assert!(median(block) > 1.7 * per_port, "{:?}", blocks[block]);
    }
}

fn hang(tree: usize, start: DateTime<Utc>) -> Hang {
    let Grove { trees, settings, .. } = &*GROVE;
    let charge = trees[tree].charge.unwrap_or(settings.bag.charge);
    let ports = trees[tree].ports;
    Hang { id: trees[tree].id.clone(), tree, start, charge, ports, head: None, row: 0 }
}

/// Tomorrow's list, started one after the other by the crew from 7:30.
fn tomorrows_list() -> Vec<Hang> {
    let listed = |tree: &usize| GROVE.trees[*tree].hang == Some(true);
    let list: Vec<usize> = (0..GROVE.trees.len()).filter(listed).collect();
    let ports: Vec<u32> = list.iter().map(|tree| GROVE.trees[*tree].ports).collect();
    let crew = &GROVE.settings.crew;
    let crew = Crew {
        people: crew.people,
        kits: crew.kits,
        set_min: crew.set_min,
        per_port_min: crew.per_port_min,
        strip_min: crew.strip_min,
        walk_min: crew.walk_min,
    };
    let (from, until) = (tomorrow_at(7 * 60 + 30), tomorrow_at(12 * 60));
    let starts = starts(&crew, &ports, from, until, Some, |_, _| None);
    list.into_iter().zip(starts).map(|(tree, start)| hang(tree, start.unwrap())).collect()
}

/// By the trees' own truth, under the weather forecast: neither trivial nor hopeless.
#[test]
fn tomorrow_most_are_empty_by_six_the_slow_ones_are_not_and_two_is_too_late() {
    let trees = demo::trees::trees();
    let list = std::fs::read_to_string(data().join("trees.csv")).unwrap();
    let settings = std::fs::read_to_string(data().join("grove.toml")).unwrap();
    let whole = demo::table::observed(&demo::sky::hours());
    let truth = demo::truth::Truth::new(&trees, &settings, &list, &whole);
    let forecast = &GROVE.forecasts.latest(demo::as_of()).unwrap().members[0];
    let clock = demo::truth::clock(&GROVE.observed.followed_by(forecast, demo::as_of()));
    let wet_at_six = |start: Option<DateTime<Utc>>| {
        let wet = |hang: &Hang| {
            let thirst = truth.expected_thirst(hang.tree, date(2025, 12, 23), "north");
            let start = start.unwrap_or(hang.start);
            let taken = clock.between(start, tomorrow_at(18 * 60), &[]).unwrap().value() * thirst;
            taken < hang.charge.value()
        };
        let list = tomorrows_list();
        let wet = list.iter().filter(|hang| wet(hang));
        wet.map(|hang| GROVE.trees[hang.tree].id.clone()).collect::<Vec<_>>()
    };
    let wet = wet_at_six(None);
    assert!(wet.len() <= 6, "{wet:?}");
    assert!(SLOW.iter().all(|slow| wet.iter().any(|id| id == slow)), "{wet:?}");
    assert!(wet_at_six(Some(tomorrow_at(14 * 60))).len() >= 24);
}
