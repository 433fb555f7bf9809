//! Walking forward through a grove's draws: each day is predicted from what had been seen by its
//! first start, and from nothing later.

use super::ahead::{Ahead, foresee};
use super::past::{Past, fillings, local_date, outcome};
use super::rivals::{Guesses, Rivals};
use super::times::{SEED, Turns, turns_of};
use crate::belief::Belief;
use crate::belief::score::Outcome;
use crate::demand::{ClockError, Kind};
use crate::grove::{Draw, Grove, Hang};
use crate::uptake::fit::FitError;
use crate::uptake::model::{Model, ModelFile};
use crate::weather::{Forecast, Series, Span};
use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use rayon::prelude::*;

/// Days walked in one go before the search for the demand shape begins afresh: they are walked at
/// the same time, each from where the day before ended.
const DAYS_TOGETHER: usize = 12;
/// Weather beyond a day's last start that is looked at.
const FARTHEST: TimeDelta = TimeDelta::days(5);

/// How to walk.
#[derive(Debug, Clone, Copy)]
pub struct Way {
    /// Weather ahead as it was forecast; else as it came, taken as known.
    pub forecast: bool,
    /// Each draw from a fit without any draw of its own tree.
    pub withhold_trees: bool,
    /// How long before the day's first start the question is asked.
    pub before: TimeDelta,
    /// Ask the rivals too.
    pub rivals: bool,
}

/// What was believed of one draw before its day began, and what came.
#[derive(Debug)]
pub struct Walked<'a> {
    /// The draw.
    pub draw: &'a Draw,
    /// Local date of its start.
    pub date: NaiveDate,
    /// When the question was asked.
    pub asked_at: DateTime<Utc>,
    /// The belief, or why there is none.
    pub belief: Result<Belief, ClockError>,
    /// Draws that it rests on.
    pub rests_on: usize,
    /// Does it rest on no draw of this tree?
    pub new_tree: bool,
    /// Dusk and morning of the date.
    pub turns: Turns,
    /// What was seen of it by the end of the walk; none where nobody looked.
    pub outcome: Option<Outcome>,
    /// What the rivals say.
    pub guesses: Guesses,
}

/// Why a walk cannot be made.
#[derive(Debug, thiserror::Error)]
pub enum WalkError {
    /// A day cannot be fitted.
    #[error("the draws seen by {at} cannot be fitted: {error}")]
    Fit {
        /// When.
        at: DateTime<Utc>,
        /// Why.
        error: FitError,
    },
    /// The almanac has no such day.
    #[error(transparent)]
    Almanac(#[from] crate::evapo::EvapoError),
}

/// A grove, what is looked at of it, and the model to begin with.
pub struct Walk<'a> {
    grove: &'a Grove,
    base: &'a ModelFile,
    way: Way,
    /// Nothing that came after is known, not even to the score.
    as_of: DateTime<Utc>,
    observed: Series,
}

impl<'a> Walk<'a> {
    /// A walk over the draws started by `as_of`.
    pub fn new(grove: &'a Grove, base: &'a ModelFile, way: Way, as_of: DateTime<Utc>) -> Self {
        let known = Span { from: DateTime::<Utc>::MIN_UTC, to: as_of };
        let observed = match way.forecast {
            true => grove.observed.clipped(known),
            false => grove.observed.clone(),
        };
        Self { grove, base, way, as_of, observed: observed.bridged() }
    }

    /// The draws of each day, in order.
    pub fn days(&self) -> Vec<Vec<&'a Draw>> {
        let zone = self.grove.settings.zone;
        let mut draws: Vec<&Draw> =
            self.grove.draws.iter().filter(|draw| draw.started < self.as_of).collect();
        draws.sort_by_key(|draw| draw.started);
        draws
            .chunk_by(|a, b| local_date(a.started, zone) == local_date(b.started, zone))
            .map(<[&Draw]>::to_vec)
            .collect()
    }

    /// Every draw, in order of start; `done` is told of each day as it is done.
    ///
    /// # Errors
    /// [`WalkError`] where a day cannot be fitted.
    pub fn walked(&self, done: &(dyn Fn() + Sync)) -> Result<Vec<Walked<'a>>, WalkError> {
        let days = self.days();
        let runs: Vec<Result<Vec<Walked>, WalkError>> = days
            .par_chunks(DAYS_TOGETHER)
            .map(|run| {
                let mut start = Start::new(self.base);
                let mut all = Vec::new();
                for day in run {
                    all.extend(self.day(day, &mut start)?);
                    done();
                }
                Ok(all)
            })
            .collect();
        Ok(runs.into_iter().collect::<Result<Vec<_>, _>>()?.into_iter().flatten().collect())
    }

    fn day(&self, day: &[&'a Draw], start: &mut Start) -> Result<Vec<Walked<'a>>, WalkError> {
        let first = day[0].started;
        let last = day[day.len() - 1].started;
        let asked_at = first - self.way.before;
        let failed = |error| WalkError::Fit { at: asked_at, error };
        let seen = self.seen(asked_at, last + FARTHEST);
        let coming = match self.way.forecast {
            true => seen.forecast.and_then(|forecast| forecast.members.first()),
            false => Some(&seen.observed),
        };
        let past = Past::with_coming(self.grove, &seen.past, coming, asked_at);
        let turns = turns_of(&self.grove.settings, self.date(first))?;
        let rivals = match self.way.rivals {
            true => {
                let et = past.learn(&start.reference_et).map_err(failed)?;
                start.reference_et = carried(&start.reference_et, et.file());
                let clock = self.ahead(&et, &seen, first);
                Some((Rivals::new(self.grove, &past, &seen.observed), et, clock))
            }
            false => None,
        };
        let model = past.learn(&start.light).map_err(failed)?;
        start.light = carried(&start.light, model.file());
        let ahead = self.ahead(&model, &seen, first);
        let mut without: Vec<(usize, Model, Ahead)> = Vec::new();
        let mut all = Vec::with_capacity(day.len());
        for &draw in day {
            let (model, ahead) = if self.way.withhold_trees {
                let place = match without.iter().position(|(tree, ..)| *tree == draw.tree) {
                    Some(place) => place,
                    None => {
                        let tree_id = &self.grove.trees[draw.tree].id;
                        let model = past.learn_without(&start.light, tree_id).map_err(failed)?;
                        let ahead = self.ahead(&model, &seen, first);
                        without.push((draw.tree, model, ahead));
                        without.len() - 1
                    }
                };
                (&without[place].1, &without[place].2)
            } else {
                (&model, &ahead)
            };
            let hang = hang(draw);
            let came = outcome(&fillings(draw).swap_remove(0).as_of(self.as_of));
            let guesses = match &rivals {
                Some((rivals, et, clock)) => {
                    let by_et = self.foreseen(et, clock, &hang, draw).ok();
                    rivals.guesses(&hang, by_et, clock, &turns, came)
                }
                None => Guesses::default(),
            };
            all.push(Walked {
                draw,
                date: self.date(draw.started),
                asked_at,
                belief: self.foreseen(model, ahead, &hang, draw),
                rests_on: model.file().rests_on.draws,
                new_tree: !model.knows_tree(&self.grove.trees[draw.tree].id),
                turns,
                outcome: came,
                guesses,
            });
        }
        Ok(all)
    }

    fn date(&self, at: DateTime<Utc>) -> NaiveDate {
        local_date(at, self.grove.settings.zone)
    }

    /// The weather known at an instant, as the desk has it; `end` is as far as anybody looks.
    fn seen(&self, at: DateTime<Utc>, end: DateTime<Utc>) -> Seen<'a> {
        let until = |to| Span { from: DateTime::<Utc>::MIN_UTC, to };
        let observed = match self.way.forecast {
            true => {
                let hours = self.observed.hours();
                let full = hours.partition_point(|hour| hour.span.to <= at);
                let end = hours[..full].last().map_or(DateTime::<Utc>::MIN_UTC, |h| h.span.to);
                self.observed.clipped(until(end))
            }
            false => self.observed.clipped(until(end)),
        };
        let cut = observed.span().map_or(at, |span| span.to);
        let past = observed.clipped(until(at));
        let forecast = self.way.forecast.then(|| self.grove.forecasts.latest(at)).flatten();
        Seen { observed, past, forecast, cut }
    }

    fn ahead(&self, model: &Model, seen: &Seen, first: DateTime<Utc>) -> Ahead {
        Ahead::new(
            self.grove,
            model,
            &seen.observed,
            seen.forecast,
            seen.cut,
            first,
            !self.way.forecast,
            SEED,
        )
    }

    /// The belief about a draw; where its line was shut for a time, with that time taken out.
    fn foreseen(
        &self,
        model: &Model,
        ahead: &Ahead,
        hang: &Hang,
        draw: &Draw,
    ) -> Result<Belief, ClockError> {
        let belief = foresee(self.grove, model, ahead, std::slice::from_ref(hang)).remove(0)?;
        match fillings(draw).swap_remove(0).pauses {
            pauses if pauses.is_empty() => Ok(belief),
            pauses => Ok(belief.on(ahead.paused_course(hang.start, &pauses)?)),
        }
    }
}

/// The weather known at one instant.
struct Seen<'a> {
    observed: Series,
    past: Series,
    forecast: Option<&'a Forecast>,
    cut: DateTime<Utc>,
}

/// Where the searches of the next day begin.
struct Start {
    light: ModelFile,
    reference_et: ModelFile,
}

impl Start {
    fn new(base: &ModelFile) -> Self {
        Self { light: base.clone(), reference_et: base.pulled_by(Kind::ReferenceEt) }
    }
}

/// The base with the shape and spreads of yesterday: a place to search from, and no draw.
fn carried(base: &ModelFile, learned: &ModelFile) -> ModelFile {
    ModelFile { demand: learned.demand, variances: learned.variances, ..base.clone() }
}

/// A draw as it was intended.
fn hang(draw: &Draw) -> Hang {
    Hang {
        id: draw.id.clone(),
        tree: draw.tree,
        start: draw.started,
        charge: draw.charge,
        ports: draw.ports,
        head: draw.head,
        row: 0,
    }
}
