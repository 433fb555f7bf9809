//! The demo grove that is part of the program: an invented place with invented weather and draws.

use crate::grove::{Files, Grove, Refused};
use crate::uptake::model::{ModelError, ModelFile};
use chrono::{DateTime, Utc};

/// Where the demo's model stands in the repository.
pub const MODEL: &str = "models/demo.json";

/// The demo's model as it stands there.
pub const MODEL_TEXT: &str = include_str!("../../models/demo.json");

macro_rules! files {
    ($($name:literal),* $(,)?) => {
        [$(($name, include_bytes!(concat!("../../data/demo/", $name)).as_slice())),*]
    };
}

/// The demo's files by their names in a grove folder.
pub fn files() -> Files<'static> {
    let files = files![
        "grove.toml",
        "blocks.csv",
        "trees.csv",
        "draws.csv",
        "readings.csv",
        "pauses.csv",
        "weather/observed.csv",
        "weather/forecast.csv",
    ];
    files.into_iter().collect()
}

/// The demo grove.
///
/// # Errors
/// None in practice: a test reads it.
pub fn grove() -> Result<Grove, Refused> {
    Grove::read(&files())
}

/// The instant that the demo is looked at from: the evening before an interesting day.
///
/// # Panics
/// Where the embedded file is not a time; a test reads it.
pub fn as_of() -> DateTime<Utc> {
    include_str!("../../data/demo/as_of").trim().parse().expect("the demo's as-of is RFC 3339")
}

/// The model fitted to the demo's own draws.
///
/// # Errors
/// [`ModelError`] where the embedded file was made by another version; a test reads it.
pub fn model() -> Result<ModelFile, ModelError> {
    ModelFile::from_json(MODEL_TEXT)
}
