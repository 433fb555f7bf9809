//! The desk that every use case works at: a grove, the instant it is looked at from, the weather
//! known by then, and the model.

use super::past::{Aside, Past};
use crate::demand::Kind;
use crate::grove::{Grove, Hang, Note, Refused};
use crate::store::{demo, folder};
use crate::uptake::fit::FitError;
use crate::uptake::model::{Model, ModelError, ModelFile};
use crate::weather::{Forecast, Series, Span};
use chrono::{DateTime, NaiveDate, Utc};
use std::io;
use std::path::{Path, PathBuf};

/// What a command asks to be put on the desk.
#[derive(Debug, Clone, Default)]
pub struct Request {
    /// Grove folder; the embedded demo where none is named.
    pub grove: Option<PathBuf>,
    /// The instant that replaces the clock.
    pub as_of: Option<DateTime<Utc>>,
    /// A model file to predict from as it stands.
    pub model: Option<PathBuf>,
    /// Demand by reference ET instead of by light and deficit.
    pub reference_et: bool,
    /// Take the weather ahead as known.
    pub exact_weather: bool,
}

/// Why the desk cannot be laid.
#[derive(Debug, thiserror::Error)]
pub enum DeskError {
    /// The grove's files are flawed.
    #[error(transparent)]
    Refused(#[from] Refused),
    /// A model file cannot be used.
    #[error("{}: {error}", path.display())]
    Model {
        /// Which file.
        path: PathBuf,
        /// Why.
        error: ModelError,
    },
    /// A file cannot be read or written.
    #[error("{}: {error}", path.display())]
    File {
        /// Which file.
        path: PathBuf,
        /// Why.
        error: io::Error,
    },
    /// Pulled weather cannot be read or kept.
    #[error(transparent)]
    Pulled(#[from] crate::store::pulled::PulledError),
    /// The grove's draws cannot be fitted.
    #[error("the model could not be fitted: {0}")]
    Fit(#[from] FitError),
    /// The almanac has no such day.
    #[error(transparent)]
    Almanac(#[from] crate::evapo::EvapoError),
    /// A question that this grove cannot answer.
    #[error("{0}")]
    Unanswerable(String),
}

/// A grove as of an instant, with its model.
#[derive(Debug)]
pub struct Desk {
    /// The grove.
    pub grove: Grove,
    /// Is it the embedded demo?
    pub is_demo: bool,
    /// The instant that it is looked at from.
    pub as_of: DateTime<Utc>,
    /// Observed weather by then, short gaps bridged.
    pub observed: Series,
    /// The forecast known by then.
    pub forecast: Option<Forecast>,
    /// Until when observed weather is used; the forecast from there on.
    pub cut: DateTime<Utc>,
    /// The model.
    pub model: Model,
    /// Draws that told nothing.
    pub asides: Vec<Aside>,
    /// Is the weather ahead taken as known?
    pub exact_weather: bool,
    /// Draws logged since the model was fitted; they are used, its shape and spreads stay.
    pub since_refit: usize,
    /// Does the model predict as its file stands, without the draws logged since?
    pub model_as_it_stands: bool,
}

impl Desk {
    /// Lays the desk; `now` is the clock's, used where no other instant is given.
    ///
    /// # Errors
    /// [`DeskError`] where the grove or the model cannot be read.
    pub fn lay(request: &Request, now: DateTime<Utc>) -> Result<Self, DeskError> {
        let (grove, as_of) = match &request.grove {
            Some(folder) => (folder::read(folder)?, request.as_of.unwrap_or(now)),
            None => (demo::grove()?, request.as_of.unwrap_or_else(demo::as_of)),
        };
        let known_until = match request.exact_weather {
            true => DateTime::<Utc>::MAX_UTC,
            false => last_full_hour(&grove.observed, as_of),
        };
        let known = Span { from: DateTime::<Utc>::MIN_UTC, to: known_until };
        let observed = grove.observed.clipped(known).bridged();
        let forecast = grove.forecasts.latest(as_of).cloned();
        let cut = observed.span().map_or(as_of, |span| span.to);
        let past_weather = observed.clipped(Span { to: as_of, ..known });
        let coming = match request.exact_weather {
            true => Some(&observed),
            false => forecast.as_ref().and_then(|forecast| forecast.members.first()),
        };
        let past = Past::with_coming(&grove, &past_weather, coming, as_of);
        let base = base_model(request, as_of)?;
        let since_refit = past.draws().saturating_sub(base.draws);
        let model = base.fitted(request, &past)?;
        let asides = past.asides(&model.file().demand);
        let is_demo = request.grove.is_none();
        let exact_weather = request.exact_weather;
        drop(past);
        Ok(Self {
            grove,
            is_demo,
            as_of,
            observed,
            forecast,
            cut,
            model,
            asides,
            exact_weather,
            since_refit,
            model_as_it_stands: request.model.is_some(),
        })
    }

    /// The day that the question is about: tomorrow, in the grove's zone.
    pub fn tomorrow(&self) -> NaiveDate {
        let today = self.local_date(self.as_of);
        today.succ_opt().unwrap_or(today)
    }

    /// Local date of an instant.
    pub fn local_date(&self, at: DateTime<Utc>) -> NaiveDate {
        super::past::local_date(at, self.grove.settings.zone)
    }

    /// Intended draws: those of `file` where one is named, else the grove's own, else none.
    ///
    /// # Errors
    /// [`DeskError`] where the file is flawed.
    pub fn hangs(&self, file: Option<&Path>) -> Result<(Vec<Hang>, Vec<Note>), DeskError> {
        match file {
            Some(file) => Ok(folder::read_hang(file, &self.grove)?),
            None => Ok((self.grove.hang.clone().unwrap_or_default(), Vec::new())),
        }
    }
}

/// End of the last hour observed in full by an instant: the mean of one that is still running tells
/// of the future.
fn last_full_hour(observed: &Series, as_of: DateTime<Utc>) -> DateTime<Utc> {
    let full = observed.hours().partition_point(|hour| hour.span.to <= as_of);
    observed.hours()[..full].last().map_or(DateTime::<Utc>::MIN_UTC, |hour| hour.span.to)
}

/// Where the settings of the model come from.
struct Base {
    file: ModelFile,
    path: Option<PathBuf>,
    /// Draws that the file rests on.
    draws: usize,
    /// Predict from the file as it stands.
    as_it_stands: bool,
}

fn base_model(request: &Request, as_of: DateTime<Utc>) -> Result<Base, DeskError> {
    if let Some(path) = &request.model {
        let file = read_model(path)?;
        let draws = file.rests_on.draws;
        return Ok(Base { file, path: Some(path.clone()), draws, as_it_stands: true });
    }
    let found = match &request.grove {
        Some(folder) => newest_model(folder, as_of)?,
        None => {
            let path = PathBuf::from("models/demo.json");
            let file =
                demo::model().map_err(|error| DeskError::Model { path: path.clone(), error })?;
            // An earlier look must not know what was learned later.
            file.fitted_at.is_some_and(|at| at <= as_of).then_some((path, file))
        }
    };
    let usable = found.filter(|(_, file)| file.matches(request.reference_et));
    Ok(match usable {
        Some((path, file)) => {
            let draws = file.rests_on.draws + file.rests_on.silent;
            Base { file, path: Some(path), draws, as_it_stands: false }
        }
        None => Base { file: ModelFile::prior(), path: None, draws: 0, as_it_stands: false },
    })
}

impl Base {
    fn fitted(self, request: &Request, past: &Past) -> Result<Model, DeskError> {
        let path = self.path.unwrap_or_default();
        if self.as_it_stands {
            return Model::from_file(self.file).map_err(|error| DeskError::Model { path, error });
        }
        if path.as_os_str().is_empty() {
            let kind = if request.reference_et { Kind::ReferenceEt } else { self.file.demand.pull };
            return Ok(past.learn(&self.file.pulled_by(kind))?);
        }
        Ok(past.condition(&self.file)?)
    }
}

/// The folder in a grove folder where its models are kept.
pub const MODELS: &str = "models";

/// The newest model in a grove folder that was fitted by `as_of`.
fn newest_model(
    folder: &Path,
    as_of: DateTime<Utc>,
) -> Result<Option<(PathBuf, ModelFile)>, DeskError> {
    let models = folder.join(MODELS);
    let Ok(entries) = std::fs::read_dir(&models) else { return Ok(None) };
    let mut newest: Option<(PathBuf, ModelFile)> = None;
    for entry in entries.flatten() {
        let path = entry.path();
        if path.extension().is_none_or(|extension| extension != "json") {
            continue;
        }
        let file = read_model(&path)?;
        let fitted = file.fitted_at.filter(|at| *at <= as_of);
        let best = newest.as_ref().and_then(|(_, best)| best.fitted_at);
        if fitted.is_some() && fitted > best {
            newest = Some((path, file));
        }
    }
    Ok(newest)
}

/// Reads a model file.
///
/// # Errors
/// [`DeskError`] where it cannot be read or used.
pub fn read_model(path: &Path) -> Result<ModelFile, DeskError> {
    let text = std::fs::read_to_string(path)
        .map_err(|error| DeskError::File { path: path.into(), error })?;
    ModelFile::from_json(&text).map_err(|error| DeskError::Model { path: path.into(), error })
}
