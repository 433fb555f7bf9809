//! A grove as a user brings it: settings, trees, draws with their readings, intended draws, and
//! weather, from text to checked values.
//!
//! [`Grove::read`] takes the files of a grove folder as bytes, wherever they came from, and gives
//! a whole grove or every flaw found; nothing is half-imported.

mod assemble;
mod dosing;
mod draw;
mod habits;
mod hang;
mod history;
mod records;
mod season;
mod settings;
mod tree;
mod truth;
mod typed;

pub use crate::text::{Flaw, FlawKind, Note, NoteKind, Refused};
pub use assemble::{answered, forecasts, observed};
pub use dosing::{KitBuild, Mark, MixBench, Units, WishedWater};
pub use draw::{DRAWS, Draw, PAUSES, Pause, READINGS, Reading, SMALLEST_REFILL_ML, Seen};
pub use habits::Habits;
pub use hang::{FILE as HANG, Hang};
pub use history::READING_ERROR_ML;
pub use records::{APPLICATIONS, Application, KITS, Kit, PORTS, Port, earliest_next};
pub use season::{Season, SeasonDay};
pub use settings::{
    Bag, Crew, FILE as SETTINGS, Label, LabelRate, RateOf, RatePer, Record, Settings,
    StationColumn, StationSource, WeatherSource, Wishes,
};
pub use tree::{BLOCKS, Block, TREES, Tree};
pub use truth::read_truth;

use crate::text::{Allowed, Columns, Findings, Ids, decode};
use crate::units::Head;
use crate::weather::parse::{self, FORECAST, OBSERVED};
use crate::weather::{Forecasts, Series};
use chrono::NaiveDate;
use chrono_tz::Tz;
use draw::DrawTexts;
use std::collections::BTreeMap;
use tree::Roll;

/// Fewest ports of a tree.
pub const LEAST_PORTS: u32 = 1;

/// Most ports of a tree.
pub const MOST_PORTS: u32 = 40;

/// Smallest charge of a bag, mL.
pub const SMALLEST_CHARGE_ML: f64 = 10.0;

/// Files of a grove folder, those that must be there first.
pub const FILES: [&str; 12] = [
    SETTINGS,
    TREES,
    BLOCKS,
    DRAWS,
    READINGS,
    PAUSES,
    HANG,
    PORTS,
    KITS,
    APPLICATIONS,
    OBSERVED,
    FORECAST,
];

const HEAD: Allowed = Allowed::new("m", Head::LOW, Head::HIGH).or_else(|value| {
    if value > Head::HIGH { "if this is in cm, divide by 100" } else { "correct it" }
});

/// The files of a grove folder by their names inside it; what is not in [`FILES`] is passed over.
pub type Files<'b> = BTreeMap<&'b str, &'b [u8]>;

/// One place that is looked after, as its files tell it.
#[derive(Debug, Clone, PartialEq)]
pub struct Grove {
    /// Place, crew, label, bag, season and wishes.
    pub settings: Settings,
    /// Blocks with seasons of their own.
    pub blocks: Vec<Block>,
    /// The trees.
    pub trees: Vec<Tree>,
    /// What was hung, in the order of the file.
    pub draws: Vec<Draw>,
    /// What is intended; none where there is no such file.
    pub hang: Option<Vec<Hang>>,
    /// Holes drilled, in the order of the file.
    pub ports: Vec<Port>,
    /// Kits.
    pub kits: Vec<Kit>,
    /// Working records of treatments.
    pub applications: Vec<Application>,
    /// Measured weather, gaps not yet bridged; no hours where there is no such file.
    pub observed: Series,
    /// Forecasts as issued.
    pub forecasts: Forecasts,
    /// What is to be told beside every result.
    pub notes: Vec<Note>,
}

impl Grove {
    /// Reads a grove from the bytes of its files.
    ///
    /// ```
    /// use xylocast::grove::{Files, Grove};
    ///
    /// let settings = "name = 'Home'\ntime_zone = 'Australia/Adelaide'\nlatitude_deg = -34.5\n\
    ///                 longitude_deg = 138.7\nelevation_m = 120\n";
    /// let trees = "tree_id,block,species,circumference_cm,ports\nA1,North,avocado,94.2,80\n";
    /// let files =
    ///     Files::from([("grove.toml", settings.as_bytes()), ("trees.csv", trees.as_bytes())]);
    /// let refused = Grove::read(&files).unwrap_err();
    /// assert_eq!(
    ///     refused.to_string(),
    ///     "trees.csv row 2: ports 80 is outside 1 to 40; correct the count"
    /// );
    /// ```
    ///
    /// # Errors
    /// [`Refused`] with every flaw in every file; `grove.toml` and `trees.csv` must be there.
    pub fn read(files: &Files) -> Result<Self, Refused> {
        Ok(Parts::read(files)?.whole())
    }

    /// Reads intended draws that stand outside the grove folder; `file` is the name that messages
    /// show.
    ///
    /// # Errors
    /// [`Refused`] with every flaw in the file.
    pub fn read_hang(&self, file: &str, bytes: &[u8]) -> Result<(Vec<Hang>, Vec<Note>), Refused> {
        let mut findings = Findings::default();
        let ids: Ids = self.trees.iter().map(|tree| tree.id.as_str()).collect();
        let roll = Roll::new(&self.trees, &ids);
        let hangs = decode(file, bytes, &mut findings)
            .map(|text| hang::read_hang(file, text, &roll, self.settings.zone, &mut findings))
            .unwrap_or_default();
        hold_to_bag(file, &hangs, &self.settings, &mut findings);
        if findings.flaws.is_empty() {
            Ok((hangs, findings.notes))
        } else {
            Err(Refused { flaws: findings.flaws })
        }
    }

    /// The season of a tree's block, with the grove's where the block says nothing.
    pub fn season(&self, tree: &Tree) -> Season {
        let block = self.blocks.iter().find(|block| block.name == tree.block);
        block.map_or(self.settings.season, |block| block.season.or(self.settings.season))
    }

    /// The first day on which the label lets a tree be treated again, by its working records and
    /// by when the user says that it was last treated; none where either is not known.
    pub fn earliest_next(&self, tree: &Tree) -> Option<NaiveDate> {
        let own = self.applications.iter().filter(|application| application.tree_id == tree.id);
        let days = own.map(|application| self.settings.local(application.applied).date_naive());
        earliest_next(days.chain(tree.last_treated), self.settings.label.min_interval_days)
    }
}

/// A grove in parts: all that its files tell, checked, its weather not yet made complete. A store
/// keeps weather in this form, since what is estimated of it may change with the settings.
#[derive(Debug)]
pub struct Parts {
    /// The grove; its weather is still empty.
    grove: Grove,
    /// Measured weather as its file tells it.
    pub observed: parse::RawSeries,
    /// Forecasts as their file tells them.
    pub forecasts: Vec<parse::RawForecast>,
    findings: Findings,
}

impl Parts {
    /// Reads the parts from the bytes of a grove's files. Every file is read, also where one before
    /// it is flawed, so that all flaws are told in one go.
    ///
    /// # Errors
    /// [`Refused`] with every flaw in every file; `grove.toml` and `trees.csv` must be there.
    pub fn read(files: &Files) -> Result<Self, Refused> {
        let mut findings = Findings::default();
        let (grove, zone) = read_grove(files, &mut findings);
        let observed = file(files, OBSERVED, &mut findings)
            .map(|text| parse::parse_observed(text, zone, &mut findings))
            .unwrap_or_default();
        let forecasts = file(files, FORECAST, &mut findings)
            .map(|text| parse::parse_forecast(text, zone, &mut findings))
            .unwrap_or_default();
        match grove {
            Some(grove) if findings.flaws.is_empty() => {
                Ok(Self { grove, observed, forecasts, findings })
            }
            _ => Err(Refused { flaws: findings.flaws }),
        }
    }

    /// The settings.
    pub fn settings(&self) -> &Settings {
        &self.grove.settings
    }

    /// The whole grove, its weather made complete.
    pub fn whole(self) -> Grove {
        let Self { grove, observed: hours, forecasts: issues, mut findings } = self;
        let observed = observed(&hours, &grove.settings, &mut findings);
        let forecasts = forecasts(&issues, &grove.settings, &mut findings);
        Grove { observed, forecasts, notes: findings.notes, ..grove }
    }
}

fn file<'b>(files: &Files<'b>, name: &'static str, findings: &mut Findings) -> Option<&'b str> {
    files.get(name).and_then(|bytes| decode(name, bytes, findings))
}

/// All but the weather, and the zone that times without offset are read in.
fn read_grove(files: &Files, findings: &mut Findings) -> (Option<Grove>, Tz) {
    let settings = needed(files, SETTINGS, NO_SETTINGS, findings)
        .and_then(|text| Settings::read(text, findings));
    let zone = settings.as_ref().map_or(Tz::UTC, |settings| settings.zone);
    let trees = needed(files, TREES, NO_TREES, findings);
    let (trees, ids) = trees.map(|text| tree::read_trees(text, zone, findings)).unwrap_or_default();
    let roll = Roll::new(&trees, &ids);
    let blocks = file(files, BLOCKS, findings)
        .map(|text| tree::read_blocks(text, &roll, zone, findings))
        .unwrap_or_default();
    let texts = DrawTexts {
        draws: file(files, DRAWS, findings),
        readings: file(files, READINGS, findings),
        pauses: file(files, PAUSES, findings),
    };
    let draws = draw::read_draws(texts, &roll, zone, findings);
    let hang =
        file(files, HANG, findings).map(|text| hang::read_hang(HANG, text, &roll, zone, findings));
    let ports = file(files, PORTS, findings)
        .map(|text| records::read_ports(text, &ids, zone, findings))
        .unwrap_or_default();
    let kits = file(files, KITS, findings)
        .map(|text| records::read_kits(text, zone, findings))
        .unwrap_or_default();
    let applications = file(files, APPLICATIONS, findings)
        .map(|text| records::read_applications(text, &roll, &draws, zone, findings))
        .unwrap_or_default();
    let Some(settings) = settings else { return (None, zone) };
    hold_to_bag(HANG, hang.as_deref().unwrap_or_default(), &settings, findings);
    let (observed, forecasts, notes) = Default::default();
    let grove = Grove {
        settings,
        blocks,
        trees,
        draws,
        hang,
        ports,
        kits,
        applications,
        observed,
        forecasts,
        notes,
    };
    (Some(grove), zone)
}

/// The columns that a table of a grove folder may have; none where the file is no table of ours, or
/// one of weather.
pub fn table_columns(file: &str) -> Option<&'static Columns> {
    Some(match file {
        TREES => &tree::TREE_COLUMNS,
        BLOCKS => &tree::BLOCK_COLUMNS,
        DRAWS => &draw::DRAW_COLUMNS,
        READINGS => &draw::READING_COLUMNS,
        PAUSES => &draw::PAUSE_COLUMNS,
        HANG => &hang::COLUMNS,
        PORTS => &records::PORT_COLUMNS,
        KITS => &records::KIT_COLUMNS,
        APPLICATIONS => &records::APPLICATION_COLUMNS,
        _ => return None,
    })
}

const NO_SETTINGS: &str =
    "write at least name, time_zone, latitude_deg, longitude_deg and elevation_m into it";

const NO_TREES: &str =
    "write the columns tree_id, block, species, circumference_cm or dbh_cm, and ports into it";

fn needed<'b>(
    files: &Files<'b>,
    name: &'static str,
    remedy: &'static str,
    findings: &mut Findings,
) -> Option<&'b str> {
    match files.get(name) {
        Some(bytes) => decode(name, bytes, findings),
        None => {
            findings.flaw(name, None, None, FlawKind::FileMissing { remedy });
            None
        }
    }
}

/// One draw is one bag: a charge that the bag in use cannot hold is told.
fn hold_to_bag(file: &str, hangs: &[Hang], settings: &Settings, findings: &mut Findings) {
    let capacity_ml = settings.bag.capacity.value();
    if settings.defaulted.contains(&"bag.capacity_ml") {
        return;
    }
    for hang in hangs.iter().filter(|hang| hang.charge.value() > capacity_ml) {
        let charge_ml = hang.charge.value();
        let kind = NoteKind::ChargeAboveCapacity { charge_ml, capacity_ml };
        findings.note(Note::on_file(file, kind).at_row(hang.row).on_column("charge_ml"));
    }
}

#[cfg(test)]
mod tests;
