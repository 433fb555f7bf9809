//! The weather ahead as the trees will feel it, and what it makes of intended draws.

use super::past::{drives, local_date};
use crate::belief::{Belief, Course, Law};
use crate::demand::errors::{LearnedErrors, learn};
use crate::demand::members::{ForecastError, members, night_floor_factors};
use crate::demand::{Clock, ClockError, Drive};
use crate::grove::{Grove, Hang};
use crate::uptake::model::{Model, covariates};
use crate::uptake::predict::Target;
use crate::weather::{Forecast, Series, Span};
use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use rayon::prelude::*;
use std::collections::HashMap;
use std::sync::{Arc, Mutex, PoisonError};

/// Weather members where the service gives none.
const MEMBERS: usize = 24;
/// Members where the weather is taken as known and only the night floor is not.
const EXACT_MEMBERS: usize = 9;
/// Fewest members of an ensemble that is used as it is.
const FEWEST_ENSEMBLE: usize = 5;
/// Weather kept before the first start: the lag needs six hours, the night's cloudiness a day.
const LEAD_IN: TimeDelta = TimeDelta::hours(36);
/// A horizon beyond which nobody plans a bag, minutes.
const FARTHEST_MIN: f64 = 4.0 * 24.0 * 60.0;

/// How the weather ahead is known.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Spread {
    /// Taken as known: `--exact-weather`.
    Exact,
    /// The service's own ensemble members.
    Ensemble,
    /// One forecast, with errors of the size that this grove's forecasts have had.
    Learned(Box<LearnedErrors>),
    /// One forecast, with errors of a stated size.
    Stated(ForecastError),
}

/// Demand clocks over observed and forecast weather, one per member.
#[derive(Debug)]
pub struct Ahead {
    clocks: Arc<[Clock]>,
    /// Courses without pauses, by start: trees that start together share one.
    courses: Mutex<HashMap<DateTime<Utc>, Arc<Course>>>,
    /// The middle of the weather, for showing.
    pub series: Series,
    /// How the spread came about.
    pub spread: Spread,
}

impl Ahead {
    /// Joins observed weather and a forecast at `cut` and gives each member a clock.
    ///
    /// `from` is the first start of interest: weather long before it is left out.
    #[expect(clippy::too_many_arguments, reason = "what is known by when is told apart")]
    pub fn new(
        grove: &Grove,
        model: &Model,
        observed: &Series,
        forecast: Option<&Forecast>,
        cut: DateTime<Utc>,
        from: DateTime<Utc>,
        exact: bool,
        seed: u64,
    ) -> Self {
        let recent = Span { from: from - LEAD_IN, to: DateTime::<Utc>::MAX_UTC };
        let observed_whole = observed;
        let observed = observed.clipped(recent);
        let join = |later: &Series| observed.followed_by(&later.bridged(), cut).bridged();
        let given: Vec<Series> = forecast.map(|f| f.members.clone()).unwrap_or_default();
        // Cut where it is joined, not where the question begins: the same errors answer every
        // question of this desk.
        let coming = Span { from: cut, to: DateTime::<Utc>::MAX_UTC };
        let given: Vec<Series> = given.iter().map(|member| member.clipped(coming)).collect();
        let middle = Series::mean(&given);
        let (spread, ahead) = if exact || given.is_empty() {
            (Spread::Exact, vec![middle.clone(); EXACT_MEMBERS])
        } else if given.len() >= FEWEST_ENSEMBLE {
            (Spread::Ensemble, given)
        } else {
            let issued_at = forecast.and_then(|forecast| forecast.issued_at);
            let stated = ForecastError::default();
            let learned = learn(observed_whole, &grove.forecasts, cut);
            let error_of = |span| learned.map_or(stated, |learned| learned.at(issued_at, span));
            let each = MEMBERS / given.len();
            let around = |(index, member): (usize, &Series)| {
                members(member, error_of, each, seed.wrapping_add(index as u64))
            };
            let spread = learned.map_or(Spread::Stated(stated), |it| Spread::Learned(Box::new(it)));
            (spread, given.iter().enumerate().flat_map(around).collect())
        };
        let file = model.file();
        // Members that are one course of weather are joined and driven once.
        let same = matches!(spread, Spread::Exact);
        let driven: Vec<Vec<Drive>> = ahead[..if same { 1 } else { ahead.len() }]
            .par_iter()
            .map(|member| drives(&join(member), grove.settings.place))
            .collect();
        let floors = night_floor_factors(file.night_floor_ln_sd, ahead.len(), seed);
        let mut clocks: Vec<Clock> = floors
            .into_par_iter()
            .enumerate()
            .map(|(member, factor)| {
                let floor = (file.demand.night_floor * factor).clamp(0.001, 1.0);
                let shape = file.demand.with_night_floor(floor);
                Clock::new(&shape, &shape.pulls(&driven[if same { 0 } else { member }]))
            })
            .collect();
        if let Some((first, others)) = clocks.split_first_mut() {
            others.iter_mut().for_each(|clock| clock.share_spans(first));
        }
        let clocks = clocks.into();
        Self { clocks, courses: Mutex::default(), series: join(&middle), spread }
    }

    /// The same weather for another question: the courses of this one are not carried on.
    pub fn for_another(&self) -> Self {
        let Self { clocks, series, spread, .. } = self;
        let (clocks, series, spread) = (clocks.clone(), series.clone(), spread.clone());
        Self { clocks, courses: Mutex::default(), series, spread }
    }

    /// The demand clock of each member.
    pub fn clocks(&self) -> &[Clock] {
        &self.clocks
    }

    /// The course of the demand clocks from a start.
    ///
    /// # Errors
    /// [`ClockError`] where there is no weather at the start.
    pub fn course(&self, start: DateTime<Utc>) -> Result<Arc<Course>, ClockError> {
        let known = || self.courses.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(course) = known().get(&start) {
            return Ok(course.clone());
        }
        let course = self.paused_course(start, &[])?;
        known().insert(start, course.clone());
        Ok(course)
    }

    /// The same for a line that is clamped shut for a time; while it is, the clock stands still.
    ///
    /// # Errors
    /// [`ClockError`] where there is no weather at the start.
    pub fn paused_course(
        &self,
        start: DateTime<Utc>,
        pauses: &[Span],
    ) -> Result<Arc<Course>, ClockError> {
        let mut end = DateTime::<Utc>::MAX_UTC;
        for clock in self.clocks.iter() {
            end = end.min(clock.reach(start)?);
        }
        let minutes = grid((end - start).num_seconds() as f64 / 60.0);
        let members = self
            .clocks
            .iter()
            .map(|clock| clock.along(start, &minutes, pauses))
            .map(|member| member.map(never_nothing))
            .collect::<Result<Vec<_>, _>>()?;
        Ok(Arc::new(Course::new(minutes, members)))
    }

    /// Demand at an instant, the mean over members.
    pub fn demand(&self, at: DateTime<Utc>) -> Option<f64> {
        let each: Option<Vec<f64>> =
            self.clocks.iter().map(|clock| clock.demand(at).ok()).collect();
        each.map(|each| each.iter().sum::<f64>() / each.len() as f64)
    }

    /// Had the lag time to settle before this start?
    pub fn is_warm(&self, start: DateTime<Utc>) -> bool {
        self.clocks.iter().all(|clock| clock.is_warm(start))
    }
}

/// Shut from its first second, a clock stands at nothing, which has no logarithm.
fn never_nothing(member: Vec<f64>) -> Vec<f64> {
    member.into_iter().map(|demand_hours| demand_hours.max(1e-9)).collect()
}

/// Minutes at which a course is kept: fine at first, every 10 min for a day, then every 30. Between
/// two of them demand is taken as constant, which moves a finish by seconds.
fn grid(horizon_min: f64) -> Vec<f64> {
    let horizon = horizon_min.min(FARTHEST_MIN);
    let mut minutes = Vec::new();
    let mut at: f64 = 0.25;
    while at < horizon {
        minutes.push(at);
        at += if at < 1440.0 { (0.25 * at).min(10.0) } else { 30.0 };
    }
    minutes.push(horizon.max(0.1));
    minutes
}

/// An intended draw with the belief about its finish; or why there is none.
pub type Foreseen = Result<Belief, ClockError>;

/// How thirsty the trees of some intended draws are believed to be on their dates.
#[derive(Debug, Clone)]
pub struct Thirsts {
    /// `ln` of the demand-hours that each charge asks for at the mean thirst.
    pub ln_wanted: Vec<f64>,
    laws: Vec<Arc<Law>>,
}

/// Draws of one tree on one date with equal ports and head share a thirst.
type ThirstKey = (usize, NaiveDate, u32, Option<u64>);

impl Thirsts {
    /// Of each intended draw, in their order.
    pub fn of<'a>(grove: &Grove, model: &Model, hangs: &'a [Hang]) -> Self {
        let zone = grove.settings.zone;
        let mut places: HashMap<ThirstKey, usize> = HashMap::new();
        let mut distinct: Vec<&'a Hang> = Vec::new();
        let mut place = |hang: &'a Hang| {
            let Hang { tree, start, ports, head, .. } = hang;
            let head = head.map(|head| head.value().to_bits());
            *places.entry((*tree, local_date(*start, zone), *ports, head)).or_insert_with(|| {
                distinct.push(hang);
                distinct.len() - 1
            })
        };
        let place_of: Vec<usize> = hangs.iter().map(&mut place).collect();
        let targets: Vec<Target> = distinct.iter().map(|hang| target(grove, hang)).collect();
        let thirsts = model.posterior().thirst(&targets);
        let laws = laws(model, thirsts.iter().map(|(_, sd)| *sd));
        Self {
            ln_wanted: hangs
                .iter()
                .zip(&place_of)
                .map(|(hang, &place)| hang.charge.value().ln() - thirsts[place].0)
                .collect(),
            laws: place_of.iter().map(|&place| laws[place].clone()).collect(),
        }
    }

    /// The belief about one of them on a course.
    pub fn belief(&self, index: usize, course: Arc<Course>) -> Belief {
        Belief::new(course, self.laws[index].clone(), self.ln_wanted[index])
    }
}

/// A law for each standard deviation, shared by those that agree to three digits: a band differs by
/// less than one part in a thousand from its own law's.
pub(super) fn laws(model: &Model, sds: impl Iterator<Item = f64>) -> Vec<Arc<Law>> {
    let variances = model.posterior().variances();
    let mut known: HashMap<i64, Arc<Law>> = HashMap::new();
    sds.map(|sd| {
        let step = (1000.0 * sd.max(1e-6).ln()).round();
        let law = || Arc::new(Law::new((step / 1000.0).exp(), variances.residual, variances.scale));
        known.entry(step as i64).or_insert_with(law).clone()
    })
    .collect()
}

/// Beliefs about intended draws, in their order.
pub fn foresee(grove: &Grove, model: &Model, ahead: &Ahead, hangs: &[Hang]) -> Vec<Foreseen> {
    let thirsts = Thirsts::of(grove, model, hangs);
    let belief = |(index, hang): (usize, &Hang)| {
        ahead.course(hang.start).map(|course| thirsts.belief(index, course))
    };
    hangs.iter().enumerate().map(belief).collect()
}

/// An intended draw as the regression sees it.
pub fn target(grove: &Grove, hang: &Hang) -> Target {
    let tree = &grove.trees[hang.tree];
    let head = hang.head.unwrap_or(grove.settings.bag.head);
    Target {
        tree_id: tree.id.clone(),
        block: tree.block.clone(),
        species: tree.species.clone().unwrap_or_default(),
        date: local_date(hang.start, grove.settings.zone),
        covariates: covariates(hang.ports, tree.dbh, Some(head)),
    }
}
