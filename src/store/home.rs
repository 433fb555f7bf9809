//! Where a grove is kept: the embedded demo, a folder, or a database, in a file or at a server. What the program does with a
//! grove is the same for all of them.

use super::db::{By, Database, StoreError, is_database, put_in_place, shown, version, write_texts};
use super::folder::write_atomically;
use super::folder_log::{self, LogError, Logbook};
use super::pulled::{self, PulledError, PulledHour};
use super::sql::Address;
use super::{demo, folder};
use crate::grove::{Grove, Note, NoteKind, Refused};
use crate::journal::{Admission, Entry, State};
use crate::uptake::model::{ModelError, ModelFile};
use crate::weather::Series;
use chrono::{DateTime, Utc};
use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::time::SystemTime;

/// The folder in a grove folder where its models are kept.
pub const MODELS: &str = "models";

/// Where answers of weather services are kept between pulls, in a grove folder.
const CACHE: &str = "weather/cache";

/// Where a grove is kept.
#[derive(Clone, PartialEq, Eq)]
pub enum Home {
    /// In the program itself: the demo, which nothing changes.
    Demo,
    /// In a folder of files.
    Folder(PathBuf),
    /// In one SQLite file, or at the address of a PostgreSQL server.
    Database(PathBuf),
}

/// Where files are looked for that a grove's settings name.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Beside {
    /// Wherever they say, as seen from a folder that is the user's own.
    Anywhere(PathBuf),
    /// In this folder alone: what stands in a database may have been sent by somebody else.
    Within(PathBuf),
    /// Nowhere, as there is no folder.
    Nowhere,
}

/// Why a grove cannot be read or written where it is kept.
#[derive(Debug, thiserror::Error)]
pub enum HomeError {
    /// Its files are flawed.
    #[error(transparent)]
    Refused(#[from] Refused),
    /// The database says no.
    #[error(transparent)]
    Database(StoreError),
    /// Pulled weather cannot be read or kept.
    #[error(transparent)]
    Pulled(#[from] PulledError),
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
    /// The demo is part of the program.
    #[error("the demo is part of the program and cannot be changed")]
    Demo,
}

impl From<StoreError> for HomeError {
    fn from(error: StoreError) -> Self {
        match error {
            StoreError::Refused(refused) => Self::Refused(refused),
            other => Self::Database(other),
        }
    }
}

impl Home {
    /// The home that a path names: a file that is a database by its name or its first bytes, or a
    /// folder; without a path, the demo.
    pub fn of(path: Option<&Path>) -> Self {
        match path {
            None => Self::Demo,
            Some(path) if is_database(path) => Self::Database(path.to_owned()),
            Some(path) => Self::Folder(path.to_owned()),
        }
    }

    /// Is it the embedded demo?
    pub fn is_demo(&self) -> bool {
        *self == Self::Demo
    }

    /// The path that names it; none of the demo.
    pub fn path(&self) -> Option<&Path> {
        match self {
            Self::Demo => None,
            Self::Folder(path) | Self::Database(path) => Some(path),
        }
    }

    /// Is it still where it was? What a server keeps stays there.
    pub fn is_there(&self) -> bool {
        self.path().is_none_or(|path| Address::is_one(path) || path.exists())
    }

    /// The server that it is at, with its name there; none elsewhere.
    pub fn server(&self) -> Option<Address> {
        self.path().filter(|path| Address::is_one(path)).and_then(|path| path.try_into().ok())
    }

    /// What its files look like from outside; another stamp tells that something was written, by
    /// whatever hand.
    pub fn stamp(&self) -> Stamp {
        let mut stamp = Stamp::default();
        match self {
            Self::Demo => {}
            Self::Folder(folder) => stamp.note_folder(folder),
            Self::Database(place) if Address::is_one(place) => stamp.version = version(place),
            Self::Database(file) => {
                let mut log = file.clone().into_os_string();
                log.push("-wal");
                stamp.note(file);
                stamp.note(Path::new(&log));
            }
        }
        stamp
    }

    /// Where files that settings name are looked for.
    pub fn folder(&self) -> Beside {
        match self {
            Self::Demo => Beside::Nowhere,
            Self::Folder(folder) => Beside::Anywhere(folder.clone()),
            Self::Database(place) if Address::is_one(place) => Beside::Nowhere,
            Self::Database(file) => {
                Beside::Within(file.parent().map(Path::to_owned).unwrap_or_default())
            }
        }
    }

    /// Where answers of weather services are kept between pulls.
    pub fn cache(&self) -> PathBuf {
        match self {
            Self::Database(place) if Address::is_one(place) => {
                std::env::temp_dir().join("xylocast")
            }
            Self::Database(file) => {
                let mut cache = file.clone().into_os_string();
                cache.push(".cache");
                cache.into()
            }
            Self::Folder(folder) => folder.join(CACHE),
            Self::Demo => CACHE.into(),
        }
    }

    /// The grove with all that is known of it.
    ///
    /// # Errors
    /// [`HomeError`] where it cannot be read.
    pub fn grove(&self, now: DateTime<Utc>) -> Result<Grove, HomeError> {
        match self {
            Self::Demo => Ok(demo::grove()?),
            Self::Folder(folder) => Ok(folder::read(folder)?),
            Self::Database(file) => {
                let database = Database::open(file, now)?;
                let mut grove = database.grove()?;
                if let Some(backup) = database.migrated() {
                    let backup = backup.display().to_string();
                    let kind = NoteKind::BroughtUpToDate { backup };
                    grove.notes.push(Note::on_file(&file.display().to_string(), kind));
                }
                Ok(grove)
            }
        }
    }

    /// The models that were fitted by `as_of`, with their places, the oldest first: an earlier look
    /// must not know what was learned later.
    ///
    /// # Errors
    /// [`HomeError`] where one cannot be read or used.
    pub fn models(
        &self,
        as_of: DateTime<Utc>,
        now: DateTime<Utc>,
    ) -> Result<Vec<(PathBuf, ModelFile)>, HomeError> {
        let mut models = match self {
            Self::Demo => vec![usable(PathBuf::from(demo::MODEL), demo::MODEL_TEXT)?],
            Self::Folder(folder) => in_folder(&folder.join(MODELS))?,
            Self::Database(file) => {
                let texts = Database::open(file, now)?.models(as_of)?.into_iter();
                let place = |name| shown(file).join(MODELS).join(name);
                texts.map(|(name, text)| usable(place(name), &text)).collect::<Result<_, _>>()?
            }
        };
        models.retain(|(_, file)| file.fitted_at.is_some_and(|at| at <= as_of));
        models
            .sort_by(|(a, file_a), (b, file_b)| (file_a.fitted_at, a).cmp(&(file_b.fitted_at, b)));
        Ok(models)
    }

    /// Keeps a model fitted as of an instant, beside all that are there; its place.
    ///
    /// # Errors
    /// [`HomeError`] where it cannot be written.
    pub fn keep_model(
        &self,
        model: &ModelFile,
        as_of: DateTime<Utc>,
        by: By,
    ) -> Result<PathBuf, HomeError> {
        match self {
            Self::Demo => Err(HomeError::Demo),
            Self::Folder(folder) => {
                let models = folder.join(MODELS);
                let path = models.join(model_name(as_of, |name| models.join(name).exists()));
                fs::create_dir_all(&models)
                    .and_then(|()| write_atomically(&path, model.to_json().as_bytes()))
                    .map_err(|error| HomeError::File { path: path.clone(), error })?;
                Ok(path)
            }
            Self::Database(file) => {
                let name = Database::open(file, by.at)?.keep_model(as_of, model, by)?;
                Ok(shown(file).join(MODELS).join(name))
            }
        }
    }

    /// Observed hours that were pulled.
    ///
    /// # Errors
    /// [`HomeError`] where they cannot be read.
    pub fn pulled_series(&self, now: DateTime<Utc>) -> Result<Series, HomeError> {
        match self {
            Self::Demo => Ok(Series::default()),
            Self::Folder(folder) => Ok(pulled::observed_series(folder)?),
            Self::Database(file) => Ok(Database::open(file, now)?.pulled_series()?),
        }
    }

    /// Keeps observed hours that are new or better; how many were.
    ///
    /// # Errors
    /// [`HomeError`]; what was stored stays as it is then.
    pub fn keep_observed(&self, fresh: &[PulledHour], by: By) -> Result<usize, HomeError> {
        match self {
            Self::Demo => Err(HomeError::Demo),
            Self::Folder(folder) => Ok(pulled::keep_observed(folder, fresh)?),
            Self::Database(file) => Ok(Database::open(file, by.at)?.keep_observed(fresh, by)?),
        }
    }

    /// Keeps an issue, unless it says nothing new; its place.
    ///
    /// # Errors
    /// [`HomeError`]; what was stored stays as it is then.
    pub fn keep_forecast(
        &self,
        issued_at: DateTime<Utc>,
        source: &str,
        members: &[Vec<PulledHour>],
        by: By,
    ) -> Result<Option<PathBuf>, HomeError> {
        match self {
            Self::Demo => Err(HomeError::Demo),
            Self::Folder(folder) => Ok(pulled::keep_forecast(folder, issued_at, source, members)?),
            Self::Database(file) => {
                let mut database = Database::open(file, by.at)?;
                let kept = database.keep_forecast(issued_at, source, members, by)?;
                Ok(kept.then(|| shown(file)))
            }
        }
    }
}

impl Home {
    /// The grove without its weather, and all its draws and entries.
    ///
    /// # Errors
    /// [`LogError`] where they cannot be read.
    pub fn logbook(&self, now: DateTime<Utc>) -> Result<Logbook, LogError> {
        match self {
            Self::Demo => {
                let grove = demo::grove()?;
                let state = State::of(&grove.trees, &grove.draws);
                Ok(Logbook { grove, state })
            }
            Self::Folder(folder) => folder_log::read(folder),
            Self::Database(file) => Database::open(file, now)?.logbook(),
        }
    }

    /// Notes an entry with what it does, all of it or nothing; an entry that was noted before does
    /// nothing. `now` is the store's clock. Gives the draws and entries that it is about.
    ///
    /// # Errors
    /// [`LogError`]; the grove is as before then.
    pub fn append(
        &self,
        entry: &Entry,
        now: DateTime<Utc>,
    ) -> Result<(Admission, State), LogError> {
        match self {
            Self::Demo => Err(LogError::Demo),
            Self::Folder(folder) => folder_log::append(folder, entry, now),
            Self::Database(file) => Database::open(file, now)?.append(entry, now),
        }
    }
}

impl std::fmt::Debug for Home {
    fn fmt(&self, f: &mut std::fmt::Formatter) -> std::fmt::Result {
        match self {
            Self::Demo => f.write_str("Demo"),
            Self::Folder(path) => f.debug_tuple("Folder").field(path).finish(),
            Self::Database(path) => f.debug_tuple("Database").field(&shown(path)).finish(),
        }
    }
}

/// Files with their sizes and the times of their last change; at a server, how often the grove was
/// written to.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Stamp {
    files: Vec<(PathBuf, u64, Option<SystemTime>)>,
    version: Option<i64>,
}

impl Stamp {
    fn note(&mut self, path: &Path) {
        if let Ok(data) = fs::metadata(path) {
            self.files.push((path.to_owned(), data.len(), data.modified().ok()));
        }
    }

    /// The folder's files and those of the folders in it; what services answered is not the grove's.
    fn note_folder(&mut self, folder: &Path) {
        let mut paths: Vec<PathBuf> = fs::read_dir(folder)
            .map(|entries| entries.flatten().map(|entry| entry.path()).collect())
            .unwrap_or_default();
        paths.sort();
        for path in paths {
            match path.is_dir() {
                true if path.ends_with("cache") => {}
                true => self.note_folder(&path),
                false => self.note(&path),
            }
        }
    }
}

/// Files written, and the old folder where one was kept.
pub type Exported = (Vec<String>, Option<PathBuf>);

impl Home {
    /// Writes the grove as a folder; see [`Database::export`]. A grove that is a folder already has
    /// nothing to export.
    ///
    /// # Errors
    /// [`HomeError`]; no folder is left half-written then.
    pub fn export(
        &self,
        to: &Path,
        replace: bool,
        now: DateTime<Utc>,
    ) -> Result<Option<Exported>, HomeError> {
        match self {
            Self::Folder(_) => Ok(None),
            Self::Database(file) => Ok(Some(Database::open(file, now)?.export(to, replace, now)?)),
            Self::Demo => {
                let files = demo::files().into_iter();
                let own = files.map(|(name, bytes)| (name.to_owned(), bytes.to_vec()));
                let model = (demo::MODEL.to_owned(), demo::MODEL_TEXT.as_bytes().to_vec());
                let texts = own.chain([model]);
                Ok(Some(put_in_place(to, replace, now, |folder| write_texts(folder, texts))?))
            }
        }
    }
}

fn usable(path: PathBuf, text: &str) -> Result<(PathBuf, ModelFile), HomeError> {
    match ModelFile::from_json(text) {
        Ok(file) => Ok((path, file)),
        Err(error) => Err(HomeError::Model { path, error }),
    }
}

/// Reads a model file.
///
/// # Errors
/// [`HomeError`] where it cannot be read or used.
pub fn read_model(path: &Path) -> Result<ModelFile, HomeError> {
    let text =
        fs::read_to_string(path).map_err(|error| HomeError::File { path: path.into(), error })?;
    usable(path.to_owned(), &text).map(|(_, file)| file)
}

fn in_folder(models: &Path) -> Result<Vec<(PathBuf, ModelFile)>, HomeError> {
    let Ok(entries) = fs::read_dir(models) else { return Ok(Vec::new()) };
    entries
        .flatten()
        .map(|entry| entry.path())
        .filter(|path| path.extension().is_some_and(|extension| extension == "json"))
        .map(|path| Ok((path.clone(), read_model(&path)?)))
        .collect()
}

/// A file name for a model fitted as of an instant that is not taken yet.
pub(super) fn model_name(as_of: DateTime<Utc>, taken: impl Fn(&str) -> bool) -> String {
    let stem = as_of.format("%Y-%m-%dT%H%M%SZ").to_string();
    let (mut name, mut count) = (format!("{stem}.json"), 1);
    while taken(&name) {
        count += 1;
        name = format!("{stem}-{count:03}.json");
    }
    name
}
