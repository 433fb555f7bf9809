//! The open sap-flow campaigns relived: each test day's bags are looked at in hourly rounds, and for
//! those still hanging the error of the finish expected now is held against that of the finish
//! expected at their start.
//!
//! The measurements are SAPFLUXNET's (Poyatos R. et al. 2021, Earth Syst. Sci. Data 13:2607-2649,
//! doi:10.5194/essd-13-2607-2021; CC BY 4.0); the bags on them are simulated by integrating measured
//! sap flow. Volumes read off the bags are made here from the same integral, with a stated reading
//! error. Demand shape and spreads are the prior's, never a campaign's own.
//!
//! Three campaigns, every third test day, by default; `XYLOCAST_LONG=1` relives all.
#![allow(missing_docs)]

mod means;

use chrono::{DateTime, FixedOffset, TimeDelta, Utc};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use rayon::prelude::*;
use std::collections::{BTreeMap, HashMap};
use std::fmt::Write as _;
use std::path::Path;
use std::process::Command;
use std::sync::Arc;
use xylocast::belief::watched::{Looked, Reading, Watched};
use xylocast::belief::{Course, Finish, Law};
use xylocast::demand::{Clock, Drive};
use xylocast::units::{Centimetres, Kilopascal, Millilitres, WattsPerSquareMetre};
use xylocast::uptake::fit::Row;
use xylocast::uptake::likelihood::Seen;
use xylocast::uptake::live::Live;
use xylocast::uptake::model::{Model, ModelFile, covariates};
use xylocast::uptake::observe::{READING_ERROR_ML, Sighting};
use xylocast::uptake::predict::Target;
use xylocast::weather::{Flags, Span};

const ROUNDS: usize = 8;
const FEW_CAMPAIGNS: [&str; 3] = ["d01", "d05", "d09"];
const ONE_DAY_IN: usize = 3;

type Table = Vec<HashMap<String, String>>;
/// End of step and volume since the window began, cm3.
type Flow = Vec<(DateTime<Utc>, f64)>;

fn local(text: &str) -> DateTime<FixedOffset> {
    let text = text.replace('Z', "+00:00");
    DateTime::parse_from_str(&text, "%Y-%m-%dT%H:%M%:z").unwrap_or_else(|_| panic!("{text}"))
}

fn at(text: &str) -> DateTime<Utc> {
    local(text).to_utc()
}

fn table(path: &Path) -> Table {
    let mut reader = csv::Reader::from_path(path).unwrap();
    reader.deserialize().map(Result::unwrap).collect()
}

/// One simulated bag with its truth.
struct Bag {
    test: bool,
    row: Row,
    sighting: Sighting,
    true_empty: DateTime<Utc>,
    true_min: f64,
}

struct Campaign {
    clock: Clock,
    bags: Vec<Bag>,
    /// Measured sap flow of each tree.
    flow: HashMap<String, Flow>,
}

fn flow(file: &Path) -> Option<HashMap<String, Flow>> {
    let unpacked = Command::new("gzip").arg("-dc").arg(file).output().ok()?;
    let mut reader = csv::Reader::from_reader(&unpacked.stdout[..]);
    let mut flow: HashMap<String, Flow> = HashMap::new();
    for row in reader.deserialize::<HashMap<String, String>>().map(Result::unwrap) {
        let text = row["timestamp_utc"].replace('Z', "+00:00").replace(' ', "T");
        let end = DateTime::parse_from_rfc3339(&text)
            .or_else(|_| DateTime::parse_from_str(&text, "%Y-%m-%dT%H:%M%:z"))
            .unwrap_or_else(|_| panic!("{text}"))
            .to_utc();
        let Ok(rate) = row["sapflow_zeroed_cm3_h"].parse::<f64>() else { continue };
        let series = flow.entry(row["tree_id"].clone()).or_default();
        let (last, total) = series.last().copied().unwrap_or((end, 0.0));
        let hours = (end - last).num_seconds() as f64 / 3600.0;
        series.push((end, total + rate.max(0.0) * hours.min(1.0)));
    }
    Some(flow)
}

/// Volume that has passed by an instant, straight within a step.
fn passed(series: &[(DateTime<Utc>, f64)], by: DateTime<Utc>) -> f64 {
    let next = series.partition_point(|(end, _)| *end < by);
    let Some((end, total)) = series.get(next) else { return series.last().map_or(0.0, |s| s.1) };
    let Some((begin, before)) = next.checked_sub(1).map(|i| series[i]) else { return *total };
    let share = (by - begin).num_seconds() as f64 / (*end - begin).num_seconds() as f64;
    before + share * (total - before)
}

impl Campaign {
    fn read(folder: &Path, name: &str) -> Option<Self> {
        let drives: Vec<Drive> = table(&folder.join(format!("weather_hourly/{name}_observed.csv")))
            .iter()
            .filter_map(|row| {
                let number = |name: &str| row[name].parse::<f64>().ok();
                let to = at(&row["time_end_utc"]);
                Some(Drive {
                    span: Span { from: to - TimeDelta::hours(1), to },
                    shortwave: WattsPerSquareMetre::new(number("sw_in_w_m2")?.max(0.0)).ok()?,
                    deficit: Kilopascal::new(number("vpd_kpa")?.max(0.0)).ok()?,
                    reference_et_mm_h: 0.0,
                    flags: Flags::default(),
                })
            })
            .collect();
        let shape = ModelFile::prior().demand;
        let clock = Clock::new(&shape, &shape.pulls(&drives));
        let truth: HashMap<String, HashMap<String, String>> = table(&folder.join("truth.csv"))
            .into_iter()
            .map(|row| (row["event_id"].clone(), row))
            .collect();
        let bags = table(&folder.join("events.csv"))
            .iter()
            .filter(|event| event["campaign"] == name)
            .filter_map(|event| bag(event, truth.get(&event["event_id"])?, &clock))
            .collect();
        let flow = flow(&folder.join(format!("sapflow/{name}.csv.gz")))?;
        Some(Self { clock, bags, flow })
    }
}

fn bag(
    event: &HashMap<String, String>,
    truth: &HashMap<String, String>,
    clock: &Clock,
) -> Option<Bag> {
    let started = at(&event["start"]);
    let look = |name: &str| (!event[name].is_empty()).then(|| at(&event[name]));
    let sighting = Sighting {
        started,
        charge: Millilitres::new(event["volume_ml"].parse().ok()?).ok()?,
        refills: Vec::new(),
        pauses: Vec::new(),
        wet: look("last_seen_with_fluid").into_iter().collect(),
        first_empty: look("first_seen_empty"),
        volumes: Vec::new(),
        leaked: None,
    };
    let dbh = Centimetres::new(event["dbh_cm"].parse().ok()?).ok()?;
    let row = Row {
        draw_id: event["event_id"].clone(),
        tree_id: event["tree_id"].clone(),
        block: event["block"].clone(),
        species: event["species"].clone(),
        date: local(&event["start"]).date_naive(),
        covariates: covariates(event["ports"].parse().ok()?, dbh, None),
        seen: sighting.seen(clock).ok()?,
    };
    Some(Bag {
        test: event["role"] == "test",
        row,
        sighting,
        true_empty: at(&truth["true_empty"]),
        true_min: truth["true_min"].parse().ok()?,
    })
}

#[derive(Debug, Clone, Copy)]
struct Error {
    round: usize,
    at_start: f64,
    wet_or_empty: f64,
    with_volumes: f64,
    /// Is the truth inside the band, at the start, with wet and empty, with volumes?
    inside: [bool; 3],
}

/// What a bag's rounds had shown by one of them.
fn seen_by(campaign: &Campaign, bag: &Bag, rounds: &[DateTime<Utc>], ml: Option<u64>) -> Sighting {
    let flow = &campaign.flow[&bag.row.tree_id];
    let (charge, start) = (bag.sighting.charge.value(), bag.sighting.started);
    let gone = |by: DateTime<Utc>| passed(flow, by) - passed(flow, start);
    let whole = gone(bag.true_empty);
    let mut sighting = Sighting { wet: Vec::new(), first_empty: None, ..bag.sighting.clone() };
    for (index, &round) in rounds.iter().enumerate().filter(|(_, round)| **round > start) {
        if round >= bag.true_empty {
            sighting.first_empty = Some(round);
            break;
        }
        sighting.wet.push(round);
        if let Some(seed) = ml {
            let seed = seed ^ (index as u64) << 32;
            let z: f64 = StandardNormal.sample(&mut ChaCha8Rng::seed_from_u64(seed));
            let left = charge * (1.0 - gone(round) / whole) + READING_ERROR_ML * z;
            // Nobody reads more than was loaded, or less than nothing off a bag with fluid in it.
            let left = left.clamp(1.0, charge);
            sighting.volumes.push((round, Millilitres::new(left).unwrap()));
        }
    }
    sighting
}

/// The P50, and whether the truth lies between P10 and P90; none beyond the weather.
fn p50(
    course: &Arc<Course>,
    law: &Law,
    mean: f64,
    looked: &Looked,
    bag: &Bag,
) -> Option<(f64, bool)> {
    let ln_offered = bag.sighting.charge.value().ln();
    let watched = Watched::new(course.clone(), law, mean, std::slice::from_ref(looked), ln_offered);
    let by = watched.empty_by(bag.true_min)?;
    match watched.quantile(0.5) {
        Finish::At(minutes) => Some((minutes, (0.1..=0.9).contains(&by))),
        Finish::After(_) => None,
    }
}

fn looked(seen: &Seen) -> Looked {
    match *seen {
        Seen::Between { low, high } => Looked { low, high, reading: None },
        Seen::Measured { centre, error, low, high } => {
            Looked { low, high, reading: Some(Reading { centre, error }) }
        }
        Seen::Exactly(_) => unreachable!("no look is exact"),
    }
}

/// One test day of a campaign.
fn relived(campaign: &Campaign, day: &[&Bag]) -> Vec<Error> {
    let first = day.iter().map(|bag| bag.sighting.started).min().unwrap();
    let closed = |bag: &&Bag| bag.sighting.last_look().is_some_and(|look| look < first);
    let before: Vec<Row> = campaign.bags.iter().filter(closed).map(|bag| bag.row.clone()).collect();
    let base = Model::conditioned(ModelFile::prior(), before, Default::default()).unwrap();
    let variances = *base.posterior().variances();
    let targets: Vec<Target> = day
        .iter()
        .map(|bag| Target {
            tree_id: bag.row.tree_id.clone(),
            block: bag.row.block.clone(),
            species: bag.row.species.clone(),
            date: bag.row.date,
            covariates: bag.row.covariates.clone(),
        })
        .collect();
    let live = Live::new(base.posterior(), &base.file().rows, &targets);
    let law = |sd: f64| Law::new(sd, variances.residual, variances.scale);
    let minutes: Vec<f64> = (1..=360).map(|k| 10.0 * f64::from(k)).collect();
    let courses: Vec<Option<Arc<Course>>> = day
        .iter()
        .map(|bag| {
            let reach = campaign.clock.reach(bag.sighting.started).ok()?;
            let whole = (reach - bag.sighting.started).num_minutes() as f64;
            let known: Vec<f64> = minutes.iter().copied().filter(|m| *m <= whole).collect();
            let along = campaign.clock.along(bag.sighting.started, &known, &[]).ok()?;
            (!known.is_empty()).then(|| Arc::new(Course::new(known, vec![along])))
        })
        .collect();
    let at_start = live.at_start();
    let mut errors = Vec::new();
    for round in 1..=ROUNDS {
        let rounds: Vec<DateTime<Utc>> =
            (1..=round).map(|k| first + TimeDelta::minutes(60 * k as i64)).collect();
        let now = rounds[round - 1];
        let looks = |volumes: bool| -> Vec<Option<Seen>> {
            (0..)
                .zip(day)
                .map(|(index, bag)| {
                    let seed = (index << 16) + bag.true_min.to_bits() % 65_521;
                    seen_by(campaign, bag, &rounds, volumes.then_some(seed))
                        .seen(&campaign.clock)
                        .ok()
                })
                .collect()
        };
        let both = [looks(false), looks(true)]
            .map(|seen| (live.update(&seen).expect("the looks can be taken up"), seen));
        for (index, bag) in day.iter().enumerate() {
            let hangs = bag.sighting.started < now && now < bag.true_empty;
            let (Some(course), true) = (&courses[index], hangs) else { continue };
            let off = |p50: f64| 100.0 * (p50 - bag.true_min).abs() / bag.true_min;
            let (mean, sd) = at_start[index];
            let start = p50(course, &law(sd), mean, &Looked::NOTHING, bag);
            let [plain, volumes] = both.each_ref().map(|(updated, seen)| {
                let (mean, sd) = updated.without_own[index];
                let looked = seen[index].as_ref().map_or(Looked::NOTHING, looked);
                p50(course, &law(sd), mean, &looked, bag)
            });
            if let (Some(start), Some(plain), Some(volumes)) = (start, plain, volumes) {
                errors.push(Error {
                    round,
                    at_start: off(start.0),
                    wet_or_empty: off(plain.0),
                    with_volumes: off(volumes.0),
                    inside: [start.1, plain.1, volumes.1],
                });
            }
        }
    }
    errors
}

fn median(mut all: Vec<f64>) -> f64 {
    all.sort_by(f64::total_cmp);
    let n = all.len();
    if n == 0 { f64::NAN } else { 0.5 * (all[(n - 1) / 2] + all[n / 2]) }
}

#[test]
fn bags_still_hanging_are_known_better_than_at_their_start() {
    let Some(folder) = means::shared("sapflow") else { return };
    let long = std::env::var_os("XYLOCAST_LONG").is_some();
    let names: Vec<String> = table(&folder.join("campaigns.csv"))
        .into_iter()
        .map(|row| row["campaign"].clone())
        .filter(|name| long || FEW_CAMPAIGNS.contains(&name.as_str()))
        .collect();
    let campaigns: Option<Vec<Campaign>> =
        names.iter().map(|name| Campaign::read(&folder, name)).collect();
    let Some(campaigns) = campaigns else {
        return means::not_run("there is no gzip to unpack the sap flow with");
    };
    let mut errors: Vec<Error> = Vec::new();
    let mut days_run = 0;
    for campaign in &campaigns {
        let mut days: BTreeMap<chrono::NaiveDate, Vec<&Bag>> = BTreeMap::new();
        for bag in campaign.bags.iter().filter(|bag| bag.test) {
            days.entry(bag.row.date).or_default().push(bag);
        }
        let step = if long { 1 } else { ONE_DAY_IN };
        let days: Vec<Vec<&Bag>> = days.into_values().step_by(step).collect();
        days_run += days.len();
        errors.extend(days.par_iter().flat_map(|day| relived(campaign, day)).collect::<Vec<_>>());
    }
    let mut text = format!(
        "Bags still hanging, {} campaigns, {days_run} test days: median error of the P50, % of the \
         true time\n  round         bags  at their start  wet or empty so far  mL read so far\n",
        campaigns.len()
    );
    let of = |rounds: &dyn Fn(usize) -> bool| {
        let some: Vec<&Error> = errors.iter().filter(|e| rounds(e.round)).collect();
        let middle = |part: &dyn Fn(&Error) -> f64| median(some.iter().map(|e| part(e)).collect());
        let [a, b, c] =
            [middle(&|e| e.at_start), middle(&|e| e.wet_or_empty), middle(&|e| e.with_volumes)];
        (some.len(), a, b, c)
    };
    for round in 1..=ROUNDS {
        let (bags, start, plain, volumes) = of(&|r| r == round);
        let name = format!("after {round} h");
        let _ = writeln!(text, "  {name:12} {bags:5}  {start:14.1}  {plain:19.1}  {volumes:14.1}");
    }
    let (bags, start, plain, volumes) = of(&|_| true);
    let _ = writeln!(text, "  {:12} {bags:5}  {start:14.1}  {plain:19.1}  {volumes:14.1}", "all");
    let share = |which: usize| {
        let held = errors.iter().filter(|error| error.inside[which]).count();
        100.0 * held as f64 / errors.len() as f64
    };
    let [start_held, plain_held, volumes_held] = [0, 1, 2].map(share);
    let _ = writeln!(
        text,
        "  inside 80 % band   {start_held:14.0}  {plain_held:19.0}  {volumes_held:14.0}"
    );
    means::tell(&text);
    assert!(bags > 100, "{text}");
    assert!(plain < start, "wet and empty did not help: {text}");
    assert!(volumes < 0.8 * start, "volumes did not help: {text}");
    let wanted = if long { 77.0..=83.0 } else { 68.0..=92.0 };
    assert!(wanted.contains(&volumes_held), "{text}");
}
