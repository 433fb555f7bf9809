//! Noting into a grove folder, one entry at a time, by any number of processes.
//!
//! An entry goes into `journal.csv`, and what it does into one of the three files about draws.
//! Both stand ready beside their files before the first is put in its place, and between the two
//! the lock file names the entry: whoever finds its key there finishes what a kill left half done.

use super::db::StoreError;
use super::folder::{Staged, read_file, write_atomically};
use crate::grove::{APPLICATIONS, BLOCKS, Settings, TREES};
use crate::grove::{DRAWS, Files, Flaw, FlawKind, Grove, PAUSES, READINGS, Refused, SETTINGS};
use crate::journal::{
    Admission, Clock, DrawFiles, Entry, JOURNAL, NotPutDown, Refusal, State, read_journal,
};
use crate::text::{Findings, decode};
use chrono::{DateTime, Utc};
use chrono_tz::Tz;
use std::fs::{File, OpenOptions, TryLockError};
use std::io::{self, ErrorKind, Read, Seek, Write};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

/// Name of the lock file in a grove folder. It stays; while empty, nothing is half done.
pub const LOCK: &str = ".journal.lock";

/// How long another process may hold the lock: a hundred times what an entry takes.
const LONGEST_WAIT: Duration = Duration::from_secs(20);

/// Why an entry is not noted. Nothing has changed then, unless it says so.
#[derive(Debug, thiserror::Error)]
pub enum LogError {
    /// The folder's files are flawed.
    #[error(transparent)]
    Refused(#[from] Refused),
    /// The entry does not go with what is known.
    #[error(transparent)]
    Refusal(#[from] Refusal),
    /// The database says no.
    #[error(transparent)]
    Database(StoreError),
    /// The demo is part of the program.
    #[error(
        "the demo is part of the program and nothing can be noted in it: use a copy of it, or a \
         grove of your own"
    )]
    Demo,
    /// A file cannot be changed as it stands.
    #[error(transparent)]
    NotPutDown(#[from] NotPutDown),
    /// The file system failed in the very act, so that nobody knows.
    #[error(
        "{}: {error}; it may be noted or not: send it again with the same key ({key}), and it will be \
         once",
        path.display()
    )]
    Unsure {
        /// Which file.
        path: PathBuf,
        /// Why.
        error: io::Error,
        /// Key of the entry.
        key: String,
    },
    /// The file system said no.
    #[error("{}: {error}; nothing was noted", path.display())]
    File {
        /// Which file.
        path: PathBuf,
        /// Why.
        error: io::Error,
    },
}

impl From<StoreError> for LogError {
    fn from(error: StoreError) -> Self {
        match error {
            StoreError::Refused(refused) => Self::Refused(refused),
            other => Self::Database(other),
        }
    }
}

/// A folder's grove, without weather, and its journal.
#[derive(Debug)]
pub struct Logbook {
    /// The grove.
    pub grove: Grove,
    /// Its draws and entries.
    pub state: State,
}

/// Reads what a folder's journal tells.
///
/// # Errors
/// [`LogError`] where a file is flawed or cannot be read.
pub fn read(folder: &Path) -> Result<Logbook, LogError> {
    if !folder.is_dir() {
        let file = folder.display().to_string();
        return Err(Refused::from(flaw(&file, FlawKind::NoSuchFolder)).into());
    }
    let lock = Lock::shared(folder).map_err(|problem| Refused::from(flaw(LOCK, problem)))?;
    let mut opened = Opened::read(folder)?;
    if let Some(key) = lock.as_ref().and_then(Lock::unfinished) {
        opened.finish(key)?;
    }
    opened.logbook()
}

/// Notes an entry: all of it or nothing, also after a kill at any moment. `now` is the store's
/// clock. Gives the draws and entries as they are then.
///
/// # Errors
/// [`LogError`]; the folder is as before then.
pub fn append(
    folder: &Path,
    entry: &Entry,
    now: DateTime<Utc>,
) -> Result<(Admission, State), LogError> {
    let failed = |path: PathBuf| move |error| LogError::File { path, error };
    let mut lock = Lock::exclusive(folder).map_err(failed(folder.join(LOCK)))?;
    let mut opened = Opened::read(folder)?;
    if let Some(key) = lock.unfinished().map(str::to_owned) {
        let before = opened.texts.clone();
        opened.finish(&key)?;
        if let Some((name, text)) = changed(&before, &opened.texts) {
            let path = folder.join(name);
            write_atomically(&path, text.as_bytes()).map_err(failed(path))?;
        }
        lock.mark(None).map_err(failed(folder.join(LOCK)))?;
    }
    let Logbook { mut state, .. } = opened.logbook()?;
    let zone = opened.zone;
    if state.admit(entry, Clock { now, zone })? == Admission::Repeated {
        return Ok((Admission::Repeated, state));
    }
    state.put(entry.clone());
    let before = opened.texts.clone();
    opened.texts.put_down(&state, entry, zone)?;
    opened.texts.note(entry, zone)?;
    // A folder that could not be read again must not come about.
    opened.logbook()?;
    let stage = |name: &str, text: &str| {
        let path = folder.join(name);
        Staged::write(&path, text.as_bytes()).map_err(failed(path))
    };
    let journal = stage(JOURNAL, opened.texts.journal.as_deref().unwrap_or_default())?;
    let file = changed(&before, &opened.texts).map(|(name, text)| stage(name, text)).transpose()?;
    lock.mark(Some(&entry.key)).map_err(failed(folder.join(LOCK)))?;
    if let Err(error) = journal.put() {
        // The mark stays: if the entry is in the journal after all, it is finished later.
        let (path, key) = (folder.join(JOURNAL), entry.key.clone());
        return Err(LogError::Unsure { path, error, key });
    }
    // From here on the entry is noted: what fails now is finished by whoever comes next.
    if file.is_none_or(|file| file.put().is_ok()) {
        let _ = lock.mark(None);
    }
    Ok((Admission::New, state))
}

/// Puts down in a folder's files as read, `contents`, what the unfinished entry of this key does.
/// Files that cannot be read as they are stay so: their flaws are told by whoever reads them next.
pub(super) fn finish_in_memory(folder: &Path, key: &str, contents: &mut Vec<(&str, Vec<u8>)>) {
    let Ok(mut opened) = Opened::read(folder) else { return };
    let before = opened.texts.clone();
    if opened.finish(key).is_err() {
        return;
    }
    if let Some((name, text)) = changed(&before, &opened.texts) {
        contents.retain(|(other, _)| *other != name);
        contents.push((name, text.as_bytes().to_vec()));
    }
}

/// The file about draws that differs: an entry changes one at most.
fn changed<'t>(before: &DrawFiles, after: &'t DrawFiles) -> Option<(&'static str, &'t str)> {
    let pairs = [
        (DRAWS, &before.draws, &after.draws),
        (READINGS, &before.readings, &after.readings),
        (PAUSES, &before.pauses, &after.pauses),
    ];
    let (name, _, after) = pairs.into_iter().find(|(_, before, after)| before != after)?;
    Some((name, after.as_deref()?))
}

/// The files of a folder that the journal is about.
struct Opened {
    zone: Tz,
    /// Settings, trees, blocks and working records.
    others: Vec<(&'static str, Vec<u8>)>,
    texts: DrawFiles,
    entries: Vec<Entry>,
}

impl Opened {
    fn read(folder: &Path) -> Result<Self, Refused> {
        let mut findings = Findings::default();
        let mut bytes = |name: &'static str| {
            let read = read_file(&folder.join(name));
            read.unwrap_or_else(|problem| {
                findings.flaw(name, None, None, problem);
                None
            })
        };
        let others = [SETTINGS, TREES, BLOCKS, APPLICATIONS].map(|name| (name, bytes(name)));
        let [journal, draws, readings, pauses] =
            [JOURNAL, DRAWS, READINGS, PAUSES].map(|name| (name, bytes(name)));
        let mut text = |(name, bytes): (&str, Option<Vec<u8>>)| {
            let bytes = bytes?;
            decode(name, &bytes, &mut findings)?;
            // The mark that `decode` takes off stays in the file.
            String::from_utf8(bytes).ok()
        };
        let texts = DrawFiles {
            journal: text(journal),
            draws: text(draws),
            readings: text(readings),
            pauses: text(pauses),
        };
        let others: Vec<_> =
            others.into_iter().filter_map(|(name, bytes)| Some((name, bytes?))).collect();
        let settings = others.iter().find(|(name, _)| *name == SETTINGS);
        let settings = settings.and_then(|(name, bytes)| {
            let mut aside = Findings::default();
            decode(name, bytes, &mut aside).and_then(|text| Settings::read(text, &mut aside))
        });
        // Flawed settings are told when the grove is read.
        let zone = settings.map_or(Tz::UTC, |settings| settings.zone);
        let entries = texts.journal.as_deref();
        let entries = entries.map(|text| read_journal(text, zone, &mut findings));
        if !findings.flaws.is_empty() {
            return Err(Refused { flaws: findings.flaws });
        }
        Ok(Self { zone, others, texts, entries: entries.unwrap_or_default() })
    }

    /// Puts down what the entry of this key does; nothing where the journal has no such entry.
    fn finish(&mut self, key: &str) -> Result<(), NotPutDown> {
        let mut state = State::default();
        state.recall(self.entries.iter().cloned());
        match state.entry(key) {
            Some(entry) => self.texts.put_down(&state, &entry.clone(), self.zone),
            None => Ok(()),
        }
    }

    fn logbook(&self) -> Result<Logbook, LogError> {
        let texts = [
            (DRAWS, &self.texts.draws),
            (READINGS, &self.texts.readings),
            (PAUSES, &self.texts.pauses),
        ];
        let texts = texts.into_iter().filter_map(|(name, text)| Some((name, text.as_deref()?)));
        let files: Files = self
            .others
            .iter()
            .map(|(name, bytes)| (*name, bytes.as_slice()))
            .chain(texts.map(|(name, text)| (name, text.as_bytes())))
            .collect();
        let grove = Grove::read(&files)?;
        let mut state = State::of(&grove.trees, &grove.draws);
        state.recall(self.entries.iter().cloned());
        Ok(Logbook { grove, state })
    }
}

fn flaw(file: &str, problem: FlawKind) -> Flaw {
    Flaw { file: file.to_owned(), row: None, column: None, problem }
}

/// The lock of a folder, held while this lives; it names the entry that is being put down.
pub(super) struct Lock {
    file: File,
    unfinished: Option<String>,
}

impl Lock {
    /// For writing: nobody else reads or writes meanwhile.
    fn exclusive(folder: &Path) -> io::Result<Self> {
        let path = folder.join(LOCK);
        let file =
            OpenOptions::new().read(true).write(true).create(true).truncate(false).open(path)?;
        wait(|| file.try_lock())?;
        Self::of(file)
    }

    /// For reading; none where nothing was ever noted here, or where the lock cannot be read.
    pub(super) fn shared(folder: &Path) -> Result<Option<Self>, FlawKind> {
        let Ok(file) = File::open(folder.join(LOCK)) else { return Ok(None) };
        let unreadable = |error: io::Error| FlawKind::Unreadable { reason: error.to_string() };
        wait(|| file.try_lock_shared()).and_then(|()| Self::of(file)).map(Some).map_err(unreadable)
    }

    fn of(mut file: File) -> io::Result<Self> {
        let mut key = String::new();
        file.read_to_string(&mut key)?;
        // Without its line end, the key itself was not written whole, and nothing after it.
        let unfinished = key.strip_suffix('\n').map(str::to_owned);
        Ok(Self { file, unfinished })
    }

    /// Key of the entry that was being put down when somebody stopped.
    pub(super) fn unfinished(&self) -> Option<&str> {
        self.unfinished.as_deref()
    }

    fn mark(&mut self, key: Option<&str>) -> io::Result<()> {
        self.file.set_len(0)?;
        self.file.rewind()?;
        if let Some(key) = key {
            self.file.write_all(format!("{key}\n").as_bytes())?;
        }
        self.file.sync_all()
    }
}

fn wait(lock: impl Fn() -> Result<(), TryLockError>) -> io::Result<()> {
    let since = Instant::now();
    loop {
        match lock() {
            Ok(()) => return Ok(()),
            Err(TryLockError::Error(error)) => return Err(error),
            Err(TryLockError::WouldBlock) if since.elapsed() > LONGEST_WAIT => {
                let words = "another program has held this file for 20 s; end it and try again";
                return Err(io::Error::new(ErrorKind::WouldBlock, words));
            }
            Err(TryLockError::WouldBlock) => std::thread::sleep(Duration::from_millis(5)),
        }
    }
}

#[cfg(test)]
#[path = "folder_log_tests.rs"]
mod tests;
