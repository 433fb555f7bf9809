//! The demand clock against its second way: the lag equation `tau L' = x - L` and `C' = L + floor`
//! integrated by Runge and Kutta's fourth-order rule in steps of seconds, with the pulls written
//! out again from the formulas of the design (stomatal slope: Oren et al. 1999, Plant, Cell and
//! Environment 22:1515-1526; reference ET: FAO-56 eq. 53). No closed form is shared.
//!
//! Weather here has half-hour zones, hours cut short where clocks change by half an hour, days of
//! 23, 23.5, 24.5 and 25 h, holes, and pauses that overlap one another and the weather's ends.
#![allow(missing_docs)]

use chrono::{DateTime, NaiveDate, TimeDelta, TimeZone, Utc};
use chrono_tz::Tz;
use proptest::prelude::*;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use xylocast::demand::{Clock, ClockError, Drive, Kind, Shape, When};
use xylocast::evapo::humidity::*;
use xylocast::evapo::radiation::*;
use xylocast::evapo::reference::*;
use xylocast::evapo::soil::soil_heat_of_hour;
use xylocast::evapo::sun::Light;
use xylocast::units::*;
use xylocast::weather::{Flags, Span};

/// FAO-56 eq. 53 in fair weather as the design has it, mm per hour.
const FAIR_ET: f64 = 0.4854;

fn drive(span: Span, shortwave: f64, deficit: f64, reference_et_mm_h: f64) -> Drive {
    Drive {
        span,
        shortwave: WattsPerSquareMetre::new(shortwave).unwrap(),
        deficit: Kilopascal::new(deficit).unwrap(),
        reference_et_mm_h,
        flags: Flags::default(),
    }
}

fn clock(shape: &Shape, drives: &[Drive]) -> Clock {
    Clock::new(shape, &shape.pulls(drives))
}

// The second way. -------------------------------------------------------------------------------

/// The pull before lag and floor, and the floor, both in units of fair weather.
fn pull_and_floor(shape: &Shape, drive: &Drive) -> (f64, f64) {
    let (pull, fair) = match shape.pull {
        Kind::LightAndDeficit { half_light_w_m2: kr, deficit_slope: m } => {
            let g = |d: f64| {
                let d = d.max(0.05).min((1.0 / m - 1.0).exp());
                d - m * d * d.ln()
            };
            let x = |rs: f64, d: f64| rs / (rs + kr) * g(d);
            (x(drive.shortwave.value(), drive.deficit.value()), x(700.0, 1.5))
        }
        Kind::ReferenceEt => (drive.reference_et_mm_h.max(0.0) / FAIR_ET, 1.0),
    };
    let fair = fair + shape.night_floor;
    (pull / fair, shape.night_floor / fair)
}

fn seconds(from: DateTime<Utc>, to: DateTime<Utc>) -> f64 {
    (to - from).num_milliseconds() as f64 / 1000.0
}

/// The demand clock of one run of weather, by Runge and Kutta, from the run's first instant.
/// Answers a table of (instant in seconds after `start`, demand-hours since `start`).
fn integrated(
    shape: &Shape,
    run: &[Drive],
    start: DateTime<Utc>,
    pauses: &[Span],
    step_s: f64,
) -> Vec<(f64, f64)> {
    let mut lagged = pull_and_floor(shape, &run[0]).0;
    let mut total = 0.0;
    let mut table = vec![(0.0, 0.0)];
    for drive in run {
        let (pull, floor) = pull_and_floor(shape, drive);
        let mut cuts = vec![drive.span.from, drive.span.to];
        cuts.push(start);
        cuts.extend(pauses.iter().flat_map(|pause| [pause.from, pause.to]));
        cuts.retain(|cut| drive.span.from <= *cut && *cut <= drive.span.to);
        cuts.sort_unstable();
        for pair in cuts.windows(2) {
            let (from, to) = (pair[0], pair[1]);
            let middle = from + (to - from) / 2;
            let flows = middle > start
                && !pauses.iter().any(|pause| pause.from <= middle && middle < pause.to);
            let length = seconds(from, to);
            let steps = (length / step_s).ceil();
            let h = length / steps / 3600.0;
            for step in 0..steps as u64 {
                // Stages of the pair (L, C); C' is L + floor where fluid may flow.
                let slope = |l: f64| (pull - l) / shape.lag_h;
                let k1 = slope(lagged);
                let k2 = slope(lagged + 0.5 * h * k1);
                let k3 = slope(lagged + 0.5 * h * k2);
                let k4 = slope(lagged + h * k3);
                let gained =
                    [lagged, lagged + 0.5 * h * k1, lagged + 0.5 * h * k2, lagged + h * k3];
                if flows {
                    let sum = gained[0] + 2.0 * gained[1] + 2.0 * gained[2] + gained[3];
                    total += h * (sum / 6.0 + floor);
                }
                lagged += h * (k1 + 2.0 * k2 + 2.0 * k3 + k4) / 6.0;
                if middle > start {
                    let at = seconds(start, from) + length * (step + 1) as f64 / steps;
                    table.push((at, total));
                }
            }
        }
    }
    table
}

/// Demand-hours after so many seconds, straight between the table's rows.
fn read_off(table: &[(f64, f64)], at: f64) -> f64 {
    let next = table.partition_point(|row| row.0 < at).clamp(1, table.len() - 1);
    let ((t0, c0), (t1, c1)) = (table[next - 1], table[next]);
    c0 + (at - t0) / (t1 - t0) * (c1 - c0)
}

/// Seconds at which so much demand is reached.
fn read_back(table: &[(f64, f64)], wanted: f64) -> Option<f64> {
    let next = table.partition_point(|row| row.1 < wanted);
    if next == 0 || next == table.len() {
        return None;
    }
    let ((t0, c0), (t1, c1)) = (table[next - 1], table[next]);
    Some(t0 + (wanted - c0) / (c1 - c0) * (t1 - t0))
}

// Weather. --------------------------------------------------------------------------------------

/// Zones whose days are odd, and a date on which they are.
const ODD_DAYS: [(Tz, i32, u32, u32); 8] = [
    (chrono_tz::Europe::Madrid, 2024, 3, 31),
    (chrono_tz::Europe::Madrid, 2024, 10, 27),
    (chrono_tz::Australia::Lord_Howe, 2024, 4, 7),
    (chrono_tz::Australia::Lord_Howe, 2024, 10, 6),
    (chrono_tz::Australia::Adelaide, 2025, 10, 5),
    (chrono_tz::Asia::Kolkata, 2024, 6, 1),
    (chrono_tz::Asia::Kathmandu, 2024, 6, 1),
    (chrono_tz::America::St_Johns, 2024, 11, 3),
];

/// Hours as a station's clock of that zone shows them, from noon before the odd day: where clocks
/// change by half an hour, one of them is half as long.
fn spans_by_the_clock(zone: Tz, date: NaiveDate, count: usize) -> Vec<Span> {
    use chrono::{NaiveTime, Timelike};
    let noon = date.pred_opt().unwrap().and_time(NaiveTime::from_hms_opt(12, 0, 0).unwrap());
    let mut from = zone.from_local_datetime(&noon).unwrap().to_utc();
    let mut spans = Vec::new();
    while spans.len() < count {
        // The next instant at which the clock shows a full hour, a minute at a time.
        let mut to = from + TimeDelta::minutes(1);
        while to.with_timezone(&zone).minute() != 0 {
            to += TimeDelta::minutes(1);
        }
        spans.push(Span { from, to });
        from = to;
    }
    spans
}

struct Case {
    shape: Shape,
    drives: Vec<Drive>,
    start: DateTime<Utc>,
    end: DateTime<Utc>,
    run: std::ops::Range<usize>,
    pauses: Vec<Span>,
}

fn case(seed: u64) -> Case {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let (zone, y, m, d) = ODD_DAYS[random.random_range(0..ODD_DAYS.len())];
    let date = NaiveDate::from_ymd_opt(y, m, d).unwrap();
    let mut spans = spans_by_the_clock(zone, date, random.random_range(14..60));
    // A hole of one to nine hours, and an hour cut short at the end, as at the instant of asking.
    let hole = random.random_range(0..2 * spans.len());
    if hole + 1 < spans.len() {
        let until = (hole + random.random_range(1..10)).min(spans.len() - 1);
        spans.drain(hole..until);
    }
    if random.random_bool(0.5) {
        let last = spans.last_mut().unwrap();
        last.to = last.from + (last.to - last.from) * 17 / 60;
    }
    let shape = Shape {
        pull: if random.random_bool(0.5) {
            Kind::ReferenceEt
        } else {
            Kind::LightAndDeficit {
                half_light_w_m2: random.random_range(20.0..600.0),
                deficit_slope: random.random_range(0.05..0.95),
            }
        },
        lag_h: (random.random_range(0.05f64.ln()..6f64.ln())).exp(),
        night_floor: (random.random_range(0.004f64.ln()..0.6f64.ln())).exp(),
        lead_h: if random.random_bool(0.5) { random.random_range(-1.5..1.5) } else { 0.0 },
    };
    let drives: Vec<Drive> = spans
        .iter()
        .map(|&span| {
            let day = random.random_bool(0.6);
            let shortwave = if day { random.random_range(0.0..1100.0) } else { 0.0 };
            let et = random.random_range(-0.1..1.0);
            drive(span, shortwave, random.random_range(0.0..6.0), et)
        })
        .collect();
    let first = random.random_range(0..drives.len());
    let touches = |k: usize| drives[k - 1].span.to == drives[k].span.from;
    let run_first = (1..=first).rev().find(|&k| !touches(k)).unwrap_or(0);
    let run_end = (first + 1..drives.len()).find(|&k| !touches(k)).unwrap_or(drives.len());
    let inside = |random: &mut ChaCha8Rng, span: Span| {
        span.from + (span.to - span.from) * random.random_range(0..59) / 60
    };
    let start = inside(&mut random, drives[first].span);
    let end = drives[run_end - 1].span.to;
    let whole_s = (end - start).num_seconds();
    let pauses = (0..random.random_range(0..5))
        .map(|_| {
            let from = start + TimeDelta::seconds(random.random_range(-4000..whole_s + 4000));
            Span { from, to: from + TimeDelta::seconds(random.random_range(1..20_000)) }
        })
        .collect();
    Case { shape, drives, start, end, run: run_first..run_end, pauses }
}

proptest! {
    #![proptest_config(ProptestConfig {
        cases: 200,
        failure_persistence: None,
        ..ProptestConfig::default()
    })]

    #[test]
    fn the_clock_is_the_integral_and_its_inverse_is_within_a_second(seed: u64) {
        let Case { shape, drives, start, end, run, pauses } = case(seed);
        let clock = clock(&shape, &drives);
        let step_s = (20.0 * shape.lag_h).clamp(1.0, 10.0);
        let table = integrated(&shape, &drives[run], start, &pauses, step_s);
        // The second way stays on the weather's time. A tree with a lead feels that weather
        // earlier, so that the clock is asked earlier by as much.
        let lead = TimeDelta::microseconds((shape.lead_h * 3.6e9).round() as i64);
        let (start, end) = (start - lead, end - lead);
        let pauses: Vec<Span> =
            pauses.iter().map(|p| Span { from: p.from - lead, to: p.to - lead }).collect();
        let whole_s = seconds(start, end);
        let whole = table.last().unwrap().1;
        prop_assert_eq!(clock.reach(start).unwrap(), end);

        for share in [0.03, 0.2, 0.41, 0.68, 0.93, 1.0] {
            let at = start + TimeDelta::milliseconds((1000.0 * share * whole_s) as i64);
            let found = clock.between(start, at, &pauses).unwrap().value();
            let wanted = read_off(&table, seconds(start, at));
            // Straight lines between steps leave up to an eighth of h^2 L', and L' below 4 / lag.
            let slack = 1e-9 + 0.5 * (step_s / 3600.0).powi(2) / shape.lag_h;
            prop_assert!((found - wanted).abs() < slack, "{} {}", found, wanted);

            // The inverse of the integral, by the integral.
            let part = share * whole;
            if let (Some(second), true) = (read_back(&table, part), share < 0.99 && whole > 1e-6) {
                let When::At(at) = clock.when(start, DemandHours::computed(part), &pauses).unwrap()
                else { panic!("{part} of {whole} is reached") };
                prop_assert!((seconds(start, at) - second).abs() < 1.0, "{at} {second}");
            }
        }
        // More than all of it: not extended, and the end is told.
        let more = DemandHours::computed(whole * 1.001 + 1e-3);
        prop_assert_eq!(clock.when(start, more, &pauses), Ok(When::After(end)));
        if pauses.is_empty() {
            let beyond = clock.between(start, end + TimeDelta::seconds(1), &[]);
            prop_assert_eq!(beyond, Err(ClockError::Ends { end }));
        }
    }

    #[test]
    fn along_is_between_at_every_minute_and_never_falls(seed: u64) {
        let Case { shape, drives, start, end, pauses, .. } = case(seed);
        let shape = Shape { lead_h: 0.0, ..shape };
        let clock = clock(&shape, &drives);
        let whole_min = seconds(start, end) / 60.0;
        let minutes: Vec<f64> = (1..=64).map(|k| (whole_min * f64::from(k) / 64.0).floor()).collect();
        let along = clock.along(start, &minutes, &pauses).unwrap();
        let mut before = 0.0;
        for (&minute, &demand) in minutes.iter().zip(&along) {
            let at = start + TimeDelta::seconds((60.0 * minute) as i64);
            let between = clock.between(start, at, &pauses).unwrap().value();
            prop_assert!((demand - between).abs() < 1e-9, "{minute}: {demand} {between}");
            prop_assert!(demand >= before, "falls to {demand} from {before}");
            before = demand;
        }
        let beyond = [whole_min + 1.0];
        prop_assert_eq!(clock.along(start, &beyond, &[]), Err(ClockError::Ends { end }));
    }
}

// Figures of the design. ------------------------------------------------------------------------

fn fair_days(hours: i64, shortwave: f64, deficit: f64, et: f64) -> Vec<Drive> {
    let from = Utc.with_ymd_and_hms(2025, 6, 1, 0, 0, 0).unwrap();
    (0..hours)
        .map(|h| drive(Span::hour_from(from + TimeDelta::hours(h)), shortwave, deficit, et))
        .collect()
}

#[test]
fn demand_is_one_in_fair_weather_whatever_the_parameters() {
    let fair = fair_days(12, 700.0, 1.5, FAIR_ET);
    let (from, to) = (fair[0].span.from, fair[11].span.to);
    for (kr, m, lag_h, night_floor) in
        [(150.0, 0.6, 0.5, 0.04), (180.0, 0.7, 0.35, 0.1), (20.0, 0.95, 6.0, 1.0)]
    {
        for pull in
            [Kind::LightAndDeficit { half_light_w_m2: kr, deficit_slope: m }, Kind::ReferenceEt]
        {
            let shape = Shape { pull, lag_h, night_floor, lead_h: 0.0 };
            let clock = clock(&shape, &fair);
            let demand = clock.demand(from + TimeDelta::minutes(77)).unwrap();
            assert!((demand - 1.0).abs() < 1e-12, "{demand}");
            let half_day = clock.between(from, to, &[]).unwrap().value();
            assert!((half_day - 12.0).abs() < 1e-11, "{half_day}");
        }
    }
    // The design's start values: the formula is 0.975 there before the floor and normalising
    // (0.6 slope, 150 W/m2: 700 / 850 * 1.5 (1 - 0.6 ln 1.5) + 0.04).
    let raw: f64 = 700.0 / 850.0 * 1.5 * (1.0 - 0.6 * 1.5f64.ln()) + 0.04;
    assert!((raw - 0.975).abs() < 0.001, "{raw}");
}

#[test]
fn a_tree_ahead_of_the_weather_feels_the_next_hour_before_its_stamp() {
    // Dark until 10:00, fair from then on; a quick tree with a lead of half an hour.
    let mut drives = fair_days(24, 0.0, 0.5, 0.0);
    drives[10..].copy_from_slice(&fair_days(24, 700.0, 1.5, FAIR_ET)[10..]);
    let at = |minute: i64| drives[0].span.from + TimeDelta::minutes(minute);
    for (lead_h, awake) in [(0.5, 570), (0.0, 600), (-0.5, 630)] {
        let shape = Shape { lag_h: 0.01, lead_h, ..Shape::default() };
        let clock = clock(&shape, &drives);
        let demand = |minute: i64| clock.demand(at(minute)).unwrap();
        assert!(demand(awake - 1) < 0.2 && demand(awake + 4) > 0.95, "{lead_h}");
        // Weather is needed as far beyond the last minute as the tree runs ahead.
        let ends = at(24 * 60 - (60.0 * lead_h) as i64);
        assert_eq!(clock.reach(at(720)), Ok(ends));
    }
}

#[test]
fn fair_reference_et_is_eq_53_at_the_stated_conditions() {
    // 25 degC, 2 m/s, sea level, Rs/Rso 0.8, 700 W/m2, 1.5 kPa; albedo 0.23, G = 0.1 Rn by day.
    let air = Celsius::new(25.0).unwrap();
    let actual = Kilopascal::new(saturation_vapour_pressure(air).value() - 1.5).unwrap();
    let shortwave = WattsPerSquareMetre::new(700.0).unwrap().over_one_hour();
    let longwave = net_longwave_of_hour(air, actual, RelativeShortwave::new(0.8).unwrap());
    let net_radiation = net_radiation(Balance { shortwave: net_shortwave(shortwave), longwave });
    let pressure = atmospheric_pressure(Metres::new(0.0).unwrap());
    let hour = HourAir {
        air,
        vapour_pressure: actual,
        wind_2m: MetresPerSecond::new(2.0).unwrap(),
        pressure,
    };
    let soil_heat = soil_heat_of_hour(net_radiation, Light::Day);
    let et = hourly_reference_et(hour, Energy { net_radiation, soil_heat }).value();
    assert!((et - FAIR_ET).abs() < 5e-5, "{et}");
    // The library's own constant, seen through the demand that it gives.
    let shape = Shape { pull: Kind::ReferenceEt, lag_h: 0.5, night_floor: 0.1, lead_h: 0.0 };
    let drives = fair_days(3, 700.0, 1.5, et);
    let demand = clock(&shape, &drives).demand(drives[2].span.from).unwrap();
    assert!((demand - 1.0).abs() < 1e-3, "{demand}");
}

#[test]
fn dew_pulls_nothing_and_dry_air_pulls_no_more_than_at_its_peak() {
    let shape = Shape { pull: Kind::ReferenceEt, lag_h: 0.5, night_floor: 0.1, lead_h: 0.0 };
    let dew = fair_days(12, 0.0, 0.0, -0.05);
    let demand = clock(&shape, &dew).demand(dew[11].span.from).unwrap();
    assert!((demand - 0.1 / 1.1).abs() < 1e-12, "{demand}");
    let shape = Shape::default();
    let at = |deficit: f64| {
        let drives = fair_days(2, 700.0, deficit, 0.0);
        clock(&shape, &drives).demand(drives[1].span.from).unwrap()
    };
    // Peak of d (1 - 0.6 ln d) at exp(1/0.6 - 1) = 1.948 kPa.
    let peak = at((1.0f64 / 0.6 - 1.0).exp());
    assert!(at(1.9) < peak && at(2.5) == peak && at(9.0) == peak && at(0.5) < at(1.0));
}

#[test]
fn holes_and_ends_are_told_and_never_bridged() {
    let mut drives = fair_days(30, 500.0, 1.0, 0.3);
    drives.drain(10..14);
    let (shape, hole) = (Shape::default(), (drives[9].span.to, drives[10].span.from));
    let clock = clock(&shape, &drives);
    let (from, last) = (drives[4].span.from, drives[25].span.to);
    let minute = TimeDelta::minutes(1);
    assert_eq!(clock.reach(from), Ok(hole.0));
    assert_eq!(clock.between(from, hole.1 + minute, &[]), Err(ClockError::Ends { end: hole.0 }));
    assert_eq!(clock.when(from, DemandHours::computed(99.0), &[]), Ok(When::After(hole.0)));
    for dark in [hole.0, hole.0 + minute, hole.1 - minute, last, drives[0].span.from - minute] {
        let missing = Err(ClockError::Missing { at: dark });
        assert_eq!(clock.reach(dark), missing);
        assert_eq!(
            clock.between(dark, dark + minute, &[]),
            missing.map(|_| DemandHours::computed(0.0))
        );
        assert!(clock.demand(dark).is_err() && clock.along(dark, &[1.0], &[]).is_err());
    }
    // The lag begins anew after the hole, and it takes six hours before that is forgotten.
    assert!(!clock.is_warm(hole.1 + minute) && clock.is_warm(hole.1 + TimeDelta::hours(6)));
    assert_eq!(clock.reach(hole.1), Ok(last));
}
