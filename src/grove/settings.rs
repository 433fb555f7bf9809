//! `grove.toml`: the place, the crew, the label as typed, the bag, the season and the wishes.
//!
//! What the user left out stays `None`, above all everything from the label; only habits of the
//! trade have defaults, and [`Settings::defaulted`] names those that were taken.

use super::dosing::{KitBuild, MixBench, Units};
use super::habits::Habits;
use super::season::{Season, SeasonDay};
use super::typed;
use crate::text::{Findings, with_offset};
use crate::units::{Celsius, Head, Millilitres, Place};
use chrono::{DateTime, FixedOffset, NaiveTime, Utc};
use chrono_tz::Tz;

/// Name of the settings file in a grove folder.
pub const FILE: &str = "grove.toml";

/// A grove's settings, every value within its range.
#[derive(Debug, Clone, PartialEq)]
pub struct Settings {
    /// What the grove is called.
    pub name: String,
    /// Its IANA time zone.
    pub zone: Tz,
    /// Where it is.
    pub place: Place,
    /// Height at which the wind is measured, 0.5 to 200 m above ground. Default 2 m.
    pub anemometer_height_m: f64,
    /// Who works, with what, how fast.
    pub crew: Crew,
    /// How it goes about its day.
    pub habits: Habits,
    /// What the user typed from the label.
    pub label: Label,
    /// The bags in use.
    pub bag: Bag,
    /// When leaves and bloom are there; blocks may differ.
    pub season: Season,
    /// Can the public reach the trees? None where the user did not say.
    pub public_access: Option<bool>,
    /// What the user wishes of a day.
    pub wishes: Wishes,
    /// What product, water and mix are measured with.
    pub bench: MixBench,
    /// How kits are built.
    pub kit: KitBuild,
    /// Units of the sheets.
    pub units: Units,
    /// Where weather is pulled from.
    pub weather: WeatherSource,
    /// What the working record says of every application.
    pub record: Record,
    /// Keys that were left out and took a default, as `crew.people`.
    pub defaulted: Vec<&'static str>,
}

/// Who works, with what, how fast. Minutes are of one person's work.
#[derive(Debug, Clone, PartialEq)]
pub struct Crew {
    /// People, 1 to 100. Default 2.
    pub people: u32,
    /// Kits, 1 to 10,000. Default 12.
    pub kits: u32,
    /// Start of the working day. Default 07:00.
    pub day_starts: NaiveTime,
    /// End of the working day. Default 17:00.
    pub day_ends: NaiveTime,
    /// To set a tree, ports apart, 0 to 480 min. Default 12.
    pub set_min: f64,
    /// More for each port, 0 to 60 min. Default 1.
    pub per_port_min: f64,
    /// To strip a tree, 0 to 240 min. Default 5.
    pub strip_min: f64,
    /// To walk from one tree to the next, 0 to 240 min. Default 2.
    pub walk_min: f64,
    /// Between two check rounds, 5 to 1440 min. Default 60.
    pub check_every_min: f64,
}

/// What the user typed from the label. Nothing here is ever filled in.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Label {
    /// The product's name.
    pub product_name: Option<String>,
    /// Its registration number.
    pub registration_number: Option<String>,
    /// The label rate.
    pub rate: Option<LabelRate>,
    /// Least water per mL of product, 0 to 100,000 mL.
    pub min_water_ml_per_ml_product: Option<f64>,
    /// Least water per g of product, 0 to 100,000 mL.
    pub min_water_ml_per_g_product: Option<f64>,
    /// Most product per tree, mL.
    pub max_per_tree_ml: Option<f64>,
    /// Most product per tree, g.
    pub max_per_tree_g: Option<f64>,
    /// Most product per tree and season, mL.
    pub max_per_tree_season_ml: Option<f64>,
    /// Most product per tree and season, g.
    pub max_per_tree_season_g: Option<f64>,
    /// Most product per hectare and season, mL; one typed per acre is turned into it.
    pub max_per_hectare_season_ml: Option<f64>,
    /// Most product per hectare and season, g; one typed per acre is turned into it.
    pub max_per_hectare_season_g: Option<f64>,
    /// First day of the label's season. Without it, the twelve months before the day planned count
    /// as the season: the strictest reading.
    pub season_from: Option<SeasonDay>,
    /// May a bag hang without somebody by it?
    pub unattended_allowed: Option<bool>,
    /// May trees be dosed by their mean dbh?
    pub mean_dose_allowed: Option<bool>,
    /// Re-entry interval, 0 to 8760 h.
    pub re_entry_h: Option<f64>,
    /// Pre-harvest interval, 0 to 3650 days.
    pub pre_harvest_days: Option<u32>,
    /// Least interval between treatments, 0 to 3650 days.
    pub min_interval_days: Option<u32>,
    /// Highest air temperature allowed.
    pub max_air_temp: Option<Celsius>,
    /// Lowest air temperature allowed.
    pub min_air_temp: Option<Celsius>,
}

/// The user's number from the label, with what it counts and what it counts by.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LabelRate {
    /// The number, above 0 up to 100,000, in `of` per `per`.
    pub amount: f64,
    /// What is counted.
    pub of: RateOf,
    /// What it is counted by.
    pub per: RatePer,
}

/// What a label rate counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum RateOf {
    /// Millilitres of product.
    Millilitres,
    /// Grams of product.
    Grams,
}

/// What a label rate is counted by.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum RatePer {
    /// Centimetre of dbh.
    CentimetreDbh,
    /// Inch of dbh.
    InchDbh,
    /// Centimetre of circumference.
    CentimetreCircumference,
    /// Square centimetre of basal area.
    SquareCentimetreBasalArea,
    /// Tree.
    Tree,
}

/// The bags in use.
#[derive(Debug, Clone, PartialEq)]
pub struct Bag {
    /// What a bag can hold, 10 to 200,000 mL. Default 1000 mL.
    pub capacity: Millilitres,
    /// What is loaded unless a tree says otherwise. Default: the capacity.
    pub charge: Millilitres,
    /// Head of a full bag. Default 1.5 m.
    pub head: Head,
}

/// What the working record says of every application, unless `applications.csv` says otherwise.
/// Nothing here is ever filled in.
#[derive(Debug, Clone, PartialEq, Default, serde::Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Record {
    /// Customer's name and address.
    pub customer: Option<String>,
    /// The place as records name it. Default: the grove's name.
    pub place: Option<String>,
    /// Size of the treated area, 0 to 1,000,000 ha.
    pub size_ha: Option<f64>,
    /// Crop or site.
    pub crop: Option<String>,
    /// EPPO code of the crop.
    pub crop_code: Option<String>,
    /// BBCH stage.
    pub growth_stage: Option<String>,
    /// Who applies.
    pub applicator: Option<String>,
    /// Their licence.
    pub licence: Option<String>,
    /// Whom they supervise, or the word none.
    pub supervised: Option<String>,
    /// Active ingredient of the product.
    pub active_ingredient: Option<String>,
}

/// Where weather is pulled from, and how; what is left out takes the program's own defaults.
#[derive(Debug, Clone, PartialEq, Eq, Default, serde::Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct WeatherSource {
    /// Services by name, the first one first. Default: `open-meteo`, then `met-norway`.
    pub sources: Option<Vec<String>>,
    /// Whom a service may write to: an address or a page.
    pub contact: Option<String>,
    /// Base address of the global service's forecasts.
    pub open_meteo_url: Option<String>,
    /// Base address of its archive.
    pub open_meteo_archive_url: Option<String>,
    /// Base address of its ensemble.
    pub open_meteo_ensemble_url: Option<String>,
    /// Key of a paying user of it.
    pub open_meteo_key: Option<String>,
    /// Base address of the Norwegian service.
    pub met_norway_url: Option<String>,
    /// Base address of the German service's open front.
    pub bright_sky_url: Option<String>,
    /// Base address of the service of the United States.
    pub nws_url: Option<String>,
    /// Wait before a second try, ms; the following ones double. Default 1000.
    pub first_wait_ms: Option<u64>,
    /// Longest wait for one answer, s. Default 20.
    pub request_timeout_s: Option<u64>,
    /// Longest wait for all tries of one question, s. Default 60.
    pub deadline_s: Option<u64>,
    /// Largest answer that is read, bytes. Default 32 MiB.
    pub most_bytes: Option<usize>,
    /// The user's own logger, for the source `station`.
    pub station: Option<StationSource>,
}

/// A logger's CSV and what its owner declares of it: nothing about a logger can be guessed.
#[derive(Debug, Clone, PartialEq, Eq, serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub struct StationSource {
    /// File, as seen from the grove folder.
    pub file: Option<String>,
    /// Address, where it is not a file.
    pub url: Option<String>,
    /// Its clock: an offset kept all year (`+09:30`), or an IANA zone.
    pub clock: String,
    /// What a row's time stands for: `start`, `end` or `instant`.
    pub label: String,
    /// Character between cells. Default a comma.
    pub separator: Option<char>,
    /// Are decimals behind a comma? Default no.
    #[serde(default)]
    pub decimal_comma: bool,
    /// Column of the time.
    pub time_column: String,
    /// Form of the time, as `%d.%m.%Y %H:%M`. Default ISO 8601.
    pub time_format: Option<String>,
    /// Height of the anemometer, whole cm above the ground. Default 200.
    pub wind_height_cm: Option<u32>,
    /// Marks for missing values.
    #[serde(default)]
    pub missing: Vec<String>,
    /// The columns to read.
    pub columns: Vec<StationColumn>,
}

impl StationSource {
    /// Does its file lie outside of the folder that it is seen from, or is it a database in it?
    pub fn leads_out(&self) -> bool {
        let odd = |part: &str| matches!(part, "" | "." | "..") || part.contains(".db");
        self.file.as_ref().is_some_and(|file| {
            file.contains(|letter: char| letter.is_control() || matches!(letter, '\\' | ':'))
                || file.split('/').any(odd)
        })
    }
}

/// A logger's column: its name, one of the measures of a weather file, and its unit.
#[derive(Debug, Clone, PartialEq, Eq, serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub struct StationColumn {
    /// Its name in the file.
    pub name: String,
    /// As in weather files, e.g. `air_temp_c`.
    pub measure: String,
    /// Its unit in the file, e.g. `degF`.
    pub unit: String,
}

/// What the user wishes of a day.
#[derive(Debug, Clone, PartialEq)]
pub struct Wishes {
    /// Probability wished for, 0.5 to 0.99. Default 0.9.
    pub sure: f64,
    /// Time of day by which all should be done.
    pub latest_done: Option<NaiveTime>,
    /// How well the mean dbh of a block is to be known, as a share of it, 0.005 to 0.5.
    pub dbh_precision: Option<f64>,
}

impl Settings {
    /// Reads `grove.toml`. None where anything in it is flawed; the findings name all of it.
    pub fn read(text: &str, findings: &mut Findings) -> Option<Self> {
        typed::read(text, findings)
    }

    /// An instant as the grove's clocks show it.
    pub fn local(&self, at: DateTime<Utc>) -> DateTime<FixedOffset> {
        with_offset(at, self.zone)
    }
}

#[cfg(test)]
#[path = "settings_tests.rs"]
mod tests;
