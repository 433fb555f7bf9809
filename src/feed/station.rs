//! The user's own logger: a file beside the grove, or an address, read as declared.

use super::client::{Client, Fetched};
use super::fault::Fault;
use super::sources::{Asked, Service, Want};
use crate::evapo::sun::SunTrack;
use crate::grove::StationSource;
use crate::store::home::Beside;
use crate::units::Place;
use crate::weather::parse::measure_named;
use crate::weather::services::station::{
    Clock, Declaration, DeclaredColumn, Label, check_times, parse,
};
use crate::weather::services::{Answer, ServiceError, Source};
use chrono::FixedOffset;
use reqwest::Url;
use std::path::PathBuf;

/// Height of the anemometer where none is declared, cm.
const USUAL_WIND_HEIGHT_CM: u32 = 200;

/// A logger's CSV.
#[derive(Debug, Clone)]
pub struct Station {
    at: At,
    declaration: Declaration,
}

#[derive(Debug, Clone)]
enum At {
    File(PathBuf),
    /// A file that is not to be read, and why.
    Barred(String),
    Address(Url),
}

impl Station {
    /// The logger that settings declare. A file that is not to be read is told when it is asked for,
    /// so that another source can stand in.
    ///
    /// # Errors
    /// [`Fault`] where the declaration cannot be.
    pub fn declared(source: &StationSource, beside: &Beside) -> Result<Self, Fault> {
        let at = match (&source.file, &source.url) {
            (Some(file), None) => match beside {
                Beside::Nowhere => At::Barred(format!(
                    "file '{}' is not looked for, as this grove has no folder: give its url",
                    file.escape_debug()
                )),
                Beside::Within(_) if source.leads_out() => At::Barred(format!(
                    "file '{}' leads out of the grove's folder or to a database: put it beside the \
                     database and write its name, or give its url",
                    file.escape_debug()
                )),
                Beside::Within(folder) | Beside::Anywhere(folder) => At::File(folder.join(file)),
            },
            (None, Some(url)) => At::Address(Url::parse(url).map_err(|error| Fault::Address {
                address: url.clone(),
                reason: error.to_string(),
            })?),
            _ => return Err(undeclared("give either file or url")),
        };
        Ok(Self { at, declaration: declaration(source)? })
    }

    fn read(&self, body: &[u8], place: Place) -> Result<Answer, ServiceError> {
        let mut answer = parse(body, &self.declaration)?;
        let mut sun = SunTrack::new(place);
        let moved = check_times(answer.only(), |span| sun.over(span).extraterrestrial.value());
        answer.notes.extend(moved);
        Ok(answer)
    }
}

impl Service for Station {
    fn source(&self) -> Source {
        Source::Station
    }

    fn addresses(&self, _: &Want) -> Result<Vec<Url>, Fault> {
        match &self.at {
            At::Address(url) => Ok(vec![url.clone()]),
            At::Barred(why) => Err(undeclared(why)),
            At::File(path) => {
                let shown = path.display().to_string();
                let whole = std::path::absolute(path).unwrap_or_else(|_| path.clone());
                let url = Url::from_file_path(whole);
                Ok(vec![url.map_err(|()| Fault::Address {
                    address: shown,
                    reason: "not the path of a file".into(),
                })?])
            }
        }
    }

    fn ask<'a>(&'a self, client: &'a Client, want: &'a Want) -> Asked<'a> {
        Box::pin(async move {
            let &[place] = want.places.as_slice() else {
                return Err(undeclared("a logger stands in one grove: pull that grove alone"));
            };
            let fetched = match &self.at {
                At::Address(url) => client.get(url, |body| self.read(body, place)).await?,
                At::Barred(why) => return Err(undeclared(why)),
                At::File(path) => {
                    let name = path.display().to_string();
                    let body = std::fs::read(path).map_err(|error| Fault::Connection {
                        host: name.clone(),
                        reason: error.to_string(),
                    })?;
                    let value = self.read(&body, place);
                    let value =
                        value.map_err(|error| Fault::Answer { host: name, error, wait: None })?;
                    Fetched { value, fetched_at: want.now, from_cache: false, warning: None }
                }
            };
            Ok(vec![fetched])
        })
    }
}

fn declaration(source: &StationSource) -> Result<Declaration, Fault> {
    let clock = match (source.clock.parse::<FixedOffset>(), source.clock.parse()) {
        (Ok(offset), _) => Clock::Fixed(offset),
        (_, Ok(zone)) => Clock::Zone(zone),
        _ => return Err(undeclared("clock is neither an offset (+09:30) nor an IANA zone")),
    };
    let label = match source.label.as_str() {
        "start" => Label::Start,
        "end" => Label::End,
        "instant" => Label::Instant,
        _ => return Err(undeclared("label is none of start, end, instant")),
    };
    let column = |column: &crate::grove::StationColumn| {
        let measure = measure_named(&column.measure).ok_or_else(|| {
            undeclared(&format!("{} is no measure of a weather file", column.measure))
        })?;
        Ok(DeclaredColumn { name: column.name.clone(), measure, unit: column.unit.clone() })
    };
    Ok(Declaration {
        clock,
        label,
        separator: source.separator.unwrap_or(','),
        decimal_comma: source.decimal_comma,
        time_column: source.time_column.clone(),
        time_format: source.time_format.clone(),
        columns: source.columns.iter().map(column).collect::<Result<_, Fault>>()?,
        wind_height_m: f64::from(source.wind_height_cm.unwrap_or(USUAL_WIND_HEIGHT_CM)) / 100.0,
        missing: source.missing.clone(),
    })
}

fn undeclared(problem: &str) -> Fault {
    Fault::Address { address: "[weather.station] of grove.toml".into(), reason: problem.into() }
}
