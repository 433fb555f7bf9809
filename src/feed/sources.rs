//! What each weather service is asked for. The order in which they stand in for each other is the
//! caller's.

use super::client::{Client, Fetched};
use super::fault::Fault;
use crate::units::Place;
use crate::weather::services::nws::Point;
use crate::weather::services::{self, Answer, ServiceError, Source};
use chrono::{DateTime, Days, TimeDelta, Utc};
use reqwest::Url;
use std::future::Future;
use std::pin::Pin;

/// What is wanted: hours of some places, from one instant to another.
#[derive(Debug, Clone)]
pub struct Want {
    /// The places.
    pub places: Vec<Place>,
    /// First instant.
    pub from: DateTime<Utc>,
    /// Last instant.
    pub to: DateTime<Utc>,
    /// The clock.
    pub now: DateTime<Utc>,
    /// Ensemble members too, where the service has them?
    pub members: bool,
}

/// Answers for each place, or why there is none.
pub type Asked<'a> = Pin<Box<dyn Future<Output = Result<Vec<Fetched<Answer>>, Fault>> + Send + 'a>>;

/// A weather service.
pub trait Service: Send + Sync {
    /// Which source it is: its name in settings and files, and the credit owed to it.
    fn source(&self) -> Source;
    /// The addresses that would be asked, for a dry run.
    fn addresses(&self, want: &Want) -> Result<Vec<Url>, Fault>;
    /// Asks, and reads the answers: one per place, in their order.
    fn ask<'a>(&'a self, client: &'a Client, want: &'a Want) -> Asked<'a>;
}

/// Hours of forecast that are asked for.
const FORECAST_DAYS: i64 = 7;
/// Past days that the forecast service gives; older hours come from the archive.
const MOST_PAST_DAYS: i64 = 92;

/// The address of a path and query below a configured base.
fn address(base: &str, path: &str, query: &[(&str, String)]) -> Result<Url, Fault> {
    let flawed = |reason: String| Fault::Address { address: base.into(), reason };
    let mut url = Url::parse(base).map_err(|error| flawed(error.to_string()))?;
    if url.cannot_be_a_base() || !matches!(url.scheme(), "http" | "https") {
        return Err(flawed("it must begin with https:// or http://".into()));
    }
    url.set_path(&format!("{}{path}", url.path().trim_end_matches('/')));
    if !query.is_empty() {
        url.query_pairs_mut().extend_pairs(query);
    }
    Ok(url)
}

/// A coordinate cut, not rounded, to four decimals: services refuse more, and none needs it.
fn four_decimals(degrees: f64) -> String {
    format!("{:.4}", (degrees * 1e4).trunc() / 1e4)
}

fn joined(places: &[Place], value: fn(&Place) -> f64) -> String {
    places.iter().map(|place| four_decimals(value(place))).collect::<Vec<_>>().join(",")
}

/// The global service with hourly radiation, past days, archive and ensemble.
#[derive(Debug, Clone)]
pub struct OpenMeteo {
    /// Base of the forecast service.
    pub base: String,
    /// Base of the archive.
    pub archive: String,
    /// Base of the ensemble service.
    pub ensemble: String,
    /// Key of a paying user.
    pub key: Option<String>,
}

/// At most ten, so that a question counts once.
const OPEN_METEO_HOURLY: &str = "temperature_2m,relative_humidity_2m,wind_speed_10m,\
     shortwave_radiation,precipitation,surface_pressure,et0_fao_evapotranspiration,\
     vapour_pressure_deficit,soil_moisture_9_to_27cm";
const OPEN_METEO_ARCHIVE_HOURLY: &str = "temperature_2m,relative_humidity_2m,wind_speed_10m,\
     shortwave_radiation,precipitation,surface_pressure,et0_fao_evapotranspiration,\
     vapour_pressure_deficit,soil_moisture_7_to_28cm";
const OPEN_METEO_MEMBERS: &str = "temperature_2m,relative_humidity_2m,wind_speed_10m,\
     shortwave_radiation,precipitation,surface_pressure";
/// An ensemble with hourly radiation and some forty members.
const OPEN_METEO_ENSEMBLE: &str = "icon_seamless";

impl OpenMeteo {
    fn question(&self, want: &Want) -> Result<Url, Fault> {
        let past_days = (want.now - want.from + TimeDelta::hours(23)).num_days();
        let mut query = vec![
            ("latitude", joined(&want.places, |place| place.latitude.value())),
            ("longitude", joined(&want.places, |place| place.longitude.value())),
            ("timezone", "GMT".into()),
            ("timeformat", "unixtime".into()),
            ("wind_speed_unit", "ms".into()),
        ];
        query.extend(self.key.clone().map(|key| ("apikey", key)));
        if want.members {
            query.push(("models", OPEN_METEO_ENSEMBLE.into()));
            query.push(("hourly", OPEN_METEO_MEMBERS.into()));
            query.push(("forecast_days", FORECAST_DAYS.to_string()));
            return address(&self.ensemble, "/v1/ensemble", &query);
        }
        if past_days > MOST_PAST_DAYS {
            query.push(("hourly", OPEN_METEO_ARCHIVE_HOURLY.into()));
            query.push(("start_date", want.from.date_naive().to_string()));
            query.push(("end_date", want.to.min(want.now).date_naive().to_string()));
            return address(&self.archive, "/v1/archive", &query);
        }
        query.push(("hourly", OPEN_METEO_HOURLY.into()));
        query.push(("past_days", past_days.max(1).to_string()));
        query.push(("forecast_days", FORECAST_DAYS.to_string()));
        address(&self.base, "/v1/forecast", &query)
    }
}

impl Service for OpenMeteo {
    fn source(&self) -> Source {
        Source::OpenMeteo
    }

    fn addresses(&self, want: &Want) -> Result<Vec<Url>, Fault> {
        Ok(vec![self.question(want)?])
    }

    fn ask<'a>(&'a self, client: &'a Client, want: &'a Want) -> Asked<'a> {
        Box::pin(async move {
            let places = want.places.len();
            let url = self.question(want)?;
            let fetched = client.get(&url, |body| of_places(body, places)).await?;
            let each = |value| Fetched {
                value,
                fetched_at: fetched.fetched_at,
                from_cache: fetched.from_cache,
                warning: fetched.warning.clone(),
            };
            Ok(fetched.value.into_iter().map(each).collect())
        })
    }
}

/// One answer a place; a fault in one of them is a fault of all.
fn of_places(body: &[u8], wanted: usize) -> Result<Vec<Answer>, ServiceError> {
    let answers = services::open_meteo::parse_places(body)?;
    if answers.len() != wanted {
        return Err(ServiceError::WrongPlaces { wanted, found: answers.len() });
    }
    answers.into_iter().collect()
}

/// One question a place.
macro_rules! place_by_place {
    ($service:ty, $source:expr) => {
        impl Service for $service {
            fn source(&self) -> Source {
                $source
            }

            fn addresses(&self, want: &Want) -> Result<Vec<Url>, Fault> {
                want.places.iter().map(|place| self.question(place, want)).collect()
            }

            fn ask<'a>(&'a self, client: &'a Client, want: &'a Want) -> Asked<'a> {
                Box::pin(async move {
                    let mut answers = Vec::new();
                    for place in &want.places {
                        answers.push(self.of_place(client, place, want).await?);
                    }
                    Ok(answers)
                })
            }
        }
    };
    ($service:ty, $source:expr, $parse:path) => {
        impl $service {
            async fn of_place(
                &self,
                client: &Client,
                place: &Place,
                want: &Want,
            ) -> Result<Fetched<Answer>, Fault> {
                client.get(&self.question(place, want)?, $parse).await
            }
        }

        place_by_place!($service, $source);
    };
}

/// The Norwegian service: global, without radiation and without past.
#[derive(Debug, Clone)]
pub struct MetNorway {
    /// Base of the service.
    pub base: String,
}

impl MetNorway {
    fn question(&self, place: &Place, _: &Want) -> Result<Url, Fault> {
        let query = [
            ("lat", four_decimals(place.latitude.value())),
            ("lon", four_decimals(place.longitude.value())),
            ("altitude", format!("{:.0}", place.elevation.value().max(0.0))),
        ];
        address(&self.base, "/weatherapi/locationforecast/2.0/complete", &query)
    }
}

place_by_place!(MetNorway, Source::MetNorway, services::met_norway::parse);

/// The German service's open front: station observations in Germany, forecasts world-wide.
#[derive(Debug, Clone)]
pub struct BrightSky {
    /// Base of the service.
    pub base: String,
}

impl BrightSky {
    fn question(&self, place: &Place, want: &Want) -> Result<Url, Fault> {
        let last = want.to.date_naive().checked_add_days(Days::new(1)).unwrap_or_default();
        let query = [
            ("lat", four_decimals(place.latitude.value())),
            ("lon", four_decimals(place.longitude.value())),
            ("date", want.from.date_naive().to_string()),
            ("last_date", last.to_string()),
            ("tz", "Etc/UTC".into()),
            ("units", "dwd".into()),
        ];
        address(&self.base, "/weather", &query)
    }
}

place_by_place!(BrightSky, Source::BrightSky, services::bright_sky::parse);

/// Days that the service of the United States keeps the reports of a station.
const REPORTS_KEPT_DAYS: i64 = 7;
/// Stations that are asked, the nearest first, until one has reports.
const MOST_STATIONS: usize = 3;

/// The service of the United States: gridpoint forecasts and station observations, no radiation.
#[derive(Debug, Clone)]
pub struct Nws {
    /// Base of the service.
    pub base: String,
}

impl Nws {
    /// Only the first of the addresses is known beforehand: it names the others.
    fn question(&self, place: &Place, _: &Want) -> Result<Url, Fault> {
        let (latitude, longitude) = (place.latitude.value(), place.longitude.value());
        let point = format!("/points/{},{}", four_decimals(latitude), four_decimals(longitude));
        address(&self.base, &point, &[])
    }

    async fn of_place(
        &self,
        client: &Client,
        place: &Place,
        want: &Want,
    ) -> Result<Fetched<Answer>, Fault> {
        let point = client.get(&self.question(place, want)?, services::nws::parse_point).await?;
        let grid = self.below_base(&point.value.forecast_grid_data)?;
        let mut fetched = client.get(&grid, services::nws::parse_gridpoint).await?;
        // A forecast without what was observed before it is still worth having.
        let reports = self.reports(client, &point.value, want).await;
        let missing = match &reports {
            Ok(reports) if reports.only().is_empty() => Some("none was sent".to_owned()),
            Ok(_) => None,
            Err(fault) => Some(fault.to_string()),
        };
        let told = missing.map(|why| format!("no station reports, so no observed hours: {why}"));
        let warnings: Vec<String> = fetched.warning.into_iter().chain(told).collect();
        fetched.warning = (!warnings.is_empty()).then(|| warnings.join("; "));
        fetched.value = services::nws::with_reports(fetched.value, reports.unwrap_or_default());
        Ok(fetched)
    }

    /// What the nearest station with reports told since the start of the first wanted day: whole
    /// days, so that the address stays the same from pull to pull.
    async fn reports(&self, client: &Client, point: &Point, want: &Want) -> Result<Answer, Fault> {
        let list = self.below_base(&point.observation_stations)?;
        let stations = client.get(&list, services::nws::parse_stations).await?.value;
        let oldest = want.now - TimeDelta::days(REPORTS_KEPT_DAYS);
        let first = want.from.max(oldest).date_naive();
        let start = format!("{first}T00:00:00Z");
        let mut fault = None;
        for station in stations.iter().take(MOST_STATIONS) {
            let path = format!("/stations/{station}/observations");
            let url = address(&self.base, &path, &[("start", start.clone())])?;
            match client.get(&url, reports_or_none).await {
                Ok(fetched) if !fetched.value.only().is_empty() => return Ok(fetched.value),
                Ok(_) => {}
                Err(told) => fault = Some(told),
            }
        }
        fault.map_or(Ok(Answer::default()), Err)
    }

    /// The documents name each other by full addresses; only those below the configured base are
    /// followed.
    fn below_base(&self, named: &str) -> Result<Url, Fault> {
        let flawed = |reason: String| Fault::Address { address: named.into(), reason };
        let url = Url::parse(named).map_err(|error| flawed(error.to_string()))?;
        address(&self.base, url.path(), &[])
    }
}

place_by_place!(Nws, Source::Nws);

/// A station that has sent nothing is no fault of the service.
fn reports_or_none(body: &[u8]) -> Result<Answer, ServiceError> {
    match services::nws::parse_reports(body) {
        Err(ServiceError::NoData) => Ok(Answer::default()),
        read => read,
    }
}

/// Past and coming hours that an ordinary pull wants: two days back, so that a missed pull is made
/// good, and a week ahead.
pub fn ordinary_span(now: DateTime<Utc>) -> (DateTime<Utc>, DateTime<Utc>) {
    (now - TimeDelta::days(2), now + TimeDelta::days(FORECAST_DAYS))
}
