//! What can be typed.

use crate::app::desk::Request;
use chrono::{DateTime, NaiveDate, Utc};
use clap::{Args, Parser, Subcommand, ValueEnum};
use std::path::PathBuf;

/// Tells, before the van leaves the yard, how long each infused tree will take to draw down its
/// bag.
#[derive(Debug, Parser)]
#[command(name = "xylocast", version, propagate_version = true)]
pub struct Cli {
    #[command(flatten)]
    pub common: Common,
    #[command(subcommand)]
    pub command: Command,
}

/// Options of every command.
#[derive(Debug, Args)]
pub struct Common {
    /// Grove folder; without it, the embedded demo grove
    #[arg(long, global = true, value_name = "FOLDER", env = "XYLOCAST_GROVE")]
    pub grove: Option<PathBuf>,
    /// Look at the grove as of this instant instead of now, e.g. 2026-01-14T18:00+10:30
    #[arg(long, global = true, value_name = "TIME", value_parser = instant)]
    pub as_of: Option<DateTime<Utc>>,
    /// Predict from this model file as it stands
    #[arg(long, global = true, value_name = "FILE")]
    pub model: Option<PathBuf>,
    /// What makes demand
    #[arg(long, global = true, value_enum, default_value_t = Demand::Light)]
    pub demand: Demand,
    /// Answer as JSON
    #[arg(long, global = true)]
    pub json: bool,
    /// Write the rows as CSV to this file, or to standard output
    #[arg(long, global = true, value_name = "FILE", num_args = 0..=1, default_missing_value = "-")]
    pub csv: Option<PathBuf>,
}

/// What makes demand.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Demand {
    /// Light times damped vapour pressure deficit
    Light,
    /// FAO-56 reference ET
    ReferenceEt,
}

/// What is asked.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Is tomorrow worth it, when to start, how long will each tree take?
    ///
    /// Example: xylocast tomorrow
    Tomorrow(Day),
    /// Tomorrow hour by hour: weather, VPD, reference ET, demand, hazards
    ///
    /// Example: xylocast outlook --date 2026-01-16
    Outlook(Day),
    /// How long will each intended draw take?
    ///
    /// Example: xylocast times --grove my-grove --hang my-grove/hang.csv --csv times.csv
    Times(Times),
    /// Which starts meet the wish? With the start -> finish curve
    ///
    /// Example: xylocast window --grove my-grove
    Window(Day),
    /// Per bag: finish today, leave overnight, strip at dusk, do not hang
    ///
    /// Example: xylocast overnight --grove my-grove --hang my-grove/hang.csv
    Overnight(Overnight),
    /// Who sets, looks at and strips which tree when, with which kit
    ///
    /// Example: xylocast dayplan --grove my-grove --block North --html plan.html --ics plan.ics
    ///
    /// Again during the day: xylocast dayplan --json > plan.json, and later xylocast dayplan
    /// --from plan.json --kits 11
    ///
    /// Which days to go: xylocast dayplan --days 7
    Dayplan(Dayplan),
    /// Learn the model again from the grove's own draws, and say what that changes
    ///
    /// Example: xylocast refit --grove my-grove
    Refit(Refit),
    /// Predicted as of the start against what was seen
    ///
    /// Example: xylocast compare --grove my-grove --csv compared.csv
    Compare,
    /// Pull weather into the grove folder from open services
    ///
    /// Example: xylocast pull --grove my-grove
    ///
    /// Services: open-meteo (default; its free hosts are for non-commercial use), met-norway, nws
    /// (United States), bright-sky (Germany). Settings: the [weather] table of grove.toml.
    Pull(Pull),
    /// Is this grove folder sound?
    ///
    /// Example: xylocast check --grove my-grove
    Check,
}

/// Which day.
#[derive(Debug, Args)]
pub struct Day {
    /// This date instead of tomorrow, e.g. 2026-01-16
    #[arg(long, value_name = "DATE")]
    pub date: Option<NaiveDate>,
    /// Treat the weather ahead as known
    #[arg(long)]
    pub exact_weather: bool,
}

/// Options of `times`.
#[derive(Debug, Args)]
pub struct Times {
    /// Intended draws; without it, hang.csv of the grove folder, else tomorrow's list
    #[arg(long, value_name = "FILE")]
    pub hang: Option<PathBuf>,
    /// Treat the weather ahead as known, for scoring the tree model alone
    #[arg(long)]
    pub exact_weather: bool,
}

/// Options of `overnight`.
#[derive(Debug, Args)]
pub struct Overnight {
    /// Intended draws; without it, hang.csv of the grove folder, else tomorrow's list
    #[arg(long, value_name = "FILE")]
    pub hang: Option<PathBuf>,
}

/// Options of `dayplan`.
#[derive(Debug, Args)]
pub struct Dayplan {
    /// This date instead of tomorrow, or instead of that of --from
    #[arg(long, value_name = "DATE")]
    pub date: Option<NaiveDate>,
    /// Trees of this block only; may stand more than once
    #[arg(long, value_name = "BLOCK")]
    pub block: Vec<String>,
    /// This tree; may stand more than once. Without it, the date's list, as in `tomorrow`
    #[arg(long, value_name = "TREE_ID")]
    pub tree: Vec<String>,
    /// So many people instead of the crew's
    #[arg(long, value_name = "COUNT", value_parser = clap::value_parser!(u32).range(1..=100))]
    pub people: Option<u32>,
    /// So many kits instead of the crew's, those that hang already included
    #[arg(long, value_name = "COUNT", value_parser = clap::value_parser!(u32).range(1..=10_000))]
    pub kits: Option<u32>,
    /// Which of so many days to go, and for how many trees
    #[arg(long, value_name = "COUNT", value_parser = clap::value_parser!(u32).range(1..=16),
          conflicts_with_all = ["from", "svg", "ics", "html"])]
    pub days: Option<u32>,
    /// Keep to this earlier plan (what --json wrote) as far as it still goes, and say what changes
    #[arg(long, value_name = "FILE")]
    pub from: Option<PathBuf>,
    /// Draw the day as SVG
    #[arg(long, value_name = "FILE")]
    pub svg: Option<PathBuf>,
    /// Write the acts as iCalendar, for telephones
    #[arg(long, value_name = "FILE")]
    pub ics: Option<PathBuf>,
    /// Write a sheet to print
    #[arg(long, value_name = "FILE")]
    pub html: Option<PathBuf>,
}

/// Options of `pull`.
#[derive(Debug, Args)]
pub struct Pull {
    /// More grove folders; those that share a service are asked for in one question
    #[arg(value_name = "FOLDER")]
    pub more: Vec<PathBuf>,
    /// Ask this service only
    #[arg(long, value_name = "NAME")]
    pub source: Option<String>,
    /// Observed hours from here on, to match old draws, e.g. 2025-10-01T00:00+10:30
    #[arg(long, value_name = "TIME", value_parser = instant)]
    pub from: Option<DateTime<Utc>>,
    /// To here
    #[arg(long, value_name = "TIME", value_parser = instant)]
    pub to: Option<DateTime<Utc>>,
    /// Ask for ensemble members
    #[arg(long)]
    pub ensemble: bool,
    /// Show what would be asked, and ask nobody
    #[arg(long)]
    pub dry_run: bool,
    /// Forecast against observed by lead time; asks nobody
    #[arg(long, conflicts_with_all = ["dry_run", "ensemble", "source", "from", "to"])]
    pub verify: bool,
    /// Wait a random time up to so many seconds first: for jobs that start on the full hour
    #[arg(long, value_name = "SECONDS", value_parser = clap::value_parser!(u32).range(1..=3600))]
    pub spread_s: Option<u32>,
}

/// Options of `refit`.
#[derive(Debug, Args)]
pub struct Refit {
    /// Write the model here instead of into the grove folder
    #[arg(long, value_name = "FILE")]
    pub out: Option<PathBuf>,
    /// Show what would change and write nothing
    #[arg(long, conflicts_with = "out")]
    pub dry_run: bool,
}

impl Cli {
    /// What to put on the desk.
    pub fn request(&self) -> Request {
        Request {
            grove: self.common.grove.clone(),
            as_of: self.common.as_of,
            model: self.common.model.clone(),
            reference_et: self.reference_et(),
            exact_weather: match &self.command {
                Command::Times(times) => times.exact_weather,
                Command::Tomorrow(day) | Command::Outlook(day) | Command::Window(day) => {
                    day.exact_weather
                }
                _ => false,
            },
        }
    }

    /// Demand by reference ET?
    pub fn reference_et(&self) -> bool {
        self.common.demand == Demand::ReferenceEt
    }
}

fn instant(text: &str) -> Result<DateTime<Utc>, String> {
    match crate::text::read_time(text, chrono_tz::UTC) {
        Ok(read) if read.has_offset => Ok(read.at),
        Ok(_) => Err("give the offset from UTC too, e.g. 2026-01-14T18:00+10:30".into()),
        Err(_) => Err("write a date, a time and an offset, e.g. 2026-01-14T18:00+10:30".into()),
    }
}
