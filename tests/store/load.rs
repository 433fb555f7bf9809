//! Eight writers and eight readers at once: no lost update, no deadlock.

use super::groves::{Kept, ago, count, entry, now, start, wet};
use std::io::Write;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering::Relaxed};
use std::time::{Duration, Instant};
use xylocast::journal::Act;

/// So many writes and reads show whether one gets lost.
const LEAST: usize = 50;
const PATIENCE: Duration = Duration::from_secs(120);

#[test]
fn eight_writers_and_eight_readers_lose_no_update() {
    let long = std::env::var_os("XYLOCAST_LONG").is_some();
    let lasts = Duration::from_secs(if long { 60 } else { 5 });
    let kept = Kept::bare();
    let (stop, began) = (AtomicBool::new(false), Instant::now());
    let (reads, writes) = (AtomicUsize::new(0), AtomicUsize::new(0));
    let mut waits: Vec<Duration> = std::thread::scope(|scope| {
        let writers: Vec<_> = (0..8)
            .map(|writer| {
                let (kept, stop, writes) = (&kept, &stop, &writes);
                scope.spawn(move || {
                    let mut database = kept.open();
                    let draw = format!("d{writer}");
                    let begun = Act::Start(start(&draw, &format!("A{}", writer + 1)));
                    database.append(&entry(&format!("s{writer}"), ago(90), begun), now()).unwrap();
                    let mut waits = Vec::new();
                    while !stop.load(Relaxed) {
                        let key = format!("{writer}-{}", waits.len());
                        let sent = entry(&key, ago(60), wet(&draw));
                        let since = Instant::now();
                        database.append(&sent, now()).unwrap();
                        waits.push(since.elapsed());
                        writes.fetch_add(1, Relaxed);
                        // A crew's phone does not send without a breath.
                        std::thread::sleep(Duration::from_millis(fastrand::u64(5..30)));
                    }
                    waits
                })
            })
            .collect();
        for _ in 0..8 {
            scope.spawn(|| {
                let database = kept.open();
                while !stop.load(Relaxed) {
                    let grove = database.grove().unwrap();
                    assert_eq!(grove.trees.len(), 200);
                    reads.fetch_add(1, Relaxed);
                    std::thread::sleep(Duration::from_millis(20));
                }
            });
        }
        std::thread::sleep(lasts);
        // On a machine that others use too, enough of it takes longer.
        while began.elapsed() < PATIENCE
            && (writes.load(Relaxed) < LEAST || reads.load(Relaxed) < LEAST)
        {
            std::thread::sleep(Duration::from_millis(50));
        }
        stop.store(true, Relaxed);
        writers.into_iter().flat_map(|writer| writer.join().unwrap()).collect()
    });
    waits.sort_unstable();
    let at = |share: f64| waits[((waits.len() - 1) as f64 * share) as usize].as_secs_f64() * 1e3;
    let words = format!(
        "8 writers, 8 readers, {} s: {} writes, {} reads; write p50 {:.1} ms, p99 {:.1} ms, most \
         {:.1} ms\n",
        began.elapsed().as_secs(),
        waits.len(),
        reads.load(Relaxed),
        at(0.5),
        at(0.99),
        at(1.0)
    );
    std::io::stderr().write_all(words.as_bytes()).unwrap();
    let database = kept.open();
    let written = i64::try_from(waits.len()).unwrap();
    assert_eq!(count(&database, "SELECT count(*) FROM readings"), written);
    assert_eq!(count(&database, "SELECT count(*) FROM entries"), written + 8);
    assert_eq!(database.soundness().unwrap().problems, [] as [&str; 0]);
    assert!(waits.len() >= LEAST && reads.load(Relaxed) >= LEAST, "{words}");
}
