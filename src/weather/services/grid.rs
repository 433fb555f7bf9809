//! Open-Meteo's columns beside one column of times, whichever form they came in.

use super::super::hour::Span;
use super::error::ServiceError;
use super::note::ServiceNote;
use super::reading::{Field, Ledger, Reading, Steps, hours, in_order};
use super::scale::{Scale, metric};
use super::{Answer, MOST_MEMBERS, ProviderHour, SERVICE_WIND_HEIGHT_M};
use chrono::{DateTime, TimeDelta, Utc};
use std::collections::BTreeMap;

/// One variable: name, unit and a cell for each time. NaN stands for what is no number.
#[derive(Debug)]
pub(super) struct Column {
    pub(super) name: String,
    pub(super) unit: String,
    pub(super) cells: Vec<Option<f64>>,
}

/// The times of an answer and its variables.
#[derive(Debug, Default)]
pub(super) struct Grid {
    pub(super) times: Vec<DateTime<Utc>>,
    pub(super) columns: Vec<Column>,
    pub(super) notes: Vec<ServiceNote>,
}

/// What a variable is to us.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Variable {
    Reading(Field),
    /// Soil water of a layer; the lower number is the layer liked better.
    Soil(u8),
    ReferenceEt,
    Deficit,
}

/// Names as they are now and as they were before the end of 2023. Layers of soil where most roots
/// are come first.
fn variable(name: &str) -> Option<Variable> {
    Some(match name {
        "temperature_2m" => Variable::Reading(Field::Air),
        "relative_humidity_2m" | "relativehumidity_2m" => Variable::Reading(Field::RelHumidity),
        "dew_point_2m" | "dewpoint_2m" => Variable::Reading(Field::DewPoint),
        "wind_speed_10m" | "windspeed_10m" => Variable::Reading(Field::Wind),
        "surface_pressure" => Variable::Reading(Field::Pressure),
        "cloud_cover" | "cloudcover" => Variable::Reading(Field::CloudCover),
        "shortwave_radiation" => Variable::Reading(Field::Shortwave),
        "shortwave_radiation_instant" => Variable::Reading(Field::ShortwaveThen),
        "precipitation" => Variable::Reading(Field::Rain),
        "soil_moisture_9_to_27cm" | "soil_moisture_9_27cm" => Variable::Soil(0),
        "soil_moisture_7_to_28cm" | "soil_moisture_7_28cm" => Variable::Soil(1),
        "soil_moisture_3_to_9cm" | "soil_moisture_3_9cm" => Variable::Soil(2),
        "soil_moisture_27_to_81cm" | "soil_moisture_27_81cm" => Variable::Soil(3),
        "soil_moisture_28_to_100cm" | "soil_moisture_28_100cm" => Variable::Soil(4),
        "soil_moisture_0_to_7cm" | "soil_moisture_0_7cm" => Variable::Soil(5),
        "et0_fao_evapotranspiration" => Variable::ReferenceEt,
        "vapour_pressure_deficit" | "vapor_pressure_deficit" => Variable::Deficit,
        _ => return None,
    })
}

/// `temperature_2m_member07` -> `temperature_2m` and 7.
fn split_member(name: &str) -> (&str, Option<u32>) {
    let parts = name.rsplit_once("_member");
    match parts.and_then(|(base, number)| Some((base, number.parse().ok()?))) {
        Some((base, number)) => (base, Some(number)),
        None => (name, None),
    }
}

/// A column that was understood.
struct Known<'g> {
    variable: Variable,
    scale: Scale,
    cells: &'g [Option<f64>],
}

impl Grid {
    /// The hours of every member.
    pub(super) fn answer(self) -> Result<Answer, ServiceError> {
        let members = self.members()?;
        let ensemble = members.len() > 1;
        let (mut notes, mut ledger) = (self.notes.clone(), Ledger::default());
        let mut answer = Answer::default();
        for (member, columns) in &members {
            let (of_member, readings) = (&mut Vec::new(), self.readings(columns, &mut ledger));
            let number = if ensemble { Some(member.unwrap_or(0)) } else { *member };
            match hours(readings, Steps::Hourly, &mut ledger, of_member) {
                Err(ServiceError::NoData) => continue,
                hours => answer.hours.push((number, hours?)),
            }
            // What is said of the rows is the same for every member.
            if answer.hours.len() == 1 {
                notes.append(of_member);
            }
        }
        if answer.hours.is_empty() {
            return Err(ServiceError::NoData);
        }
        let first = members.into_values().next().unwrap_or_default();
        answer.provider = self.provider(&first);
        notes.extend(ledger.notes());
        answer.notes = notes;
        let any_wind =
            answer.hours.iter().flat_map(|(_, hours)| hours).any(|hour| hour.wind.is_some());
        answer.wind_height_m = any_wind.then_some(SERVICE_WIND_HEIGHT_M);
        Ok(answer)
    }

    /// The readings of the only or the first member.
    pub(super) fn stamps(&self) -> Result<Vec<Reading>, ServiceError> {
        let members = self.members()?;
        let first = members.values().next().map_or(&[][..], Vec::as_slice);
        Ok(self.readings(first, &mut Ledger::default()))
    }

    fn members(&self) -> Result<BTreeMap<Option<u32>, Vec<Known<'_>>>, ServiceError> {
        let mut members: BTreeMap<Option<u32>, Vec<Known<'_>>> = BTreeMap::new();
        for Column { name, unit, cells } in &self.columns {
            let (base, member) = split_member(name);
            let Some(variable) = variable(base) else { continue };
            if cells.len() != self.times.len() {
                let (wanted, found) = (self.times.len(), cells.len());
                return Err(ServiceError::WrongLength { variable: name.clone(), wanted, found });
            }
            let scale = scale_of(variable, name, unit)?;
            members.entry(member).or_default().push(Known { variable, scale, cells });
        }
        // The control alone tells what the provider computed: it is no member without weather.
        let weather =
            |known: &Known| matches!(known.variable, Variable::Reading(_) | Variable::Soil(_));
        members.retain(|_, columns| columns.iter().any(weather));
        match members.len() {
            0 => Err(ServiceError::NoData),
            found if found > MOST_MEMBERS => Err(ServiceError::TooManyMembers { found }),
            _ => Ok(members),
        }
    }

    fn readings(&self, columns: &[Known], ledger: &mut Ledger) -> Vec<Reading> {
        let soils = columns.iter().filter_map(|known| match known.variable {
            Variable::Soil(rank) => Some(rank),
            _ => None,
        });
        let soil = soils.min();
        let reading = |(row, &at): (usize, &DateTime<Utc>)| {
            let mut reading = Reading::at(row as u64 + 1, at);
            for Known { variable, scale, cells } in columns {
                let field = match variable {
                    Variable::Reading(field) => *field,
                    Variable::Soil(rank) if Some(*rank) == soil => Field::SoilWater,
                    _ => continue,
                };
                let value = cells[row].map(|value| scale.bring(value));
                reading.set(field, ledger.take(field.measure(), value, at));
            }
            reading
        };
        self.times.iter().enumerate().map(reading).collect()
    }

    /// What the provider computed, each hour once.
    fn provider(&self, columns: &[Known]) -> Vec<ProviderHour> {
        let column = |wanted: Variable| columns.iter().find(|known| known.variable == wanted);
        let (et, deficit) = (column(Variable::ReferenceEt), column(Variable::Deficit));
        if et.is_none() && deficit.is_none() {
            return Vec::new();
        }
        let value = |column: Option<&Known>, row: usize, range: (f64, f64)| {
            let value = column?.cells[row]?;
            (range.0..=range.1).contains(&value).then_some(value)
        };
        let hour = |(row, &at): (usize, &DateTime<Utc>)| ProviderHour {
            span: Span { from: at - TimeDelta::hours(1), to: at },
            reference_et_mm: value(et, row, (-1.0, 5.0)),
            vpd_kpa: value(deficit, row, (0.0, 15.0)),
        };
        let mut all: Vec<ProviderHour> = self.times.iter().enumerate().map(hour).collect();
        in_order(&mut all, |hour| hour.span.to, |one, other| one == other, &mut Vec::new());
        all
    }
}

fn scale_of(variable: Variable, name: &str, unit: &str) -> Result<Scale, ServiceError> {
    let wanted = match (variable, unit) {
        (Variable::Reading(field), _) => return metric(field.measure(), name, unit),
        (Variable::Soil(_), _) => return metric(Field::SoilWater.measure(), name, unit),
        (Variable::ReferenceEt, "mm") | (Variable::Deficit, "kPa") => return Ok(Scale::ONE),
        (Variable::ReferenceEt, _) => "mm",
        (Variable::Deficit, _) => "kPa",
    };
    Err(ServiceError::UnknownUnit {
        variable: name.to_owned(),
        unit: crate::text::shown(unit),
        wanted,
    })
}
