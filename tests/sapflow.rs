//! The open sap-flow campaigns, walked forward: each test day is predicted by the program itself, a
//! process that is given a grove folder without the truth and without any row after the clock.
//!
//! The measurements are SAPFLUXNET's (Poyatos R. et al. 2021, Earth Syst. Sci. Data 13:2607-2649,
//! doi:10.5194/essd-13-2607-2021; CC BY 4.0), the bags on them simulated by integrating measured
//! sap flow; they lie beside the checkout and are never committed. Scores by the conventions of
//! their README: median of |p50 - true| / true, share of truths inside [p10, p90], Brier score of
//! `p_empty_by_dusk`.
//!
//! Every sixth test day is run by default, with the weather as observed and as forecast;
//! `XYLOCAST_LONG=1` runs all of them, and predicts trees new to the grove without their own draws.
#![allow(missing_docs)]

mod means;

use chrono::{DateTime, FixedOffset, TimeDelta};
use rand::seq::SliceRandom;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::fmt::Write as _;
use std::path::Path;
use std::process::Command;
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

/// Of so many test days one is run, unless all are asked for.
const ONE_DAY_IN: usize = 6;
const THREADS: usize = 2;

type Time = DateTime<FixedOffset>;
type Table = Vec<HashMap<String, String>>;

fn time(text: &str) -> Time {
    let text = text.replace('Z', "+00:00");
    DateTime::parse_from_str(&text, "%Y-%m-%dT%H:%M%:z").unwrap_or_else(|_| panic!("{text}"))
}

fn table(path: &Path) -> Table {
    let mut reader = csv::Reader::from_path(path).unwrap();
    reader.deserialize().map(Result::unwrap).collect()
}

struct Campaign {
    name: String,
    settings: HashMap<String, String>,
    trees: Table,
    events: Table,
    observed: Table,
    forecast: Table,
}

fn campaigns(folder: &Path) -> Vec<Campaign> {
    let of = |rows: &Table, name: &str| -> Table {
        rows.iter().filter(|row| row["campaign"] == name).cloned().collect()
    };
    let trees = table(&folder.join("trees.csv"));
    let events = table(&folder.join("events.csv"));
    table(&folder.join("campaigns.csv"))
        .into_iter()
        .map(|settings| {
            let name = settings["campaign"].clone();
            let hourly =
                |kind: &str| table(&folder.join(format!("weather_hourly/{name}_{kind}.csv")));
            Campaign {
                trees: of(&trees, &name),
                events: of(&events, &name),
                observed: hourly("observed"),
                forecast: hourly("forecast"),
                settings,
                name,
            }
        })
        .collect()
}

/// One test day of one campaign.
#[derive(Clone, Copy)]
struct Day<'a> {
    campaign: &'a Campaign,
    first_event: usize,
    events: usize,
}

impl<'a> Day<'a> {
    fn all(campaigns: &'a [Campaign]) -> Vec<Day<'a>> {
        let mut days = Vec::new();
        for campaign in campaigns {
            let date = |row: &HashMap<String, String>| {
                (row["role"] == "test", row["start"][..10].to_owned())
            };
            let mut first_event = 0;
            for run in campaign.events.chunk_by(|a, b| date(a) == date(b)) {
                if run[0]["role"] == "test" {
                    days.push(Day { campaign, first_event, events: run.len() });
                }
                first_event += run.len();
            }
        }
        days
    }

    fn hangs(&self) -> &'a [HashMap<String, String>] {
        &self.campaign.events[self.first_event..self.first_event + self.events]
    }

    /// A minute before the day's first start.
    fn clock(&self) -> Time {
        let first = self.hangs().iter().map(|event| time(&event["start"])).min().unwrap();
        first - TimeDelta::minutes(1)
    }
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum Weather {
    Observed,
    Forecast,
}

// The grove folder. -----------------------------------------------------------------------------

fn weather_csv(rows: &[&HashMap<String, String>], columns: [bool; 2]) -> String {
    let [wind, rain] = columns;
    let mut text = String::from("hour_ending,air_temp_c,rel_humidity_pct");
    text += if wind { ",wind_m_s" } else { "" };
    text += ",shortwave_w_m2";
    text += if rain { ",rain_mm\n" } else { "\n" };
    for row in rows {
        let number = |name: &str| row[name].parse::<f64>().ok();
        let (Some(air), Some(rh), Some(sun)) =
            (number("ta_c"), number("rh_pct"), number("sw_in_w_m2"))
        else {
            continue;
        };
        let _ = write!(text, "{},{air},{}", row["time_end_utc"], rh.clamp(0.5, 100.0));
        let _ = if wind { write!(text, ",{}", row["ws_m_s"]) } else { Ok(()) };
        let _ = write!(text, ",{}", sun.clamp(0.0, 1500.0));
        let _ = if rain { writeln!(text, ",{}", row["precip_mm"]) } else { writeln!(text) };
    }
    text
}

fn draw_row(event: &HashMap<String, String>, known: impl Fn(&str) -> bool) -> String {
    let look = |name: &str| match event[name].as_str() {
        at if !at.is_empty() && known(at) => at.to_owned(),
        _ => String::new(),
    };
    format!(
        "{},{},{},{},{},{},{}\n",
        event["event_id"],
        event["tree_id"],
        event["start"],
        event["volume_ml"],
        event["ports"],
        look("last_seen_with_fluid"),
        look("first_seen_empty")
    )
}

/// Which rows after the clock are put into the folder in spite of it.
#[derive(Clone, Copy, PartialEq)]
enum Later {
    Nothing,
    /// Draws and looks, shuffled among those before the clock.
    Draws(u64),
    /// The same, and perturbed observed weather, shuffled too.
    DrawsAndWeather(u64),
}

fn grove_folder(
    folder: &Path,
    day: &Day,
    weather: Weather,
    later: Later,
    withheld_tree: Option<&str>,
) {
    let campaign = day.campaign;
    let clock = day.clock();
    let write = |name: &str, text: &str| std::fs::write(folder.join(name), text).unwrap();
    std::fs::create_dir(folder.join("weather")).unwrap();
    let setting = |name: &str| &campaign.settings[name];
    write(
        "grove.toml",
        &format!(
            "name = \"{}\"\ntime_zone = \"{}\"\nlatitude_deg = {}\nlongitude_deg = {}\n\
             elevation_m = {}\nanemometer_height_m = 2.0\n[bag]\ncapacity_ml = 200000\n",
            campaign.name,
            setting("tz"),
            setting("lat"),
            setting("lon"),
            setting("elev_m")
        ),
    );
    let mut text = String::from("tree_id,block,species,dbh_cm,ports\n");
    for tree in &campaign.trees {
        let cells =
            ["tree_id", "block", "species", "dbh_cm", "ports"].map(|name| tree[name].as_str());
        let _ = writeln!(text, "{}", cells.join(","));
    }
    write("trees.csv", &text);

    let header = "draw_id,tree_id,started,charge_ml,ports,last_wet,first_empty\n";
    let begun = |event: &&HashMap<String, String>| time(&event["start"]) < clock;
    let mut rows: Vec<String> = campaign
        .events
        .iter()
        .filter(begun)
        .filter(|event| withheld_tree.is_none_or(|tree| event["tree_id"] != tree))
        .map(|event| draw_row(event, |at| later != Later::Nothing || time(at) <= clock))
        .collect();
    let mut hours: Vec<HashMap<String, String>> = campaign
        .observed
        .iter()
        .filter(|row| time(&row["time_end_utc"]) <= clock)
        .cloned()
        .collect();
    if let Later::Draws(seed) | Later::DrawsAndWeather(seed) = later {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let mut future: Vec<String> = campaign
            .events
            .iter()
            .filter(|event| !begun(event))
            .map(|event| draw_row(event, |_| true))
            .collect();
        future.shuffle(&mut random);
        for row in future {
            rows.insert(random.random_range(0..=rows.len()), row);
        }
        if let Later::DrawsAndWeather(_) = later {
            let mut future: Vec<HashMap<String, String>> = campaign
                .observed
                .iter()
                .filter(|row| time(&row["time_end_utc"]) > clock)
                .cloned()
                .collect();
            for row in &mut future {
                let mut changed = |name: &str, change: &dyn Fn(f64, f64) -> f64| {
                    let share = random.random_range(0.0..1.0);
                    if let Ok(value) = row[name].parse::<f64>() {
                        row.insert(name.into(), format!("{:.2}", change(value, share)));
                    }
                };
                changed("sw_in_w_m2", &|sun, share| sun * 1.3 * share);
                changed("ta_c", &|air, share| air + 12.0 * (share - 0.5));
                changed("rh_pct", &|rh, share| (rh + 60.0 * (share - 0.5)).clamp(5.0, 100.0));
            }
            hours.extend(future);
            hours.shuffle(&mut random);
        }
    }
    write("draws.csv", &(header.to_owned() + &rows.concat()));

    let has = |name: &str| campaign.observed.iter().any(|row| !row[name].is_empty());
    let columns = [has("ws_m_s"), has("precip_mm")];
    write("weather/observed.csv", &weather_csv(&hours.iter().collect::<Vec<_>>(), columns));
    let ahead = match weather {
        Weather::Observed => &campaign.observed,
        Weather::Forecast => &campaign.forecast,
    };
    // The hour that holds the clock has begun; what is left of it is the forecast's.
    let ahead: Vec<_> = ahead
        .iter()
        .filter(|row| time(&row["time_end_utc"]) > clock - TimeDelta::hours(1))
        .collect();
    write("weather/forecast.csv", &weather_csv(&ahead, columns));

    let mut text = String::from("draw_id,tree_id,start,charge_ml,ports\n");
    for event in day.hangs() {
        let cells = ["event_id", "tree_id", "start", "volume_ml", "ports"];
        let _ = writeln!(text, "{}", cells.map(|name| event[name].as_str()).join(","));
    }
    write("hang.csv", &text);
}

/// Runs the program on a folder that holds one day; what it wrote.
fn times(folder: &Path, day: &Day, weather: Weather) -> String {
    let (hang, out) = (folder.join("hang.csv"), folder.join("out.csv"));
    let mut command = Command::new(env!("CARGO_BIN_EXE_xylocast"));
    command.arg("times").arg("--grove").arg(folder).arg("--hang").arg(&hang).arg("--csv").arg(&out);
    command.arg("--as-of").arg(day.clock().to_rfc3339());
    if weather == Weather::Observed {
        command.arg("--exact-weather");
    }
    let done = command.output().unwrap();
    let at = format!("{} {}", day.campaign.name, day.clock());
    assert!(done.status.success(), "{at}: {}", String::from_utf8_lossy(&done.stderr));
    std::fs::read_to_string(out).unwrap()
}

// Scores. ---------------------------------------------------------------------------------------

#[derive(Debug, Clone)]
struct Scored {
    /// Campaign and date.
    day: String,
    grove: String,
    new_tree: bool,
    tree: String,
    sure: Option<f64>,
    by_dusk: bool,
    error: f64,
    inside: bool,
    ratio: f64,
}

/// Minutes as the program writes them; beyond the weather, a lower bound.
fn minutes(text: &str) -> (f64, bool) {
    match text.strip_prefix('>') {
        Some(bound) => (bound.parse().unwrap(), true),
        None => (text.parse().unwrap(), false),
    }
}

fn scored(day: &Day, written: &str, truth: &HashMap<String, (Time, f64)>) -> Vec<Scored> {
    let mut reader = csv::Reader::from_reader(written.as_bytes());
    let rows: Table = reader.deserialize().map(Result::unwrap).collect();
    assert_eq!(rows.len(), day.hangs().len());
    rows.iter()
        .zip(day.hangs())
        .filter_map(|(row, event)| {
            assert_eq!(row["draw_id"], event["event_id"]);
            let (empty, whole) = truth.get(&event["event_id"])?;
            let [(p10, _), (p50, _), (p90, open)] =
                ["p10_min", "p50_min", "p90_min"].map(|name| minutes(&row[name]));
            assert!(p10 <= p50 && p50 <= p90, "{row:?}");
            let by_dusk = *empty <= time(&event["dusk"]);
            let sure: Option<f64> = row["p_empty_by_dusk"].parse().ok();
            Some(Scored {
                day: format!("{} {}", day.campaign.name, &event["start"][..10]),
                grove: day.campaign.settings["grove"].clone(),
                new_tree: event["new_tree"] == "1",
                tree: event["tree_id"].clone(),
                sure,
                by_dusk,
                error: 100.0 * (p50 - whole).abs() / whole,
                inside: p10 <= *whole && (open || *whole <= p90),
                ratio: p90 / p10,
            })
        })
        .collect()
}

fn median(mut all: Vec<f64>) -> f64 {
    all.sort_by(f64::total_cmp);
    let n = all.len();
    if n == 0 { f64::NAN } else { 0.5 * (all[(n - 1) / 2] + all[n / 2]) }
}

#[derive(Debug)]
struct Score {
    draws: usize,
    median_error_pct: f64,
    coverage_pct: f64,
    brier: f64,
    auc: f64,
    ratio: f64,
}

fn score<'s>(all: impl IntoIterator<Item = &'s Scored>) -> Score {
    let all: Vec<&Scored> = all.into_iter().collect();
    let told: Vec<(f64, bool)> =
        all.iter().filter_map(|one| Some((one.sure?, one.by_dusk))).collect();
    let square = |(sure, by): &(f64, bool)| (sure - f64::from(*by)).powi(2);
    let of = |wanted: bool| told.iter().filter(move |one| one.1 == wanted).map(|one| one.0);
    let wins = |yes: f64| of(false).map(move |no| f64::from(yes > no) + 0.5 * f64::from(yes == no));
    let pairs = (of(true).count() * of(false).count()) as f64;
    Score {
        draws: all.len(),
        median_error_pct: median(all.iter().map(|one| one.error).collect()),
        coverage_pct: 100.0 * all.iter().filter(|one| one.inside).count() as f64 / all.len() as f64,
        brier: told.iter().map(square).sum::<f64>() / told.len() as f64,
        auc: of(true).flat_map(wins).sum::<f64>() / pairs,
        ratio: median(all.iter().map(|one| one.ratio).collect()),
    }
}

/// 95 % interval of a figure, by drawing whole days anew.
fn by_days(all: &[Scored], of: impl Fn(&Score) -> f64) -> (f64, f64) {
    let mut days: BTreeMap<&str, Vec<&Scored>> = BTreeMap::new();
    for one in all {
        days.entry(&one.day).or_default().push(one);
    }
    let days: Vec<Vec<&Scored>> = days.into_values().collect();
    let mut random = ChaCha8Rng::seed_from_u64(11);
    let mut figures: Vec<f64> = (0..400)
        .map(|_| {
            let again = (0..days.len()).flat_map(|_| &days[random.random_range(0..days.len())]);
            of(&score(again.copied()))
        })
        .collect();
    figures.sort_by(f64::total_cmp);
    (figures[10], figures[389])
}

fn show(title: &str, all: &[Scored]) -> String {
    let mut text = format!("{title}\n");
    let mut line = |name: &str, score: &Score| {
        let Score { draws, median_error_pct, coverage_pct, brier, auc, ratio } = score;
        let _ = writeln!(
            text,
            "  {name:22} {draws:4} draws  median error {median_error_pct:5.1} %  inside \
             {coverage_pct:5.1} %  Brier {brier:.4}  AUC {auc:.3}  P90:P10 {ratio:.2}"
        );
    };
    let names: BTreeSet<&str> = all.iter().map(|one| one.grove.as_str()).collect();
    let mut groves: Vec<(&str, Score)> = names
        .into_iter()
        .map(|grove| (grove, score(all.iter().filter(|one| one.grove == grove))))
        .collect();
    groves.sort_by(|a, b| b.1.median_error_pct.total_cmp(&a.1.median_error_pct));
    for (grove, score) in &groves {
        line(grove, score);
    }
    line("empty by dusk", &score(all.iter().filter(|one| one.by_dusk)));
    line("empty after dusk", &score(all.iter().filter(|one| !one.by_dusk)));
    line("trees new to the grove", &score(all.iter().filter(|one| one.new_tree)));
    line("all", &score(all));
    let (error, inside) = (by_days(all, |s| s.median_error_pct), by_days(all, |s| s.coverage_pct));
    let _ = writeln!(
        text,
        "  95 % intervals by days: median error {:.1}-{:.1} %, inside {:.1}-{:.1} %",
        error.0, error.1, inside.0, inside.1
    );
    text
}

/// Predicts these days, two at a time, each in a folder of its own.
fn walked(days: &[Day], weather: Weather, truth: &HashMap<String, (Time, f64)>) -> Vec<Scored> {
    let next = AtomicUsize::new(0);
    let found: Mutex<BTreeMap<usize, Vec<Scored>>> = Mutex::default();
    std::thread::scope(|scope| {
        for _ in 0..THREADS {
            scope.spawn(|| {
                while let Some(day) = days.get(next.fetch_add(1, Ordering::Relaxed)) {
                    let folder = tempfile::tempdir().unwrap();
                    grove_folder(folder.path(), day, weather, Later::Nothing, None);
                    let written = times(folder.path(), day, weather);
                    let scored = scored(day, &written, truth);
                    let place = days.iter().position(|d| std::ptr::eq(d, day)).unwrap();
                    found.lock().unwrap().insert(place, scored);
                }
            });
        }
    });
    found.into_inner().unwrap().into_values().flatten().collect()
}

fn truth(folder: &Path) -> HashMap<String, (Time, f64)> {
    table(&folder.join("truth.csv"))
        .into_iter()
        .filter_map(|row| {
            let minutes = row["true_min"].parse().ok()?;
            Some((row["event_id"].clone(), (time(&row["true_empty"]), minutes)))
        })
        .collect()
}

#[test]
fn walked_forward_the_error_and_the_band_are_as_promised() {
    let Some(folder) = means::shared("sapflow") else { return };
    let long = std::env::var_os("XYLOCAST_LONG").is_some();
    let campaigns = campaigns(&folder);
    let all = Day::all(&campaigns);
    let days: Vec<Day> = match long {
        true => all.clone(),
        false => all.iter().step_by(ONE_DAY_IN).copied().collect(),
    };
    let truth = truth(&folder);
    let which = format!("{} of {} test days", days.len(), all.len());

    let walk = |weather| {
        let begun = std::time::Instant::now();
        let scored = walked(&days, weather, &truth);
        let took = begun.elapsed().as_secs();
        means::tell(&show(&format!("Sap flow, {weather:?}: {which} ({took} s)"), &scored));
        scored
    };
    let observed = walk(Weather::Observed);
    let forecast = walk(Weather::Forecast);
    if long {
        all_goals(&observed, &forecast, &without_own_draws(&all, &truth));
    }
    // The goals of the whole walk, as far as so many days can tell them apart from it.
    for (scored, most_error_pct) in [(&observed, 18.5), (&forecast, 21.0)] {
        let error = by_days(scored, |score| score.median_error_pct);
        assert!(error.0 <= most_error_pct, "median error {error:?} %");
        let inside = by_days(scored, |score| score.coverage_pct);
        assert!(inside.0 <= 83.0 && inside.1 >= 77.0, "inside {inside:?} %");
        let score = score(scored);
        assert!(score.median_error_pct <= most_error_pct + 2.0, "{score:?}");
        // A sixth of the days tells coverage to some 7 points either way.
        assert!((70.0..=88.0).contains(&score.coverage_pct), "{score:?}");
        assert!(score.brier <= 0.06 && score.auc >= 0.95 && score.ratio <= 2.7, "{score:?}");
        // Below this no fit can be on these bags: suspect a leak.
        assert!(score.median_error_pct > 14.0, "too good: {score:?}");
    }
}

/// Draws of trees new to the grove, each predicted from a folder without any draw of its own tree.
fn without_own_draws(days: &[Day], truth: &HashMap<String, (Time, f64)>) -> Vec<Scored> {
    let mut all = Vec::new();
    for day in days {
        let new = day.hangs().iter().filter(|event| event["new_tree"] == "1");
        let trees: BTreeSet<&str> = new.map(|event| event["tree_id"].as_str()).collect();
        for tree in trees {
            let folder = tempfile::tempdir().unwrap();
            grove_folder(folder.path(), day, Weather::Observed, Later::Nothing, Some(tree));
            let written = times(folder.path(), day, Weather::Observed);
            let own = |one: &Scored| one.tree == tree;
            all.extend(scored(day, &written, truth).into_iter().filter(own));
        }
    }
    means::tell(&show("Sap flow, new trees, own draws withheld", &all));
    all
}

/// What the whole walk reaches. The median error with observed weather has 17.5 % for its goal and
/// stays a little above it.
fn all_goals(observed: &[Scored], forecast: &[Scored], new_trees: &[Scored]) {
    let score_of = score(observed);
    assert!(score_of.median_error_pct <= 18.0, "{score_of:?}");
    assert!((78.0..=82.0).contains(&score_of.coverage_pct), "{score_of:?}");
    assert!(score_of.brier <= 0.050 && score_of.auc >= 0.96, "{score_of:?}");
    assert!(score_of.ratio <= 2.5, "{score_of:?}");
    let score_of = score(forecast);
    assert!(score_of.median_error_pct <= 19.5, "{score_of:?}");
    assert!((78.0..=82.0).contains(&score_of.coverage_pct), "{score_of:?}");
    let score_of = score(new_trees);
    assert!(score_of.median_error_pct <= 40.0 && score_of.coverage_pct >= 78.0, "{score_of:?}");
}

/// The folder of the walk above has no later row. Here it has all of them, shuffled, the weather
/// after the clock other than it was; `--as-of` must give the same answer to the last byte.
#[test]
fn rows_after_the_clock_change_no_byte() {
    let Some(folder) = means::shared("sapflow") else { return };
    let campaigns = campaigns(&folder);
    let days = Day::all(&campaigns);
    for (seed, day) in (0..).zip(days.iter().skip(5).step_by(101)) {
        for (weather, later) in [
            (Weather::Observed, Later::Draws(seed)),
            (Weather::Forecast, Later::DrawsAndWeather(seed)),
        ] {
            let [clean, full] = [Later::Nothing, later].map(|later| {
                let folder = tempfile::tempdir().unwrap();
                grove_folder(folder.path(), day, weather, later, None);
                times(folder.path(), day, weather)
            });
            assert_eq!(clean, full, "{} {} {weather:?}", day.campaign.name, day.clock());
        }
    }
}

/// The scorer itself, on figures worked by hand.
#[test]
fn the_scorer_scores_as_the_readme_says() {
    let one = |error, inside, by_dusk, sure: f64| Scored {
        day: "d".into(),
        grove: "g".into(),
        new_tree: false,
        tree: "t".into(),
        sure: Some(sure),
        by_dusk,
        error,
        inside,
        ratio: 2.0,
    };
    let all =
        [one(10.0, true, true, 0.9), one(30.0, false, false, 0.5), one(50.0, true, true, 1.0)];
    let Score { draws, median_error_pct, coverage_pct, brier, auc, .. } = score(&all);
    assert_eq!((draws, median_error_pct), (3, 30.0));
    assert!((coverage_pct - 200.0 / 3.0).abs() < 1e-9);
    assert!((brier - (0.01 + 0.25) / 3.0).abs() < 1e-12);
    assert_eq!(auc, 1.0);
    assert_eq!(minutes(">61.5"), (61.5, true));
}
