//! Files of a grove folder: those that the user writes, and those that the program keeps there.

use super::in_words;
use chrono_tz::Australia::Adelaide;
use std::collections::BTreeMap;
use std::fs;
use std::path::Path;
use std::sync::LazyLock;
use xylocast::grove::{FILES, Files, Grove};
use xylocast::journal::{JOURNAL, State, read_journal, write_journal};
use xylocast::store::{demo, pulled};
use xylocast::text::{Findings, Refused, decode};

/// An issued forecast as it is kept.
const ISSUE: &str = "weather/forecasts/2026-01-14T120000Z_open-meteo.csv";

/// All files that [`grove_files`] reads, those of a grove first.
pub fn names() -> impl Iterator<Item = &'static str> {
    FILES.into_iter().chain([JOURNAL, pulled::OBSERVED, ISSUE])
}

/// The first byte names a file; the rest stands in its place in the folder of the demo grove.
pub fn grove_files(data: &[u8]) {
    let Some((which, bytes)) = data.split_first() else { return };
    let names: Vec<&'static str> = names().collect();
    match names[usize::from(*which) % names.len()] {
        JOURNAL => journal(bytes),
        pulled::OBSERVED => observed(bytes),
        ISSUE => issue(bytes),
        name => grove(name, bytes),
    }
}

fn grove(name: &'static str, bytes: &[u8]) {
    let mut files: Files = small(demo::files());
    files.insert(name, bytes);
    match Grove::read(&files) {
        Ok(grove) => assert!(
            grove.trees.iter().all(|tree| tree.dbh.value().is_finite()),
            "a number that is none came through"
        ),
        Err(refused) => in_words(&refused),
    }
}

/// Weather is long and has its own target: without it a run takes microseconds.
fn small(files: Files<'static>) -> BTreeMap<&'static str, &'static [u8]> {
    files.into_iter().filter(|(name, _)| !name.starts_with("weather/")).collect()
}

static DEMO: LazyLock<Grove> =
    LazyLock::new(|| Grove::read(&small(demo::files())).expect("the demo is a grove"));

/// Entries can be written and read again, and told to a grove: what came of it is sound or refused.
fn journal(bytes: &[u8]) {
    let mut findings = Findings::default();
    let entries = decode(JOURNAL, bytes, &mut findings)
        .map(|text| read_journal(text, Adelaide, &mut findings))
        .unwrap_or_default();
    if !findings.flaws.is_empty() {
        return in_words(&Refused { flaws: findings.flaws });
    }
    let again = read_journal(&write_journal(&entries, Adelaide), Adelaide, &mut findings);
    assert!(findings.flaws.is_empty(), "what was written cannot be read: {:?}", findings.flaws);
    assert_eq!(again, entries);
    let mut recalled = State::of(&DEMO.trees, &DEMO.draws);
    recalled.recall(entries.iter().cloned());
    for state in [recalled, State::fold(&DEMO.trees, &DEMO.draws, entries)] {
        for told in state.draws() {
            told.draw(DEMO.settings.zone).err().iter().for_each(in_words);
        }
    }
}

/// Hours that were pulled are kept as they are read, to the decimals that are kept.
fn observed(bytes: &[u8]) {
    let [from, to] = folders();
    put(&from.path().join(pulled::OBSERVED), bytes);
    let hours = match pulled::observed(from.path()) {
        Ok(hours) => hours,
        Err(error) => return in_words(&error),
    };
    pulled::keep_observed(to.path(), &hours).expect("a folder that can be written to");
    let again = pulled::observed(to.path()).expect("what was written can be read");
    if pulled::observed_series(from.path()).is_ok() {
        let mut told: Vec<_> = hours.iter().map(pulled::PulledHour::rounded).collect();
        told.sort_by_key(|hour| hour.hour.span.from);
        assert_eq!(again, told);
    }
}

/// Issues too, with their members.
fn issue(bytes: &[u8]) {
    let [from, to] = folders();
    put(&from.path().join(ISSUE), bytes);
    let issues = match pulled::forecasts(from.path()) {
        Ok(issues) => issues,
        Err(error) => return in_words(&error),
    };
    for issue in &issues {
        let (Some(issued_at), Some(_)) = (issue.issued_at, &issue.source) else { continue };
        let hours = |members: &[xylocast::weather::Series]| -> Vec<Vec<pulled::PulledHour>> {
            let members = members.iter().map(|member| member.hours().iter());
            members.map(|hours| hours.map(|hour| as_pulled(*hour)).collect()).collect()
        };
        let told = hours(&issue.members);
        pulled::keep_forecast(to.path(), issued_at, "open-meteo", &told).expect("a folder");
        let again = pulled::forecasts(to.path()).expect("what was written can be read");
        assert_eq!(hours(&again[0].members), told);
    }
}

fn as_pulled(hour: xylocast::weather::Hour) -> pulled::PulledHour {
    let source = "open-meteo".to_owned();
    let (provider_reference_et_mm, provider_vpd_kpa) = (None, None);
    let pulled = pulled::PulledHour { hour, source, provider_reference_et_mm, provider_vpd_kpa };
    pulled.rounded()
}

fn folders() -> [tempfile::TempDir; 2] {
    [(); 2].map(|()| tempfile::tempdir().expect("a folder"))
}

fn put(path: &Path, bytes: &[u8]) {
    fs::create_dir_all(path.parent().expect("a folder")).expect("a folder");
    fs::write(path, bytes).expect("a file");
}
