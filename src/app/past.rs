//! What the grove's own draws say by a given instant: rows for the fit, and the draws that say
//! nothing, with the reason.

use crate::belief::score::Outcome;
use crate::demand::{Clock, Drive, MOST_LEAD_H, Shape};
use crate::evapo::sequence::{Reference, hour_by_hour};
use crate::evapo::sun::SunTrack;
use crate::grove::{Draw, Grove, Seen};
use crate::units::Place;
use crate::uptake::fit::{FitError, Row};
use crate::uptake::model::{Model, ModelFile, RestsOn, covariates};
use crate::uptake::observe::{Sighting, Silent};
use crate::weather::{Series, Span};
use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use chrono_tz::Tz;

/// Looks taken within so long after the last hour observed are read off the weather expected.
const LONGEST_UNOBSERVED: TimeDelta = TimeDelta::hours(24);

/// Sine of the sun's elevation at civil dusk, 6 degrees below the horizon.
const SINE_OF_CIVIL_DUSK: f64 = -0.104_528_463;

/// A draw that tells nothing, and why.
#[derive(Debug, Clone, PartialEq)]
pub struct Aside {
    /// Which draw.
    pub draw_id: String,
    /// Why.
    pub why: Silent,
}

/// A draw that tells something.
#[derive(Debug, Clone)]
pub struct Told<'a> {
    /// The draw.
    pub draw: &'a Draw,
    /// The filling of its bag.
    pub filling: Sighting,
    /// What the regression sees of it.
    pub row: Row,
    /// The last look.
    pub closed_at: DateTime<Utc>,
}

/// The draws seen by an instant, ready to be read off any demand clock.
pub struct Past<'a> {
    grove: &'a Grove,
    drives: Vec<Drive>,
    /// Draw and one filling of its bag.
    sightings: Vec<(&'a Draw, Sighting)>,
    after_dusk: usize,
    /// End of the weather observed: nothing is read off the clock after it.
    observed_until: DateTime<Utc>,
}

/// What drives demand in each hour of a series.
pub fn drives(series: &Series, place: Place) -> Vec<Drive> {
    series
        .hours()
        .iter()
        .zip(hour_by_hour(series, place, Reference::Fao56))
        .map(|(hour, evapo)| Drive {
            span: hour.span,
            shortwave: hour.shortwave,
            deficit: evapo.deficit,
            reference_et_mm_h: evapo.reference_et.value() / hour.span.hours(),
            flags: hour.flags,
        })
        .collect()
}

/// Local date of an instant.
pub fn local_date(at: DateTime<Utc>, zone: Tz) -> NaiveDate {
    at.with_timezone(&zone).date_naive()
}

impl<'a> Past<'a> {
    /// All draws started and all looks taken by `as_of`, over the weather observed.
    pub fn new(grove: &'a Grove, observed: &Series, as_of: DateTime<Utc>) -> Self {
        let forecast = grove.forecasts.latest(as_of).and_then(|forecast| forecast.members.first());
        Self::with_coming(grove, observed, forecast, as_of)
    }

    /// What is known in the grove itself, where a look is taken before the weather of its hour comes
    /// in: until that does, for a day at most, the look is read off the weather `expected`.
    pub fn by_now(
        grove: &'a Grove,
        observed: &Series,
        expected: Option<&Series>,
        as_of: DateTime<Utc>,
    ) -> Self {
        let unobserved = observed
            .span()
            .map(|known| Span { from: known.to, to: as_of.min(known.to + LONGEST_UNOBSERVED) });
        let felt = match (expected, unobserved) {
            (Some(expected), Some(span)) if span.from < span.to => {
                observed.followed_by(&expected.clipped(span), span.from).bridged()
            }
            _ => observed.clone(),
        };
        Self::with_coming(grove, &felt, expected, as_of)
    }

    /// The same as [`Past::new`]; trees that run ahead of the weather's clock feel `coming` after what was observed.
    pub fn with_coming(
        grove: &'a Grove,
        observed: &Series,
        coming: Option<&Series>,
        as_of: DateTime<Utc>,
    ) -> Self {
        let sightings: Vec<(&Draw, Sighting)> = grove
            .draws
            .iter()
            .filter(|draw| draw.started < as_of)
            .flat_map(|draw| fillings(draw).into_iter().map(move |filling| (draw, filling)))
            .filter(|(_, filling)| filling.started < as_of)
            .map(|(draw, filling)| (draw, filling.as_of(as_of)))
            .collect();
        let (known, observed_until) = with_lead(observed, coming);
        Self {
            grove,
            drives: drives(&known, grove.settings.place),
            observed_until,
            after_dusk: after_dusk(grove, &sightings),
            sightings,
        }
    }

    /// What drives demand in each hour of the weather observed.
    pub fn drives(&self) -> &[Drive] {
        &self.drives
    }

    /// Number of draws seen.
    pub fn draws(&self) -> usize {
        self.sightings.len()
    }

    /// Each draw with the first filling of its bag, as far as it was seen, in order of the file.
    pub fn first_fillings(&self) -> impl Iterator<Item = (&'a Draw, &Sighting)> {
        let first = |(draw, filling): &&(&'a Draw, Sighting)| filling.started == draw.started;
        self.sightings.iter().filter(first).map(|(draw, filling)| (*draw, filling))
    }

    /// The rows under a demand shape; a draw that tells nothing is left out.
    pub fn rows(&self, shape: &Shape) -> Vec<Row> {
        self.told(shape).into_iter().filter_map(|told| Some(told.ok()?.row)).collect()
    }

    /// The draws that tell nothing, and why.
    pub fn asides(&self, shape: &Shape) -> Vec<Aside> {
        self.told(shape).into_iter().filter_map(Result::err).collect()
    }

    /// The model that these draws make of `base`: everything is learned.
    ///
    /// # Errors
    /// [`FitError`] where the fit fails.
    pub fn learn(&self, base: &ModelFile) -> Result<Model, FitError> {
        Model::learned(base.clone(), &|shape| self.rows(shape), self.rests_on(&base.demand))
    }

    /// The same without any draw of one tree.
    ///
    /// # Errors
    /// [`FitError`] where the fit fails.
    pub fn learn_without(&self, base: &ModelFile, tree_id: &str) -> Result<Model, FitError> {
        let rows = |shape: &Shape| {
            let mut rows = self.rows(shape);
            rows.retain(|row| row.tree_id != tree_id);
            rows
        };
        Model::learned(base.clone(), &rows, self.rests_on(&base.demand))
    }

    /// The model that these draws make of `base`, with its shape and variances as they are.
    ///
    /// # Errors
    /// [`FitError`] where the fit fails.
    pub fn condition(&self, base: &ModelFile) -> Result<Model, FitError> {
        Model::conditioned(base.clone(), self.rows(&base.demand), self.rests_on(&base.demand))
    }

    fn rests_on(&self, shape: &Shape) -> RestsOn {
        RestsOn {
            silent: self.asides(shape).len(),
            after_dusk: self.after_dusk,
            ..RestsOn::default()
        }
    }

    /// What each draw says under a demand shape.
    pub fn told(&self, shape: &Shape) -> Vec<Result<Told<'a>, Aside>> {
        let clock = Clock::new(shape, &shape.pulls(&self.drives)).until(self.observed_until);
        let told = |(draw, filling): &(&'a Draw, Sighting)| match filling.seen(&clock) {
            Ok(seen) => Ok(Told {
                draw,
                row: self.row(draw, filling, seen),
                closed_at: filling.last_look().unwrap_or(filling.started),
                filling: filling.clone(),
            }),
            Err(why) => Err(Aside { draw_id: draw.id.clone(), why }),
        };
        self.sightings.iter().map(told).collect()
    }

    fn row(&self, draw: &Draw, filling: &Sighting, seen: crate::uptake::likelihood::Seen) -> Row {
        let tree = &self.grove.trees[draw.tree];
        let head = draw.head.unwrap_or(self.grove.settings.bag.head);
        Row {
            draw_id: draw.id.clone(),
            tree_id: tree.id.clone(),
            block: tree.block.clone(),
            species: tree.species.clone().unwrap_or_default(),
            date: local_date(filling.started, self.grove.settings.zone),
            covariates: covariates(draw.ports, tree.dbh, Some(head)),
            seen,
        }
    }
}

/// Weather observed and, for trees that run ahead of its clock, what is known to come for as long as
/// they can; with the end of what was observed.
fn with_lead(observed: &Series, coming: Option<&Series>) -> (Series, DateTime<Utc>) {
    let Some(Span { to: end, .. }) = observed.span() else {
        return (observed.clone(), DateTime::<Utc>::MAX_UTC);
    };
    let lead = Span { from: end, to: end + TimeDelta::minutes((60.0 * MOST_LEAD_H) as i64) };
    let ahead = coming.map(|coming| coming.clipped(lead).bridged()).unwrap_or_default();
    (observed.followed_by(&ahead, end), end)
}

/// The fillings of one bag: a bag seen empty and filled again begins anew, since nobody knows how
/// long it hung dry.
pub fn fillings(draw: &Draw) -> Vec<Sighting> {
    let pauses = shut(draw);
    let fresh = |started, charge| Sighting {
        started,
        charge,
        refills: Vec::new(),
        pauses: pauses.clone(),
        wet: Vec::new(),
        first_empty: None,
        volumes: Vec::new(),
        leaked: None,
    };
    let mut all = vec![fresh(draw.started, draw.charge)];
    for reading in &draw.readings {
        let last = all.len() - 1;
        let filling = &mut all[last];
        match reading.seen {
            Seen::Wet => filling.wet.push(reading.at),
            Seen::Empty => {
                filling.first_empty.get_or_insert(reading.at);
            }
            Seen::Left(left) => filling.volumes.push((reading.at, left)),
            Seen::Refill { added } if filling.first_empty.is_some() => {
                all.push(fresh(reading.at, added));
            }
            Seen::Refill { added } => filling.refills.push((reading.at, added)),
            Seen::Leak { .. } => {
                filling.leaked.get_or_insert(reading.at);
            }
        }
    }
    let last = all.len() - 1;
    let filling = &mut all[last];
    let at_refill = filling.refills.iter().any(|(at, _)| *at == draw.last_wet);
    if draw.last_wet > filling.started && !at_refill {
        filling.wet.push(draw.last_wet);
    }
    filling.first_empty = filling.first_empty.or(draw.first_empty);
    let left = draw.left.filter(|left| left.value() > 0.0 && filling.first_empty.is_none());
    filling.volumes.extend(draw.stripped.zip(left));
    all
}

/// When a filling ran empty, as far as it was seen; none where nobody looked. What was seen after a
/// refill or a leak tells nothing of it.
pub fn outcome(filling: &Sighting) -> Option<Outcome> {
    let refilled = filling.refills.iter().map(|(at, _)| *at);
    let told_until = refilled.chain(filling.leaked).min().unwrap_or(DateTime::<Utc>::MAX_UTC);
    let told = |at: &DateTime<Utc>| *at > filling.started && *at <= told_until;
    let minutes = |at: DateTime<Utc>| Span { from: filling.started, to: at }.hours() * 60.0;
    let left = |some: bool| {
        filling.volumes.iter().filter(move |(_, ml)| (ml.value() > 0.0) == some).map(|(at, _)| *at)
    };
    let empties = left(false).chain(filling.first_empty).filter(told);
    let by_min = empties.map(minutes).reduce(f64::min);
    let wets = left(true).chain(filling.wet.iter().copied()).filter(told);
    let wet_min = wets.map(minutes).reduce(f64::max);
    (wet_min.is_some() || by_min.is_some())
        .then(|| Outcome { after_min: wet_min.unwrap_or(0.0), by_min })
}

fn shut(draw: &Draw) -> Vec<Span> {
    let open_end = draw.stripped.unwrap_or(DateTime::<Utc>::MAX_UTC);
    draw.pauses
        .iter()
        .map(|pause| Span { from: pause.from, to: pause.to.unwrap_or(open_end) })
        .collect()
}

/// Draws last looked at after civil dusk of their start date, or on a later date: these are what
/// tells of the night. The sun is FAO-56's, some minutes off the almanac's.
fn after_dusk(grove: &Grove, sightings: &[(&Draw, Sighting)]) -> usize {
    let zone = grove.settings.zone;
    let mut sun = SunTrack::new(grove.settings.place);
    let mut in_the_dark = |at: DateTime<Utc>| {
        let minute = Span { from: at, to: at + TimeDelta::minutes(1) };
        sun.over(minute).sine_of_elevation < SINE_OF_CIVIL_DUSK
    };
    let mut after = |filling: &Sighting| {
        filling.last_look().is_some_and(|look| {
            local_date(look, zone) > local_date(filling.started, zone) || in_the_dark(look)
        })
    };
    sightings.iter().filter(|(_, filling)| after(filling)).count()
}
