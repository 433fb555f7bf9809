//! Walking forward knows nothing of later days: with all later draws turned to nonsense, what was
//! predicted earlier stays the same to the bit; and it is what `times` would have said on the day.
#![allow(missing_docs)]

use chrono::{DateTime, FixedOffset, TimeDelta, Utc};
use std::sync::LazyLock;
use xylocast::app::backtest::{Backtest, KNOWN_WITHIN_MIN, Question, backtest};
use xylocast::app::desk::{Desk, Request};
use xylocast::app::past::Past;
use xylocast::app::times::{Minutes, times};
use xylocast::app::walk::Way;
use xylocast::grove::{Draw, Grove, Hang};
use xylocast::store::demo;
use xylocast::units::Millilitres;
use xylocast::uptake::model::ModelFile;

/// A season's beginning of the demo: enough to learn from, few enough to be quick.
const DAYS: i64 = 18;

static GROVE: LazyLock<Grove> = LazyLock::new(|| {
    let mut grove = demo::grove().unwrap();
    let first = grove.draws.iter().map(|draw| draw.started).min().unwrap();
    grove.draws.retain(|draw| draw.started < first + TimeDelta::days(DAYS));
    grove
});

fn way() -> Way {
    Way { forecast: false, withhold_trees: false, before: TimeDelta::minutes(1), rivals: true }
}

fn walked(grove: &Grove, way: Way) -> Backtest {
    let question = Question {
        groves: std::slice::from_ref(grove),
        base: &ModelFile::prior(),
        way,
        as_of: demo::as_of(),
        known_within_min: KNOWN_WITHIN_MIN,
        truth: None,
    };
    backtest(&question, &|_, _| {}).unwrap()
}

/// What no tree does, in place of what was seen of a draw.
fn nonsense(draw: &mut Draw, index: usize) {
    draw.charge = Millilitres::new(if index.is_multiple_of(2) { 30_000.0 } else { 20.0 }).unwrap();
    draw.readings.clear();
    draw.last_wet = draw.started + TimeDelta::minutes(3);
    draw.first_empty = Some(draw.started + TimeDelta::minutes(5));
}

/// The demo with every draw of the last two fifths of its days made nonsense, and the instant from
/// which on it is.
fn spoiled() -> (Grove, DateTime<Utc>) {
    let mut grove = GROVE.clone();
    let mut starts: Vec<DateTime<Utc>> = grove.draws.iter().map(|draw| draw.started).collect();
    starts.sort_unstable();
    let from = starts[starts.len() * 3 / 5];
    let later = grove.draws.iter_mut().filter(|draw| draw.started >= from);
    later.enumerate().for_each(|(index, draw)| nonsense(draw, index));
    (grove, from)
}

#[test]
fn nonsense_in_later_draws_changes_no_earlier_prediction_by_a_bit() {
    let (spoiled, from) = spoiled();
    let zone = GROVE.settings.zone;
    let day = from.with_timezone(&zone).date_naive().to_string();
    let (clean, dirty) = (walked(&GROVE, way()), walked(&spoiled, way()));
    let told = |test: &Backtest| -> Vec<String> {
        let before = test.predictions.iter().filter(|one| one.start[..10] < *day);
        before
            .map(|one| {
                let one = serde_json::to_value(one).unwrap();
                let seen = ["draw_id", "rests_on", "new_tree", "p10_min", "p50_min", "p90_min"];
                let more =
                    ["p_empty_by_dusk", "constant_min", "log_linear_min", "reference_et_min"];
                seen.iter().chain(&more).map(|name| one[name].to_string() + " ").collect()
            })
            .collect()
    };
    assert!(told(&clean).len() > 20, "{}", told(&clean).len());
    assert_eq!(told(&clean), told(&dirty));
    // That is no empty promise: whoever looks at all draws is led astray by the nonsense.
    let learned = |grove: &Grove| {
        let past = Past::new(grove, &grove.observed.bridged(), demo::as_of());
        past.learn(&ModelFile::prior()).unwrap().file().coefficients[0].mean
    };
    assert!((learned(&GROVE) - learned(&spoiled)).abs() > 0.3);
    assert_ne!(clean.all.unwrap().error_pct, dirty.all.unwrap().error_pct);
}

#[test]
fn a_withheld_tree_is_predicted_as_if_it_had_never_been_seen() {
    let withheld = walked(&GROVE, Way { withhold_trees: true, rivals: false, ..way() });
    assert!(withheld.predictions.iter().all(|one| one.new_tree));
    let open = walked(&GROVE, Way { rivals: false, ..way() });
    let ratio = |test: &Backtest| test.all.as_ref().unwrap().band_ratio.unwrap();
    assert!(ratio(&withheld) > ratio(&open), "{} {}", ratio(&withheld), ratio(&open));
    // The day's other draws stay in: a fit without one tree still rests on the others.
    assert!(withheld.predictions.last().unwrap().rests_on > 15);
}

/// The walk searches for the demand shape from where the day before ended, the command from the
/// prior: the two settle within the search's tolerance of each other.
#[test]
fn a_day_of_the_walk_is_what_times_would_have_said() {
    let open = walked(&GROVE, Way { rivals: false, ..way() });
    let last = open.predictions.last().unwrap();
    let asked_at: DateTime<Utc> = last.asked_at.parse::<DateTime<FixedOffset>>().unwrap().to_utc();
    let request = Request { as_of: Some(asked_at), exact_weather: true, ..Request::default() };
    let desk = Desk::lay(&request, asked_at).unwrap();
    let draws: Vec<&Draw> = GROVE
        .draws
        .iter()
        .filter(|draw| draw.started > asked_at && draw.pauses.is_empty())
        .collect();
    let hangs: Vec<Hang> = draws
        .iter()
        .map(|draw| Hang {
            id: draw.id.clone(),
            tree: draw.tree,
            start: draw.started,
            charge: draw.charge,
            ports: draw.ports,
            head: draw.head,
            row: 0,
        })
        .collect();
    assert!(hangs.len() > 1);
    for time in times(&desk, &hangs).unwrap() {
        let walked = open.predictions.iter().find(|one| one.draw_id == time.draw_id).unwrap();
        let minutes = |told: Minutes| match told {
            Minutes::At(minutes) | Minutes::After { after_min: minutes } => minutes,
        };
        for (walked, said) in [
            (walked.p10_min, time.p10_min),
            (walked.p50_min, time.p50_min),
            (walked.p90_min, time.p90_min),
        ] {
            let (walked, said) = (minutes(walked.unwrap()), minutes(said));
            assert!((walked / said - 1.0).abs() < 0.02, "{}: {walked} {said}", time.draw_id);
        }
    }
}
