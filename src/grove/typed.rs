//! The settings as typed: every key with its place in the file, held to its range.

use super::dosing::{RawBench, RawKit, Units};
use super::habits::RawHabits;
use super::season::{Season, SeasonDay};
use super::settings::{
    Bag, Crew, FILE, Label, LabelRate, RateOf, RatePer, Record, Settings, WeatherSource, Wishes,
};
use crate::text::{
    Allowed, Findings, FlawKind, Note, NoteKind, TimeFlaw, read_time_of_day, shown,
    unreadable_in_lines,
};
use crate::units::{
    Celsius, HECTARES_PER_ACRE, Head, Latitude, Longitude, Metres, Millilitres, OutOfRange, Place,
};
use chrono::{DateTime, NaiveTime, Offset, TimeZone, Utc};
use chrono_tz::Tz;
use serde::Deserialize;
use toml::Spanned;

/// Reads the settings; none where anything in them is flawed.
pub(super) fn read(text: &str, findings: &mut Findings) -> Option<Settings> {
    let raw: RawSettings = match toml::from_str(text) {
        Ok(raw) => raw,
        Err(error) => {
            let row = error.span().map(|span| line_at(text, span.start));
            let message = toml_message(error.message());
            findings.flaw(FILE, row, None, FlawKind::Toml { message });
            return None;
        }
    };
    let flaws_before = findings.flaws.len();
    if let Ok(typed) = toml::from_str::<toml::Value>(text) {
        hold_texts("", &typed, findings);
    }
    let mut check = Check { text, findings, defaulted: Vec::new() };
    let settings = raw.checked(&mut check);
    settings.filter(|_| findings.flaws.len() == flaws_before)
}

/// A text that cannot be read is a flaw, wherever it stands.
fn hold_texts(key: &str, value: &toml::Value, findings: &mut Findings) {
    match value {
        toml::Value::String(text) => {
            if let Some(control) = unreadable_in_lines(text) {
                let (text, code) = (shown(text), u32::from(control));
                findings.flaw(FILE, None, Some(key), FlawKind::ControlCharacter { text, code });
            }
        }
        toml::Value::Array(each) => each.iter().for_each(|one| hold_texts(key, one, findings)),
        toml::Value::Table(table) => {
            for (name, value) in table {
                let key = if key.is_empty() { name.clone() } else { format!("{key}.{name}") };
                hold_texts(&key, value, findings);
            }
        }
        _ => {}
    }
}

pub(super) type Typed<T> = Option<Spanned<T>>;

#[derive(Deserialize, Default)]
#[serde(deny_unknown_fields, default)]
struct RawSettings {
    name: Typed<String>,
    time_zone: Typed<String>,
    latitude_deg: Typed<f64>,
    longitude_deg: Typed<f64>,
    elevation_m: Typed<f64>,
    anemometer_height_m: Typed<f64>,
    public_access: Option<bool>,
    units: Option<Units>,
    crew: RawCrew,
    plan: RawHabits,
    label: RawLabel,
    bag: RawBag,
    mixing: RawBench,
    kit: RawKit,
    season: RawSeason,
    wishes: RawWishes,
    weather: WeatherSource,
    record: Record,
}

#[derive(Deserialize, Default)]
#[serde(deny_unknown_fields, default)]
struct RawCrew {
    people: Typed<i64>,
    kits: Typed<i64>,
    day_starts: Typed<toml::Value>,
    day_ends: Typed<toml::Value>,
    set_min: Typed<f64>,
    per_port_min: Typed<f64>,
    strip_min: Typed<f64>,
    walk_min: Typed<f64>,
    check_every_min: Typed<f64>,
}

#[derive(Deserialize, Default)]
#[serde(deny_unknown_fields, default)]
struct RawLabel {
    product_name: Option<String>,
    registration_number: Option<String>,
    label_rate_ml_per_cm_dbh: Typed<f64>,
    label_rate_g_per_cm_dbh: Typed<f64>,
    label_rate_ml_per_inch_dbh: Typed<f64>,
    label_rate_g_per_inch_dbh: Typed<f64>,
    per_cm_circumference_ml: Typed<f64>,
    per_cm_circumference_g: Typed<f64>,
    per_cm2_basal_area_ml: Typed<f64>,
    per_cm2_basal_area_g: Typed<f64>,
    per_tree_ml: Typed<f64>,
    per_tree_g: Typed<f64>,
    min_water_ml_per_ml_product: Typed<f64>,
    min_water_ml_per_g_product: Typed<f64>,
    max_per_tree_ml: Typed<f64>,
    max_per_tree_g: Typed<f64>,
    max_per_tree_season_ml: Typed<f64>,
    max_per_tree_season_g: Typed<f64>,
    max_per_hectare_season_ml: Typed<f64>,
    max_per_hectare_season_g: Typed<f64>,
    max_per_acre_season_ml: Typed<f64>,
    max_per_acre_season_g: Typed<f64>,
    season_from: Typed<toml::Value>,
    unattended_allowed: Option<bool>,
    mean_dose_allowed: Option<bool>,
    re_entry_h: Typed<f64>,
    pre_harvest_days: Typed<i64>,
    min_interval_days: Typed<i64>,
    max_air_temp_c: Typed<f64>,
    min_air_temp_c: Typed<f64>,
}

#[derive(Deserialize, Default)]
#[serde(deny_unknown_fields, default)]
struct RawBag {
    capacity_ml: Typed<f64>,
    charge_ml: Typed<f64>,
    head_m: Typed<f64>,
}

#[derive(Deserialize, Default)]
#[serde(deny_unknown_fields, default)]
struct RawSeason {
    leaf_on_from: Typed<toml::Value>,
    leaf_off_from: Typed<toml::Value>,
    bloom_from: Typed<toml::Value>,
    bloom_to: Typed<toml::Value>,
}

#[derive(Deserialize, Default)]
#[serde(deny_unknown_fields, default)]
struct RawWishes {
    sure: Typed<f64>,
    latest_done: Typed<toml::Value>,
    dbh_precision: Typed<f64>,
}

const POSITIVE: f64 = 1e-6;

impl RawSettings {
    fn checked(self, check: &mut Check) -> Option<Settings> {
        let name = check.needed("name", "name = \"Home block\"", self.name);
        let zone = check.needed("time_zone", "time_zone = \"Europe/Madrid\"", self.time_zone);
        let zone = zone.and_then(|typed| check.zone(typed));
        let place = check.place(self.latitude_deg, self.longitude_deg, self.elevation_m);
        if let (Some(zone), Some(place)) = (zone, place) {
            check.longitude_against_zone(place.longitude, zone);
        }
        let anemometer_height_m = check.number_or(
            "anemometer_height_m",
            self.anemometer_height_m,
            ("m", 0.5, 200.0),
            2.0,
        );
        let crew = self.crew.checked(check);
        let habits = self.plan.checked(check);
        let label = self.label.checked(check);
        let bag = self.bag.checked(check);
        let bench = self.mixing.checked(check);
        let kit = self.kit.checked(check);
        let season = self.season.checked(check);
        let wishes = self.wishes.checked(check);
        Some(Settings {
            name: name?.into_inner(),
            zone: zone?,
            place: place?,
            anemometer_height_m,
            crew,
            habits,
            label,
            bag: bag?,
            season,
            public_access: self.public_access,
            wishes,
            bench,
            kit,
            units: self.units.unwrap_or_default(),
            weather: self.weather,
            record: check.record(self.record),
            defaulted: std::mem::take(&mut check.defaulted),
        })
    }
}

impl RawCrew {
    fn checked(self, check: &mut Check) -> Crew {
        let hour = |hour| NaiveTime::from_hms_opt(hour, 0, 0).unwrap_or_default();
        let ends_line = self.day_ends.as_ref().map(|typed| typed.span().start);
        let crew = Crew {
            people: check.whole_or("crew.people", self.people, ("", 1, 100), 2),
            kits: check.whole_or("crew.kits", self.kits, ("", 1, 10_000), 12),
            day_starts: check.clock_or("crew.day_starts", self.day_starts, hour(7)),
            day_ends: check.clock_or("crew.day_ends", self.day_ends, hour(17)),
            set_min: check.number_or("crew.set_min", self.set_min, ("min", 0.0, 480.0), 12.0),
            per_port_min: check.number_or(
                "crew.per_port_min",
                self.per_port_min,
                ("min", 0.0, 60.0),
                1.0,
            ),
            strip_min: check.number_or("crew.strip_min", self.strip_min, ("min", 0.0, 240.0), 5.0),
            walk_min: check.number_or("crew.walk_min", self.walk_min, ("min", 0.0, 240.0), 2.0),
            check_every_min: check.number_or(
                "crew.check_every_min",
                self.check_every_min,
                ("min", 5.0, 1440.0),
                60.0,
            ),
        };
        if crew.day_ends <= crew.day_starts {
            let (starts, ends) = (crew.day_starts, crew.day_ends);
            check.flaw("crew.day_ends", ends_line, FlawKind::DayEndsFirst { starts, ends });
        }
        crew
    }
}

impl RawLabel {
    fn checked(self, check: &mut Check) -> Label {
        let min_line = self.min_air_temp_c.as_ref().map(|typed| typed.span().start);
        let product_ml = ("mL", POSITIVE, 100_000.0);
        let product_g = ("g", POSITIVE, 100_000.0);
        let water = ("mL", 0.0, 100_000.0);
        let days = ("days", 0, 3650);
        let max_air_temp =
            check.quantity("label.max_air_temp_c", self.max_air_temp_c, Celsius::new);
        let min_air_temp =
            check.quantity("label.min_air_temp_c", self.min_air_temp_c, Celsius::new);
        if let (Some(min), Some(max)) = (min_air_temp, max_air_temp)
            && min > max
        {
            let (value, limit) = (min.value(), max.value());
            let other = "max_air_temp_c";
            let problem = FlawKind::Above { value, unit: Celsius::UNIT, other, limit };
            check.flaw("label.min_air_temp_c", min_line, problem);
        }
        use RateOf::{Grams, Millilitres as Ml};
        use RatePer::*;
        let rate = check.rate([
            ("label.label_rate_ml_per_cm_dbh", self.label_rate_ml_per_cm_dbh, Ml, CentimetreDbh),
            ("label.label_rate_g_per_cm_dbh", self.label_rate_g_per_cm_dbh, Grams, CentimetreDbh),
            ("label.label_rate_ml_per_inch_dbh", self.label_rate_ml_per_inch_dbh, Ml, InchDbh),
            ("label.label_rate_g_per_inch_dbh", self.label_rate_g_per_inch_dbh, Grams, InchDbh),
            (
                "label.per_cm_circumference_ml",
                self.per_cm_circumference_ml,
                Ml,
                CentimetreCircumference,
            ),
            (
                "label.per_cm_circumference_g",
                self.per_cm_circumference_g,
                Grams,
                CentimetreCircumference,
            ),
            (
                "label.per_cm2_basal_area_ml",
                self.per_cm2_basal_area_ml,
                Ml,
                SquareCentimetreBasalArea,
            ),
            (
                "label.per_cm2_basal_area_g",
                self.per_cm2_basal_area_g,
                Grams,
                SquareCentimetreBasalArea,
            ),
            ("label.per_tree_ml", self.per_tree_ml, Ml, Tree),
            ("label.per_tree_g", self.per_tree_g, Grams, Tree),
        ]);
        Label {
            product_name: self.product_name,
            registration_number: self.registration_number,
            rate,
            min_water_ml_per_ml_product: check.number(
                "label.min_water_ml_per_ml_product",
                self.min_water_ml_per_ml_product,
                water,
            ),
            min_water_ml_per_g_product: check.number(
                "label.min_water_ml_per_g_product",
                self.min_water_ml_per_g_product,
                water,
            ),
            max_per_tree_ml: check.number(
                "label.max_per_tree_ml",
                self.max_per_tree_ml,
                product_ml,
            ),
            max_per_tree_g: check.number("label.max_per_tree_g", self.max_per_tree_g, product_g),
            max_per_tree_season_ml: check.number(
                "label.max_per_tree_season_ml",
                self.max_per_tree_season_ml,
                product_ml,
            ),
            max_per_tree_season_g: check.number(
                "label.max_per_tree_season_g",
                self.max_per_tree_season_g,
                product_g,
            ),
            max_per_hectare_season_ml: check.per_area(
                ("label.max_per_hectare_season_ml", self.max_per_hectare_season_ml),
                ("label.max_per_acre_season_ml", self.max_per_acre_season_ml),
                product_ml,
            ),
            max_per_hectare_season_g: check.per_area(
                ("label.max_per_hectare_season_g", self.max_per_hectare_season_g),
                ("label.max_per_acre_season_g", self.max_per_acre_season_g),
                product_g,
            ),
            season_from: check.season_day("label.season_from", self.season_from),
            unattended_allowed: self.unattended_allowed,
            mean_dose_allowed: self.mean_dose_allowed,
            re_entry_h: check.number("label.re_entry_h", self.re_entry_h, ("h", 0.0, 8760.0)),
            pre_harvest_days: check.whole("label.pre_harvest_days", self.pre_harvest_days, days),
            min_interval_days: check.whole("label.min_interval_days", self.min_interval_days, days),
            max_air_temp,
            min_air_temp,
        }
    }
}

impl RawBag {
    fn checked(self, check: &mut Check) -> Option<Bag> {
        let volume = ("mL", super::SMALLEST_CHARGE_ML, Millilitres::HIGH);
        let charge_line = self.charge_ml.as_ref().map(|typed| typed.span().start);
        let capacity = check.number_or("bag.capacity_ml", self.capacity_ml, volume, 1000.0);
        let charge = check.number_or("bag.charge_ml", self.charge_ml, volume, capacity);
        if charge > capacity {
            let (other, limit) = ("capacity_ml", capacity);
            let problem = FlawKind::Above { value: charge, unit: "mL", other, limit };
            check.flaw("bag.charge_ml", charge_line, problem);
        }
        let head = check.number_or("bag.head_m", self.head_m, ("m", Head::LOW, Head::HIGH), 1.5);
        Some(Bag {
            capacity: Millilitres::new(capacity).ok()?,
            charge: Millilitres::new(charge).ok()?,
            head: Head::new(head).ok()?,
        })
    }
}

impl RawSeason {
    fn checked(self, check: &mut Check) -> Season {
        let bloom_line = self.bloom_from.as_ref().or(self.bloom_to.as_ref());
        let bloom_line = bloom_line.map(|typed| typed.span().start);
        let bloom_from = check.season_day("season.bloom_from", self.bloom_from);
        let bloom_to = check.season_day("season.bloom_to", self.bloom_to);
        match (bloom_from, bloom_to) {
            (Some(_), None) => {
                check.flaw("season.bloom_from", bloom_line, FlawKind::Alone { needs: "bloom_to" });
            }
            (None, Some(_)) => {
                check.flaw("season.bloom_to", bloom_line, FlawKind::Alone { needs: "bloom_from" });
            }
            _ => {}
        }
        Season {
            leaf_on_from: check.season_day("season.leaf_on_from", self.leaf_on_from),
            leaf_off_from: check.season_day("season.leaf_off_from", self.leaf_off_from),
            bloom: bloom_from.zip(bloom_to),
        }
    }
}

impl RawWishes {
    fn checked(self, check: &mut Check) -> Wishes {
        Wishes {
            sure: check.number_or("wishes.sure", self.sure, ("", 0.5, 0.99), 0.9),
            latest_done: check.clock("wishes.latest_done", self.latest_done),
            dbh_precision: check.number(
                "wishes.dbh_precision",
                self.dbh_precision,
                ("", 0.005, 0.5),
            ),
        }
    }
}

/// Holds typed values to their ranges, notes flaws by line, and remembers the defaults taken.
pub(super) struct Check<'c> {
    text: &'c str,
    findings: &'c mut Findings,
    pub(super) defaulted: Vec<&'static str>,
}

impl Check<'_> {
    pub(super) fn flaw(&mut self, key: &'static str, offset: Option<usize>, problem: FlawKind) {
        let row = offset.map(|offset| line_at(self.text, offset));
        self.findings.flaw(FILE, row, Some(key), problem);
    }

    fn needed<T>(&mut self, key: &'static str, example: &'static str, typed: Typed<T>) -> Typed<T> {
        if typed.is_none() {
            self.flaw(key, None, FlawKind::KeyMissing { example });
        }
        typed
    }

    pub(super) fn number(
        &mut self,
        key: &'static str,
        typed: Typed<f64>,
        (unit, low, high): (&'static str, f64, f64),
    ) -> Option<f64> {
        let typed = typed?;
        let value = *typed.get_ref();
        match Allowed::new(unit, low, high).flaw(value) {
            None => Some(value),
            Some(problem) => {
                self.flaw(key, Some(typed.span().start), problem);
                None
            }
        }
    }

    fn record(&mut self, record: Record) -> Record {
        let size = Allowed::new("ha", 0.0, 1e6).or_else(|_| "one hectare is 10,000 m2");
        if let Some(problem) = record.size_ha.and_then(|size_ha| size.flaw(size_ha)) {
            self.flaw("record.size_ha", None, problem);
        }
        record
    }

    pub(super) fn number_or(
        &mut self,
        key: &'static str,
        typed: Typed<f64>,
        range: (&'static str, f64, f64),
        default: f64,
    ) -> f64 {
        if typed.is_none() {
            self.defaulted.push(key);
        }
        self.number(key, typed, range).unwrap_or(default)
    }

    pub(super) fn quantity<Q>(
        &mut self,
        key: &'static str,
        typed: Typed<f64>,
        new: impl Fn(f64) -> Result<Q, OutOfRange>,
    ) -> Option<Q> {
        let typed = typed?;
        match new(*typed.get_ref()) {
            Ok(quantity) => Some(quantity),
            Err(OutOfRange { value, unit, low, high, .. }) => {
                let remedy = "correct the value or its unit";
                let problem = FlawKind::OutOfRange { value, unit, low, high, remedy };
                self.flaw(key, Some(typed.span().start), problem);
                None
            }
        }
    }

    pub(super) fn whole(
        &mut self,
        key: &'static str,
        typed: Typed<i64>,
        (unit, low, high): (&'static str, u32, u32),
    ) -> Option<u32> {
        let typed = typed?;
        let value = *typed.get_ref();
        let in_range = u32::try_from(value).ok().filter(|value| (low..=high).contains(value));
        if in_range.is_none() {
            let (low, high) = (f64::from(low), f64::from(high));
            let remedy = "correct the value";
            let problem = FlawKind::OutOfRange { value: value as f64, unit, low, high, remedy };
            self.flaw(key, Some(typed.span().start), problem);
        }
        in_range
    }

    fn whole_or(
        &mut self,
        key: &'static str,
        typed: Typed<i64>,
        range: (&'static str, u32, u32),
        default: u32,
    ) -> u32 {
        if typed.is_none() {
            self.defaulted.push(key);
        }
        self.whole(key, typed, range).unwrap_or(default)
    }

    fn clock(&mut self, key: &'static str, typed: Typed<toml::Value>) -> Option<NaiveTime> {
        self.parsed(key, typed, read_time_of_day)
    }

    fn clock_or(
        &mut self,
        key: &'static str,
        typed: Typed<toml::Value>,
        default: NaiveTime,
    ) -> NaiveTime {
        if typed.is_none() {
            self.defaulted.push(key);
        }
        self.clock(key, typed).unwrap_or(default)
    }

    fn season_day(&mut self, key: &'static str, typed: Typed<toml::Value>) -> Option<SeasonDay> {
        self.parsed(key, typed, SeasonDay::read)
    }

    /// TOML has dates and times of its own; both those and quoted ones are read.
    fn parsed<T>(
        &mut self,
        key: &'static str,
        typed: Typed<toml::Value>,
        read: impl Fn(&str) -> Result<T, TimeFlaw>,
    ) -> Option<T> {
        let typed = typed?;
        let text = match typed.get_ref() {
            toml::Value::String(text) => text.clone(),
            other => other.to_string(),
        };
        match read(&text) {
            Ok(value) => Some(value),
            Err(flaw) => {
                self.flaw(key, Some(typed.span().start), flaw.into());
                None
            }
        }
    }

    fn zone(&mut self, typed: Spanned<String>) -> Option<Tz> {
        let zone = typed.get_ref().parse().ok();
        if zone.is_none() {
            let text = shown(typed.get_ref());
            self.flaw("time_zone", Some(typed.span().start), FlawKind::NoSuchZone { text });
        }
        zone
    }

    fn place(
        &mut self,
        latitude: Typed<f64>,
        longitude: Typed<f64>,
        elevation: Typed<f64>,
    ) -> Option<Place> {
        let latitude = self.needed("latitude_deg", "latitude_deg = -34.5", latitude);
        let longitude = self.needed("longitude_deg", "longitude_deg = 138.7", longitude);
        let elevation = self.needed("elevation_m", "elevation_m = 120", elevation);
        let latitude = self.quantity("latitude_deg", latitude, Latitude::new);
        let longitude = self.quantity("longitude_deg", longitude, Longitude::new);
        let elevation = self.quantity("elevation_m", elevation, Metres::new);
        Some(Place { latitude: latitude?, longitude: longitude?, elevation: elevation? })
    }

    /// A forgotten minus sign moves the grove across the globe, and noon into the night.
    fn longitude_against_zone(&mut self, longitude: Longitude, zone: Tz) {
        const FARTHEST_DEG: f64 = 60.0;
        const ANY_DAY: DateTime<Utc> = DateTime::from_timestamp(1_767_225_600, 0).unwrap();
        let offset = zone.offset_from_utc_datetime(&ANY_DAY.naive_utc()).fix();
        let kept_at_deg = f64::from(offset.local_minus_utc()) / 240.0;
        let apart = (longitude.value() - kept_at_deg).rem_euclid(360.0);
        if apart.min(360.0 - apart) > FARTHEST_DEG {
            let longitude_deg = longitude.value();
            let kind = NoteKind::FarFromZone { longitude_deg, zone: zone.name() };
            self.findings.note(Note::on_file(FILE, kind).on_column("longitude_deg"));
        }
    }

    /// A maximum per hectare, also where it is typed per acre; not both.
    fn per_area(
        &mut self,
        (hectare_key, per_hectare): (&'static str, Typed<f64>),
        (acre_key, per_acre): (&'static str, Typed<f64>),
        range: (&'static str, f64, f64),
    ) -> Option<f64> {
        if per_hectare.is_some()
            && let Some(per_acre) = &per_acre
        {
            let problem = FlawKind::ColumnsExclude { other: hectare_key };
            self.flaw(acre_key, Some(per_acre.span().start), problem);
        }
        let acres = self.number(acre_key, per_acre, range).map(|most| most / HECTARES_PER_ACRE);
        self.number(hectare_key, per_hectare, range).or(acres)
    }

    /// At most one rate, since two could not both be followed.
    fn rate<const N: usize>(
        &mut self,
        keys: [(&'static str, Typed<f64>, RateOf, RatePer); N],
    ) -> Option<LabelRate> {
        let mut first: Option<(&'static str, Option<LabelRate>)> = None;
        for (key, typed, of, per) in keys {
            let Some(offset) = typed.as_ref().map(|typed| typed.span().start) else { continue };
            if let Some((first, _)) = first {
                self.flaw(key, Some(offset), FlawKind::SecondRate { first });
                continue;
            }
            let unit = match of {
                RateOf::Millilitres => "mL",
                RateOf::Grams => "g",
            };
            let amount = self.number(key, typed, (unit, POSITIVE, 100_000.0));
            first = Some((key, amount.map(|amount| LabelRate { amount, of, per })));
        }
        first?.1
    }
}

fn line_at(text: &str, offset: usize) -> u64 {
    let before = &text.as_bytes()[..offset.min(text.len())];
    1 + before.iter().filter(|&&byte| byte == b'\n').count() as u64
}

/// The parser's message in one line, with a hint where a key slipped into the wrong table.
fn toml_message(message: &str) -> String {
    let mut message = message.split_whitespace().collect::<Vec<_>>().join(" ");
    if message.contains("unknown field `public_access`") {
        message += "; public_access stands above the first [table]";
    } else if message.contains("unknown field") {
        message += "; correct the key or take it out";
    }
    message
}
