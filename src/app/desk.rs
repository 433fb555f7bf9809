//! The desk that every use case works at: a grove, the instant it is looked at from, the weather
//! known by then, and the model.

use super::ahead::Ahead;
use super::past::{Aside, Past};
use super::weather_known::{ObservedKnown, observed_known};
use crate::demand::Kind;
use crate::grove::{Grove, Hang, Note, Refused};
use crate::store::home::{Home, HomeError, read_model};
use crate::store::{demo, folder};
use crate::uptake::fit::FitError;
use crate::uptake::model::{Model, ModelError, ModelFile};
use crate::weather::{Forecast, Series, Span};
use chrono::{DateTime, NaiveDate, Utc};
use std::io;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};

/// What a command asks to be put on the desk.
#[derive(Debug, Clone, Default)]
pub struct Request {
    /// Grove folder or database; the embedded demo where none is named.
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
    /// The database says no.
    #[error(transparent)]
    Database(crate::store::db::StoreError),
    /// The grove's draws cannot be fitted.
    #[error("the model could not be fitted: {0}")]
    Fit(#[from] FitError),
    /// The almanac has no such day.
    #[error(transparent)]
    Almanac(#[from] crate::evapo::EvapoError),
    /// An entry is not noted.
    #[error(transparent)]
    Log(Box<super::log::Fault>),
    /// There is nothing of that name in the grove.
    #[error("there is no {what} '{name}' in this grove; correct it, or add it first")]
    NoSuch {
        /// What was looked for.
        what: &'static str,
        /// The name.
        name: String,
    },
    /// The demo is part of the program.
    #[error(
        "the demo is part of the program and cannot be changed: use a copy of it, or a grove of \
         your own"
    )]
    Demo,
    /// No weather service answered.
    #[error("{0}")]
    NobodyAnswered(String),
    /// A question that has to say something else about one thing.
    #[error("{fact}")]
    Ask {
        /// What is wrong, and what would have to be said.
        fact: String,
        /// About what; each surface has its own way to say it.
        about: About,
    },
    /// A question that this grove cannot answer.
    #[error("{0}")]
    Unanswerable(String),
}

/// What a question has to say otherwise.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum About {
    /// Which trees or blocks.
    Trees,
    /// How many people, kits or trees.
    Means,
    /// How many kits.
    Kits,
    /// Who is gone, what is broken.
    Missing,
    /// The date, or the earlier plan.
    EarlierPlan,
    /// Which database.
    Database,
    /// That a refit is used though it is worse.
    WorseRefit,
}

impl From<HomeError> for DeskError {
    fn from(error: HomeError) -> Self {
        match error {
            HomeError::Refused(refused) => Self::Refused(refused),
            HomeError::Database(error) => Self::Database(error),
            HomeError::Pulled(error) => Self::Pulled(error),
            HomeError::Model { path, error } => Self::Model { path, error },
            HomeError::File { path, error } => Self::File { path, error },
            HomeError::Demo => Self::Demo,
        }
    }
}

impl From<crate::store::db::StoreError> for DeskError {
    fn from(error: crate::store::db::StoreError) -> Self {
        HomeError::from(error).into()
    }
}

/// A grove as of an instant, with its model.
#[derive(Debug)]
pub struct Desk {
    /// The grove, but for its observed weather: that stands in `observed` alone.
    pub grove: Grove,
    /// Where it is kept.
    pub home: Home,
    /// Is it the embedded demo?
    pub is_demo: bool,
    /// The instant that it is looked at from.
    pub as_of: DateTime<Utc>,
    /// Observed weather by then, short gaps bridged.
    pub observed: Series,
    pub(super) observed_known: Option<ObservedKnown>,
    /// The forecast known by then.
    pub forecast: Option<Forecast>,
    /// The middle of the weather expected, for reading what was seen since the last hour observed.
    expected: Series,
    /// Until when observed weather is used; the forecast from there on.
    pub cut: DateTime<Utc>,
    /// The model.
    pub model: Model,
    /// The models of the grove folder that were fitted by then, the oldest first.
    pub models: Vec<ModelFile>,
    /// Draws that told nothing.
    pub asides: Vec<Aside>,
    /// Is the weather ahead taken as known?
    pub exact_weather: bool,
    /// Draws logged since the model was fitted; they are used, its shape and spreads stay.
    pub since_refit: usize,
    /// Does the model predict as its file stands, without the draws logged since?
    pub model_as_it_stands: bool,
    /// The weather ahead from the starts of the days last asked for.
    aheads: Mutex<Vec<(DateTime<Utc>, Ahead)>>,
}

/// So many days' weather ahead is kept with a desk: today's bags and tomorrow's.
const AHEADS: usize = 2;

impl Desk {
    /// Lays the desk; `now` is the clock's, used where no other instant is given.
    ///
    /// # Errors
    /// [`DeskError`] where the grove or the model cannot be read.
    pub fn lay(request: &Request, now: DateTime<Utc>) -> Result<Self, DeskError> {
        let home = Home::of(request.grove.as_deref());
        let ordinary = if home.is_demo() { demo::as_of() } else { now };
        let as_of = request.as_of.unwrap_or(ordinary);
        let mut grove = home.grove(now)?;
        let known_until = match request.exact_weather {
            true => DateTime::<Utc>::MAX_UTC,
            false => last_full_hour(&grove.observed, as_of),
        };
        let known = Span { from: DateTime::<Utc>::MIN_UTC, to: known_until };
        let observed = grove.observed.clipped(known).bridged();
        let came = std::mem::take(&mut grove.observed);
        let observed_known = observed_known(&came, &observed, as_of, grove.settings.zone);
        drop(came);
        let forecast = grove.forecasts.latest(as_of).cloned();
        let cut = observed.span().map_or(as_of, |span| span.to);
        let expected = match request.exact_weather {
            true => observed.clone(),
            false => forecast.as_ref().map(|it| Series::mean(&it.members)).unwrap_or_default(),
        };
        let past = past_by_now(&grove, &observed, &expected, as_of);
        let models = home.models(as_of, now)?;
        let base = base_model(request, &models)?;
        let since_refit = past.draws().saturating_sub(base.draws);
        let model = base.fitted(request, &past)?;
        let asides = past.asides(&model.file().demand);
        let is_demo = home.is_demo();
        let exact_weather = request.exact_weather;
        drop(past);
        Ok(Self {
            expected,
            grove,
            home,
            is_demo,
            as_of,
            observed,
            observed_known,
            forecast,
            cut,
            model,
            models: models.into_iter().map(|(_, file)| file).collect(),
            asides,
            exact_weather,
            since_refit,
            model_as_it_stands: request.model.is_some(),
            aheads: Mutex::default(),
        })
    }

    /// The weather ahead from an instant, worked out where it is not at hand.
    pub(super) fn kept_ahead(&self, from: DateTime<Utc>, work: impl FnOnce() -> Ahead) -> Ahead {
        let all = || self.aheads.lock().unwrap_or_else(PoisonError::into_inner);
        let at_hand = |all: &[(DateTime<Utc>, Ahead)]| {
            all.iter().find(|(at, _)| *at == from).map(|(_, ahead)| ahead.for_another())
        };
        if let Some(ahead) = at_hand(&all()) {
            return ahead;
        }
        let ahead = work();
        let mut all = all();
        if at_hand(&all).is_none() {
            all.truncate(AHEADS - 1);
            all.insert(0, (from, ahead.for_another()));
        }
        ahead
    }

    /// The draws and looks that the model has taken up.
    pub fn past(&self) -> Past<'_> {
        past_by_now(&self.grove, &self.observed, &self.expected, self.as_of)
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

    /// Intended draws that a question brings, as rows of `hang.csv`.
    ///
    /// # Errors
    /// [`DeskError`] where a row is flawed.
    pub fn hangs_of(&self, rows: &[u8]) -> Result<Vec<Hang>, DeskError> {
        Ok(self.grove.read_hang("hangs", rows)?.0)
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

fn past_by_now<'a>(
    grove: &'a Grove,
    observed: &Series,
    expected: &Series,
    as_of: DateTime<Utc>,
) -> Past<'a> {
    let known = Span { from: DateTime::<Utc>::MIN_UTC, to: as_of };
    Past::by_now(grove, &observed.clipped(known), Some(expected), as_of)
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

fn base_model(request: &Request, models: &[(PathBuf, ModelFile)]) -> Result<Base, DeskError> {
    if let Some(path) = &request.model {
        let file = read_model(path)?;
        let draws = file.rests_on.draws;
        return Ok(Base { file, path: Some(path.clone()), draws, as_it_stands: true });
    }
    let usable = models.iter().rev().find(|(_, file)| file.matches(request.reference_et)).cloned();
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
