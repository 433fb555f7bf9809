//! Several services at one database server, killed at random: weather is asked once an hour for each
//! place, every grove's outlook is fresh, and no acknowledged write is lost.
//!
//! Short here; with `XYLOCAST_LONG=1` 3 processes, 5,000 groves, 2 minutes.
#![allow(missing_docs)]

mod means;
#[path = "stand_in/mod.rs"]
mod stand_in;

use chrono::{DateTime, TimeDelta, Utc};
use means::postgres::{Server, name_of};
use stand_in::{Reply, StandIn};
use std::collections::{BTreeMap, BTreeSet};
use std::io::{BufRead, BufReader, Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering::Relaxed};
use std::sync::{Mutex, RwLock};
use std::thread::{scope, sleep};
use std::time::{Duration, Instant};
use tempfile::TempDir;
use xylocast::app::access::{add_person, add_token};
use xylocast::store::db::{By, Database};
use xylocast::store::office::{Office, Role};

const PROCESSES: usize = 3;
/// Groves that stand so near one another that they share an answer.
const IN_A_CELL: usize = 4;
const TREES: usize = 3;
const LEAST_KILLS: usize = 3;

struct Scale {
    groves: usize,
    lasts: Duration,
    /// Between kills, s.
    every_s: std::ops::Range<f64>,
    /// Longest wait afterwards for all to be fresh.
    settles: Duration,
}

fn scale() -> Scale {
    match std::env::var("XYLOCAST_LONG").is_ok_and(|long| long == "1") {
        true => Scale {
            groves: 5_000,
            lasts: Duration::from_secs(120),
            every_s: 2.0..5.0,
            settles: Duration::from_secs(900),
        },
        false => Scale {
            groves: 60,
            lasts: Duration::from_secs(10),
            every_s: 1.5..3.0,
            settles: Duration::from_secs(120),
        },
    }
}

/// An answer for any place: a day past and a day ahead, in fair weather.
fn weather(now: DateTime<Utc>) -> String {
    let hour = now.timestamp() / 3600 * 3600;
    let hours: Vec<i64> = (-24..24).map(|step| hour + step * 3600).collect();
    let all = |value: f64| vec![value; hours.len()];
    serde_json::json!({
        "latitude": 40.0, "longitude": 10.0, "elevation": 100.0, "utc_offset_seconds": 0,
        "timezone": "GMT", "timezone_abbreviation": "GMT",
        "hourly_units": {
            "time": "unixtime", "temperature_2m": "°C", "relative_humidity_2m": "%",
            "wind_speed_10m": "m/s", "shortwave_radiation": "W/m²", "precipitation": "mm",
            "surface_pressure": "hPa",
        },
        "hourly": {
            "time": hours, "temperature_2m": all(21.0), "relative_humidity_2m": all(50.0),
            "wind_speed_10m": all(2.0), "shortwave_radiation": all(300.0),
            "precipitation": all(0.0), "surface_pressure": all(1005.0),
        },
    })
    .to_string()
}

/// One grove comes in as all do; the others are copied from it inside the server.
fn fill(server: &Server, database: &Path, groves: usize, service: &str) {
    let folder = tempfile::tempdir().unwrap();
    let toml = format!(
        "name = \"G\"\ntime_zone = \"Europe/Rome\"\nlatitude_deg = 40.0001\n\
         longitude_deg = 10.0001\nelevation_m = 110\n[weather]\nsources = [\"open-meteo\"]\n\
         open_meteo_url = \"{service}\"\nfirst_wait_ms = 100\n"
    );
    let trees = "tree_id,block,species,dbh_cm,ports\nT0,n,elm,30,6\nT1,n,elm,35,6\nT2,n,elm,40,6\n";
    std::fs::write(folder.path().join("grove.toml"), toml).unwrap();
    std::fs::write(folder.path().join("trees.csv"), trees).unwrap();
    let by = By { who: "the test", at: Utc::now() };
    let first = format!("{}&grove=g0", database.display());
    let mut first = Database::open_or_create(Path::new(&first), by.at).unwrap();
    first.import(folder.path(), by, false, &mut |_, _, _| {}).unwrap();
    let last = groves - 1;
    let copied = format!(
        "SET search_path = xylocast; SET xylocast.who = 'the test'; SET xylocast.at_utc = '1';
         INSERT INTO homes (slug) SELECT 'g' || n FROM generate_series(1, {last}) n;
         SET xylocast.grove = '1';
         INSERT INTO groves (grove_id, name, time_zone, latitude_deg, longitude_deg, elevation_m,
             settings_toml)
         SELECT h.grove_id, g.name, g.time_zone, p.north, p.east, g.elevation_m,
             replace(replace(g.settings_toml, '40.0001', p.north::text), '10.0001', p.east::text)
         FROM groves g, homes h, LATERAL (SELECT
             40.0001 + 0.02 * (substr(h.slug, 2)::BIGINT / {IN_A_CELL} % 50) AS north,
             10.0001 + 0.02 * (substr(h.slug, 2)::BIGINT / {IN_A_CELL} / 50) AS east) p
         WHERE g.grove_id = 1 AND h.grove_id > 1;
         INSERT INTO trees (grove_id, tree_id, block, species, dbh_cm, ports)
         SELECT h.grove_id, t.tree_id, t.block, t.species, t.dbh_cm, t.ports
         FROM trees t, homes h WHERE t.grove_id = 1 AND h.grove_id > 1;
         ANALYZE"
    );
    server.sql("postgres", name_of(database), &copied);
}

/// A service that runs; killed where it stands at the latest with the test.
struct Serving {
    process: Child,
    address: SocketAddr,
}

impl Drop for Serving {
    fn drop(&mut self) {
        let _ = self.process.kill();
        let _ = self.process.wait();
    }
}

fn serve(database: &Path, scratch: &TempDir) -> Serving {
    let mut process = Command::new(env!("CARGO_BIN_EXE_xylocast"))
        .args(["serve", "--listen", "127.0.0.1:0", "--pull", "true", "--log-level", "error"])
        .arg("--data")
        .arg(database)
        .env_remove("XYLOCAST_GROVE")
        .env("TMPDIR", scratch.path())
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut said = BufReader::new(process.stderr.take().unwrap());
    let mut told = String::new();
    let address = loop {
        let mut line = String::new();
        assert!(said.read_line(&mut line).unwrap() > 0, "it does not serve:\n{told}");
        if let Some(at) = line.strip_prefix("xylocast serves http://") {
            break at.trim().trim_end_matches('/').parse().unwrap();
        }
        told += &line;
    };
    // What else it says is not kept, and must not fill the pipe.
    std::thread::spawn(move || std::io::copy(&mut said, &mut std::io::sink()));
    Serving { process, address }
}

/// Status and body of an answer; none where there was none.
fn ask(at: SocketAddr, token: &str, head: &str, body: &str) -> Option<(u16, String)> {
    let mut stream = TcpStream::connect_timeout(&at, Duration::from_secs(2)).ok()?;
    stream.set_read_timeout(Some(Duration::from_secs(30))).ok()?;
    let request = format!(
        "{head} HTTP/1.1\r\nhost: localhost\r\nauthorization: Bearer {token}\r\n\
         content-type: application/json\r\ncontent-length: {}\r\nconnection: close\r\n\r\n{body}",
        body.len()
    );
    stream.write_all(request.as_bytes()).ok()?;
    let mut answer = String::new();
    stream.read_to_string(&mut answer).ok()?;
    let (head, body) = answer.split_once("\r\n\r\n")?;
    Some((head.split(' ').nth(1)?.parse().ok()?, body.to_owned()))
}

fn resident_mb(process: u32) -> usize {
    let pages = std::fs::read_to_string(format!("/proc/{process}/statm")).unwrap_or_default();
    pages.split(' ').nth(1).and_then(|pages| pages.parse::<usize>().ok()).unwrap_or(0) / 256
}

#[test]
fn three_services_killed_at_random_lose_nothing_and_ask_nothing_twice() {
    let Some(server) = Server::start() else { return };
    let scale = scale();
    let (database, scratch) = (server.database(), tempfile::tempdir().unwrap());
    let service = StandIn::serving(vec![Reply::ok(weather(Utc::now()))]);
    fill(&server, &database, scale.groves, &service.base);
    let token = {
        let office = Office::open(&database).unwrap();
        add_person(&office, ("Ada", Role::Manager), "correct horse", Utc::now()).unwrap();
        let token = add_token(&office, ("crew", Role::Crew), "Ada", Utc::now()).unwrap();
        token.text().to_owned()
    };
    let running: Vec<RwLock<Serving>> =
        (0..PROCESSES).map(|_| RwLock::new(serve(&database, &scratch))).collect();
    let began = Instant::now();
    let at = |number: usize| running[number].read().unwrap().address;
    let (stop, tried) = (AtomicBool::new(false), AtomicUsize::new(0));
    let acknowledged: Mutex<Vec<String>> = Mutex::default();
    let waits: Mutex<Vec<Duration>> = Mutex::default();
    let refused: Mutex<BTreeMap<String, usize>> = Mutex::default();
    let kills = scope(|scope| {
        for _ in 0..2 {
            scope.spawn(|| {
                while !stop.load(Relaxed) {
                    let number = tried.fetch_add(1, Relaxed);
                    if number >= scale.groves * TREES {
                        return;
                    }
                    let (grove, tree) = (number % scale.groves, number / scale.groves);
                    let head = format!("POST /api/v1/groves/g{grove}/entries");
                    let body = format!(
                        "{{\"key\": \"k{number}\", \"act\": {{\"kind\": \"start\", \
                         \"tree_id\": \"T{tree}\", \"charge_ml\": 900}}}}"
                    );
                    let since = Instant::now();
                    let answer = ask(at(fastrand::usize(..PROCESSES)), &token, &head, &body);
                    match answer {
                        Some((201, _)) => {
                            acknowledged.lock().unwrap().push(format!("g{grove} k{number}"));
                            waits.lock().unwrap().push(since.elapsed());
                        }
                        Some((status, body)) => {
                            let body: String = body.chars().take(300).collect();
                            let told = format!("{status} {body}");
                            *refused.lock().unwrap().entry(told).or_default() += 1;
                        }
                        // Killed in the middle of it: not acknowledged.
                        None => {}
                    }
                    sleep(Duration::from_millis(fastrand::u64(5..25)));
                }
            });
        }
        let mut kills = 0;
        while began.elapsed() < scale.lasts || kills < LEAST_KILLS {
            let span = &scale.every_s;
            sleep(Duration::from_secs_f64(span.start + fastrand::f64() * (span.end - span.start)));
            let mut chosen = running[fastrand::usize(..PROCESSES)].write().unwrap();
            chosen.process.kill().unwrap();
            chosen.process.wait().unwrap();
            *chosen = serve(&database, &scratch);
            kills += 1;
        }
        stop.store(true, Relaxed);
        kills
    });
    let ran = began.elapsed();
    // What the last kills left falls to others when its time is over.
    let sql = |text: &str| server.sql("postgres", name_of(&database), text);
    let fresh = "SELECT count(DISTINCT grove_id) FROM xylocast.forecasts
                 WHERE issued_utc > extract(epoch FROM now()) - 3600";
    let all = scale.groves.to_string();
    while sql(fresh) != all && began.elapsed() < scale.lasts + scale.settles {
        sleep(Duration::from_secs(1));
    }
    let settled = began.elapsed();
    assert_eq!(sql(fresh), all, "groves with a forecast of this hour");
    let observed = "SELECT count(*) FROM (SELECT grove_id FROM xylocast.weather_pulled
        GROUP BY grove_id HAVING max(to_utc) > extract(epoch FROM now()) - 2 * 3600) AS fresh";
    assert_eq!(sql(observed), all, "groves with observed hours up to now");
    // Each by the eyes of a reader, some of them.
    for _ in 0..20.min(scale.groves) {
        let grove = fastrand::usize(..scale.groves);
        let date = Utc::now() + TimeDelta::hours(2);
        let head = format!(
            "GET /api/v1/groves/g{grove}/outlook?date={}",
            date.with_timezone(&chrono_tz::Europe::Rome).date_naive()
        );
        let (status, body) = ask(at(fastrand::usize(..PROCESSES)), &token, &head, "").unwrap();
        assert_eq!(status, 200, "{body}");
        let outlook: serde_json::Value = serde_json::from_str(&body).unwrap();
        assert_eq!(outlook["source"]["stale"], false, "{body}");
    }
    // No pull whose result was stored is repeated: one issue a grove, and one question a place but
    // for those that a kill cut off.
    let twice = "SELECT count(*) FROM (SELECT grove_id FROM xylocast.forecasts GROUP BY grove_id
                 HAVING count(*) > 1) AS twice";
    assert_eq!(sql(twice), "0");
    let mut asked: BTreeMap<String, usize> = BTreeMap::new();
    for question in service.asked() {
        let query = question.path.split_once('?').unwrap().1.to_owned();
        let place = query.split('&').filter(|part| part.contains("itude=")).collect::<Vec<_>>();
        *asked.entry(place.join("&")).or_default() += 1;
    }
    let total: usize = asked.values().sum();
    let extra = total - asked.len();
    assert_eq!(asked.len(), scale.groves.div_ceil(IN_A_CELL), "groves of a cell share an answer");
    assert!(extra <= kills, "{extra} questions too many for {kills} kills");
    // No acknowledged write is lost, and none is there twice.
    let kept: BTreeSet<String> = sql(
        "SELECT h.slug || ' ' || e.key FROM xylocast.entries e JOIN xylocast.homes h USING (grove_id)",
    )
    .lines()
    .map(str::to_owned)
    .collect();
    let acknowledged = acknowledged.into_inner().unwrap();
    let lost: Vec<&String> = acknowledged.iter().filter(|key| !kept.contains(*key)).collect();
    assert_eq!(lost, [] as [&String; 0]);
    assert_eq!(sql("SELECT count(*) FROM xylocast.draws"), kept.len().to_string());
    let resident_mb: Vec<usize> =
        running.iter().map(|one| resident_mb(one.read().unwrap().process.id())).collect();
    let mut waits = waits.into_inner().unwrap();
    waits.sort_unstable();
    let wait_ms =
        |share: f64| waits[((waits.len() - 1) as f64 * share) as usize].as_secs_f64() * 1e3;
    let words = format!(
        "{PROCESSES} services, {} groves, {:.0} s: {kills} kills; {total} questions for {} places \
         ({extra} too many); all fresh after {:.0} s; {} writes acknowledged, none lost, p50 {:.0} \
         ms, p99 {:.0} ms; refused {:?}; services of {resident_mb:?} MB; database {} MB\n",
        scale.groves,
        ran.as_secs_f64(),
        asked.len(),
        settled.as_secs_f64(),
        acknowledged.len(),
        wait_ms(0.5),
        wait_ms(0.99),
        refused.into_inner().unwrap(),
        sql("SELECT pg_database_size(current_database()) / 1000000"),
    );
    means::tell(&words);
    assert!(acknowledged.len() > 20, "{words}");
}
