//! What can be typed.

use super::log_args::{Log, Record};
use super::people_args::{People, Token};
use crate::app::desk::Request;
use crate::http::settings::Typed;
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
    /// The bags that hang now: when each will be empty, and what its looks have changed
    ///
    /// Example: xylocast today --grove my-grove
    Today,
    /// What to measure, mix and load: doses, batches, ports, kits, as sheets to print
    ///
    /// Example: xylocast dose --grove my-grove --block north --html sheets.html
    ///
    /// The rate is the one that you typed from the label ([label] of grove.toml); none is ever
    /// filled in.
    Dose(Dose),
    /// Who sets, looks at and strips which tree when, with which kit
    ///
    /// Example: xylocast dayplan --grove my-grove --block North --html plan.html --ics plan.ics
    ///
    /// Again during the day: xylocast dayplan --json > plan.json, and later xylocast dayplan
    /// --from plan.json --gone 2 --broken 5
    ///
    /// Which days to go: xylocast dayplan --days 7
    Dayplan(Dayplan),
    /// Learn the model again from the grove's own draws: show what would change, and ask
    ///
    /// Example: xylocast refit --grove my-grove
    ///
    /// Without a terminal to ask at, nothing is put in use unless --yes is given. A refit that would
    /// have predicted the later draws worse is refused unless --even-if-worse is given. Earlier
    /// models stay in the folder.
    Refit(Refit),
    /// Predicted as of the start against what was seen
    ///
    /// Example: xylocast compare --grove my-grove --csv compared.csv
    Compare,
    /// How good is the model here? Walks forward through the draws and scores what was believed
    ///
    /// Example: xylocast backtest --grove my-grove --csv predictions.csv
    ///
    /// Each day is predicted from what had been seen before its first start, and held against what
    /// came, beside simpler ways to the same answer. Several groves are scored together.
    Backtest(Backtest),
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
    /// Run the service: pages for desk and phone, a JSON API, weather pulled by itself
    ///
    /// Example: xylocast serve --data groves
    ///
    /// Without --data or --grove it serves the demo, which nothing changes. Each setting can also
    /// stand in the file that --settings names; a flag goes before the environment, and both before
    /// the file.
    Serve(Serve),
    /// Who may use the service: add, list, role, disable, enable, password
    ///
    /// Example: xylocast people add Ada --role manager --data groves
    ///
    /// As long as there is nobody, whoever sits at the machine may do all, and the service does not
    /// let anybody else in.
    #[command(subcommand)]
    People(People),
    /// Tokens with which programs use the service: add, list, revoke
    ///
    /// Example: xylocast token add logger --of Ada --role crew --data groves
    #[command(subcommand)]
    Token(Token),
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

/// Options of `dose`.
#[derive(Debug, Args)]
#[command(args_conflicts_with_subcommands = true)]
pub struct Dose {
    #[command(subcommand)]
    pub part: Option<DosePart>,
    /// This tree; may be given more than once. With no tree and no block: hang.csv, else the trees
    /// to be hung
    #[arg(long, value_name = "ID", value_delimiter = ',')]
    pub tree: Vec<String>,
    /// All trees of this block that do not say hang = no; may be given more than once
    #[arg(long, value_name = "NAME")]
    pub block: Vec<String>,
    /// This date instead of tomorrow, e.g. 2026-01-16
    #[arg(long, value_name = "DATE")]
    pub date: Option<NaiveDate>,
    /// Dose by the block's mean dbh; refused for trees that would get more than their own label
    /// rate, unless mean_dose_allowed = true is typed from the label
    #[arg(long)]
    pub by_mean: bool,
    /// List parts for so many kits; without it, for as many as bags hang
    #[arg(long, value_name = "COUNT", value_parser = clap::value_parser!(u32).range(1..=10_000))]
    pub kits: Option<u32>,
    /// Only this kind of sheet
    #[arg(long, value_enum, value_name = "KIND")]
    pub sheet: Option<SheetKind>,
    /// Units of the sheets; without it, those of grove.toml
    #[arg(long, value_enum)]
    pub units: Option<Units>,
    /// Write the sheets to this file, to print or to read on a telephone
    #[arg(long, value_name = "FILE")]
    pub html: Option<PathBuf>,
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
    /// This person of the plan is gone, by number; may stand more than once
    #[arg(long, value_name = "PERSON", value_parser = clap::value_parser!(u32).range(1..=100))]
    pub gone: Vec<u32>,
    /// This kit of the plan is broken, by number; may stand more than once
    #[arg(long, value_name = "KIT", value_parser = clap::value_parser!(u32).range(1..=10_000))]
    pub broken: Vec<u32>,
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

/// Parts of `dose` that need no grove.
#[derive(Debug, Subcommand)]
pub enum DosePart {
    /// Mean dbh of trunks, how far to trust it, and the trees to dose one by one
    ///
    /// Example: xylocast dose measure 94.2 88 101 97 "37 1/2 in"
    ///
    /// Give a file (a list, or a CSV with circumference_cm, circumference_in, dbh_cm or dbh_in), or
    /// the circumferences themselves, or - for standard input; with nothing, it asks.
    Measure(Measure),
}

/// Options of `dose measure`.
#[derive(Debug, Args)]
pub struct Measure {
    /// A file, - for standard input, or circumferences
    #[arg(value_name = "FILE or CIRCUMFERENCE")]
    pub from: Vec<String>,
    /// Numbers without a unit are inches, not centimetres
    #[arg(long)]
    pub inches: bool,
    /// How well the mean is to be known, as a share of it (0.1 unless grove.toml says otherwise)
    #[arg(long, value_name = "SHARE")]
    pub precision: Option<f64>,
    /// Confidence of the interval (0.95)
    #[arg(long, value_name = "SHARE")]
    pub confidence: Option<f64>,
    /// Trees in the block, where known: a block measured whole has no sampling error
    #[arg(long, value_name = "COUNT", value_parser = clap::value_parser!(u32).range(1..=1_000_000))]
    pub block_trees: Option<u32>,
    /// Units of the answer
    #[arg(long, value_enum)]
    pub units: Option<Units>,
}

/// Units that people read.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Units {
    /// cm, m, mL
    Metric,
    /// in, ft, US fl oz
    Us,
}

/// Kinds of sheet.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum SheetKind {
    /// Doses of a block
    Dose,
    /// What to measure out and pour, batch by batch
    Mixing,
    /// Checklist of setting up
    SetUp,
    /// Parts of the kits
    Kit,
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
pub struct Serve {
    /// File of settings (TOML), with these keys and _ for -
    #[arg(long, value_name = "FILE", env = "XYLOCAST_SETTINGS")]
    pub settings: Option<PathBuf>,
    #[command(flatten)]
    pub typed: Typed,
}

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

/// Options of `backtest`.
#[derive(Debug, Args)]
pub struct Backtest {
    /// More grove folders
    #[arg(value_name = "FOLDER")]
    pub more: Vec<PathBuf>,
    /// Weather ahead as it was forecast by then; else as it came, taken as known
    #[arg(long)]
    pub forecast: bool,
    /// Ask so many hours before each day's first start instead of a minute before
    #[arg(long, value_name = "HOURS", value_parser = before_h)]
    pub before_h: Option<f64>,
    /// Predict each draw from a fit without any draw of its own tree
    #[arg(long)]
    pub withhold_trees: bool,
    /// True finishes, draw_id and empty_at, read after every prediction is made
    #[arg(long, value_name = "FILE")]
    pub truth: Option<PathBuf>,
    /// A finish seen to within so many minutes counts as known for the CRPS
    #[arg(long, value_name = "MINUTES", value_parser = known_min,
          default_value_t = crate::app::backtest::KNOWN_WITHIN_MIN)]
    pub known_within_min: f64,
    /// Leave the simpler ways out: about a third less work
    #[arg(long)]
    pub no_rivals: bool,
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
    /// Put the model in use without asking
    #[arg(long, conflicts_with = "dry_run")]
    pub yes: bool,
    /// Write it even if it would have predicted worse
    #[arg(long, conflicts_with = "dry_run")]
    pub even_if_worse: bool,
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

fn before_h(text: &str) -> Result<f64, String> {
    within(text, 0.0, 72.0, "hours")
}

fn known_min(text: &str) -> Result<f64, String> {
    within(text, 0.0, 240.0, "minutes")
}

fn within(text: &str, low: f64, high: f64, unit: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(value) if (low..=high).contains(&value) => Ok(value),
        _ => Err(format!("write a number of {unit} from {low} to {high}")),
    }
}

fn instant(text: &str) -> Result<DateTime<Utc>, String> {
    match crate::text::read_time(text, chrono_tz::UTC) {
        Ok(read) if read.has_offset => Ok(read.at),
        Ok(_) => Err("give the offset from UTC too, e.g. 2026-01-14T18:00+10:30".into()),
        Err(_) => Err("write a date, a time and an offset, e.g. 2026-01-14T18:00+10:30".into()),
    }
}
