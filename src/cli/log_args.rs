//! What can be typed behind `log` and `record`.

use chrono::NaiveDate;
use clap::{Args, Subcommand};
use std::path::PathBuf;

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
