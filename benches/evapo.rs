//! A year of hourly reference evapotranspiration, beside the floor: one exponential, one cosine and
//! one square root per hour, which no way of writing it can avoid.
#![allow(missing_docs)]

use chrono::{DateTime, TimeDelta, Utc};
use criterion::{Criterion, criterion_group, criterion_main};
use std::hint::black_box;
use xylocast::evapo::humidity::{atmospheric_pressure, vapour_pressure};
use xylocast::evapo::sequence::{Reference, hour_by_hour};
use xylocast::units::*;
use xylocast::weather::{Flags, Hour, Series, Span};

const YEAR: i32 = 8760;

fn site() -> Place {
    Place {
        latitude: Latitude::new(-35.1).unwrap(),
        longitude: Longitude::new(138.6).unwrap(),
        elevation: Metres::new(48.0).unwrap(),
    }
}

fn year() -> Series {
    let start: DateTime<Utc> = "2025-01-01T00:30:00Z".parse().unwrap();
    let hour = |h: i32| {
        let wave = (f64::from(h) * 0.261_8).sin();
        let air = Celsius::computed(16.0 + 8.0 * wave + 0.01 * f64::from(h % 97));
        Hour {
            span: Span::hour_from(start + TimeDelta::hours(h.into())),
            air,
            vapour_pressure: vapour_pressure(air, Percent::computed(60.0 - 25.0 * wave)),
            wind_2m: MetresPerSecond::computed(2.0 + wave),
            shortwave: WattsPerSquareMetre::computed((800.0 * wave).max(0.0)),
            rain: Millimetres::computed(0.0),
            pressure: atmospheric_pressure(site().elevation),
            soil_water_m3_m3: None,
            flags: Flags::default(),
        }
    };
    Series::new((0..YEAR).map(hour).collect()).unwrap()
}

fn floor(hours: &[Hour]) -> f64 {
    let of_hour = |(h, hour): (i32, &Hour)| {
        let t = hour.air.value();
        let exponential = (17.27 * t / (t + 237.3)).exp();
        let cosine = (0.261_8 * f64::from(h % 24) - 3.1).cos();
        black_box(exponential) + black_box(cosine) + black_box(hour.vapour_pressure.value().sqrt())
    };
    (0..).zip(hours).map(of_hour).sum()
}

fn a_year(criterion: &mut Criterion) {
    let series = year();
    let mut group = criterion.benchmark_group("a year of hours");
    group.throughput(criterion::Throughput::Elements(YEAR as u64));
    for reference in [Reference::Fao56, Reference::AsceShort, Reference::AsceTall] {
        group.bench_function(format!("{reference:?}"), |bench| {
            bench.iter(|| hour_by_hour(black_box(&series), site(), reference));
        });
    }
    group.bench_function("floor", |bench| bench.iter(|| floor(black_box(series.hours()))));
    group.finish();
}

criterion_group!(benches, a_year);
criterion_main!(benches);
