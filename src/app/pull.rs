//! Pulling weather: ask the first service that answers, keep every observed hour and the issued
//! forecast, and say what came, what is missing, and how far the provider's own figures differ.

use super::desk::DeskError;
use crate::evapo::sequence::{EvapoHour, Reference, hour_by_hour};
use crate::feed::sources::{BrightSky, MetNorway, Nws, OpenMeteo, Service, Want, ordinary_span};
use crate::feed::station::Station;
use crate::feed::{Cache, Client, Fault, Fetched, Manners};
use crate::grove::{Grove, Settings, WeatherSource, answered};
use crate::store::db::By;
use crate::store::home::{Beside, Home};
use crate::store::pulled::PulledHour;
use crate::text::format_time;
use crate::weather::services::{Answer, Attribution};
use crate::weather::{Series, Span};
use chrono::{DateTime, Utc};
use serde::Serialize;
use std::path::PathBuf;
use std::time::Duration;

/// What is asked of a pull.
#[derive(Debug, Clone, Default)]
pub struct Wanted {
    /// This service alone.
    pub source: Option<String>,
    /// Observed hours from here on.
    pub from: Option<DateTime<Utc>>,
    /// To here.
    pub to: Option<DateTime<Utc>>,
    /// Ensemble members too.
    pub members: bool,
}

/// What came.
#[derive(Debug, Serialize, utoipa::ToSchema)]
pub struct Pulled {
    /// The service that answered.
    pub source: &'static str,
    /// Whose data these are, under which licence.
    pub attribution: String,
    /// Services that did not answer, with the reason.
    pub failed: Vec<String>,
    /// Taken from what was kept, since the service said it has nothing newer yet.
    pub from_cache: bool,
    /// Observed hours in the answer.
    pub observed_hours: usize,
    /// Of these, new to the grove.
    pub observed_new: usize,
    /// Forecast hours in the answer, and members.
    pub forecast_hours: usize,
    /// Ensemble members.
    pub members: usize,
    /// Where the issue is kept; none where it said nothing new.
    #[schema(value_type = Option<String>)]
    pub forecast_file: Option<PathBuf>,
    /// Gaps in the observed hours of the last days, to be asked for again.
    pub gaps: Vec<String>,
    /// How far our reference ET and VPD are from the provider's own.
    pub against_provider: Option<AgainstProvider>,
    /// What to know beside it.
    pub notes: Vec<String>,
}

/// Our figures against the provider's, hour by hour; never used silently.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, utoipa::ToSchema)]
pub struct AgainstProvider {
    /// Hours with both.
    pub hours: usize,
    /// Mean of ours minus theirs, reference ET, mm in an hour.
    pub reference_et_mean_mm: f64,
    /// Largest difference.
    pub reference_et_most_mm: f64,
    /// Mean of ours minus theirs, VPD, kPa.
    pub vpd_mean_kpa: f64,
    /// Largest difference.
    pub vpd_most_kpa: f64,
}

/// The services of a grove's settings, in their order.
///
/// # Errors
/// [`DeskError::Unanswerable`] for a name that is no service.
pub fn services(
    settings: &WeatherSource,
    beside: &Beside,
    only: Option<&str>,
) -> Result<Vec<Box<dyn Service>>, DeskError> {
    let ordinary = ["open-meteo".to_owned(), "met-norway".to_owned()];
    let named = settings.sources.clone().unwrap_or_else(|| ordinary.to_vec());
    let names = only.map_or(named, |only| vec![only.to_owned()]);
    names.iter().map(|name| service(settings, beside, name)).collect()
}

fn service(
    settings: &WeatherSource,
    beside: &Beside,
    name: &str,
) -> Result<Box<dyn Service>, DeskError> {
    let base = |typed: &Option<String>, ordinary: &str| {
        typed.clone().unwrap_or_else(|| ordinary.to_owned())
    };
    // A paying user has hosts of their own.
    let open_meteo = |room: &str| match settings.open_meteo_key {
        Some(_) => format!("https://customer-{room}.open-meteo.com"),
        None => format!("https://{room}.open-meteo.com"),
    };
    Ok(match name {
        "open-meteo" => Box::new(OpenMeteo {
            base: base(&settings.open_meteo_url, &open_meteo("api")),
            archive: base(&settings.open_meteo_archive_url, &open_meteo("archive-api")),
            ensemble: base(&settings.open_meteo_ensemble_url, &open_meteo("ensemble-api")),
            key: settings.open_meteo_key.clone(),
        }),
        "met-norway" => {
            Box::new(MetNorway { base: base(&settings.met_norway_url, "https://api.met.no") })
        }
        "bright-sky" => Box::new(BrightSky {
            base: base(&settings.bright_sky_url, "https://api.brightsky.dev"),
        }),
        "nws" => Box::new(Nws { base: base(&settings.nws_url, "https://api.weather.gov") }),
        "station" => {
            let declared = settings.station.as_ref().ok_or_else(|| {
                DeskError::Unanswerable(
                    "no logger is declared: describe it in [weather.station] of grove.toml".into(),
                )
            })?;
            Box::new(Station::declared(declared, beside).map_err(unanswered)?)
        }
        _ => {
            return Err(DeskError::Unanswerable(format!(
                "{name:?} is no weather service: use open-meteo, met-norway, bright-sky, nws or \
                 station"
            )));
        }
    })
}

pub(super) fn client(settings: &WeatherSource, home: &Home, now: fn() -> DateTime<Utc>) -> Client {
    let ordinary = Manners::default();
    let seconds = |typed: Option<u64>, ordinary| typed.map_or(ordinary, Duration::from_secs);
    let manners = Manners {
        contact: settings.contact.clone(),
        request: seconds(settings.request_timeout_s, ordinary.request),
        deadline: seconds(settings.deadline_s, ordinary.deadline),
        first_wait: settings.first_wait_ms.map_or(ordinary.first_wait, Duration::from_millis),
        most_bytes: settings.most_bytes.unwrap_or(ordinary.most_bytes),
    };
    Client::new(manners, Cache::new(&home.cache()), now)
}

fn want(groves: &[(Home, Grove)], wanted: &Wanted, now: DateTime<Utc>) -> Want {
    let (from, to) = ordinary_span(now);
    Want {
        places: groves.iter().map(|(_, grove)| grove.settings.place).collect(),
        from: wanted.from.unwrap_or(from),
        to: wanted.to.unwrap_or(to),
        now,
        members: wanted.members,
    }
}

/// The addresses that a pull would ask, a line each.
///
/// # Errors
/// [`DeskError`] for an unknown service or an address that cannot be.
pub fn dry_run(
    groves: &[(Home, Grove)],
    wanted: &Wanted,
    now: DateTime<Utc>,
) -> Result<Vec<String>, DeskError> {
    let Some((home, first)) = groves.first() else { return Ok(Vec::new()) };
    let want = want(groves, wanted, now);
    let mut lines = Vec::new();
    for service in services(&first.settings.weather, &home.folder(), wanted.source.as_deref())? {
        let addresses = match service.addresses(&want) {
            Ok(addresses) => addresses,
            // A pull goes on to the next one.
            Err(fault) => {
                lines.push(format!("{}: {fault}", service.source().key()));
                continue;
            }
        };
        for address in addresses {
            let mut shown = address.to_string();
            if let Some(key) = &first.settings.weather.open_meteo_key {
                shown = shown.replace(key.as_str(), "KEY");
            }
            lines.push(format!("{}: GET {shown}", service.source().key()));
        }
    }
    Ok(lines)
}

fn unanswered(fault: Fault) -> DeskError {
    DeskError::Unanswerable(fault.to_string())
}

/// Pulls weather for groves that share the first one's weather settings, one answer each, and keeps
/// it in the name of `who`. The first service that answers serves all.
///
/// # Errors
/// [`DeskError`] where no service answers or nothing can be kept; what was stored stays.
pub async fn pull(
    groves: &[(Home, Grove)],
    wanted: &Wanted,
    who: &str,
    now: fn() -> DateTime<Utc>,
) -> Result<Vec<Pulled>, DeskError> {
    let Some((home, first)) = groves.first() else { return Ok(Vec::new()) };
    let settings = &first.settings.weather;
    let client = client(settings, home, now);
    let want = want(groves, wanted, now());
    let mut failed = Vec::new();
    for service in services(settings, &home.folder(), wanted.source.as_deref())? {
        match service.ask(&client, &want).await {
            Ok(answers) => {
                return groves
                    .iter()
                    .zip(answers)
                    .map(|((home, grove), answer)| {
                        let by = By { who, at: now() };
                        keep((home, by), grove, service.as_ref(), &want, answer, failed.clone())
                    })
                    .collect();
            }
            Err(fault) => failed.push(format!("{}: {fault}", service.source().key())),
        }
    }
    Err(DeskError::NobodyAnswered(format!(
        "no weather service answered; what was stored stays as it is\n  {}",
        failed.join("\n  ")
    )))
}

/// An answer as one grove reads it: hours observed, and hours ahead by member.
pub(super) fn read_for(
    settings: &Settings,
    source: &str,
    want: &Want,
    answer: &Answer,
) -> (Vec<PulledHour>, Vec<Vec<PulledHour>>) {
    let members: Vec<Vec<PulledHour>> = answered(answer, settings)
        .into_iter()
        .map(|hours| hours.into_iter().map(|hour| named(hour, source, answer)).collect())
        .collect();
    let until = answer.observed_until.map_or(want.now, |until| until.min(want.now));
    let observed: Vec<PulledHour> = members
        .first()
        .into_iter()
        .flatten()
        .filter(|pulled| !want.members && pulled.hour.span.to <= until)
        .cloned()
        .collect();
    let ahead: Vec<Vec<PulledHour>> = members
        .into_iter()
        .map(|hours| hours.into_iter().filter(|hour| hour.hour.span.to > until).collect())
        .collect();
    (observed, ahead)
}

fn keep(
    (home, by): (&Home, By),
    grove: &Grove,
    service: &dyn Service,
    want: &Want,
    fetched: Fetched<Answer>,
    failed: Vec<String>,
) -> Result<Pulled, DeskError> {
    let answer = fetched.value;
    let name = service.source().key();
    let (observed, ahead) = read_for(&grove.settings, name, want, &answer);
    let observed_new = home.keep_observed(&observed, by)?;
    let forecast_hours = ahead.iter().map(Vec::len).max().unwrap_or(0);
    let forecast_file = match forecast_hours {
        0 => None,
        _ => home.keep_forecast(fetched.fetched_at, name, &ahead, by)?,
    };
    let attribution = service.source().attribution();
    let mut notes: Vec<String> = answer.notes.iter().map(ToString::to_string).collect();
    notes.extend(fetched.warning);
    Ok(Pulled {
        source: name,
        attribution: credit(&attribution),
        failed,
        from_cache: fetched.from_cache,
        observed_hours: observed.len(),
        observed_new,
        forecast_hours,
        members: ahead.len(),
        forecast_file,
        gaps: gaps(home, grove, want)?,
        against_provider: against_provider(grove, observed.iter().chain(ahead.iter().flatten())),
        notes,
    })
}

/// Credit, licence and terms in one line.
fn credit(attribution: &Attribution) -> String {
    let Attribution { text, licence, link, terms, .. } = attribution;
    let parts = [*text, *licence, *link, *terms];
    parts.into_iter().filter(|part| !part.is_empty()).collect::<Vec<_>>().join("; ")
}

fn named(hour: crate::weather::Hour, source: &str, answer: &Answer) -> PulledHour {
    let provider = answer.provider.iter().find(|provider| provider.span == hour.span);
    PulledHour {
        hour,
        source: source.into(),
        provider_reference_et_mm: provider.and_then(|provider| provider.reference_et_mm),
        provider_vpd_kpa: provider.and_then(|provider| provider.vpd_kpa),
    }
}

fn gaps(home: &Home, grove: &Grove, want: &Want) -> Result<Vec<String>, DeskError> {
    let recent = Span { from: want.from, to: want.now };
    let series = home.pulled_series(want.now)?.clipped(recent);
    let zone = grove.settings.zone;
    let words =
        |span: Span| format!("{} to {}", format_time(span.from, zone), format_time(span.to, zone));
    Ok(series.gaps().iter().map(|gap| words(gap.span)).collect())
}

fn against_provider<'a>(
    grove: &Grove,
    hours: impl Iterator<Item = &'a PulledHour>,
) -> Option<AgainstProvider> {
    let hours: Vec<&PulledHour> = hours.collect();
    let series = Series::new(hours.iter().map(|pulled| pulled.hour).collect()).ok()?;
    let ours: Vec<EvapoHour> = hour_by_hour(&series, grove.settings.place, Reference::Fao56);
    let mut et = Vec::new();
    let mut vpd = Vec::new();
    for own in &ours {
        let Some(pulled) = hours.iter().find(|pulled| pulled.hour.span == own.span) else {
            continue;
        };
        et.extend(pulled.provider_reference_et_mm.map(|theirs| own.reference_et.value() - theirs));
        vpd.extend(pulled.provider_vpd_kpa.map(|theirs| own.deficit.value() - theirs));
    }
    let mean = |all: &[f64]| all.iter().sum::<f64>() / all.len().max(1) as f64;
    let most = |all: &[f64]| all.iter().fold(0.0, |most: f64, d| most.max(d.abs()));
    (!et.is_empty()).then(|| AgainstProvider {
        hours: et.len(),
        reference_et_mean_mm: mean(&et),
        reference_et_most_mm: most(&et),
        vpd_mean_kpa: mean(&vpd),
        vpd_most_kpa: most(&vpd),
    })
}
