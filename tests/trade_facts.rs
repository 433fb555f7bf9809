//! What the trade knows and papers have found, against the model before any local draw.
//!
//! - Common practice, no source: a 1 L bag on 6 to 12 ports in leaf-on weather is empty within
//!   twenty minutes to overnight; bright and dry beats dull; twice the ports take about half the
//!   time at one charge.
//! - Stack 1988, "Effect of environment, tree size and presence of wetwood symptoms on
//!   injectability of American elm", J. Arboriculture 14(8): over 134 elms of 25 to 95 cm whose dose
//!   and ports grew with their size the time was nearly constant; cool, cloudy or rainy days took
//!   longest, warm sunny ones least; the extreme trees differed about six-fold.
//! - Sanchez-Zamora and Fernandez-Escobar 2000, Scientia Horticulturae 84:163-177: clear days beat
//!   rainy ones.
//! - The prior's own derivation from Sinclair and Larsen 1981, J. Arboriculture 7(1):6-10: 8 ports
//!   and 1 L take some 40 min in fair weather, 5 min to 7 h in nine of ten cases.
#![allow(missing_docs)]

use chrono::{DateTime, NaiveDate, TimeDelta, TimeZone, Utc};
use std::f64::consts::PI;
use std::sync::Arc;
use xylocast::belief::{Belief, Course, Law};
use xylocast::demand::{Clock, Drive, Kind, Shape};
use xylocast::evapo::humidity::{saturation_vapour_pressure, vapour_pressure};
use xylocast::units::*;
use xylocast::uptake::model::{Model, ModelFile, covariates};
use xylocast::uptake::predict::Target;
use xylocast::weather::{Flags, Span};

/// A synthetic day, invented: noon shortwave, temperatures, humidity at dawn and in the afternoon.
#[derive(Debug, Clone, Copy)]
struct Day {
    noon_w_m2: f64,
    dawn_c: f64,
    top_c: f64,
    dawn_rh: f64,
    top_rh: f64,
}

const CLEAR: Day = Day { noon_w_m2: 880.0, dawn_c: 14.0, top_c: 28.0, dawn_rh: 80.0, top_rh: 38.0 };
const HOT: Day = Day { noon_w_m2: 980.0, dawn_c: 21.0, top_c: 38.0, dawn_rh: 60.0, top_rh: 18.0 };
const MILD: Day = Day { noon_w_m2: 650.0, dawn_c: 11.0, top_c: 21.0, dawn_rh: 90.0, top_rh: 52.0 };
const DULL: Day = Day { noon_w_m2: 260.0, dawn_c: 12.0, top_c: 18.0, dawn_rh: 94.0, top_rh: 74.0 };
const RAINY: Day = Day { noon_w_m2: 110.0, dawn_c: 11.0, top_c: 14.0, dawn_rh: 98.0, top_rh: 93.0 };
const LEAF_ON: [Day; 4] = [CLEAR, HOT, MILD, DULL];

fn midnight() -> DateTime<Utc> {
    Utc.with_ymd_and_hms(2025, 7, 1, 0, 0, 0).unwrap()
}

/// Six such days in a row, sun up from six to eight.
fn drives(day: Day) -> Vec<Drive> {
    let reference = |sun: f64, deficit: f64| (0.00055 * sun + 0.06 * deficit).max(0.0);
    (0..6 * 24)
        .map(|hour| {
            let clock = f64::from(hour % 24) + 0.5;
            let sun = day.noon_w_m2 * (PI * (clock - 6.0) / 14.0).sin().max(0.0);
            let sun = if (6.0..20.0).contains(&clock) { sun } else { 0.0 };
            let warmth = 0.5 - 0.5 * (2.0 * PI * (clock - 3.0) / 24.0).cos();
            let air = Celsius::new(day.dawn_c + (day.top_c - day.dawn_c) * warmth).unwrap();
            let rh = Percent::new(day.dawn_rh + (day.top_rh - day.dawn_rh) * warmth).unwrap();
            let deficit =
                saturation_vapour_pressure(air).value() - vapour_pressure(air, rh).value();
            Drive {
                span: Span::hour_from(midnight() + TimeDelta::hours(hour.into())),
                shortwave: WattsPerSquareMetre::new(sun).unwrap(),
                deficit: Kilopascal::new(deficit).unwrap(),
                reference_et_mm_h: reference(sun, deficit),
                flags: Flags::default(),
            }
        })
        .collect()
}

#[derive(Debug, Clone, Copy)]
struct Bag {
    charge_ml: f64,
    ports: u32,
    dbh_cm: f64,
    start_h: f64,
}

const LITRE: Bag = Bag { charge_ml: 1000.0, ports: 8, dbh_cm: 30.0, start_h: 9.0 };

fn shapes() -> [Shape; 2] {
    let shape = ModelFile::prior().demand;
    [shape, Shape { pull: Kind::ReferenceEt, ..shape }]
}

/// Minutes by which a bag is empty with these chances, by the model before any draw.
fn quantiles(drives: &[Drive], shape: &Shape, bag: Bag, chances: &[f64]) -> Vec<f64> {
    let model = Model::prior().unwrap();
    let dbh = Centimetres::new(bag.dbh_cm).unwrap();
    let target = Target {
        tree_id: "any".into(),
        block: "any".into(),
        species: "any".into(),
        date: NaiveDate::from_ymd_opt(2025, 7, 2).unwrap(),
        covariates: covariates(bag.ports, dbh, Some(Head::new(1.5).unwrap())),
    };
    let (mean, sd) = model.posterior().thirst(&[target])[0];
    let variances = model.posterior().variances();
    let start = midnight() + TimeDelta::minutes((60.0 * (24.0 + bag.start_h)) as i64);
    let minutes: Vec<f64> =
        (1..2000).map(f64::from).chain((200..600).map(|m| 10.0 * f64::from(m))).collect();
    let clock = Clock::new(shape, &shape.pulls(drives)).along(start, &minutes, &[]).unwrap();
    let course = Arc::new(Course::new(minutes, vec![clock]));
    let law = Arc::new(Law::new(sd, variances.residual, variances.scale));
    let belief = Belief::new(course, law, bag.charge_ml.ln() - mean);
    chances.iter().map(|p| belief.quantile(*p).at_least_min()).collect()
}

fn median(day: Day, shape: &Shape, bag: Bag) -> f64 {
    quantiles(&drives(day), shape, bag, &[0.5])[0]
}

/// 23 h from a start at nine is the next morning at eight. Reference ET knows no closing stomata: on
/// the hottest day it is the trade's word only up to 35 degC, so that day is left out for it.
#[test]
fn a_litre_on_six_to_twelve_ports_takes_twenty_minutes_to_overnight() {
    for shape in shapes() {
        for day in LEAF_ON {
            if shape.pull == Kind::ReferenceEt && day.top_c > 35.0 {
                continue;
            }
            for ports in [6, 8, 12] {
                for start_h in [7.0, 9.0, 12.0, 15.0, 17.0] {
                    let bag = Bag { ports, start_h, ..LITRE };
                    let minutes = median(day, &shape, bag);
                    assert!(
                        (20.0..=23.0 * 60.0).contains(&minutes),
                        "{minutes} min for {bag:?} on {day:?}"
                    );
                }
            }
        }
    }
}

#[test]
fn bright_and_dry_beats_dull_and_clear_beats_rain() {
    for shape in shapes() {
        for start_h in [8.0, 10.0, 13.0] {
            let bag = Bag { start_h, ..LITRE };
            let [hot, clear, mild, dull, rainy] =
                [HOT, CLEAR, MILD, DULL, RAINY].map(|day| median(day, &shape, bag));
            assert!(clear < mild && mild < dull && dull < rainy, "{clear} {mild} {dull} {rainy}");
            assert!(hot < dull && rainy > 2.0 * clear, "{hot} {rainy}");
            // Stomata close: twice the deficit is far from half the time.
            assert!(hot > 0.6 * clear, "{hot} {clear}");
        }
    }
}

/// Stack 1988: ports and charge in step with the trunk, 25 to 95 cm.
#[test]
fn trees_whose_charge_and_ports_grow_with_dbh_take_about_equal_times() {
    for shape in shapes() {
        let times: Vec<f64> = [(25.0, 5), (50.0, 10), (75.0, 15), (95.0, 19)]
            .map(|(dbh_cm, ports)| {
                median(CLEAR, &shape, Bag { charge_ml: 40.0 * dbh_cm, ports, dbh_cm, ..LITRE })
            })
            .to_vec();
        let (least, most) =
            times.iter().fold((f64::MAX, 0.0f64), |(a, b), t| (a.min(*t), b.max(*t)));
        assert!(most / least < 1.15, "{times:?}");
    }
}

#[test]
fn twice_the_ports_take_about_half_the_time() {
    // In weather that stands still it is a ratio; through a day's course about that.
    let steady: Vec<Drive> = drives(CLEAR)
        .into_iter()
        .map(|drive| Drive {
            shortwave: WattsPerSquareMetre::new(700.0).unwrap(),
            deficit: Kilopascal::new(1.5).unwrap(),
            ..drive
        })
        .collect();
    let shape = ModelFile::prior().demand;
    for ports in [3, 6, 12] {
        let at = |ports| quantiles(&steady, &shape, Bag { ports, ..LITRE }, &[0.5])[0];
        let ratio = at(2 * ports) / at(ports);
        assert!((0.48..=0.52).contains(&ratio), "{ports}: {ratio}");
        let at = |ports| median(CLEAR, &shape, Bag { ports, ..LITRE });
        let ratio = at(2 * ports) / at(ports);
        assert!((0.4..=0.65).contains(&ratio), "{ports}: {ratio}");
    }
}

/// Fair weather all along: 1000 mL over 8 x 180 mL/h is 41.7 min. The tails say "about": within a
/// factor of 1.6 of the 5 min and 7 h derived from published port acceptance.
#[test]
fn eight_ports_and_a_litre_take_forty_minutes_give_or_take() {
    let fair: Vec<Drive> = drives(CLEAR)
        .into_iter()
        .map(|drive| Drive {
            shortwave: WattsPerSquareMetre::new(700.0).unwrap(),
            deficit: Kilopascal::new(1.5).unwrap(),
            reference_et_mm_h: 0.4854,
            ..drive
        })
        .collect();
    for shape in shapes() {
        let found = quantiles(&fair, &shape, LITRE, &[0.05, 0.5, 0.95]);
        assert!((36.0..=44.0).contains(&found[1]), "{found:?}");
        assert!((5.0 / 1.6..=5.0 * 1.6).contains(&found[0]), "{found:?}");
        assert!((7.0 * 60.0 / 1.6..=7.0 * 60.0 * 1.6).contains(&found[2]), "{found:?}");
    }
}

/// Stack 1988: the extremes of 134 trees about six-fold, weather included, which is a deviation of
/// 0.34 in ln time. What the prior says of one grove must cover that and may be wider, as long as no
/// tree of it is known; it must not be narrower.
#[test]
fn a_grove_spreads_at_least_as_widely_as_the_elms_did() {
    let v = ModelFile::prior().variances;
    let own = v.tree_sd.hypot(v.drift_sd).hypot(v.scale * v.residual.deviation());
    let whole = own.hypot(v.day_sd);
    let times = |sd: f64| (5.2 * sd).exp();
    assert!(times(whole) >= 6.0, "{whole}");
    // And once trees are known, what is left of a draw is no wider than that.
    let left = v.drift_sd.hypot(v.scale * v.residual.deviation());
    assert!(left <= 0.36, "{left}");
}
