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
    /// Grove folder or database (FILE.db); without it, the embedded demo grove
    #[arg(long, global = true, value_name = "FOLDER|FILE.db", env = "XYLOCAST_GROVE")]
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
    /// Note what happens to bags: start, reading, pause, resume, refill, strip, leak, undo
    ///
    /// Example: xylocast log reading A12 400 --grove my-grove
    ///
    /// Times are of the grove's zone. Every entry is kept in journal.csv; an undo is an entry too.
    #[command(subcommand)]
    Log(Log),
    /// The working record: what was put into which tree, when, by whom
    ///
    /// Example: xylocast record --grove my-grove --html record.html
    ///
    /// A working record, not a legal form: what the law asks for is for you to check.
    Record(Record),
    /// Is this grove sound?
    ///
    /// Example: xylocast check --grove my-grove
    Check,
    /// Bring a grove folder into a database, all or nothing; twice changes nothing
    ///
    /// Example: xylocast import my-grove --grove my-grove.db
    Import(Import),
    /// Write a database, or the demo, as a grove folder
    ///
    /// Example: xylocast export my-copy --grove my-grove.db
    Export(Export),
    /// Copy a database while it is used
    ///
    /// Example: xylocast backup my-grove-2026-01-14.db --grove my-grove.db
    Backup(Backup),
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

/// Options of `import`.
#[derive(Debug, Args)]
pub struct Import {
    /// The grove folder
    pub folder: PathBuf,
    /// Where a row differs from what is stored, take the folder's; the audit keeps the old one
    #[arg(long)]
    pub replace: bool,
}

/// Options of `export`.
#[derive(Debug, Args)]
pub struct Export {
    /// The folder to be written
    pub folder: PathBuf,
    /// Where the folder holds something, keep that beside it under another name
    #[arg(long)]
    pub replace: bool,
}

/// Options of `backup`.
#[derive(Debug, Args)]
pub struct Backup {
    /// The copy to be written
    pub file: PathBuf,
}

/// What is noted.
#[derive(Debug, Subcommand)]
pub enum Log {
    /// A bag was hung on a tree and started
    ///
    /// Example: xylocast log start A12 --at 08:40 --kit K3 --by anna --grove my-grove
    Start {
        /// Which tree
        #[arg(value_name = "TREE")]
        tree: String,
        /// Mix in the bag; without it, the tree's or the bag's own
        #[arg(long, value_name = "ML")]
        charge_ml: Option<f64>,
        /// Ports in use; without it, the tree's own
        #[arg(long, value_name = "COUNT", value_parser = clap::value_parser!(u32).range(1..=40))]
        ports: Option<u32>,
        /// Height of the liquid surface above the ports
        #[arg(long, value_name = "M")]
        head_m: Option<f64>,
        /// Which kit: one kit is on one tree at a time
        #[arg(long, value_name = "KIT")]
        kit: Option<String>,
        /// Id of the draw; without it, made of tree and date
        #[arg(long, value_name = "ID")]
        draw: Option<String>,
        /// A second bag beside one that hangs there is meant
        #[arg(long)]
        second_bag: bool,
        #[command(flatten)]
        told: Told,
    },
    /// A look at a bag: wet, empty, or the mL left
    ///
    /// Example: xylocast log reading A12 400 --at 14:30 --grove my-grove
    Reading {
        /// Which tree or draw
        #[arg(value_name = "TREE|DRAW")]
        on: String,
        /// What was seen
        #[arg(value_name = "wet|empty|LEFT_ML", value_parser = seen)]
        seen: Seen,
        #[command(flatten)]
        told: Told,
    },
    /// More was filled into a bag
    ///
    /// Example: xylocast log refill A12 500 --grove my-grove
    Refill {
        /// Which tree or draw
        #[arg(value_name = "TREE|DRAW")]
        on: String,
        /// How much was added
        #[arg(value_name = "ADDED_ML")]
        added_ml: f64,
        #[command(flatten)]
        told: Told,
    },
    /// Some ran out beside the tree
    ///
    /// Example: xylocast log leak A12 --left-ml 250 --grove my-grove
    Leak {
        /// Which tree or draw
        #[arg(value_name = "TREE|DRAW")]
        on: String,
        /// What was left in the bag then
        #[arg(long, value_name = "ML")]
        left_ml: Option<f64>,
        #[command(flatten)]
        told: Told,
    },
    /// A line was clamped shut
    ///
    /// Example: xylocast log pause A12 --why wind --grove my-grove
    Pause {
        /// Which tree or draw
        #[arg(value_name = "TREE|DRAW")]
        on: String,
        /// Why
        #[arg(long, value_name = "WORDS")]
        why: Option<String>,
        #[command(flatten)]
        told: Told,
    },
    /// A line was opened again
    ///
    /// Example: xylocast log resume A12 --grove my-grove
    Resume {
        /// Which tree or draw
        #[arg(value_name = "TREE|DRAW")]
        on: String,
        #[command(flatten)]
        told: Told,
    },
    /// The kit was taken off
    ///
    /// Example: xylocast log strip A12 --left-ml 120 --grove my-grove
    Strip {
        /// Which tree or draw
        #[arg(value_name = "TREE|DRAW")]
        on: String,
        /// What was left in the bag
        #[arg(long, value_name = "ML")]
        left_ml: Option<f64>,
        #[command(flatten)]
        told: Told,
    },
    /// An entry of today was wrong: it counts no more, and is kept
    ///
    /// Example: xylocast log undo --by anna --grove my-grove
    Undo {
        /// Key of the entry; without it, the last one of today noted under the same --by
        #[arg(value_name = "KEY")]
        of: Option<String>,
        #[command(flatten)]
        told: Told,
    },
    /// Today's entries and the bags that hang
    ///
    /// Example: xylocast log show --grove my-grove
    Show,
}

/// What every entry may say.
#[derive(Debug, Args)]
pub struct Told {
    /// When it happened: 14:30 is today, else a date and a time; without it, now
    #[arg(long, value_name = "TIME")]
    pub at: Option<String>,
    /// Who saw or did it
    #[arg(long, value_name = "NAME", env = "XYLOCAST_BY")]
    pub by: Option<String>,
    /// What else is to be known
    #[arg(long, value_name = "WORDS")]
    pub note: Option<String>,
    /// Key of this entry: sent again with it, nothing is noted twice
    #[arg(long, value_name = "KEY")]
    pub key: Option<String>,
}

/// What was seen of a bag.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Seen {
    /// Fluid.
    Wet,
    /// None.
    Empty,
    /// So much, mL.
    Left(f64),
}

fn seen(text: &str) -> Result<Seen, String> {
    match (text, text.parse::<f64>()) {
        ("wet", _) => Ok(Seen::Wet),
        ("empty", _) => Ok(Seen::Empty),
        (_, Ok(left_ml)) if left_ml.is_finite() => Ok(Seen::Left(left_ml)),
        _ => Err("write wet, empty, or the mL left as a bare number, e.g. 400".into()),
    }
}

/// Options of `record`.
#[derive(Debug, Args)]
pub struct Record {
    /// From this day on
    #[arg(long, value_name = "DATE")]
    pub from: Option<NaiveDate>,
    /// Up to and with this day
    #[arg(long, value_name = "DATE")]
    pub to: Option<NaiveDate>,
    /// Of this tree only
    #[arg(long, value_name = "TREE")]
    pub tree: Option<String>,
    /// Write a sheet to print to this file
    #[arg(long, value_name = "FILE")]
    pub html: Option<PathBuf>,
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
