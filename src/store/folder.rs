//! A grove folder on disk: its files in, results out. All reading of text is `grove`'s.

use super::folder_log::{self, LOCK, Lock};
use super::pulled::{self, PulledError};
use crate::grove::{FILES, Flaw, FlawKind, Grove, Hang, Note, Refused};
use crate::journal::JOURNAL;
use crate::weather::Forecasts;
use std::ffi::OsString;
use std::fs::{self, File, OpenOptions};
use std::io::{self, ErrorKind, Read, Write};
use std::path::{Path, PathBuf};

/// Largest file that is read, in bytes.
const LARGEST_FILE_BYTES: u64 = 256 * 1024 * 1024;

/// Reads the grove in a folder. Optional files may be missing.
///
/// # Errors
/// [`Refused`] with every flaw: files that cannot be read, and all that is wrong inside the others.
pub fn read(folder: &Path) -> Result<Grove, Refused> {
    let (contents, flaws) = readable(folder)?;
    let files = contents.iter().map(|(name, bytes)| (*name, bytes.as_slice())).collect();
    match (Grove::read(&files), flaws.is_empty()) {
        (read, true) => read.and_then(|grove| with_pulled(folder, grove)),
        (Ok(_), false) => Err(Refused { flaws }),
        (Err(refused), false) => Err(Refused { flaws: with_others(flaws, refused.flaws) }),
    }
}

/// The bytes of a grove folder's files, those that are there.
///
/// # Errors
/// [`Refused`] with every file that cannot be read.
pub fn contents(folder: &Path) -> Result<Contents, Refused> {
    match readable(folder)? {
        (contents, flaws) if flaws.is_empty() => Ok(contents),
        (_, flaws) => Err(Refused { flaws }),
    }
}

/// Files of a grove folder with their bytes.
pub type Contents = Vec<(&'static str, Vec<u8>)>;

fn readable(folder: &Path) -> Result<(Contents, Vec<Flaw>), Refused> {
    if !folder.is_dir() {
        let problem = FlawKind::NoSuchFolder;
        return Err(flaw_of(&folder.display().to_string(), problem).into());
    }
    let lock = Lock::shared(folder).map_err(|problem| flaw_of(LOCK, problem))?;
    let (mut contents, mut flaws): (Contents, Vec<Flaw>) = Default::default();
    for name in FILES.into_iter().chain([JOURNAL]) {
        match read_file(&folder.join(name)) {
            Ok(Some(bytes)) => contents.push((name, bytes)),
            Ok(None) => {}
            Err(problem) => flaws.push(flaw_of(name, problem)),
        }
    }
    if let Some(key) = lock.as_ref().and_then(Lock::unfinished) {
        folder_log::finish_in_memory(folder, key, &mut contents);
    }
    Ok((contents, flaws))
}

/// Adds what was pulled: observed hours where the grove's own file has none, and the issues.
fn with_pulled(folder: &Path, mut grove: Grove) -> Result<Grove, Refused> {
    let flaw = |error: PulledError| {
        let problem = FlawKind::Unreadable { reason: error.to_string() };
        Refused::from(flaw_of(pulled::OBSERVED, problem))
    };
    grove.observed = grove.observed.filled_from(&pulled::observed_series(folder).map_err(flaw)?);
    let issues = grove.forecasts.issues().iter().cloned();
    let pulled = pulled::forecasts(folder).map_err(flaw)?;
    grove.forecasts = Forecasts::new(issues.chain(pulled).collect());
    Ok(grove)
}

/// A file that cannot be read is not missing: of its two flaws the first one is kept.
fn with_others(mut flaws: Vec<Flaw>, others: Vec<Flaw>) -> Vec<Flaw> {
    let told: Vec<String> = flaws.iter().map(|flaw| flaw.file.clone()).collect();
    flaws.extend(others.into_iter().filter(|flaw| !told.contains(&flaw.file)));
    flaws
}

/// Reads intended draws for a grove from a file anywhere.
///
/// # Errors
/// [`Refused`] with every flaw in the file; it must be there.
pub fn read_hang(file: &Path, grove: &Grove) -> Result<(Vec<Hang>, Vec<Note>), Refused> {
    let (name, bytes) = read_named(file)?;
    grove.read_hang(&name, &bytes)
}

/// A file anywhere that must be there: its name as messages show it, and its bytes.
///
/// # Errors
/// [`Refused`] where it cannot be read.
pub fn read_named(file: &Path) -> Result<(String, Vec<u8>), Refused> {
    let name = file.display().to_string();
    let missing = FlawKind::FileMissing { remedy: "name a file that is there" };
    let bytes = read_file(file).and_then(|bytes| bytes.ok_or(missing));
    let bytes = bytes.map_err(|problem| flaw_of(&name, problem))?;
    Ok((name, bytes))
}

fn flaw_of(file: &str, problem: FlawKind) -> Flaw {
    Flaw { file: file.to_owned(), row: None, column: None, problem }
}

/// A file's bytes; none where there is no file.
pub(super) fn read_file(path: &Path) -> Result<Option<Vec<u8>>, FlawKind> {
    let unreadable = |error: io::Error| FlawKind::Unreadable { reason: error.to_string() };
    let about = match fs::metadata(path) {
        Ok(about) => about,
        Err(error) if error.kind() == ErrorKind::NotFound => return Ok(None),
        Err(error) => return Err(unreadable(error)),
    };
    // Opening a pipe would wait for ever.
    if !about.is_file() {
        return Err(FlawKind::NotAFile);
    }
    let too_large = |bytes| Err(FlawKind::TooLarge { bytes, most: LARGEST_FILE_BYTES });
    if about.len() > LARGEST_FILE_BYTES {
        return too_large(about.len());
    }
    let mut bytes = Vec::new();
    let file = File::open(path).map_err(unreadable)?;
    let read = file.take(LARGEST_FILE_BYTES + 1).read_to_end(&mut bytes).map_err(unreadable)?;
    if read as u64 > LARGEST_FILE_BYTES {
        return too_large(read as u64);
    }
    Ok(Some(bytes))
}

/// Writes a file whole or not at all: whoever reads it sees the old bytes or the new ones, also
/// after a crash at any moment. The folder must be there.
///
/// # Errors
/// Those of the file system; the old file is untouched then.
pub fn write_atomically(path: &Path, bytes: &[u8]) -> io::Result<()> {
    Staged::write(path, bytes)?.put()
}

/// A file's new bytes, on the disk beside it but not in its place yet. Dropped, they are gone.
#[derive(Debug)]
pub(super) struct Staged {
    temporary: PathBuf,
    path: PathBuf,
    is_put: bool,
}

impl Staged {
    /// Writes new bytes beside a file: what can go wrong for want of room goes wrong here.
    pub(super) fn write(path: &Path, bytes: &[u8]) -> io::Result<Self> {
        let (temporary, mut file) = create_beside(path)?;
        let staged = Self { temporary, path: path.to_owned(), is_put: false };
        write_and_sync(&mut file, path, bytes)?;
        Ok(staged)
    }

    /// Puts them in the file's place.
    pub(super) fn put(mut self) -> io::Result<()> {
        fs::rename(&self.temporary, &self.path)?;
        self.is_put = true;
        sync_folder(&self.path)
    }
}

impl Drop for Staged {
    fn drop(&mut self) {
        if !self.is_put {
            let _ = fs::remove_file(&self.temporary);
        }
    }
}

/// A new file in the folder of `path`: a rename is atomic within one file system only.
fn create_beside(path: &Path) -> io::Result<(PathBuf, File)> {
    let Some(name) = path.file_name() else {
        return Err(io::Error::new(ErrorKind::InvalidInput, "the path names no file"));
    };
    for attempt in 0..1000_u32 {
        let mut hidden = OsString::from(".");
        hidden.push(name);
        hidden.push(format!(".{}-{attempt}.part", std::process::id()));
        let temporary = path.with_file_name(hidden);
        match OpenOptions::new().write(true).create_new(true).open(&temporary) {
            Ok(file) => return Ok((temporary, file)),
            Err(error) if error.kind() == ErrorKind::AlreadyExists => {}
            Err(error) => return Err(error),
        }
    }
    Err(io::Error::new(ErrorKind::AlreadyExists, "too many unfinished files in the folder"))
}

fn write_and_sync(file: &mut File, path: &Path, bytes: &[u8]) -> io::Result<()> {
    if let Ok(old) = fs::metadata(path) {
        file.set_permissions(old.permissions())?;
    }
    file.write_all(bytes)?;
    file.sync_all()
}

/// The new name must reach the disk too. Not every system can open a folder.
pub(super) fn sync_folder(path: &Path) -> io::Result<()> {
    let parent = path.parent().filter(|parent| !parent.as_os_str().is_empty());
    match File::open(parent.unwrap_or(Path::new("."))) {
        Ok(folder) if cfg!(unix) => folder.sync_all(),
        _ => Ok(()),
    }
}

#[cfg(test)]
#[path = "folder_tests.rs"]
mod tests;
