//! The real service under pulls, readings, refits and readers for a while: 20 s, or 15 minutes with
//! `XYLOCAST_LONG=1`. Memory stays, no descriptor is left open, no task is lost, every acknowledged
//! entry is in the database once, and it stops when told.
#![allow(missing_docs)]

#[path = "stand_in/mod.rs"]
mod stand_in;

use serde_json::{Value, json};
use stand_in::{Reply, StandIn, four_days};
use std::collections::BTreeSet;
use std::fs;
use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::time::{Duration, Instant};

const QUESTIONS: [&str; 8] = [
    "/g/soak/tomorrow",
    "/g/soak/today",
    "/g/soak/draws",
    "/g/soak/weather",
    "/api/v1/groves/soak/tomorrow",
    "/api/v1/groves/soak/today",
    "/api/v1/groves/soak/entries",
    "/api/v1/groves/soak/outlook",
];
/// Memory may grow by this over the later half: buffers of the allocator, a page of SQLite's.
const GROWTH: f64 = 1.15;
const SLACK_MB: f64 = 12.0;
/// Connections of the test's own clients come and go.
const SPARE_DESCRIPTORS: usize = 6;
const PATIENCE: Duration = Duration::from_secs(120);

/// The service, ended with the test whatever becomes of it.
struct Running(Child);

impl Drop for Running {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

fn lasts() -> Duration {
    let long = std::env::var_os("XYLOCAST_LONG").is_some();
    Duration::from_secs(if long { 900 } else { 20 })
}

/// The demo grove as a database of the service's own, its weather from the stand-in.
fn grove(data: &Path, stand_in: &StandIn) {
    let folder = data.join("from");
    let run = |args: &[&str]| {
        let output = Command::new(env!("CARGO_BIN_EXE_xylocast"))
            .args(args)
            .env_remove("XYLOCAST_GROVE")
            .output()
            .unwrap();
        assert!(output.status.success(), "{args:?}: {}", String::from_utf8_lossy(&output.stderr));
    };
    run(&["export", folder.to_str().unwrap()]);
    let settings = folder.join("grove.toml");
    let mut text = fs::read_to_string(&settings).unwrap();
    assert!(!text.contains("[weather]"), "the demo asks nobody");
    text += &format!(
        "\n[weather]\ncontact = \"crew@example.org\"\nopen_meteo_url = \"{}\"\nfirst_wait_ms = 5\n",
        stand_in.base
    );
    fs::write(&settings, text).unwrap();
    let database = data.join("soak.db");
    run(&["import", folder.to_str().unwrap(), "--grove", database.to_str().unwrap()]);
    fs::remove_dir_all(folder).unwrap();
}

fn memory_mb(pid: u32) -> f64 {
    let pages = fs::read_to_string(format!("/proc/{pid}/statm")).unwrap();
    pages.split(' ').nth(1).unwrap().parse::<f64>().unwrap() * 4096.0 / 1e6
}

fn descriptors(pid: u32) -> usize {
    fs::read_dir(format!("/proc/{pid}/fd")).unwrap().count()
}

/// What went on beside each other.
#[derive(Default)]
struct Tally {
    done: AtomicBool,
    read: AtomicUsize,
    noted: AtomicUsize,
    pulled: AtomicUsize,
    refitted: AtomicUsize,
}

impl Tally {
    /// Some of each; two of what takes no time.
    fn is_enough(&self) -> bool {
        let several = [&self.read, &self.noted, &self.pulled];
        several.iter().all(|count| count.load(Ordering::Relaxed) > 1)
            && self.refitted.load(Ordering::Relaxed) > 0
    }
}

async fn post(client: &reqwest::Client, url: String, body: &Value) -> (u16, String) {
    let asked = client.post(url).header("content-type", "application/json").body(body.to_string());
    let answer = asked.send().await.unwrap();
    (answer.status().as_u16(), answer.text().await.unwrap())
}

/// Bags hung, read twice, seen empty and stripped, over and over; the keys that were acknowledged.
async fn crew(client: reqwest::Client, base: String, tally: Arc<Tally>) -> BTreeSet<String> {
    let trees = client.get(format!("{base}/api/v1/groves/soak/trees?per_page=30")).send().await;
    let trees: Value = serde_json::from_str(&trees.unwrap().text().await.unwrap()).unwrap();
    let named = trees["trees"].as_array().expect("trees");
    let trees: Vec<String> =
        named.iter().map(|tree| tree["tree_id"].as_str().unwrap().to_owned()).collect();
    let url = format!("{base}/api/v1/groves/soak/entries");
    let mut kept = BTreeSet::new();
    for round in 0.. {
        let tree = &trees[round % trees.len()];
        let draw = format!("soak-{round}");
        for (step, act) in [
            json!({"kind": "start", "tree_id": tree, "draw_id": draw, "second_bag": true}),
            json!({"kind": "left", "on": draw, "left_ml": 700}),
            json!({"kind": "wet", "on": draw}),
            json!({"kind": "strip", "on": draw, "left_ml": 300}),
        ]
        .into_iter()
        .enumerate()
        {
            if tally.done.load(Ordering::Relaxed) {
                return kept;
            }
            let key = format!("{round}-{step}");
            let (status, said) = post(&client, url.clone(), &json!({"key": key, "act": act})).await;
            assert!(status == 201, "{key}: {status} {said}");
            kept.insert(key);
            tally.noted.fetch_add(1, Ordering::Relaxed);
            // Looks are told apart by the second.
            tokio::time::sleep(Duration::from_millis(1100)).await;
        }
    }
    kept
}

async fn reader(client: reqwest::Client, base: String, tally: Arc<Tally>, from: usize) {
    for place in from.. {
        if tally.done.load(Ordering::Relaxed) {
            return;
        }
        let url = format!("{base}{}", QUESTIONS[place % QUESTIONS.len()]);
        let answer = client.get(&url).send().await.unwrap();
        let status = answer.status().as_u16();
        let text = answer.text().await.unwrap();
        assert_eq!(status, 200, "{url}: {text}");
        tally.read.fetch_add(1, Ordering::Relaxed);
    }
}

async fn pulls(client: reqwest::Client, base: String, tally: Arc<Tally>) {
    while !tally.done.load(Ordering::Relaxed) {
        let url = format!("{base}/api/v1/groves/soak/pull");
        let (status, said) = post(&client, url, &json!({})).await;
        assert!(status < 300, "pull: {status} {said}");
        tally.pulled.fetch_add(1, Ordering::Relaxed);
        tokio::time::sleep(Duration::from_secs(1)).await;
    }
}

async fn refits(client: reqwest::Client, base: String, tally: Arc<Tally>) {
    while !tally.done.load(Ordering::Relaxed) {
        let url = format!("{base}/api/v1/groves/soak/refit");
        let (status, said) = post(&client, url, &json!({"even_if_worse": true})).await;
        assert!(status == 201, "refit: {status} {said}");
        tally.refitted.fetch_add(1, Ordering::Relaxed);
        tokio::time::sleep(Duration::from_secs(8)).await;
    }
}

fn median<T: PartialOrd + Copy>(values: &mut [T]) -> T {
    values.sort_by(|a, b| a.partial_cmp(b).expect("numbers"));
    values[values.len() / 2]
}

#[cfg(target_os = "linux")]
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_service_at_work_keeps_its_memory_and_loses_nothing() {
    let data = tempfile::tempdir().unwrap();
    let stand_in = StandIn::serving(vec![Reply::ok(four_days(-34.9, 138.7, 120.0).to_string())]);
    grove(data.path(), &stand_in);
    let mut command = Command::new(env!("CARGO_BIN_EXE_xylocast"));
    command.args(["serve", "--listen", "127.0.0.1:0", "--pull", "true", "--log-level", "warn"]);
    command.arg("--data").arg(data.path()).env_remove("XYLOCAST_GROVE").stderr(Stdio::piped());
    let mut running = Running(command.spawn().unwrap());
    let mut said = BufReader::new(running.0.stderr.take().unwrap()).lines();
    let listening = said.by_ref().map(Result::unwrap).find(|line| line.contains("http://"));
    let base = listening.unwrap().split("http://").nth(1).unwrap().trim().to_owned();
    let base = format!("http://{}", base.trim_end_matches('/').split_whitespace().next().unwrap());
    let complaints = std::thread::spawn(move || said.map_while(Result::ok).collect::<Vec<_>>());
    let pid = running.0.id();
    let _ = rustls::crypto::ring::default_provider().install_default();
    // A connection each, so that none is used again in the moment in which the service lets it go.
    let client = reqwest::Client::builder().pool_max_idle_per_host(0).build().unwrap();
    let tally = Arc::new(Tally::default());
    let crew = tokio::spawn(crew(client.clone(), base.clone(), tally.clone()));
    let mut others = vec![
        tokio::spawn(pulls(client.clone(), base.clone(), tally.clone())),
        tokio::spawn(refits(client.clone(), base.clone(), tally.clone())),
    ];
    for from in 0..2 {
        others.push(tokio::spawn(reader(client.clone(), base.clone(), tally.clone(), from * 3)));
    }
    let (began, lasts) = (Instant::now(), lasts());
    let (mut memory, mut open) = (Vec::new(), Vec::new());
    // On a machine that others use too, enough of it takes longer.
    while began.elapsed() < lasts || (!tally.is_enough() && began.elapsed() < lasts + PATIENCE) {
        tokio::time::sleep(Duration::from_millis(250)).await;
        memory.push(memory_mb(pid));
        open.push(descriptors(pid));
    }
    tally.done.store(true, Ordering::Relaxed);
    let kept = crew.await.unwrap();
    for other in others {
        other.await.unwrap();
    }
    let half = memory.len() / 2;
    let quarter = half + half / 2;
    let (before, after) = (median(&mut memory[half..quarter]), median(&mut memory[quarter..]));
    let (held, holds) = (median(&mut open[half..quarter]), median(&mut open[quarter..]));
    let count = |count: &AtomicUsize| count.load(Ordering::Relaxed);
    eprintln!(
        "{} s: {} pages and answers, {} entries, {} pulls ({} asked of the service), {} refits; memory \
         {before:.0} then {after:.0} MB; descriptors {held} then {holds}",
        began.elapsed().as_secs(),
        count(&tally.read),
        kept.len(),
        count(&tally.pulled),
        stand_in.asked().len(),
        count(&tally.refitted),
    );
    assert!(tally.is_enough(), "too little was done");
    assert!(after < GROWTH * before + SLACK_MB, "memory grew from {before:.0} to {after:.0} MB");
    assert!(holds < held + SPARE_DESCRIPTORS, "descriptors went from {held} to {holds}");

    // Told to stop, it does so by itself and without a complaint.
    let stopped = Command::new("kill").arg("-TERM").arg(pid.to_string()).status().unwrap();
    assert!(stopped.success());
    assert!(running.0.wait().unwrap().success());
    let complaints = complaints.join().unwrap();
    assert!(complaints.iter().all(|line| !line.contains("panicked")), "{complaints:?}");
    let database = rusqlite::Connection::open(data.path().join("soak.db")).unwrap();
    let mut query = database.prepare("SELECT key FROM entries").unwrap();
    let all: Vec<String> =
        query.query_map([], |row| row.get(0)).unwrap().map(Result::unwrap).collect();
    let once: BTreeSet<String> = all.iter().cloned().collect();
    assert_eq!(all.len(), once.len(), "an entry is there twice");
    assert_eq!(
        kept.difference(&once).collect::<Vec<_>>(),
        Vec::<&String>::new(),
        "acknowledged and lost"
    );
}
