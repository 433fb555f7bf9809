//! Finishing times of 10,000 trees at 64 starts each, on both cores: `cargo bench --bench times`
#![allow(missing_docs)]

use chrono::TimeDelta;
use criterion::{Criterion, criterion_group, criterion_main};
use rayon::prelude::*;
use std::hint::black_box;
use xylocast::app::ahead::foresee;
use xylocast::app::desk::{Desk, Request};
use xylocast::app::times::ahead;
use xylocast::app::window::listed;
use xylocast::grove::Hang;

const TREES: usize = 10_000;
const STARTS: i32 = 64;

/// Every tree of a list as long as wanted, at every start of tomorrow.
fn all(desk: &Desk) -> Vec<Hang> {
    let list = listed(desk, desk.tomorrow());
    (0..TREES)
        .flat_map(|tree| {
            let hang = list.hangs[tree % list.hangs.len()].clone();
            (0..STARTS).map(move |step| Hang {
                start: hang.start + TimeDelta::minutes(10) * step,
                ..hang.clone()
            })
        })
        .collect()
}

fn quantiles(criterion: &mut Criterion) {
    for (name, exact_weather) in [("forecast weather", false), ("exact weather", true)] {
        let request = Request { exact_weather, ..Request::default() };
        let Ok(desk) = Desk::lay(&request, chrono::Utc::now()) else { return };
        let hangs = all(&desk);
        let first = hangs[0].start;
        criterion.bench_function(&format!("{TREES} trees at {STARTS} starts, {name}"), |bencher| {
            bencher.iter(|| {
                let ahead = ahead(&desk, first);
                let each = hangs.par_chunks(16_384).map(|part| {
                    let beliefs = foresee(&desk.grove, &desk.model, &ahead, part);
                    let finish = |p: f64| -> f64 {
                        let finishes = beliefs.iter().flatten().map(|belief| belief.quantile(p));
                        finishes.map(|finish| finish.at_least_min()).sum()
                    };
                    [0.1, 0.5, 0.9].map(finish).iter().sum::<f64>()
                });
                black_box(each.sum::<f64>())
            });
        });
    }
}

criterion_group! {
    name = benches;
    config = Criterion::default().sample_size(10);
    targets = quantiles
}
criterion_main!(benches);
