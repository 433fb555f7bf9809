//! What can be typed.

use crate::app::desk::Request;
use chrono::{DateTime, Utc};
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
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Demand {
    /// Light times damped vapour pressure deficit
    Light,
    /// FAO-56 reference ET
    ReferenceEt,
}

#[derive(Debug, Subcommand)]
pub enum Command {
    Times(Times),
}

/// How long will each intended draw take?
///
/// Example: xylocast times --grove examples/grove --hang hang.csv --csv times.csv
#[derive(Debug, Args)]
pub struct Times {
    /// Intended draws; without it, hang.csv of the grove folder
    #[arg(long, value_name = "FILE")]
    pub hang: Option<PathBuf>,
    /// Write one row per draw to this file ("-" for standard output)
    #[arg(long, value_name = "FILE", num_args = 0..=1, default_missing_value = "-")]
    pub csv: Option<PathBuf>,
    /// Treat the weather ahead as known, for scoring the tree model alone
    #[arg(long)]
    pub exact_weather: bool,
}

/// How the answer is wanted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Format {
    Table,
    Json,
}

impl Cli {
    pub fn request(&self) -> Request {
        Request {
            grove: self.common.grove.clone(),
            as_of: self.common.as_of,
            model: self.common.model.clone(),
            reference_et: self.common.demand == Demand::ReferenceEt,
            exact_weather: false,
        }
    }

    pub fn format(&self) -> Format {
        if self.common.json { Format::Json } else { Format::Table }
    }
}

fn instant(text: &str) -> Result<DateTime<Utc>, String> {
    match crate::text::read_time(text, chrono_tz::UTC) {
        Ok(read) if read.has_offset => Ok(read.at),
        Ok(_) => Err("give the offset from UTC too, e.g. 2026-01-14T18:00+10:30".into()),
        Err(_) => Err("write a date, a time and an offset, e.g. 2026-01-14T18:00+10:30".into()),
    }
}
