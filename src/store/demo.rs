//! The demo grove that is part of the program: an invented place with invented weather and draws.

use crate::grove::{Grove, Refused};
use crate::uptake::model::{ModelError, ModelFile};
use chrono::{DateTime, Utc};

macro_rules! files {
    ($($name:literal),* $(,)?) => {
        [$(($name, include_bytes!(concat!("../../data/demo/", $name)).as_slice())),*]
    };
}

/// The demo grove.
///
/// # Errors
/// None in practice: a test reads it.
pub fn grove() -> Result<Grove, Refused> {
    let files = files!["grove.toml"];
    Grove::read(&files.into_iter().collect())
}

/// The instant that the demo is looked at from: the evening before an interesting day.
pub fn as_of() -> DateTime<Utc> {
    DateTime::UNIX_EPOCH
}

/// The model fitted to the demo's own draws.
///
/// # Errors
/// None in practice: a test reads it.
pub fn model() -> Result<ModelFile, ModelError> {
    Ok(ModelFile::prior())
}
