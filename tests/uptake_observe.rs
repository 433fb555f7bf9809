//! What a bag's looks say of ln thirst, by arithmetic on a clock that runs at one: with `V` mL offered
//! and `C` hours gone, wet says `y < ln(V / C)`, empty `y >= ln(V / C)`, and a volume where the curve
//! is. Later looks must not change what was known before them.
#![allow(missing_docs)]

use chrono::{DateTime, TimeDelta, TimeZone, Utc};
use proptest::prelude::*;
use xylocast::demand::{Clock, Drive, Shape};
use xylocast::units::*;
use xylocast::uptake::likelihood::Seen;
use xylocast::uptake::observe::{READING_ERROR_ML, Sighting, Silent};
use xylocast::weather::{Flags, Span};

const INF: f64 = f64::INFINITY;

fn start() -> DateTime<Utc> {
    Utc.with_ymd_and_hms(2025, 6, 1, 8, 0, 0).unwrap()
}

fn at(minutes: i64) -> DateTime<Utc> {
    start() + TimeDelta::minutes(minutes)
}

/// Three days of fair weather: demand 1, so that demand-hours are hours.
fn clock() -> Clock {
    let shape = Shape::default();
    let drives: Vec<Drive> = (-12..60)
        .map(|hour| Drive {
            span: Span::hour_from(start() + TimeDelta::hours(hour)),
            shortwave: WattsPerSquareMetre::new(700.0).unwrap(),
            deficit: Kilopascal::new(1.5).unwrap(),
            reference_et_mm_h: 0.0,
            flags: Flags::default(),
        })
        .collect();
    Clock::new(&shape, &shape.pulls(&drives))
}

fn ml(volume: f64) -> Millilitres {
    Millilitres::new(volume).unwrap()
}

fn litre() -> Sighting {
    Sighting {
        started: start(),
        charge: ml(1000.0),
        refills: vec![],
        pauses: vec![],
        wet: vec![],
        first_empty: None,
        volumes: vec![],
        leaked: None,
    }
}

fn between(sighting: &Sighting) -> (f64, f64) {
    match sighting.seen(&clock()).unwrap() {
        Seen::Between { low, high } => (low, high),
        other => panic!("{other:?}"),
    }
}

fn near(found: f64, wanted: f64) -> bool {
    found == wanted || (found - wanted).abs() < 1e-9
}

#[test]
fn wet_bounds_from_above_and_empty_from_below() {
    let wet = Sighting { wet: vec![at(60), at(120)], ..litre() };
    assert!(near(between(&wet).1, 500f64.ln()) && between(&wet).0 == -INF);
    let empty = Sighting { first_empty: Some(at(240)), ..litre() };
    assert!(near(between(&empty).0, 250f64.ln()) && between(&empty).1 == INF);
    let both = Sighting { wet: vec![at(120)], first_empty: Some(at(240)), ..litre() };
    let (low, high) = between(&both);
    assert!(near(low, 250f64.ln()) && near(high, 500f64.ln()));
}

#[test]
fn time_clamped_shut_does_not_count() {
    let shut = vec![Span { from: at(30), to: at(90) }, Span { from: at(100), to: at(130) }];
    let paused =
        Sighting { pauses: shut, wet: vec![at(120)], first_empty: Some(at(270)), ..litre() };
    let (low, high) = between(&paused);
    // 40 min and 180 min of flow.
    assert!(near(low, (1000f64 / 3.0).ln()) && near(high, 1500f64.ln()));
}

#[test]
fn volumes_are_the_curve_and_weigh_by_their_error() {
    let read = Sighting { volumes: vec![(at(60), ml(600.0))], ..litre() };
    let Seen::Measured { centre, error, low, high } = read.seen(&clock()).unwrap() else {
        panic!()
    };
    // What 400 of 1000 mL say of the whole: the reading's own error, and the rest's other pace.
    let variance = |gone: f64| (READING_ERROR_ML / gone).powi(2);
    let wander = |gone: f64| 0.19f64.powi(2) * (1000.0 - gone) / gone;
    let alone = (variance(400.0) + wander(400.0)).sqrt();
    assert!(near(centre, 400f64.ln()) && near(error, alone));
    assert!(low == -INF && near(high, 1000f64.ln()));
    let twice = Sighting { volumes: vec![(at(60), ml(600.0)), (at(120), ml(240.0))], ..litre() };
    let Seen::Measured { centre, error, .. } = twice.seen(&clock()).unwrap() else { panic!() };
    // Two correlated readings of one value, weighed by hand: the later one's wander is in both.
    let (first, later) = (variance(400.0) + wander(400.0), variance(760.0) + wander(760.0));
    let both = wander(760.0);
    let (w1, w2) = (later - both, first - both);
    let wanted = (w1 * 400f64.ln() + w2 * 380f64.ln()) / (w1 + w2);
    let left = (first * later - both * both) / (w1 + w2);
    assert!(near(centre, wanted) && near(error, left.sqrt()));
    // The wander adds to the reading error and falls as the bag empties.
    assert!(alone > 0.2 && error < 0.12);
}

/// 30 mL gone in ten hours is a very slow tree, not just one that needs more than ten hours.
#[test]
fn a_bag_hardly_touched_says_how_slow_the_tree_is() {
    let read = Sighting { volumes: vec![(at(600), ml(970.0))], ..litre() };
    let (low, high) = between(&read);
    assert!(low == -INF && near(high, (30.0 + 3.0 * READING_ERROR_ML).ln() - 10f64.ln()));
    let merely_wet = Sighting { wet: vec![at(600)], ..litre() };
    assert!(high < between(&merely_wet).1 - 2.0);
    // Ten times as quick from then on cannot be; slow to start, within the reading error, can.
    let then_empty = Sighting { first_empty: Some(at(700)), ..read };
    assert!(matches!(then_empty.seen(&clock()), Err(Silent::Contradiction { .. })));
    let soon =
        Sighting { volumes: vec![(at(2), ml(1000.0))], first_empty: Some(at(45)), ..litre() };
    assert!(soon.seen(&clock()).is_ok());
}

#[test]
fn a_refill_adds_to_what_was_offered_from_then_on() {
    let refilled = Sighting {
        wet: vec![at(60), at(120)],
        refills: vec![(at(61), ml(500.0))],
        first_empty: Some(at(240)),
        ..litre()
    };
    // Wet at an hour of 1000 mL, and at two of 1500: the later bound is the tighter one here.
    let (low, high) = between(&refilled);
    assert!(near(low, 375f64.ln()) && near(high, 750f64.ln()));
    // Wet just before a refill bounds more tightly than wet just after it.
    let kept = Sighting { wet: vec![at(60), at(66)], first_empty: None, ..refilled };
    assert!(near(between(&kept).1, 1000f64.ln()));
}

#[test]
fn nothing_after_a_leak_tells() {
    let leaked = Sighting {
        wet: vec![at(30), at(120)],
        first_empty: Some(at(150)),
        leaked: Some(at(90)),
        ..litre()
    };
    assert!(near(between(&leaked).1, 2000f64.ln()) && between(&leaked).0 == -INF);
    let only = Sighting { wet: vec![], ..leaked };
    assert_eq!(only.seen(&clock()), Err(Silent::Leaked));
    assert_eq!(litre().seen(&clock()), Err(Silent::NotLookedAt));
    let late = Sighting { first_empty: Some(at(90 * 60)), ..litre() };
    assert!(matches!(late.seen(&clock()), Err(Silent::NoWeather(_))));
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    /// As of any instant, a bag whose later looks are logged tells what it told without them.
    #[test]
    fn later_looks_do_not_change_what_was_known(
        wet in prop::collection::vec(1i64..900, 0..5),
        empty in prop::option::of(901i64..1500),
        volumes in prop::collection::vec((1i64..900, 0.5f64..999.0), 0..4),
        pause in prop::option::of((1i64..600, 1i64..400)),
        refill in prop::option::of((1i64..900, 100.0f64..900.0)),
        leak in prop::option::of(1i64..1500),
        cut in 1i64..1600,
    ) {
        let build = |until: i64| Sighting {
            wet: wet.iter().filter(|m| **m <= until).map(|m| at(*m)).collect(),
            first_empty: empty.filter(|m| *m <= until).map(at),
            volumes: volumes.iter().filter(|(m, _)| *m <= until).map(|(m, v)| (at(*m), ml(*v))).collect(),
            pauses: pause.iter().filter(|(m, _)| *m <= until).map(|(m, l)| Span { from: at(*m), to: at(m + l) }).collect(),
            refills: refill.iter().filter(|(m, _)| *m <= until).map(|(m, v)| (at(*m), ml(*v))).collect(),
            leaked: leak.filter(|m| *m <= until).map(at),
            ..litre()
        };
        let clock = clock();
        let (whole, known) = (build(9999).as_of(at(cut)), build(cut));
        prop_assert_eq!(&whole, &known);
        prop_assert_eq!(whole.seen(&clock), known.seen(&clock));
        // More looks only narrow what is open: bounds never move outward.
        let bounds = |sighting: &Sighting| match sighting.seen(&clock) {
            Ok(Seen::Between { low, high } | Seen::Measured { low, high, .. }) => Some((low, high)),
            _ => None,
        };
        if let (Some((low, high)), Some((later_low, later_high))) = (bounds(&known), bounds(&build(9999))) {
            prop_assert!(later_low >= low && later_high <= high);
        }
    }
}
