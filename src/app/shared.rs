//! Work that several processes share where groves are kept at a server: weather by itself, asked
//! once for all groves of a cell, and refits. Who takes a job does it alone; what it brought is
//! stored together with its end.

use super::desk::{Desk, DeskError};
use super::pull::{client, read_for, services};
use super::refit::Refit;
use crate::feed::sources::{Want, ordinary_span};
use crate::grove::Settings;
use crate::store::db::jobs::{Came, Claim, claim_pull, claim_refit, put_in_cell, without_cell};
use crate::store::db::{By, Database, StoreError};
use crate::store::home::Home;
use crate::store::sql::Address;
use chrono::{DateTime, Utc};
use sha2::{Digest, Sha256};
use std::sync::mpsc::{RecvTimeoutError, Sender, channel};
use std::time::Duration;

/// Work is held for so long, and held on to while it lasts: what a killed process had taken falls to
/// another one soon.
const HELD: Duration = Duration::from_secs(15);
const HOLD_ON: Duration = Duration::from_secs(5);
/// Between pulls of one cell.
const HOUR_S: f64 = 3600.0;
/// After a first failure; it doubles with each one after, up to an hour.
const FIRST_AGAIN_S: f64 = 60.0;

/// Groves within so many degrees (1.6 km apart at most) and so many metres of height (0.33 degC by
/// the lapse of the standard atmosphere) are asked for together, at the place of the first one:
/// services know the weather no finer.
const CELL_DEG: f64 = 0.01;
const CELL_M: f64 = 50.0;

/// The cell of a grove: where it is, coarsely, and how its weather is asked for.
pub fn cell(settings: &Settings) -> String {
    let place = settings.place;
    let steps = |value: f64, step: f64| (value / step).floor() as i64;
    let how = Sha256::digest(format!("{:?}", settings.weather).as_bytes());
    let how: String = how[..6].iter().map(|byte| format!("{byte:02x}")).collect();
    let (north, east) =
        (steps(place.latitude.value(), CELL_DEG), steps(place.longitude.value(), CELL_DEG));
    format!("{north} {east} {} {how}", steps(place.elevation.value(), CELL_M))
}

fn settings(data: &Address, grove: &str, now: DateTime<Utc>) -> Result<Settings, StoreError> {
    Database::open(&data.of_grove(Some(grove)).typed(), now)?.settings()
}

/// Puts groves into their cells that have none yet, some of them; how many were. Those that are
/// `apart`, as they live in days of their own, get no weather.
///
/// # Errors
/// [`DeskError`] where the server does not answer. A grove that cannot be read is passed over.
pub fn settle(
    data: &Address,
    apart: impl Fn(&str) -> bool,
    now: DateTime<Utc>,
) -> Result<usize, DeskError> {
    let mut settled = 0;
    for grove in without_cell(data)?.into_iter().filter(|grove| !apart(grove)) {
        match settings(data, &grove, now) {
            Ok(settings) => {
                put_in_cell(data, &grove, &cell(&settings))?;
                settled += 1;
            }
            Err(StoreError::NoGrove { .. } | StoreError::Missing { .. }) => {}
            Err(error @ StoreError::Away { .. }) => return Err(error.into()),
            Err(error) => tracing::warn!(grove, "no weather will be pulled: {error}"),
        }
    }
    Ok(settled)
}

/// What became of a turn.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Turn {
    /// Nothing is due.
    Idle,
    /// Weather came from this service for so many groves.
    Pulled(&'static str, usize),
    /// It was to be done, and could not be.
    Failed(String),
    /// It took so long that another process has taken it over.
    TakenOver,
}

/// Takes a pull that is due and does it.
///
/// # Errors
/// [`DeskError`] where the server does not answer: what was taken falls to another process then.
pub async fn pull_one(
    data: &Address,
    who: &str,
    now: fn() -> DateTime<Utc>,
) -> Result<Turn, DeskError> {
    let Some(claim) = claim_pull(data, HELD)? else { return Ok(Turn::Idle) };
    match held(data, &claim, pulled(data, &claim, who, now)).await {
        Ok((source, came)) => {
            let groves = came.len();
            let again = Duration::from_secs_f64(HOUR_S * (0.95 + 0.1 * fastrand::f64()));
            let kept = claim.keep_pulled(data, &came, By { who, at: now() }, again)?;
            Ok(if kept { Turn::Pulled(source, groves) } else { Turn::TakenOver })
        }
        Err(error) => {
            let doubled = 2_f64.powi(claim.attempts.clamp(1, 7) as i32 - 1);
            let again = Duration::from_secs_f64((FIRST_AGAIN_S * doubled).min(HOUR_S));
            let words = error.to_string();
            claim.give_back(data, &words, again)?;
            Ok(Turn::Failed(words))
        }
    }
}

/// Works on something and holds on to it meanwhile. Where the server is away it is worked on all the
/// same: whether it is still held shows at its end.
async fn held<T>(data: &Address, claim: &Claim, work: impl Future<Output = T>) -> T {
    let mut work = std::pin::pin!(work);
    let mut holds = tokio::time::interval(HOLD_ON);
    holds.tick().await;
    loop {
        tokio::select! {
            done = &mut work => return done,
            _ = holds.tick() => drop(claim.hold_on(data, HELD)),
        }
    }
}

/// Asks for the place of a cell, and reads the answer as each of its groves does.
async fn pulled(
    data: &Address,
    claim: &Claim,
    who: &str,
    now: fn() -> DateTime<Utc>,
) -> Result<(&'static str, Vec<Came>), DeskError> {
    let mut groves = Vec::new();
    for grove in &claim.groves {
        let settings = settings(data, grove, now())?;
        // One that has moved is asked for at its new place.
        let there = cell(&settings);
        match claim.key.starts_with(&format!("{there} #")) {
            true => groves.push((grove, settings)),
            false => put_in_cell(data, grove, &there)?,
        }
    }
    let Some((grove, first)) = groves.first() else { return Ok(("", Vec::new())) };
    let home = Home::Database(data.of_grove(Some(grove)).typed());
    let client = client(&first.weather, &home, now);
    let (from, to) = ordinary_span(now());
    let want = Want { places: vec![first.place], from, to, now: now(), members: false };
    let mut failed = Vec::new();
    for service in services(&first.weather, &home.folder(), None)? {
        let source = service.source().key();
        let answered = service.ask(&client, &want).await;
        match answered.map(|mut answers| (!answers.is_empty()).then(|| answers.remove(0))) {
            Ok(Some(fetched)) => {
                let came = groves.iter().map(|(grove, settings)| {
                    let (observed, ahead) = read_for(settings, source, &want, &fetched.value);
                    let (grove, source) = ((*grove).clone(), source.to_owned());
                    Came { grove, observed, ahead, issued_at: fetched.fetched_at, source }
                });
                let came: Vec<Came> = came.collect();
                tracing::info!(cell = claim.key, groves = came.len(), source, who, "weather came");
                return Ok((source, came));
            }
            Ok(None) => failed.push(format!("{source}: no answer for the place")),
            Err(fault) => failed.push(format!("{source}: {fault}")),
        }
    }
    let words = failed.join("; ");
    Err(DeskError::Unanswerable(format!("no weather service answered: {words}")))
}

/// A refit at a server, which one process does at a time; it is held on to until it is kept or let go.
#[derive(Debug)]
pub struct RefitTurn(Option<Taken>);

#[derive(Debug)]
struct Taken {
    claim: Claim,
    address: Address,
    /// Who holds on to it stops with this.
    _until: Sender<()>,
}

impl Taken {
    fn new(claim: Claim, address: Address) -> Self {
        let (until, ended) = channel();
        let (held, at) = (claim.clone(), address.clone());
        std::thread::spawn(move || {
            while ended.recv_timeout(HOLD_ON) == Err(RecvTimeoutError::Timeout) {
                // Where the server is away, whether it is still held shows at its end.
                let _ = held.hold_on(&at, HELD);
            }
        });
        Self { claim, address, _until: until }
    }
}

impl RefitTurn {
    /// Takes the refit of a grove; of a grove in a file nobody else is at it.
    ///
    /// # Errors
    /// [`DeskError::Unanswerable`] where another process is at it.
    pub fn take(home: &Home) -> Result<Self, DeskError> {
        let Some(address) = home.server() else { return Ok(Self(None)) };
        match claim_refit(&address, HELD)? {
            Some(claim) => Ok(Self(Some(Taken::new(claim, address)))),
            None => Err(DeskError::Unanswerable(
                "a refit of this grove is on its way already: wait for it".into(),
            )),
        }
    }

    /// Keeps what was fitted, and ends the turn.
    ///
    /// # Errors
    /// [`DeskError`] where it cannot be kept, or took so long that another process took it over.
    pub fn keep(mut self, refit: &mut Refit, desk: &Desk, by: By) -> Result<(), DeskError> {
        let Some(taken) = self.0.take() else { return refit.write(desk, by, None) };
        let Taken { claim, address, .. } = &taken;
        match claim.keep_model(address, (desk.as_of, refit.model.file()), by)? {
            Some(name) => {
                refit.written = Some(address.shown().join(name));
                Ok(())
            }
            None => Err(DeskError::Unanswerable(
                "the refit took so long that another one was begun; look at its outcome".into(),
            )),
        }
    }
}

impl Drop for RefitTurn {
    fn drop(&mut self) {
        if let Some(taken) = self.0.take() {
            // It falls to the next who asks when its time is over, if the server is away.
            let _ = taken.claim.give_back(&taken.address, "given up", Duration::ZERO);
        }
    }
}
