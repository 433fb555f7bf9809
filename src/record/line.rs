//! One application with all that is known of it: from the working record, its tree, its draw, the
//! label as typed and the weather meanwhile.

use super::amounts::Amounts;
use super::rules::{Missing, missing};
use crate::evapo::humidity::vapour_pressure_deficit;
use crate::grove::{Application, Draw, Grove, Seen, Tree, earliest_next};
use crate::text::format_time;
use crate::units::Head;
use crate::weather::{Hour, Span};
use chrono::{DateTime, Days, NaiveDate, TimeDelta, Utc};
use serde::Serialize;

/// One application. Times are of the grove's zone.
#[derive(Debug, Clone, PartialEq, Serialize, utoipa::ToSchema)]
#[schema(as = Application)]
#[expect(missing_docs, reason = "the fields are named as the columns of the grove's files")]
pub struct Line {
    pub application_id: String,
    pub date: NaiveDate,
    pub applied: String,
    pub product_name: Option<String>,
    pub registration_number: Option<String>,
    pub active_ingredient: Option<String>,
    pub lot: Option<String>,
    /// As typed from the label.
    pub label_rate: Option<String>,
    #[serde(flatten)]
    pub amounts: Amounts,
    pub place: String,
    /// Customer, then the grove.
    pub customer: Option<String>,
    pub size_ha: Option<f64>,
    pub block: String,
    pub row: Option<String>,
    pub position: Option<String>,
    pub tree_id: String,
    pub species: Option<String>,
    pub crop: Option<String>,
    pub crop_code: Option<String>,
    pub growth_stage: Option<String>,
    pub dbh_cm: f64,
    pub ports: Option<u32>,
    pub head_m: Option<f64>,
    pub draw_id: Option<String>,
    pub kit_id: Option<String>,
    pub started: Option<String>,
    pub looks: Vec<Look>,
    /// Stripped, or else first seen empty.
    pub ended: Option<String>,
    pub leak_seen: Option<bool>,
    pub weather: Option<Weather>,
    /// By the dates of the season that were typed.
    pub in_leaf: Option<bool>,
    pub in_bloom: Option<bool>,
    pub applicator: Option<String>,
    pub licence: Option<String>,
    pub supervised: Option<String>,
    pub re_entry_until: Option<String>,
    pub pre_harvest_until: Option<NaiveDate>,
    pub next_earliest: Option<NaiveDate>,
    pub note: Option<String>,
    /// What does not go together.
    pub odd: Vec<String>,
    pub missing: Vec<Missing>,
}

/// A look at the bag.
#[derive(Debug, Clone, PartialEq, Serialize, utoipa::ToSchema)]
pub struct Look {
    /// When, local time.
    pub at: String,
    /// What was seen.
    pub seen: String,
}

/// Lowest and highest value.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, utoipa::ToSchema)]
pub struct Range {
    /// Lowest.
    pub low: f64,
    /// Highest.
    pub high: f64,
}

/// Observed weather from start to end, hourly means.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, utoipa::ToSchema)]
#[schema(as = WeatherMeanwhile)]
pub struct Weather {
    /// Share of that time with observed weather, 0 to 1.
    pub known: f64,
    /// Air temperature.
    pub air_temp_c: Range,
    /// Vapour pressure deficit.
    pub vpd_kpa: Range,
    /// Wind at 2 m.
    pub wind_2m_m_s: Range,
    /// Rain, sum.
    pub rain_mm: f64,
    /// Soil water, where measured.
    pub soil_water_m3_m3: Option<Range>,
    /// Was any of it estimated rather than measured?
    pub estimated: bool,
}

/// The record of one application; `label_rate` is the user's own, in words.
///
/// # Panics
/// Where the application's tree is not in the grove, which its reader refuses.
pub fn line(grove: &Grove, application: &Application, label_rate: Option<&str>) -> Line {
    let settings = &grove.settings;
    let tree = grove.trees.iter().find(|tree| tree.id == application.tree_id);
    let tree = tree.expect("the reader of applications.csv holds trees against trees.csv");
    let draw = application.draw_id.as_ref();
    let draw = draw.and_then(|id| grove.draws.iter().find(|draw| draw.id == *id));
    let ended = draw.and_then(|draw| draw.stripped.or(draw.first_empty));
    let (amounts, mut odd) = Amounts::of(application, draw);
    let local = |at| format_time(at, settings.zone);
    let date = settings.local(application.applied).date_naive();
    let by = &settings.record;
    let own = |own: &Option<String>, all: &Option<String>| own.clone().or_else(|| all.clone());
    let label = &settings.label;
    let season = grove.season(tree);
    // What nobody typed is no record.
    let bag_head = (!settings.defaulted.contains(&"bag.head_m")).then_some(settings.bag.head);
    let re_entry = re_entry(grove, application, ended, &mut odd);
    let harvest = harvest(grove, application, ended, &mut odd);
    let mut line = Line {
        application_id: application.id.clone(),
        date,
        applied: local(application.applied),
        product_name: own(&application.product_name, &label.product_name),
        registration_number: own(&application.registration_number, &label.registration_number),
        active_ingredient: by.active_ingredient.clone(),
        lot: application.lot.clone(),
        label_rate: label_rate.map(str::to_owned),
        amounts,
        place: place(grove, tree),
        customer: by.customer.clone(),
        size_ha: by.size_ha,
        block: tree.block.clone(),
        row: tree.row.clone(),
        position: tree.position.clone(),
        tree_id: tree.id.clone(),
        species: tree.species.clone(),
        crop: by.crop.clone(),
        crop_code: by.crop_code.clone(),
        growth_stage: by.growth_stage.clone(),
        dbh_cm: (tree.dbh.value() * 10.0).round() / 10.0,
        ports: draw.map(|draw| draw.ports),
        head_m: draw.and_then(|draw| draw.head.or(bag_head)).map(Head::value),
        draw_id: application.draw_id.clone(),
        kit_id: draw.and_then(|draw| draw.kit.clone()),
        started: draw.map(|draw| local(draw.started)),
        looks: draw.map_or_else(Vec::new, |draw| looks(draw, local)),
        ended: ended.map(local),
        leak_seen: draw.map(Draw::leaked),
        weather: draw.zip(ended).and_then(|(draw, ended)| weather(grove, draw.started, ended)),
        in_leaf: season.leaf_on(date),
        in_bloom: season.in_bloom(date),
        applicator: own(&application.applicator, &by.applicator),
        licence: own(&application.licence, &by.licence),
        supervised: by.supervised.clone(),
        re_entry_until: re_entry.map(local),
        pre_harvest_until: harvest,
        next_earliest: earliest_next([date], label.min_interval_days),
        note: application.note.clone(),
        odd,
        missing: Vec::new(),
    };
    line.missing = missing(&line);
    line
}

fn place(grove: &Grove, tree: &Tree) -> String {
    let settings = &grove.settings;
    let (latitude, longitude) =
        tree.at.unwrap_or((settings.place.latitude, settings.place.longitude));
    let named = settings.record.place.as_ref().unwrap_or(&settings.name);
    format!("{named} ({:.5}, {:.5})", latitude.value(), longitude.value())
}

fn looks(draw: &Draw, local: impl Fn(DateTime<Utc>) -> String) -> Vec<Look> {
    let seen = |seen: Seen| match seen {
        Seen::Wet => "wet".to_owned(),
        Seen::Empty => "empty".to_owned(),
        Seen::Left(left) => format!("{left} left"),
        Seen::Refill { added } => format!("{added} filled in"),
        Seen::Leak { left: Some(left) } => format!("leak, {left} left"),
        Seen::Leak { left: None } => "leak".to_owned(),
    };
    let readings = draw.readings.iter();
    readings.map(|reading| Look { at: local(reading.at), seen: seen(reading.seen) }).collect()
}

/// As typed in the record, else the label's interval after the end of the draw.
fn re_entry(
    grove: &Grove,
    application: &Application,
    ended: Option<DateTime<Utc>>,
    odd: &mut Vec<String>,
) -> Option<DateTime<Utc>> {
    let hours = grove.settings.label.re_entry_h;
    let seconds = hours.map(|hours| TimeDelta::seconds((hours * 3600.0).round() as i64));
    let by_label = ended.zip(seconds).and_then(|(ended, wait)| ended.checked_add_signed(wait));
    if let (Some(typed), Some(by_label)) = (application.re_entry_until, by_label)
        && typed < by_label
    {
        let until = format_time(by_label, grove.settings.zone);
        odd.push(format!("re_entry_until is before the label's own interval ends ({until})"));
    }
    application.re_entry_until.or(by_label)
}

/// As typed in the record, else the label's interval after the end of the draw.
fn harvest(
    grove: &Grove,
    application: &Application,
    ended: Option<DateTime<Utc>>,
    odd: &mut Vec<String>,
) -> Option<NaiveDate> {
    let days = grove.settings.label.pre_harvest_days.map(|days| Days::new(days.into()));
    let day = ended.map(|ended| grove.settings.local(ended).date_naive());
    let by_label = day.zip(days).and_then(|(day, wait)| day.checked_add_days(wait));
    if let (Some(typed), Some(by_label)) = (application.pre_harvest_until, by_label)
        && typed < by_label
    {
        odd.push(format!("pre_harvest_until is before the label's own interval ends ({by_label})"));
    }
    application.pre_harvest_until.or(by_label)
}

fn weather(grove: &Grove, from: DateTime<Utc>, to: DateTime<Utc>) -> Option<Weather> {
    let span = Span { from, to };
    let hours: Vec<Hour> =
        grove.observed.within(span).iter().filter_map(|hour| hour.clipped(span)).collect();
    let range = |value: &dyn Fn(&Hour) -> Option<f64>| {
        let rounded = |value: f64| (value * 100.0).round() / 100.0;
        let values = hours.iter().filter_map(value).map(rounded);
        values.fold(None, |range: Option<Range>, value| {
            let Range { low, high } = range.unwrap_or(Range { low: value, high: value });
            Some(Range { low: low.min(value), high: high.max(value) })
        })
    };
    let known: f64 = hours.iter().map(|hour| hour.span.hours()).sum();
    let rain: f64 = hours.iter().map(|hour| hour.rain.value()).sum();
    Some(Weather {
        known: ((known / span.hours()) * 100.0).round() / 100.0,
        air_temp_c: range(&|hour| Some(hour.air.value()))?,
        vpd_kpa: range(&|hour| {
            Some(vapour_pressure_deficit(hour.air, hour.vapour_pressure).value())
        })?,
        wind_2m_m_s: range(&|hour| Some(hour.wind_2m.value()))?,
        rain_mm: (rain * 10.0).round() / 10.0,
        soil_water_m3_m3: range(&|hour| hour.soil_water_m3_m3),
        estimated: hours.iter().any(|hour| hour.flags.count() > 0),
    })
}
