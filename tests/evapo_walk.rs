//! The walk over a series, and the days gathered from one.
#![allow(missing_docs)]

mod evapo_common;

use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use chrono_tz::Tz;
use evapo_common::*;
use proptest::prelude::*;
use xylocast::evapo::asce::{self, Surface};
use xylocast::evapo::daily::{day, span_of_date};
use xylocast::evapo::estimate::*;
use xylocast::evapo::humidity::*;
use xylocast::evapo::radiation::*;
use xylocast::evapo::reference::*;
use xylocast::evapo::sequence::*;
use xylocast::evapo::soil::*;
use xylocast::evapo::sun::*;
use xylocast::units::*;
use xylocast::weather::{Flags, Hour, Series, Span};

const ALL: [Reference; 3] = [Reference::Fao56, Reference::AsceShort, Reference::AsceTall];

fn instant(text: &str) -> DateTime<Utc> {
    text.parse().unwrap()
}

fn date(text: &str) -> NaiveDate {
    text.parse().unwrap()
}

fn hour(from: DateTime<Utc>, air_c: f64, rh_pct: f64, wind_m_s: f64, rs_w_m2: f64) -> Hour {
    let air = celsius(air_c);
    Hour {
        span: Span::hour_from(from),
        air,
        vapour_pressure: vapour_pressure(air, percent(rh_pct)),
        wind_2m: wind(wind_m_s),
        shortwave: WattsPerSquareMetre::new(rs_w_m2).unwrap(),
        rain: Millimetres::new(0.0).unwrap(),
        pressure: kpa(99.0),
        soil_water_m3_m3: None,
        flags: Flags::default(),
    }
}

/// Plain summer weather under a sun of the place, `clearness` of a clear sky.
fn summer(site: Place, from: DateTime<Utc>, hours: i64, clearness: f64) -> Series {
    let mut sun = SunTrack::new(site);
    let make = |h: i64| {
        let span = Span::hour_from(from + TimeDelta::hours(h));
        let rso = clear_sky(sun.over(span).extraterrestrial, site.elevation).value();
        let air = 20.0 + 6.0 * ((h as f64) * 0.26).sin();
        hour(span.from, air, 55.0, 1.8, clearness * rso / 0.0036)
    };
    Series::new((0..hours).map(make).collect()).unwrap()
}

/// The second way: single equations, the sun from the calendar, the ratio carried by hand.
fn by_single_equations(hours: &[Hour], site: Place, reference: Reference) -> Vec<f64> {
    let sky = |hour: &Hour| {
        let middle = hour.span.middle();
        let solar = middle + TimeDelta::milliseconds((site.longitude.value() * 240_000.0) as i64);
        let day = DayOfYear::of(solar.date_naive());
        let of_day = middle.timestamp_millis().rem_euclid(86_400_000) as f64 / 3_600_000.0;
        let angle = solar_time_angle(Hours::new(of_day).unwrap(), site.longitude, day);
        let length = Hours::new(hour.span.hours()).unwrap();
        let ra = hourly_extraterrestrial_radiation(site.latitude, day, angle, length);
        let received =
            Megajoules::computed(hour.shortwave.over_one_hour().value() * hour.span.hours());
        let clear_sky = clear_sky(ra, site.elevation);
        let elevation = sun_elevation(site.latitude, day, angle).value();
        let ratio = RelativeShortwave::of(Shortwave { received, clear_sky });
        (elevation, ratio.filter(|_| elevation >= 0.3))
    };
    let skies: Vec<_> = hours.iter().map(sky).collect();
    // of the last hour with a ratio, or of the first one, where it is near enough
    let carried = |at: usize| {
        let with_ratio = |other: &usize| skies[*other].1.is_some();
        let known = (0..=at).rev().find(with_ratio);
        let known = known.or_else(|| (at..hours.len()).find(with_ratio))?;
        let way = &hours[known.min(at)..=known.max(at)];
        let gap = |pair: &[Hour]| pair[1].span.from - pair[0].span.to > TimeDelta::hours(24);
        let (from, seen) = (hours[at].span.from, hours[known].span);
        let near =
            from <= seen.to + TimeDelta::hours(48) && from >= seen.from - TimeDelta::hours(48);
        skies[known].1.filter(|_| near && !way.windows(2).any(gap))
    };
    let depth = |at: usize| {
        let (hour, elevation) = (&hours[at], skies[at].0);
        let ratio = carried(at).unwrap_or(RelativeShortwave::ASSUMED);
        let air = HourAir {
            air: hour.air,
            vapour_pressure: hour.vapour_pressure,
            wind_2m: hour.wind_2m,
            pressure: hour.pressure,
        };
        let rs = hour.shortwave.over_one_hour();
        let (t, ea) = (hour.air, hour.vapour_pressure);
        let asce = |surface| {
            asce::hourly_reference_et(air, asce::net_radiation_of_hour(t, ea, rs, ratio), surface)
        };
        let rate = match reference {
            Reference::AsceShort => asce(Surface::Short),
            Reference::AsceTall => asce(Surface::Tall),
            Reference::Fao56 => {
                let longwave = net_longwave_of_hour(t, ea, ratio);
                let net_radiation =
                    net_radiation(Balance { shortwave: net_shortwave(rs), longwave });
                let light = if elevation > 0.0 { Light::Day } else { Light::Night };
                let soil_heat = soil_heat_of_hour(net_radiation, light);
                hourly_reference_et(air, Energy { net_radiation, soil_heat })
            }
        };
        rate.value() * hour.span.hours()
    };
    (0..hours.len()).map(depth).collect()
}

/// A track turns the sun on by an hour where it can; here each hour is asked of a new one.
#[test]
fn an_hour_that_is_walked_to_is_the_hour_that_is_looked_at() {
    for (latitude, longitude) in [(-89.5, 10.0), (-35.1, 138.6), (0.0, -179.9), (68.5, 179.9)] {
        let site = place(latitude, longitude, 100.0);
        let mut walked = SunTrack::new(site);
        for h in 0..24 * 367 {
            let span = Span::hour_from(instant("2027-06-18T00:20:00Z") + TimeDelta::hours(h));
            let (on_the_way, at_once) = (walked.over(span), SunTrack::new(site).over(span));
            let apart = on_the_way.sine_of_elevation - at_once.sine_of_elevation;
            assert!(apart.abs() < 1e-13, "{latitude} {span:?}: {apart}");
            let apart = on_the_way.extraterrestrial.value() - at_once.extraterrestrial.value();
            assert!(apart.abs() < 1e-12, "{latitude} {span:?}: {apart}");
        }
    }
}

#[test]
fn greeley_through_the_walk() {
    let rows = table("asce_hourly.csv");
    let site = place(40.41, -104.78, 1462.4);
    let read = |row: &Row| {
        let local = date(row.text("date_local_standard")).and_hms_opt(0, 0, 0).unwrap().and_utc();
        let ending = row.number("hour_ending_local_standard") as i64;
        let from = local + TimeDelta::hours(ending - 1 + 7);
        let rs = row.number("Rs_MJ_m2_h") / 0.0036;
        Hour {
            vapour_pressure: kpa(row.number("ea_kPa")),
            wind_2m: wind_at_2m(wind(row.number("uz_m_s")), metres(3.0)).unwrap(),
            pressure: atmospheric_pressure(site.elevation),
            ..hour(from, row.number("T_C"), 50.0, 0.0, rs)
        }
    };
    let series = Series::new(rows.iter().map(read).collect()).unwrap();
    for (reference, computed, printed) in [
        (Reference::AsceShort, "calc_ETos", "pub_ETos_mm_h"),
        (Reference::AsceTall, "calc_ETrs", "pub_ETrs_mm_h"),
    ] {
        for (hour, row) in hour_by_hour(&series, site, reference).iter().zip(&rows) {
            let what = format!("Greeley {} {computed}", row.text("row"));
            within(hour.reference_et.value(), row.number(computed), 2e-5, &what);
            within(hour.reference_et.value(), row.number(printed), 0.006, &what);
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    /// At any place, in hours from any minute, some of them clipped, some missing for days.
    #[test]
    fn the_walk_is_the_single_equations(
        site in (-90.0..=90.0, -180.0..=180.0, -400.0..5000.0),
        start in 0i64..1_000_000,
        weather in prop::collection::vec(
            (-40.0..45.0, 0.0..=100.0, 0.0..20.0, 0.0..1200.0, 6i64..=60, 0u8..10), 1..80,
        ),
    ) {
        let site = place(site.0, site.1, site.2);
        let start = instant("2025-12-20T00:00:00Z") + TimeDelta::minutes(start);
        let mut hours = Vec::new();
        let mut away = 0;
        for (h, &(air, rh, wind, rs, minutes, fate)) in (0..).zip(&weather) {
            away += if fate == 8 && minutes < 20 { minutes } else { 0 };
            let mut hour = hour(start + TimeDelta::hours(h + 2 * away), air, rh, wind, rs);
            if fate < 3 {
                hour.span.to = hour.span.from + TimeDelta::minutes(minutes);
            }
            if fate != 9 {
                hours.push(hour);
            }
        }
        let series = Series::new(hours).unwrap();
        for reference in ALL {
            let walk = hour_by_hour(&series, site, reference);
            let single = by_single_equations(series.hours(), site, reference);
            prop_assert_eq!(walk.len(), single.len());
            for ((hour, et), given) in walk.iter().zip(single).zip(series.hours()) {
                prop_assert!(hour.reference_et.value().is_finite());
                let vpd = vapour_pressure_deficit(given.air, given.vapour_pressure);
                prop_assert!((hour.deficit.value() - vpd.value()).abs() < 1e-12);
                let apart = (hour.reference_et.value() - et).abs();
                prop_assert!(apart < 1e-9, "{reference:?} {hour:?} against {et}");
            }
        }
    }

    #[test]
    fn a_date_is_the_sum_of_its_hours(
        zone_and_date in prop::sample::select(vec![
            ("Europe/Berlin", "2026-03-29", 23.0),
            ("Europe/Berlin", "2026-10-25", 25.0),
            ("Australia/Adelaide", "2026-10-04", 23.0),
            ("Australia/Lord_Howe", "2026-10-04", 23.5),
            ("Australia/Lord_Howe", "2026-04-05", 24.5),
            ("Asia/Kolkata", "2026-07-01", 24.0),
            ("America/Santiago", "2026-09-06", 23.0),
        ]),
        offset in 0i64..60,
        weather in prop::collection::vec((0.0..30.0, 10.0..90.0, 0.0..9.0, 0.0..900.0, 0.0..20.0), 30),
    ) {
        let (zone, on, length) = zone_and_date;
        let (zone, on): (Tz, _) = (zone.parse().unwrap(), date(on));
        let span = span_of_date(on, zone).unwrap();
        prop_assert_eq!(span.hours(), length);
        let start = span.from - TimeDelta::minutes(60 + offset);
        let make = |(h, &(air, rh, wind, rs, rain)): (i64, &(f64, f64, f64, f64, f64))| Hour {
            rain: Millimetres::new(rain).unwrap(),
            ..hour(start + TimeDelta::hours(h), air, rh, wind, rs)
        };
        let series = Series::new((0..).zip(&weather).map(make).collect()).unwrap();
        let site = place(-35.0, 138.6, 50.0);
        let whole = day(&series, on, zone, site).unwrap().unwrap();
        let sum = |value: fn(&Hour) -> f64| -> f64 {
            series.hours().iter().map(|hour| value(hour) * hour.span.overlap_hours(span)).sum()
        };
        prop_assert!((whole.coverage - 1.0).abs() < 1e-12);
        prop_assert!((whole.shortwave.value() - sum(|h| h.shortwave.value() * 0.0036)).abs() < 1e-9);
        prop_assert!((whole.rain.value() - sum(|h| h.rain.value())).abs() < 1e-9);
        prop_assert!((whole.wind_2m.value() - sum(|h| h.wind_2m.value()) / length).abs() < 1e-9);
        prop_assert!(whole.reference_et.unwrap().value().is_finite());
        for reference in ALL {
            let walk = hour_by_hour(&series, site, reference);
            let by_overlap: f64 = walk.iter()
                .map(|h| h.reference_et.value() * h.span.overlap_hours(span) / h.span.hours())
                .sum();
            let within = reference_et_within(&walk, span).value();
            prop_assert!((within - by_overlap).abs() < 1e-9);
        }
    }

    #[test]
    fn a_day_of_estimated_hours_is_eq_50(
        site in (-55.0..55.0, -180.0..=180.0, 0.0..2000.0), day in 1u32..=365, low in -5.0..20.0,
        spread in 0.0..20.0,
    ) {
        let site = place(site.0, site.1, site.2);
        let on = NaiveDate::from_yo_opt(2026, day).unwrap();
        // the mean solar day of the date
        let east = TimeDelta::seconds((site.longitude.value() * 240.0) as i64);
        let midnight = on.and_hms_opt(0, 0, 0).unwrap().and_utc() - east;
        let spans: Vec<Span> =
            (0..24).map(|h| Span::hour_from(midnight + TimeDelta::hours(h))).collect();
        let range = temperatures(low, low + spread);
        let hours = shortwave_of_date(range, Setting::Interior, site, on, &spans);
        let sum: f64 = hours.iter().map(|hour| hour.over_one_hour().value()).sum();
        let ra = extraterrestrial_radiation(site.latitude, DayOfYear::of(on));
        let whole = shortwave_from_temperature_range(range, ra, Setting::Interior).value();
        prop_assert!((sum - whole).abs() < 1e-6, "{sum} against {whole}");
    }
}

#[test]
fn clouds_before_the_first_high_sun_are_those_of_that_hour() {
    let site = place(45.0, 10.0, 100.0);
    // 20:00 UTC: dark until the next morning
    let night = |clearness| summer(site, instant("2026-07-01T20:00:00Z"), 24, clearness);
    let first = |series: &Series| hour_by_hour(series, site, Reference::Fao56)[0].reference_et;
    assert!(first(&night(1.0)) < first(&night(0.5)), "a clear sky cools");

    let dark = Series::new(night(1.0).hours()[..4].to_vec()).unwrap();
    let assumed = first(&dark).value();
    let half = first(&night(0.5)).value();
    within(assumed, half, 1e-9, "no high sun at all: Rs/Rso is assumed to be 0.5");
}

#[test]
fn an_afternoon_is_carried_through_the_night() {
    let site = place(45.0, 10.0, 100.0);
    let start = instant("2026-07-01T06:00:00Z");
    let midnight = |afternoon: f64| {
        let mut hours = summer(site, start, 24, 0.9).hours().to_vec();
        for hour in &mut hours[6..11] {
            hour.shortwave = WattsPerSquareMetre::computed(hour.shortwave.value() * afternoon);
        }
        let series = Series::new(hours).unwrap();
        hour_by_hour(&series, site, Reference::AsceShort)[17].reference_et
    };
    assert!(midnight(1.0) < midnight(0.5));
}

/// Reference ET of hours so far from an hour of high sun and no other, under clear sky and cloud.
fn far_from_high_sun<const N: usize>(away_h: [i64; N]) -> [bool; N] {
    let site = place(45.0, 10.0, 100.0);
    let noon = instant("2026-07-01T11:00:00Z");
    let night = |h: &i64| hour(noon + TimeDelta::hours(*h), 15.0, 80.0, 1.0, 0.0);
    let nights = |clearness: f64| {
        let mut hours = summer(site, noon, 1, clearness).hours().to_vec();
        hours.extend(away_h.iter().map(night));
        hour_by_hour(&Series::new(hours).unwrap(), site, Reference::AsceShort)
    };
    let (clear, clouded) = (nights(1.0), nights(0.4));
    away_h.map(|h| {
        let at = clear.iter().position(|hour| hour.span == night(&h).span).unwrap();
        assert_eq!(clear[at].light, Light::Night);
        clear[at].reference_et != clouded[at].reference_et
    })
}

#[test]
fn clouds_are_forgotten_after_two_days_without_a_high_sun() {
    assert_eq!(far_from_high_sun([11, 35, 59]), [true, true, false]);
    assert_eq!(far_from_high_sun([-13, -37, -61]), [true, true, false]);
}

#[test]
fn clouds_are_not_carried_over_a_long_gap() {
    assert_eq!(far_from_high_sun([11, 36]), [true, true], "a gap of 24 h");
    assert_eq!(far_from_high_sun([10, 36, 37]), [true, false, false], "a gap of 25 h");
    assert_eq!(far_from_high_sun([-38, -37, -12]), [true, true, true]);
    assert_eq!(far_from_high_sun([-39, -38, -12]), [false, false, true]);
}

#[test]
fn a_clipped_night_hour_is_its_share() {
    let site = place(45.0, 10.0, 100.0);
    let series = summer(site, instant("2026-07-01T06:30:00Z"), 24, 0.8);
    let whole = hour_by_hour(&series, site, Reference::Fao56);
    let cut = instant("2026-07-02T00:42:00Z");
    let parts = Series::default().followed_by(&series, instant("2026-07-01T00:00:00Z"));
    let clipped = parts.followed_by(&Series::default(), cut);
    let last = *hour_by_hour(&clipped, site, Reference::Fao56).last().unwrap();
    let same = whole.iter().find(|hour| hour.span.contains(cut)).unwrap();
    assert_eq!((last.light, same.light), (Light::Night, Light::Night));
    within(last.reference_et.value(), 0.2 * same.reference_et.value(), 1e-12, "12 of 60 minutes");
    assert_eq!(last.deficit, same.deficit);
}

#[test]
fn a_date_with_a_hole_says_so() {
    let site = place(52.5, 13.4, 30.0);
    let zone = chrono_tz::Europe::Berlin;
    let on = date("2026-07-02");
    let series = summer(site, instant("2026-07-01T12:00:00Z"), 48, 0.7);
    let whole = day(&series, on, zone, site).unwrap().unwrap();
    assert_eq!(whole.coverage, 1.0);

    let mut hours = series.hours().to_vec();
    hours.drain(20..26);
    let holed = Series::new(hours).unwrap();
    let part = day(&holed, on, zone, site).unwrap().unwrap();
    assert!((part.coverage - 0.75).abs() < 1e-12);
    assert_eq!(part.reference_et, None);
    assert_eq!(day(&holed, date("2026-08-01"), zone, site).unwrap(), None);
}

#[test]
fn hours_and_eq_6_agree_on_a_summer_day() {
    let site = place(52.5, 13.4, 30.0);
    let zone = chrono_tz::Europe::Berlin;
    let series = summer(site, instant("2026-07-01T12:00:00Z"), 48, 0.7);
    let on = day(&series, date("2026-07-02"), zone, site).unwrap().unwrap();
    let hours = hour_by_hour(&series, site, Reference::AsceShort);
    let sum = reference_et_within(&hours, on.span).value();
    within(sum, on.reference_et.unwrap().value(), 0.5, "two time steps, one day");
}

#[test]
fn dates_that_a_zone_leaves_out_are_refused() {
    assert!(span_of_date(date("2011-12-30"), chrono_tz::Pacific::Apia).is_err());
    assert!(span_of_date(NaiveDate::MAX, chrono_tz::UTC).is_err());
    // clocks go forward at midnight: the date begins at one
    let span = span_of_date(date("2026-09-06"), chrono_tz::America::Santiago).unwrap();
    assert_eq!(span.from, instant("2026-09-06T04:00:00Z"));
}
