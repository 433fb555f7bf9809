//! What to expect of the model in a grove that its priors have never seen: each grove of the open
//! sap-flow campaigns is walked through with priors whose centres come from the histories of the
//! other groves alone. Prints a table by grove, worst first.
//!
//! `cargo run --release --example leave_one_grove_out -- ../shared/sapflow [forecast] [as-shipped]`
//!
//! The measurements are SAPFLUXNET's (Poyatos R. et al. 2021, Earth Syst. Sci. Data 13:2607-2649,
//! doi:10.5194/essd-13-2607-2021; CC BY 4.0); the bags on them are simulated by integrating measured
//! sap flow. A campaign's history is everything before its `origin`; draws after it are scored. The
//! centre of the night floor's prior stays as shipped: those campaigns had their night flow taken
//! off. `as-shipped` walks with the priors of the program instead.

use chrono::{DateTime, TimeDelta, Utc};
use rayon::prelude::*;
use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::error::Error;
use std::fmt::Write as _;
use std::path::Path;
use xylocast::app::backtest::{KNOWN_WITHIN_MIN, Prediction, Question, backtest};
use xylocast::app::past::Past;
use xylocast::app::times::Minutes;
use xylocast::app::walk::Way;
use xylocast::demand::Kind;
use xylocast::grove::{Files, Grove};
use xylocast::uptake::learn::{Belief, Beliefs};
use xylocast::uptake::model::ModelFile;
use xylocast::weather::Span;

type Truth = HashMap<String, DateTime<Utc>>;
type Table = Vec<HashMap<String, String>>;

/// One measuring campaign as a user would keep it.
struct Campaign {
    /// The grove that it was measured in; some were measured in several seasons.
    stand: String,
    grove: Grove,
    origin: DateTime<Utc>,
    /// Draws that are scored, with dusk in minutes after their start.
    tests: HashMap<String, f64>,
}

fn main() -> Result<(), Box<dyn Error>> {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let asked = |word: &str| words.iter().any(|w| w == word);
    let folder = words.first().ok_or("name the folder of the open sap-flow campaigns")?;
    let (campaigns, truth) = read(Path::new(folder))?;
    let learned: Vec<(String, Beliefs)> = campaigns
        .par_iter()
        .map(|campaign| Ok((campaign.stand.clone(), campaign.learned()?)))
        .collect::<Result<_, String>>()?;
    let stands: BTreeSet<String> = learned.iter().map(|(stand, _)| stand.clone()).collect();
    let mut groves_scored: Vec<(String, Vec<Scored>)> = Vec::new();
    for stand in &stands {
        let base = match asked("as-shipped") {
            true => ModelFile::prior(),
            false => without(&learned, stand),
        };
        let own: Vec<&Campaign> = campaigns.iter().filter(|c| c.stand == *stand).collect();
        let groves: Vec<Grove> = own.iter().map(|campaign| campaign.grove.clone()).collect();
        let way = Way {
            forecast: asked("forecast"),
            withhold_trees: false,
            before: TimeDelta::minutes(1),
            rivals: false,
        };
        let question = Question {
            groves: &groves,
            base: &base,
            way,
            as_of: DateTime::<Utc>::MAX_UTC,
            known_within_min: KNOWN_WITHIN_MIN,
            truth: Some(&truth),
        };
        let walked = backtest(&question, &|_, _| {})?;
        let tests: HashMap<String, f64> =
            own.iter().flat_map(|campaign| campaign.tests.clone()).collect();
        let scores = walked.predictions.iter().filter_map(|one| scored(one, &tests));
        groves_scored.push((stand.clone(), scores.collect()));
    }
    print!("{}", shown(groves_scored));
    Ok(())
}

impl Campaign {
    /// The priors with their centres where this campaign's history puts them.
    fn learned(&self) -> Result<Beliefs, String> {
        let prior = ModelFile::prior();
        let known = Span { from: DateTime::<Utc>::MIN_UTC, to: self.origin };
        let observed = self.grove.observed.bridged().clipped(known);
        let model = Past::new(&self.grove, &observed, self.origin).learn(&prior);
        let model = model.map_err(|error| format!("{}: {error}", self.stand))?;
        let (shape, variances) = (model.file().demand, model.file().variances);
        let mut beliefs = prior.beliefs;
        if let Kind::LightAndDeficit { half_light_w_m2, deficit_slope } = shape.pull {
            beliefs.half_light_w_m2.median = half_light_w_m2;
            beliefs.deficit_slope.median = deficit_slope;
        }
        beliefs.lag_h.median = shape.lag_h;
        beliefs.lead_h.mean = shape.lead_h;
        beliefs.scale.median = variances.scale;
        beliefs.day_sd.median = variances.day_sd;
        Ok(beliefs)
    }
}

/// The prior model, its centres the means over all other groves of what their campaigns' histories
/// say, each grove counting once.
fn without(learned: &[(String, Beliefs)], stand: &str) -> ModelFile {
    let mut others: BTreeMap<&str, Vec<&Beliefs>> = BTreeMap::new();
    for (other, beliefs) in learned.iter().filter(|(other, _)| other != stand) {
        others.entry(other).or_default().push(beliefs);
    }
    let centre = |of: &dyn Fn(&Beliefs) -> f64| {
        let each = others.values().map(|own| mean(own.iter().map(|beliefs| of(beliefs))));
        mean(each)
    };
    let ln = |belief: Belief, of: &dyn Fn(&Beliefs) -> Belief| Belief {
        median: centre(&|beliefs| of(beliefs).median.ln()).exp(),
        ..belief
    };
    let base = ModelFile::prior();
    let mut beliefs = base.beliefs;
    beliefs.half_light_w_m2 = ln(beliefs.half_light_w_m2, &|b| b.half_light_w_m2);
    beliefs.deficit_slope = ln(beliefs.deficit_slope, &|b| b.deficit_slope);
    beliefs.lag_h = ln(beliefs.lag_h, &|b| b.lag_h);
    beliefs.scale = ln(beliefs.scale, &|b| b.scale);
    beliefs.day_sd = ln(beliefs.day_sd, &|b| b.day_sd);
    beliefs.lead_h.mean = centre(&|b| b.lead_h.mean);
    let (demand, variances) = beliefs.at_medians(base.demand, base.variances);
    ModelFile { beliefs, demand, variances, ..base }
}

fn mean(all: impl Iterator<Item = f64>) -> f64 {
    let (sum, n) = all.fold((0.0, 0.0), |(sum, n), value| (sum + value, n + 1.0));
    sum / n
}

/// What the table is made of, draw by draw.
#[derive(Debug, Clone, Copy)]
struct Scored {
    error_pct: f64,
    inside: bool,
    /// P90 over P10.
    ratio: f64,
    /// Was it empty before dusk, and how sure was that?
    by_dusk: bool,
    sure: f64,
}

fn scored(one: &Prediction, tests: &HashMap<String, f64>) -> Option<Scored> {
    let (dusk_min, true_min) = (*tests.get(&one.draw_id)?, one.true_min?);
    let least = |minutes| match minutes {
        Minutes::At(minutes) | Minutes::After { after_min: minutes } => minutes,
    };
    Some(Scored {
        error_pct: 100.0 * (least(one.p50_min?) - true_min).abs() / true_min,
        inside: one.inside == Some("surely"),
        ratio: least(one.p90_min?) / least(one.p10_min?).max(0.1),
        by_dusk: true_min <= dusk_min,
        sure: one.p_empty_by_dusk?,
    })
}

fn row(name: &str, all: &[Scored]) -> String {
    let brier = mean(all.iter().map(|one| (one.sure - f64::from(one.by_dusk)).powi(2)));
    format!(
        "{name:18} {:5}  {:12.1}  {:9.0}  {:10.2}  {brier:5.3}\n",
        all.len(),
        median(all.iter().map(|one| one.error_pct).collect()),
        100.0 * mean(all.iter().map(|one| f64::from(one.inside))),
        median(all.iter().map(|one| one.ratio).collect()),
    )
}

/// One row a grove, worst first, then all of them and the bags that ended after dusk.
fn shown(mut groves: Vec<(String, Vec<Scored>)>) -> String {
    let error = |all: &[Scored]| median(all.iter().map(|one| one.error_pct).collect());
    groves.sort_by(|a, b| error(&b.1).total_cmp(&error(&a.1)));
    let all: Vec<Scored> = groves.iter().flat_map(|(_, own)| own.iter().copied()).collect();
    let after_dusk: Vec<Scored> = all.iter().copied().filter(|one| !one.by_dusk).collect();
    let mut text = format!(
        "{:18} draws  median error %  inside %  P90 : P10  Brier (dusk)\n",
        "grove, worst first"
    );
    for (name, own) in &groves {
        text += &row(name, own);
    }
    text + &row("all", &all) + &row("empty after dusk", &after_dusk)
}

fn median(mut all: Vec<f64>) -> f64 {
    all.sort_by(f64::total_cmp);
    let n = all.len();
    if n == 0 { f64::NAN } else { 0.5 * (all[(n - 1) / 2] + all[n / 2]) }
}

fn table(path: &Path) -> Result<Table, Box<dyn Error>> {
    let mut reader =
        csv::Reader::from_path(path).map_err(|error| format!("{}: {error}", path.display()))?;
    Ok(reader.deserialize().collect::<Result<_, _>>()?)
}

/// The campaigns, and when each bag truly ran empty, for the score alone.
fn read(folder: &Path) -> Result<(Vec<Campaign>, Truth), Box<dyn Error>> {
    let (trees, events) = (table(&folder.join("trees.csv"))?, table(&folder.join("events.csv"))?);
    let campaigns = table(&folder.join("campaigns.csv"))?
        .iter()
        .map(|settings| campaign(folder, settings, &trees, &events))
        .collect::<Result<Vec<Campaign>, _>>()?;
    let mut truth = Truth::new();
    for row in table(&folder.join("truth.csv"))?.iter().filter(|row| !row["true_empty"].is_empty())
    {
        truth.insert(row["event_id"].clone(), at(&row["true_empty"])?);
    }
    Ok((campaigns, truth))
}

fn at(text: &str) -> Result<DateTime<Utc>, chrono::ParseError> {
    Ok(DateTime::parse_from_str(text, "%Y-%m-%dT%H:%M%:z")?.to_utc())
}

fn campaign(
    folder: &Path,
    settings: &HashMap<String, String>,
    trees: &Table,
    events: &Table,
) -> Result<Campaign, Box<dyn Error>> {
    let name = &settings["campaign"];
    let own = |rows: &&HashMap<String, String>| rows["campaign"] == *name;
    let toml = format!(
        "name = \"{name}\"\ntime_zone = \"{}\"\nlatitude_deg = {}\nlongitude_deg = {}\n\
         elevation_m = {}\nanemometer_height_m = 2.0\n[bag]\ncapacity_ml = 200000\n",
        settings["tz"], settings["lat"], settings["lon"], settings["elev_m"]
    );
    let sheet = |header: &str, rows: &[&HashMap<String, String>], columns: &[&str]| {
        let mut text = format!("{header}\n");
        for row in rows {
            let cells: Vec<&str> = columns.iter().map(|name| row[*name].as_str()).collect();
            let _ = writeln!(text, "{}", cells.join(","));
        }
        text
    };
    let columns = ["tree_id", "block", "species", "dbh_cm", "ports"];
    let own_trees: Vec<_> = trees.iter().filter(own).collect();
    let trees = sheet(&columns.join(","), &own_trees, &columns);
    let header = "draw_id,tree_id,started,charge_ml,ports,last_wet,first_empty";
    let columns = ["event_id", "tree_id", "start", "volume_ml", "ports"];
    let columns = [&columns[..], &["last_seen_with_fluid", "first_seen_empty"]].concat();
    let own_events: Vec<_> = events.iter().filter(own).collect();
    let draws = sheet(header, &own_events, &columns);
    let weather = |kind: &str| weather(&folder.join(format!("weather_hourly/{name}_{kind}.csv")));
    let (observed, forecast) = (weather("observed")?, weather("forecast")?);
    let grove = Grove::read(&Files::from([
        ("grove.toml", toml.as_bytes()),
        ("trees.csv", trees.as_bytes()),
        ("draws.csv", draws.as_bytes()),
        ("weather/observed.csv", observed.as_bytes()),
        ("weather/forecast.csv", forecast.as_bytes()),
    ]))?;
    let mut tests = HashMap::new();
    for event in own_events.iter().filter(|event| event["role"] == "test") {
        let dusk = at(&event["dusk"])? - at(&event["start"])?;
        tests.insert(event["event_id"].clone(), dusk.num_seconds() as f64 / 60.0);
    }
    let origin = format!("{}T00:00:00Z", settings["origin"]).parse()?;
    Ok(Campaign { stand: settings["grove"].clone(), grove, origin, tests })
}

/// Hours in which air, humidity and sun were all measured; wind and rain where a campaign has any.
fn weather(path: &Path) -> Result<String, Box<dyn Error>> {
    let rows = table(path)?;
    let any = |name: &str| rows.iter().any(|row| !row[name].is_empty());
    let (wind, rain) = (any("ws_m_s"), any("precip_mm"));
    let mut text = String::from("hour_ending,air_temp_c,rel_humidity_pct,shortwave_w_m2");
    text += if wind { ",wind_m_s" } else { "" };
    text += if rain { ",rain_mm\n" } else { "\n" };
    for row in &rows {
        let (Ok(air), Ok(humidity), Ok(sun)) =
            (row["ta_c"].parse::<f64>(), row["rh_pct"].parse::<f64>(), row["sw_in_w_m2"].parse())
        else {
            continue;
        };
        let (humidity, sun) = (humidity.clamp(0.5, 100.0), f64::clamp(sun, 0.0, 1500.0));
        let _ = write!(text, "{},{air},{humidity},{sun}", row["time_end_utc"]);
        for (_, name) in [(wind, "ws_m_s"), (rain, "precip_mm")].iter().filter(|(any, _)| *any) {
            let _ = write!(text, ",{}", row[*name]);
        }
        text.push('\n');
    }
    Ok(text)
}
