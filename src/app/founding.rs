//! New groves of the service: made from a form, brought in as files, or begun as a copy of the demo;
//! and what is added to them later. All go through the import, so that every flaw is told by file
//! and row, and nothing is half-made.

use super::desk::DeskError;
use super::exchange::import;
use crate::grove::{FILES, SETTINGS, Settings, TREES};
use crate::journal::JOURNAL;
use crate::store::db::{By, Counted, Database};
use crate::store::demo;
use crate::store::home::{Home, MODELS};
use crate::store::office::{KeptGrove, Office, OfficeError};
use crate::text::{Findings, Written};
use chrono::{DateTime, Duration, Utc};
use std::collections::BTreeMap;
use std::fs;
use std::io;
use std::path::{Path, PathBuf};

/// Unfinished groves stand in folders of the data folder that begin so.
const UNFINISHED: &str = ".unfinished-";
/// Most files of one upload.
const MOST_FILES: usize = 500;
const METRES_PER_FOOT: f64 = 0.3048;

/// A form as it was typed: names of fields with their texts.
pub type Typed = BTreeMap<String, String>;

/// What is wrong with one field of a form.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Wrong {
    /// The field; empty for the form as a whole.
    pub field: String,
    /// What, and what to do.
    pub words: String,
}

/// Why a grove is not made or not added to. Nothing of it is left then.
#[derive(Debug, thiserror::Error)]
#[expect(missing_docs, reason = "each variant is told by its message, each field by its name")]
pub enum FoundingError {
    #[error("the form cannot be used as it is: {}", .0.iter().map(|wrong| wrong.words.as_str()).collect::<Vec<_>>().join("; "))]
    Form(Vec<Wrong>),
    #[error(transparent)]
    Desk(#[from] DeskError),
    #[error(transparent)]
    Office(#[from] OfficeError),
    #[error("'{name}' leads out of the folder or is no plain name; send the grove folder as it is")]
    Path { name: String },
    #[error("'{name}' was sent twice; send one grove folder at a time")]
    Twice { name: String },
    #[error(
        "none of the {sent} files sent is one of a grove folder; its files are grove.toml, trees.csv, draws.csv and others"
    )]
    NoneKnown { sent: usize },
    #[error(
        "{sent} files were sent, and at most {MOST_FILES} are taken at once; send the grove folder alone"
    )]
    TooMany { sent: usize },
    #[error("this grove is not kept as a database, so files are put into its folder by hand")]
    NotADatabase,
}

/// A grove that was made.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Founded {
    /// As the office keeps it.
    pub kept: KeptGrove,
    /// Its database.
    pub file: PathBuf,
}

/// The names of all time zones that are known.
pub fn zones() -> impl Iterator<Item = &'static str> {
    chrono_tz::TZ_VARIANTS.iter().map(|zone| zone.name())
}

/// Makes a grove without trees from a form: `name`, `latitude_deg`, `longitude_deg`, `time_zone`,
/// `elevation_m` (a number of metres, or one of feet with `ft` behind it).
///
/// # Errors
/// [`FoundingError::Form`] with all that is wrong, field by field.
pub fn found(office: &Office, form: &Typed, by: By) -> Result<Founded, FoundingError> {
    let (text, name) = settings_text(form)?;
    let trees = b"tree_id,block,species,circumference_cm,ports\n".to_vec();
    let files = vec![(PathBuf::from(SETTINGS), text.into_bytes()), (PathBuf::from(TREES), trees)];
    let unfinished = Unfinished::new(&folder_of(office))?;
    unfinished.put(&files)?;
    finish(office, &unfinished, (&name, Duration::zero()), by)
}

/// Brings a grove folder in that was sent file by file; names of files that are none of a grove
/// folder are given back.
///
/// # Errors
/// [`FoundingError`] with every flaw of the files.
pub fn bring_in(
    office: &Office,
    sent: Vec<(String, Vec<u8>)>,
    by: By,
) -> Result<(Founded, Vec<String>), FoundingError> {
    let (files, passed_over) = known_files(sent)?;
    let unfinished = Unfinished::new(&folder_of(office))?;
    unfinished.put(&files)?;
    Ok((finish(office, &unfinished, ("grove", Duration::zero()), by)?, passed_over))
}

/// A copy of the demo whose clock begins on the demo's own evening and runs on from there.
///
/// # Errors
/// [`FoundingError`] where it cannot be written.
pub fn copy_demo(office: &Office, by: By) -> Result<Founded, FoundingError> {
    let unfinished = Unfinished::new(&folder_of(office))?;
    fs::remove_dir(unfinished.files()).map_err(unfinished.failed())?;
    Home::Demo.export(&unfinished.files(), false, by.at).map_err(DeskError::from)?;
    finish(office, &unfinished, ("my-demo", demo::as_of() - by.at), by)
}

/// Adds what files tell to a grove that is there, and gives rows by file. Rows that are there with
/// other content are flaws.
///
/// # Errors
/// [`FoundingError`] with every flaw and conflict.
pub fn add_files(
    home: &Home,
    sent: Vec<(String, Vec<u8>)>,
    by: By,
) -> Result<(BTreeMap<String, Counted>, Vec<String>), FoundingError> {
    let (files, passed_over) = known_files(sent)?;
    Ok((add(home, &files, by)?, passed_over))
}

/// Adds a tree from a form whose fields are columns of `trees.csv`; `girth` is the circumference in
/// centimetres, or in inches with `in` behind it.
///
/// # Errors
/// [`FoundingError::Form`] with all that is wrong, field by field.
pub fn add_tree(home: &Home, form: &Typed, by: By) -> Result<(), FoundingError> {
    let text = |field: &str| form.get(field).map_or("", |text| text.trim()).to_owned();
    let wrong =
        |words: String| Err(FoundingError::Form(vec![Wrong { field: "tree_id".into(), words }]));
    // All blank it would be an empty row, which a file may have.
    if text("tree_id").is_empty() {
        return wrong("is empty: type the name of the tree, as it stands on its tag".into());
    }
    let mut girth = text("circumference_cm");
    if let Some(inches) = girth.strip_suffix("in").and_then(number) {
        girth = format!("{}", inches * 2.54);
    }
    let columns = ["tree_id", "block", "species", "ports", "note"];
    let mut csv = Written::under(columns.into_iter().chain(["circumference_cm"]));
    csv.push(columns.map(text).into_iter().chain([girth.replace(',', ".")]));
    let added = add(home, &[(PathBuf::from(TREES), csv.bytes())], by);
    match added {
        Ok(counts) if counts.get(TREES).is_some_and(|count| count.new == 0) => {
            wrong(format!("the tree '{}' is there already, just so", text("tree_id")))
        }
        Err(FoundingError::Desk(DeskError::Refused(refused))) => {
            let wrong = refused.flaws.into_iter().map(|flaw| Wrong {
                words: flaw.problem.to_string(),
                field: flaw.column.unwrap_or_else(|| "tree_id".into()),
            });
            Err(FoundingError::Form(wrong.collect()))
        }
        other => other.map(|_| ()),
    }
}

fn add(
    home: &Home,
    files: &[(PathBuf, Vec<u8>)],
    by: By,
) -> Result<BTreeMap<String, Counted>, FoundingError> {
    let Home::Database(path) = home else { return Err(FoundingError::NotADatabase) };
    let beside = match home.server() {
        Some(_) => std::env::temp_dir(),
        None => path.parent().map(Path::to_owned).unwrap_or_default(),
    };
    let unfinished = Unfinished::new(&beside)?;
    let least = Database::open(path, by.at).and_then(|database| database.least_files());
    let least = least.map_err(DeskError::from)?.map(|(name, text)| (PathBuf::from(name), text));
    let missing = |(name, _): &&(PathBuf, Vec<u8>)| !files.iter().any(|(sent, _)| sent == name);
    unfinished.put(&least.iter().filter(missing).cloned().collect::<Vec<_>>())?;
    unfinished.put(files)?;
    Ok(import(&unfinished.files(), Some(path), by, false, &mut |_, _, _| ())?.files)
}

/// Takes away what a killed service left unfinished a day ago or longer.
pub fn sweep(data: &Path, now: DateTime<Utc>) {
    let Ok(entries) = fs::read_dir(data) else { return };
    for entry in entries.flatten() {
        let is_old = entry
            .metadata()
            .and_then(|about| about.modified())
            .is_ok_and(|modified| now - DateTime::<Utc>::from(modified) > Duration::days(1));
        if is_old && entry.file_name().to_string_lossy().starts_with(UNFINISHED) {
            let _ = fs::remove_dir_all(entry.path());
        }
    }
}

/// Where what is unfinished stands: beside the groves; of a server's groves, in the machine's own
/// place for such files.
fn folder_of(office: &Office) -> PathBuf {
    if office.server().is_some() {
        return std::env::temp_dir();
    }
    office.path().parent().map(Path::to_owned).unwrap_or_default()
}

/// Files and a database on their way, gone when it is dropped.
struct Unfinished(PathBuf);

impl Unfinished {
    fn new(beside: &Path) -> Result<Self, DeskError> {
        let failed = |error| DeskError::File { path: beside.to_owned(), error };
        let mut number = [0; 8];
        getrandom::fill(&mut number)
            .map_err(|error| failed(io::Error::other(error.to_string())))?;
        let folder = beside.join(format!("{UNFINISHED}{:016x}", u64::from_le_bytes(number)));
        fs::create_dir(&folder).map_err(failed)?;
        let unfinished = Self(folder);
        fs::create_dir(unfinished.files()).map_err(failed)?;
        Ok(unfinished)
    }

    fn files(&self) -> PathBuf {
        self.0.join("files")
    }

    /// The database in which the grove is made before it has its name.
    fn database(&self, office: &Office) -> PathBuf {
        let number = self.0.file_name().unwrap_or_default().to_string_lossy();
        match office.server() {
            Some(server) => server.of_grove(Some(number.trim_start_matches('.'))).typed(),
            None => self.0.join("grove.db"),
        }
    }

    fn failed(&self) -> impl Fn(io::Error) -> DeskError + use<> {
        let path = self.0.clone();
        move |error| DeskError::File { path: path.clone(), error }
    }

    fn put(&self, files: &[(PathBuf, Vec<u8>)]) -> Result<(), DeskError> {
        for (name, bytes) in files {
            let path = self.files().join(name);
            let folder = path.parent().map(Path::to_owned).unwrap_or_default();
            fs::create_dir_all(folder)
                .and_then(|()| fs::write(&path, bytes))
                .map_err(self.failed())?;
        }
        Ok(())
    }
}

impl Drop for Unfinished {
    fn drop(&mut self) {
        let _ = fs::remove_dir_all(&self.0);
    }
}

/// Imports what was put together, and takes it in under a name that is free.
fn finish(
    office: &Office,
    unfinished: &Unfinished,
    (called, clock_offset): (&str, Duration),
    by: By,
) -> Result<Founded, FoundingError> {
    let database = unfinished.database(office);
    import(&unfinished.files(), Some(&database), by, false, &mut |_, _, _| ())?;
    let opened = Database::open(&database, by.at).and_then(|database| database.grove());
    let name = opened.map_err(DeskError::from)?.settings.name;
    let called = if called == "grove" { &name } else { called };
    let slug = slug(called);
    for number in 1..1_000 {
        let grove = if number == 1 { slug.clone() } else { format!("{slug}-{number}") };
        let kept = KeptGrove { grove, name: name.clone(), clock_offset, added: by.at };
        match office.take_grove_in(&database, &kept) {
            Err(OfficeError::GroveTaken { .. }) => {}
            taken => {
                taken?;
                let file = office.grove_file(&kept.grove);
                return Ok(Founded { kept, file });
            }
        }
    }
    Err(OfficeError::GroveTaken { grove: slug }.into())
}

/// A name for addresses and files: small letters, digits and hyphens.
fn slug(name: &str) -> String {
    let plain = |letter: char| match letter.to_ascii_lowercase() {
        letter if letter.is_ascii_alphanumeric() => letter,
        _ => ' ',
    };
    let plain: String = name.chars().map(plain).collect();
    let slug: String = plain.split_whitespace().collect::<Vec<_>>().join("-");
    let slug: String = slug.chars().take(40).collect();
    match slug.trim_matches('-') {
        // The names of what stands beside the groves.
        "" | "demo" | "office" | "new" => format!("{slug}-grove").trim_matches('-').to_owned(),
        slug => slug.to_owned(),
    }
}

fn number(text: &str) -> Option<f64> {
    text.trim().replace(',', ".").parse().ok().filter(|number: &f64| number.is_finite())
}

/// `grove.toml` of a form, and the grove's name.
fn settings_text(form: &Typed) -> Result<(String, String), FoundingError> {
    let typed = |field: &str| form.get(field).map_or("", |text| text.trim());
    let mut wrong = Vec::new();
    let mut table = toml::Table::new();
    for field in ["name", "time_zone"] {
        if typed(field).is_empty() {
            wrong.push(Wrong { field: field.into(), words: "is missing: type it".into() });
        }
        table.insert(field.into(), typed(field).into());
    }
    for field in ["latitude_deg", "longitude_deg", "elevation_m"] {
        let text = typed(field);
        let feet = text.strip_suffix("ft").filter(|_| field == "elevation_m").and_then(number);
        let metres = text.strip_suffix('m').filter(|_| field == "elevation_m").unwrap_or(text);
        let value = feet.map(|feet| feet * METRES_PER_FOOT).or_else(|| number(metres));
        match value {
            Some(value) => drop(table.insert(field.into(), value.into())),
            None => {
                let words = match text {
                    "" => "is missing: type a number".to_owned(),
                    text => {
                        format!("'{}' is no number; write one such as -34.93", text.escape_debug())
                    }
                };
                wrong.push(Wrong { field: field.into(), words });
                // So that the others are looked at all the same.
                table.insert(field.into(), 0.0.into());
            }
        }
    }
    let text = table.to_string();
    let mut findings = Findings::default();
    let settings = Settings::read(&text, &mut findings);
    for flaw in findings.flaws {
        let field = flaw.column.unwrap_or_default();
        if !wrong.iter().any(|told: &Wrong| told.field == field) {
            wrong.push(Wrong { field, words: flaw.problem.to_string() });
        }
    }
    match settings.filter(|_| wrong.is_empty()) {
        Some(settings) => Ok((text, settings.name)),
        None => Err(FoundingError::Form(wrong)),
    }
}

type Known = (Vec<(PathBuf, Vec<u8>)>, Vec<String>);

/// Files sent, reduced to those of one grove folder: the one in which `grove.toml` stands, or else
/// the outermost.
fn known_files(sent: Vec<(String, Vec<u8>)>) -> Result<Known, FoundingError> {
    let count = sent.len();
    if count > MOST_FILES {
        return Err(FoundingError::TooMany { sent: count });
    }
    if let Some((name, _)) = sent.iter().find(|(name, _)| !is_plain(name)) {
        return Err(FoundingError::Path { name: name.escape_debug().to_string() });
    }
    let parts: Vec<_> = sent.iter().map(|(name, _)| split(name)).collect();
    let of_settings = parts.iter().flatten().filter(|(_, own)| own == SETTINGS);
    let all = parts.iter().flatten();
    let depth = |(root, _): &&(&str, String)| root.len();
    let root = of_settings.min_by_key(depth).or_else(|| all.min_by_key(depth));
    let Some(root) = root.map(|(root, _)| (*root).to_owned()) else {
        return Err(FoundingError::NoneKnown { sent: count });
    };
    let owns: Vec<Option<String>> = parts
        .into_iter()
        .map(|part| part.filter(|(at, _)| *at == root).map(|(_, own)| own))
        .collect();
    let (mut files, mut passed_over): Known = Default::default();
    for ((name, bytes), own) in sent.into_iter().zip(owns) {
        let Some(own) = own.map(PathBuf::from) else {
            passed_over.push(name);
            continue;
        };
        if files.iter().any(|(other, _)| *other == own) {
            return Err(FoundingError::Twice { name: own.display().to_string() });
        }
        files.push((own, bytes));
    }
    Ok((files, passed_over))
}

fn is_plain(name: &str) -> bool {
    let odd = |letter: char| letter.is_control() || matches!(letter, '\\' | ':');
    name.len() <= 500
        && !name.contains(odd)
        && name.split('/').all(|part| !matches!(part, "" | "." | ".."))
}

/// The folder before a known file, and the file's name in a grove folder.
fn split(name: &str) -> Option<(&str, String)> {
    let at = |own: &str| -> Option<&str> {
        let before = name.strip_suffix(own)?;
        (before.is_empty() || before.ends_with('/')).then_some(before)
    };
    let mut known: Vec<String> = FILES.into_iter().chain([JOURNAL]).map(str::to_owned).collect();
    known.push("weather/pulled.csv".to_owned());
    let (folder, last) = name.rsplit_once('/').unwrap_or(("", name));
    // What models and pulled forecasts are called is not known before.
    let within = |kind: &str, ending: &str| {
        let is_in = folder == kind || folder.ends_with(&format!("/{kind}"));
        (is_in && last.ends_with(ending) && !last.starts_with('.'))
            .then(|| format!("{kind}/{last}"))
    };
    known.extend(within(MODELS, ".json"));
    known.extend(within("weather/forecasts", ".csv"));
    // Longest first: weather/forecast.csv is no forecast.csv of a folder called weather.
    known.sort_by_key(|own| std::cmp::Reverse(own.len()));
    if let Some(found) = known.iter().find_map(|own| Some((at(own)?, own.clone()))) {
        return Some(found);
    }
    // Files chosen one by one come without their folder.
    let alone = format!("weather/{name}");
    known.contains(&alone).then_some(("", alone))
}

#[cfg(test)]
#[path = "founding_tests.rs"]
mod tests;
