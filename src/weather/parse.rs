//! Weather as CSV text -> hours as they stand there, and every flaw in them.
//!
//! Nothing is estimated here: a value that a row does not have stays `None`. What is absent is
//! filled in by `grove`, which knows the place and the equations. Humidity up to 105 % and
//! shortwave from -20 to 2200 W/m2, as sensors and corrected forecasts give them, are held to their
//! range and counted.

use super::cadence::in_order;
use super::hour::Span;
use crate::text::{Allowed, Cells, Columns, Findings, FlawKind, Note, NoteKind, Table};
use crate::units::{
    Celsius, Kilopascal, MetresPerSecond, Millimetres, Percent, WattsPerSquareMetre,
};
use chrono::{DateTime, TimeDelta, Utc};
use chrono_tz::Tz;
use std::collections::{BTreeMap, BTreeSet};

/// Name of the file of measured weather in a grove folder.
pub const OBSERVED: &str = "weather/observed.csv";

/// Name of the file of forecast weather in a grove folder.
pub const FORECAST: &str = "weather/forecast.csv";

/// A measure: a column of a weather file.
pub type Measure = &'static str;

/// Mean air temperature of the hour.
pub const AIR: Measure = "air_temp_c";
/// Air temperature at the hour's end.
pub const AIR_INSTANT: Measure = "air_temp_instant_c";
/// Relative humidity.
pub const REL_HUMIDITY: Measure = "rel_humidity_pct";
/// Dew point.
pub const DEW_POINT: Measure = "dew_point_c";
/// Vapour pressure.
pub const VAPOUR_PRESSURE: Measure = "vapour_pressure_kpa";
/// Wind speed at the height of the anemometer.
pub const WIND: Measure = "wind_m_s";
/// Mean shortwave of the hour.
pub const SHORTWAVE: Measure = "shortwave_w_m2";
/// Rain of the hour.
pub const RAIN: Measure = "rain_mm";
/// Air pressure.
pub const PRESSURE: Measure = "pressure_kpa";
/// Volumetric soil water.
pub const SOIL_WATER: Measure = "soil_water_m3_m3";
/// Mean cloud cover of the hour; shortwave is estimated from it where none was measured.
pub const CLOUD_COVER: Measure = "cloud_cover_pct";

/// All measures, in the order in which files have them.
pub const MEASURES: [Measure; 11] = [
    AIR,
    AIR_INSTANT,
    REL_HUMIDITY,
    DEW_POINT,
    VAPOUR_PRESSURE,
    WIND,
    SHORTWAVE,
    RAIN,
    PRESSURE,
    SOIL_WATER,
    CLOUD_COVER,
];

/// Measures of humidity, the most direct first: it wins where there are several.
pub const HUMIDITIES: [Measure; 3] = [VAPOUR_PRESSURE, DEW_POINT, REL_HUMIDITY];

/// The measure of this name.
pub fn measure_named(name: &str) -> Option<Measure> {
    MEASURES.into_iter().find(|measure| *measure == name)
}

const HOUR_ENDING: &str = "hour_ending";
const HOUR_STARTING: &str = "hour_starting";

const OBSERVED_COLUMNS: Columns = Columns {
    required: &[],
    one_of: &[&[HOUR_ENDING, HOUR_STARTING], &[AIR, AIR_INSTANT]],
    optional: &MEASURES,
};

const FORECAST_COLUMNS: Columns = Columns {
    optional: &[
        AIR,
        AIR_INSTANT,
        REL_HUMIDITY,
        DEW_POINT,
        VAPOUR_PRESSURE,
        WIND,
        SHORTWAVE,
        RAIN,
        PRESSURE,
        SOIL_WATER,
        CLOUD_COVER,
        "issued_at",
        "member",
    ],
    ..OBSERVED_COLUMNS
};

/// The columns of a file of weather: forecasts have some more.
pub fn file_columns(file: &str) -> &'static Columns {
    if file == FORECAST { &FORECAST_COLUMNS } else { &OBSERVED_COLUMNS }
}

/// A dew point may stand this much above the hour's mean temperature before it is refused.
pub(super) const DEW_ABOVE_AIR_C: f64 = 2.0;

/// No inhabited place has a mean above this over a day or more.
const WARMEST_MEAN_C: f64 = 45.0;

/// One hour as its row has it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RawHour {
    /// Row in the file.
    pub row: u64,
    /// The hour.
    pub span: Span,
    /// Mean air temperature.
    pub air: Option<Celsius>,
    /// Air temperature at the hour's end.
    pub air_at_end: Option<Celsius>,
    /// Relative humidity.
    pub rel_humidity: Option<Percent>,
    /// Dew point.
    pub dew_point: Option<Celsius>,
    /// Vapour pressure.
    pub vapour_pressure: Option<Kilopascal>,
    /// Wind speed where it was measured.
    pub wind: Option<MetresPerSecond>,
    /// Mean shortwave.
    pub shortwave: Option<WattsPerSquareMetre>,
    /// Rain.
    pub rain: Option<Millimetres>,
    /// Air pressure.
    pub pressure: Option<Kilopascal>,
    /// Volumetric soil water, m3/m3.
    pub soil_water_m3_m3: Option<f64>,
    /// Mean cloud cover.
    pub cloud_cover: Option<Percent>,
}

impl RawHour {
    /// An hour of which nothing is known yet.
    pub fn unknown(row: u64, span: Span) -> Self {
        Self {
            row,
            span,
            air: None,
            air_at_end: None,
            rel_humidity: None,
            dew_point: None,
            vapour_pressure: None,
            wind: None,
            shortwave: None,
            rain: None,
            pressure: None,
            soil_water_m3_m3: None,
            cloud_cover: None,
        }
    }

    /// Does it tell the same as another one?
    pub(super) fn repeats(&self, other: &RawHour) -> bool {
        *self == RawHour { row: self.row, ..*other }
    }
}

/// Hours in order, none overlapping, with the measures that their file has.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct RawSeries {
    /// The hours.
    pub hours: Vec<RawHour>,
    /// Measures with a value in any row of the file.
    pub measured: BTreeSet<Measure>,
}

impl RawSeries {
    /// Hours in order, none overlapping, that came from elsewhere than a file.
    pub fn of(hours: Vec<RawHour>) -> Self {
        let any = |value: fn(&RawHour) -> bool| hours.iter().any(value);
        let known = [
            (AIR, any(|hour| hour.air.is_some())),
            (AIR_INSTANT, any(|hour| hour.air_at_end.is_some())),
            (REL_HUMIDITY, any(|hour| hour.rel_humidity.is_some())),
            (DEW_POINT, any(|hour| hour.dew_point.is_some())),
            (VAPOUR_PRESSURE, any(|hour| hour.vapour_pressure.is_some())),
            (WIND, any(|hour| hour.wind.is_some())),
            (SHORTWAVE, any(|hour| hour.shortwave.is_some())),
            (RAIN, any(|hour| hour.rain.is_some())),
            (PRESSURE, any(|hour| hour.pressure.is_some())),
            (SOIL_WATER, any(|hour| hour.soil_water_m3_m3.is_some())),
            (CLOUD_COVER, any(|hour| hour.cloud_cover.is_some())),
        ];
        let measured = known.into_iter().filter(|(_, known)| *known).map(|(name, _)| name);
        Self { measured: measured.collect(), hours }
    }
}

/// One forecast as issued, member by member.
#[derive(Debug, Clone, PartialEq)]
pub struct RawForecast {
    /// When it was issued.
    pub issued_at: Option<DateTime<Utc>>,
    /// Its members.
    pub members: Vec<RawSeries>,
    /// The name of each as the file has it; none where it has no name.
    pub names: Vec<Option<String>>,
}

/// Reads measured weather.
pub fn parse_observed(text: &str, zone: Tz, findings: &mut Findings) -> RawSeries {
    let forecasts = parse(OBSERVED, text, &OBSERVED_COLUMNS, zone, findings);
    forecasts.into_iter().flat_map(|forecast| forecast.members).next().unwrap_or_default()
}

/// Reads forecast weather: every issue that the file holds, in order of issue, each with its
/// members in order of name.
pub fn parse_forecast(text: &str, zone: Tz, findings: &mut Findings) -> Vec<RawForecast> {
    parse(FORECAST, text, &FORECAST_COLUMNS, zone, findings)
}

/// What sets rows of one file apart: the issue and the member.
type Series = (Option<DateTime<Utc>>, Option<String>);

fn parse(
    file: &'static str,
    text: &str,
    columns: &Columns,
    zone: Tz,
    findings: &mut Findings,
) -> Vec<RawForecast> {
    let Some(table) = Table::read(file, text, columns, findings) else { return Vec::new() };
    let ending = table.has(HOUR_ENDING);
    if ending && table.has(HOUR_STARTING) {
        let problem = FlawKind::ColumnsExclude { other: HOUR_STARTING };
        findings.flaw(file, None, Some(HOUR_ENDING), problem);
        return Vec::new();
    }
    let time_column = if ending { HOUR_ENDING } else { HOUR_STARTING };
    let issues = table.has("issued_at");
    let rows = table.each(zone, findings, |cells| read_row(cells, time_column, issues));
    let measured = MEASURES.into_iter().filter(|measure| table.has_values(measure)).collect();
    note_humidity(file, &measured, findings);
    judge_columns(file, &rows, findings);
    note_missing_cells(file, &rows, &measured, findings);
    let mut groups: BTreeMap<Series, Vec<RawHour>> = BTreeMap::new();
    for (series, hour) in rows {
        groups.entry(series).or_default().push(hour);
    }
    let groups = in_order(file, groups, ending, zone, findings);
    by_issue(groups, &measured)
}

fn by_issue(
    groups: BTreeMap<Series, Vec<RawHour>>,
    measured: &BTreeSet<Measure>,
) -> Vec<RawForecast> {
    let mut forecasts: Vec<RawForecast> = Vec::new();
    for ((issued_at, name), hours) in groups {
        if forecasts.last().is_none_or(|last| last.issued_at != issued_at) {
            let (members, names) = (Vec::new(), Vec::new());
            forecasts.push(RawForecast { issued_at, members, names });
        }
        if let Some(issue) = forecasts.last_mut() {
            issue.members.push(RawSeries { hours, measured: measured.clone() });
            issue.names.push(name);
        }
    }
    forecasts
}

fn read_row(cells: &mut Cells, time_column: &str, issues: bool) -> Option<(Series, RawHour)> {
    let at = cells.required_time(time_column);
    let issued_at = if issues { cells.required_time("issued_at") } else { None };
    let member = cells.text("member");
    let hour = RawHour {
        row: cells.line(),
        span: Span::hour_from(DateTime::UNIX_EPOCH),
        air: cells.number(AIR, &TEMPERATURE).map(Celsius::computed),
        air_at_end: cells.number(AIR_INSTANT, &TEMPERATURE).map(Celsius::computed),
        rel_humidity: cells.number(REL_HUMIDITY, &HUMIDITY).map(Percent::computed),
        dew_point: cells.number(DEW_POINT, &TEMPERATURE).map(Celsius::computed),
        vapour_pressure: cells.number(VAPOUR_PRESSURE, &VAPOUR).map(Kilopascal::computed),
        wind: cells.number(WIND, &WIND_SPEED).map(MetresPerSecond::computed),
        shortwave: cells.number(SHORTWAVE, &RADIATION).map(WattsPerSquareMetre::computed),
        rain: cells.number(RAIN, &RAIN_DEPTH).map(Millimetres::computed),
        pressure: cells.number(PRESSURE, &AIR_PRESSURE).map(Kilopascal::computed),
        soil_water_m3_m3: cells.number(SOIL_WATER, &SOIL),
        cloud_cover: cells.number(CLOUD_COVER, &COVER).map(Percent::computed),
    };
    refuse_dew_above_air(cells, &hour);
    let starts = if time_column == HOUR_ENDING { at? - TimeDelta::hours(1) } else { at? };
    if issues && issued_at.is_none() {
        return None;
    }
    Some(((issued_at, member), RawHour { span: Span::hour_from(starts), ..hour }))
}

fn refuse_dew_above_air(cells: &mut Cells, hour: &RawHour) {
    let Some((air, dew)) = hour.air.zip(hour.dew_point) else { return };
    if dew.value() > air.value() + DEW_ABOVE_AIR_C {
        let problem = FlawKind::DewAboveAir {
            dew_c: dew.value(),
            air_c: air.value(),
            allowed_c: DEW_ABOVE_AIR_C,
        };
        cells.flaw(Some(DEW_POINT), problem);
    }
}

/// What can be seen only of a column as a whole: fractions for percent, degrees of another scale.
fn judge_columns(file: &str, rows: &[(Series, RawHour)], findings: &mut Findings) {
    let humidity = rows.iter().filter_map(|(_, hour)| Some(hour.rel_humidity?.value()));
    let highest =
        humidity.fold(None, |most: Option<f64>, value| Some(most.unwrap_or(0.0).max(value)));
    if let Some(highest) = highest.filter(|&highest| highest <= 1.0) {
        findings.flaw(file, None, Some(REL_HUMIDITY), FlawKind::FractionsNotPercent { highest });
    }
    for column in [AIR, AIR_INSTANT] {
        let value = |hour: &RawHour| if column == AIR { hour.air } else { hour.air_at_end };
        let values: Vec<f64> =
            rows.iter().filter_map(|(_, hour)| Some(value(hour)?.value())).collect();
        let mean_c = values.iter().sum::<f64>() / values.len().max(1) as f64;
        if values.len() >= 24 && mean_c > WARMEST_MEAN_C {
            let problem = FlawKind::MeanTooWarm { mean_c, hours: values.len() };
            findings.flaw(file, None, Some(column), problem);
        }
    }
}

fn note_humidity(file: &str, measured: &BTreeSet<Measure>, findings: &mut Findings) {
    let mut given = HUMIDITIES.into_iter().filter(|measure| measured.contains(measure));
    if let Some(used) = given.next() {
        let aside: Vec<Measure> = given.collect();
        if !aside.is_empty() {
            findings.note(Note::on_file(file, NoteKind::HumidityChosen { used, aside }));
        }
    }
}

fn note_missing_cells(
    file: &str,
    rows: &[(Series, RawHour)],
    measured: &BTreeSet<Measure>,
    findings: &mut Findings,
) {
    // Hours do without soil water and clouds, and pressure can be told from elevation.
    let unneeded = [SOIL_WATER, PRESSURE, CLOUD_COVER];
    let used = measured.iter().filter(|measure| !unneeded.contains(*measure));
    for &measure in used {
        let mut missing = rows.iter().filter(|(_, hour)| !has(hour, measure)).map(|(_, h)| h.row);
        if let Some(first_row) = missing.next() {
            let kind = NoteKind::MissingCells { count: missing.count() + 1, first_row };
            findings.note(Note::on_file(file, kind).on_column(measure));
        }
    }
}

/// Has the hour this measure, or another one that stands in for it?
fn has(hour: &RawHour, measure: Measure) -> bool {
    match measure {
        AIR | AIR_INSTANT => hour.air.is_some() || hour.air_at_end.is_some(),
        REL_HUMIDITY | DEW_POINT | VAPOUR_PRESSURE => {
            hour.rel_humidity.is_some()
                || hour.dew_point.is_some()
                || hour.vapour_pressure.is_some()
        }
        WIND => hour.wind.is_some(),
        SHORTWAVE => hour.shortwave.is_some() || hour.cloud_cover.is_some(),
        RAIN => hour.rain.is_some(),
        PRESSURE => hour.pressure.is_some(),
        _ => hour.soil_water_m3_m3.is_some(),
    }
}

const TEMPERATURE: Allowed =
    Allowed::new(Celsius::UNIT, Celsius::LOW, Celsius::HIGH).or_else(|value| {
        if (200.0..=340.0).contains(&value) {
            "if this is in K, subtract 273.15"
        } else if value > 60.0 {
            "if this is in degF, convert it: (F - 32) / 1.8"
        } else {
            "correct it"
        }
    });

/// Sensors of humidity read somewhat above 100 in fog.
const HUMIDITY: Allowed = Allowed::new("%", 0.0, 100.0).straying(0.0, 105.0).or_else(|value| {
    if value > 100.0 { "saturated air is 100, so write 100" } else { "correct it" }
});

const VAPOUR: Allowed =
    Allowed::new("kPa", 0.0, 12.0).or_else(|_| "if this is in hPa, divide by 10");

const WIND_SPEED: Allowed = Allowed::new("m/s", MetresPerSecond::LOW, MetresPerSecond::HIGH)
    .or_else(|value| {
        if value > 0.0 {
            "if this is in km/h, divide by 3.6; if in mph, multiply by 0.447"
        } else {
            "correct it"
        }
    });

/// Pyranometers radiate to the night sky and read somewhat below 0; forecasts with statistical
/// corrections overshoot the sun at times.
const RADIATION: Allowed =
    Allowed::new("W/m2", WattsPerSquareMetre::LOW, WattsPerSquareMetre::HIGH)
        .straying(-20.0, 2200.0)
        .or_else(|value| {
            if value > 0.0 {
                "if this is in MJ/m2/day, convert it to W/m2 (1 MJ/m2/day = 11.574 W/m2)"
            } else {
                "a sensor's offset by night counts as none, so write 0"
            }
        });

const RAIN_DEPTH: Allowed =
    Allowed::new("mm", 0.0, 300.0).or_else(|_| "write the depth that fell within the hour");

const AIR_PRESSURE: Allowed =
    Allowed::new("kPa", 40.0, 110.0).or_else(|_| "if this is in hPa, divide by 10");

const SOIL: Allowed =
    Allowed::new("m3/m3", 0.0, 1.0).or_else(|_| "if this is in percent, divide by 100");

const COVER: Allowed = Allowed::new("%", 0.0, 100.0).or_else(|value| {
    if value > 100.0 { "a covered sky is 100, so write 100" } else { "correct it" }
});

/// What a measure may be.
pub(super) fn allowed(measure: Measure) -> &'static Allowed {
    match measure {
        AIR | AIR_INSTANT | DEW_POINT => &TEMPERATURE,
        REL_HUMIDITY => &HUMIDITY,
        VAPOUR_PRESSURE => &VAPOUR,
        WIND => &WIND_SPEED,
        SHORTWAVE => &RADIATION,
        RAIN => &RAIN_DEPTH,
        PRESSURE => &AIR_PRESSURE,
        CLOUD_COVER => &COVER,
        _ => &SOIL,
    }
}

#[cfg(test)]
#[path = "parse_tests.rs"]
mod tests;
