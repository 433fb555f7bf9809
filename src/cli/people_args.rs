//! What can be typed behind `people` and `token`.

use crate::store::office::Role;
use clap::{Args, Subcommand};
use std::path::PathBuf;

/// Who may use the service.
#[derive(Debug, Subcommand)]
pub enum People {
    /// Add somebody; the first one must be a manager
    ///
    /// Example: xylocast people add Ada --role manager --data groves
    ///
    /// The password is asked for without showing it; without a terminal it is the first line of
    /// standard input.
    Add {
        /// Their name
        name: String,
        /// What they may do: reader, crew (logs readings too) or manager (all)
        #[arg(long)]
        role: Role,
        #[command(flatten)]
        keep: Keep,
    },
    /// List people
    ///
    /// Example: xylocast people list --data groves
    List {
        /// Folder where the service keeps its groves and people
        #[arg(long, value_name = "FOLDER", env = "XYLOCAST_DATA")]
        data: PathBuf,
    },
    /// Give somebody another role: reader, crew or manager
    ///
    /// Example: xylocast people role Bo crew --data groves
    Role {
        /// Their name
        name: String,
        /// What they may do
        role: Role,
        /// Folder where the service keeps its groves and people
        #[arg(long, value_name = "FOLDER", env = "XYLOCAST_DATA")]
        data: PathBuf,
    },
    /// Let somebody in no longer, at once
    ///
    /// Example: xylocast people disable Bo --data groves
    Disable {
        /// Their name
        name: String,
        /// Folder where the service keeps its groves and people
        #[arg(long, value_name = "FOLDER", env = "XYLOCAST_DATA")]
        data: PathBuf,
    },
    /// Let somebody in again
    ///
    /// Example: xylocast people enable Bo --data groves
    Enable {
        /// Their name
        name: String,
        /// Folder where the service keeps its groves and people
        #[arg(long, value_name = "FOLDER", env = "XYLOCAST_DATA")]
        data: PathBuf,
    },
    /// Give somebody a new password; they are logged out everywhere
    ///
    /// Example: xylocast people password Bo --data groves
    Password {
        /// Their name
        name: String,
        #[command(flatten)]
        keep: Keep,
    },
}

/// Where people are kept, and a password's way in.
#[derive(Debug, Args)]
pub struct Keep {
    /// Folder where the service keeps its groves and people
    #[arg(long, value_name = "FOLDER", env = "XYLOCAST_DATA")]
    pub data: PathBuf,
    /// File whose first line is the password
    #[arg(long, value_name = "FILE")]
    pub password_file: Option<PathBuf>,
}

/// Tokens for programs.
#[derive(Debug, Subcommand)]
pub enum Token {
    /// Make a token; it is printed this once
    ///
    /// Example: xylocast token add logger --of Ada --role crew --data groves
    Add {
        /// What it is for
        name: String,
        /// For whom it acts
        #[arg(long, value_name = "PERSON")]
        of: String,
        /// What it may do, at most: reader, crew or manager
        #[arg(long, default_value = "reader")]
        role: Role,
        /// Folder where the service keeps its groves and people
        #[arg(long, value_name = "FOLDER", env = "XYLOCAST_DATA")]
        data: PathBuf,
    },
    /// List tokens
    ///
    /// Example: xylocast token list --data groves
    List {
        /// Folder where the service keeps its groves and people
        #[arg(long, value_name = "FOLDER", env = "XYLOCAST_DATA")]
        data: PathBuf,
    },
    /// Take a token back, at once and for good
    ///
    /// Example: xylocast token revoke logger --data groves
    Revoke {
        /// What it is called
        name: String,
        /// Folder where the service keeps its groves and people
        #[arg(long, value_name = "FOLDER", env = "XYLOCAST_DATA")]
        data: PathBuf,
    },
}
