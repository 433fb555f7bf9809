//! Learning the model again from the grove's own draws: what that would change, whether it would have
//! predicted better, and, once agreed to, putting it in use.

use super::ahead::target;
use super::compare::Under;
use super::desk::{About, Desk, DeskError, Request};
use super::out_of_time::{OutOfTime, out_of_time, split};
use super::past::{Aside, Past};
use super::rests::counted;
use super::shared::RefitTurn;
use super::window::local_time;
use super::words::hours;
use crate::belief::Law;
use crate::demand::{Kind, Shape};
use crate::grove::{Hang, Tree};
use crate::store::db::By;
use crate::store::home::Home;
use crate::store::write_atomically;
use crate::units::Millilitres;
use crate::uptake::model::{Coefficient, Coverage, Model, ModelFile};
use crate::weather::Span;
use chrono::{DateTime, Utc};
use serde::Serialize;
use std::path::{Path, PathBuf};

/// Trees shown that a refit moves most.
const MOVED: usize = 5;
/// A tree whose time changes by less than this factor has not moved.
const LEAST_MOVE: f64 = 1.05;

/// A refit: what it would change.
#[derive(Debug, Serialize, utoipa::ToSchema)]
pub struct Refit {
    /// What is in use now: fitted when; none where it is the prior.
    pub in_use: Option<String>,
    /// Coefficients.
    pub coefficients: Vec<Change>,
    /// Demand shape and spreads.
    pub learned: Vec<Learned>,
    /// Middle of the trees' P90 over P10, before and after.
    pub band_ratio: (f64, f64),
    /// Trees whose expected time changes most.
    pub moved: Vec<Moved>,
    /// Would it have predicted better? None where there are too few draws to tell.
    pub out_of_time: Option<OutOfTime>,
    /// Is it worse, so that it is not put in use unless asked for all the same?
    pub is_worse: bool,
    /// Draws that it rests on.
    pub draws: usize,
    /// Trees among them.
    pub trees: usize,
    /// Draws that tell nothing, with the reason.
    pub silent: Vec<String>,
    /// Where the model was written; none where it was only looked at.
    #[schema(value_type = Option<String>)]
    pub written: Option<PathBuf>,
    /// Why it was not written.
    pub not_written: Option<&'static str>,
    /// The model.
    #[serde(skip)]
    pub model: Model,
}

/// One tree's time, before and after.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct Moved {
    /// Which tree.
    pub tree_id: String,
    /// Minutes for a litre in fair weather, even chance, with the model in use.
    pub before_min: f64,
    /// With the refit.
    pub after_min: f64,
}

/// One coefficient, prior and now.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct Change {
    /// Name.
    pub name: String,
    /// What it multiplies.
    pub unit: String,
    /// Prior mean and standard deviation.
    pub prior: (f64, Option<f64>),
    /// Mean and standard deviation with the model in use.
    pub before: (f64, f64),
    /// Mean and standard deviation now.
    pub now: (f64, f64),
    /// Did the draws move it?
    pub moved: bool,
}

/// One learned parameter: prior median, in use, now.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct Learned {
    /// Name with unit.
    pub name: &'static str,
    /// Median of the prior.
    pub prior: f64,
    /// In use.
    pub before: f64,
    /// Now.
    pub now: f64,
}

/// Refits the grove as of the desk's instant, and writes nothing.
///
/// # Errors
/// [`DeskError`] where a fit fails or no draw tells anything.
pub fn refit(desk: &Desk, reference_et: bool) -> Result<Refit, DeskError> {
    let known = Span { from: DateTime::<Utc>::MIN_UTC, to: desk.as_of };
    let observed = desk.observed.clipped(known);
    let past = Past::new(&desk.grove, &observed, desk.as_of);
    let prior = ModelFile::prior();
    let kind = if reference_et { Kind::ReferenceEt } else { prior.demand.pull };
    let prior = prior.pulled_by(kind);
    let in_use = desk.models.iter().rev().find(|file| file.matches(reference_et));
    let before = past.condition(in_use.unwrap_or(&prior))?;
    let split = split(&Under::new(before.file(), &past, past.drives()));
    let earlier = split.map(|(_, at)| Past::new(&desk.grove, &observed, at));
    let (model, learned_earlier) = rayon::join(
        || past.learn(&prior),
        || earlier.as_ref().map(|earlier| earlier.learn(&prior)).transpose(),
    );
    let model = model?.named(&desk.grove.settings.name, desk.as_of);
    if model.is_prior_only() {
        return Err(DeskError::Unanswerable(
            "no draw of this grove tells anything yet: log draws in draws.csv, and weather for \
             their hours in weather/observed.csv"
                .into(),
        ));
    }
    let out_of_time = match (split, learned_earlier?) {
        (Some((from, _)), Some(after)) => {
            Some(out_of_time(desk, &past, from, before.file(), after.file())?)
        }
        _ => None,
    };
    let model = model.covered(out_of_time.map(|checked| Coverage {
        draws: checked.draws,
        surely_pct: checked.after.surely_inside_pct,
        possibly_pct: checked.after.possibly_inside_pct,
    }));
    let silent = past.asides(&model.file().demand).iter().map(aside_words).collect();
    let (moved, band_ratio) = moved(desk, &before, &model);
    Ok(Refit {
        in_use: in_use.and_then(|file| file.fitted_at).map(|at| local_time(desk, at)),
        coefficients: changes(&before, &model),
        learned: learned(&prior, before.file(), &model),
        band_ratio,
        moved,
        out_of_time,
        is_worse: out_of_time.is_some_and(|checked| checked.is_worse()),
        draws: model.file().rests_on.draws,
        trees: model.file().rests_on.trees,
        silent,
        written: None,
        not_written: None,
        model,
    })
}

/// Refits a grove as of now and puts the model in use, in somebody's name.
///
/// # Errors
/// [`DeskError::Ask`] where it would have predicted worse and nobody agreed to that.
pub fn accept(home: &Home, even_if_worse: bool, by: By) -> Result<Refit, DeskError> {
    if home.is_demo() {
        return Err(DeskError::Demo);
    }
    let grove = home.path().map(Path::to_owned);
    let request = Request { grove, as_of: Some(by.at), ..Request::default() };
    let turn = RefitTurn::take(home)?;
    let desk = Desk::lay(&request, by.at)?;
    let mut answer = refit(&desk, false)?;
    if answer.is_worse && !even_if_worse {
        let fact =
            "the refit would have predicted worse than the model in use; say that it is to be \
                    used all the same"
                .into();
        return Err(DeskError::Ask { fact, about: About::WorseRefit });
    }
    turn.keep(&mut answer, &desk, by)?;
    Ok(answer)
}

impl Refit {
    /// What it would change, and whether it would have predicted better.
    pub fn words(&self) -> Vec<String> {
        let mut words = vec![format!(
            "bands: the middle tree's P90 is {:.1} times its P10; it was {:.1} times",
            self.band_ratio.1, self.band_ratio.0
        )];
        words.extend(self.moved.iter().map(|moved| {
            format!(
                "tree {}: a litre in fair weather takes {}; it was {}",
                moved.tree_id,
                hours(moved.after_min),
                hours(moved.before_min)
            )
        }));
        words.push(match &self.out_of_time {
            None => "out of time: too few draws to hold a refit against the model in use".into(),
            Some(checked) => format!(
                "out of time, the {} from {} on: the 80 % band held {:.0}-{:.0} % with the model in \
                 use, {:.0}-{:.0} % with a refit on the draws before; log score a draw {:+.3} +- {:.3}: \
                 {}",
                counted(checked.draws, "draw", "draws"),
                checked.from,
                checked.before.surely_inside_pct,
                checked.before.possibly_inside_pct,
                checked.after.surely_inside_pct,
                checked.after.possibly_inside_pct,
                checked.gain,
                checked.gain_error,
                match (self.is_worse, checked.gain > checked.gain_error) {
                    (true, _) => "worse",
                    (_, true) => "better",
                    _ => "no worse",
                }
            ),
        });
        words
    }

    /// Writes the model to `out`, or beside the grove's others in the name of somebody, where it is in
    /// use from then on. No model that is there already is written over.
    ///
    /// # Errors
    /// [`DeskError`] where it cannot be written.
    pub fn write(&mut self, desk: &Desk, by: By, out: Option<&Path>) -> Result<(), DeskError> {
        self.written = Some(match out {
            Some(out) => {
                write_atomically(out, self.model.file().to_json().as_bytes())
                    .map_err(|error| DeskError::File { path: out.to_path_buf(), error })?;
                out.to_path_buf()
            }
            None => desk.home.keep_model(self.model.file(), desk.as_of, by)?,
        });
        Ok(())
    }
}

/// A draw set aside, in words.
pub fn aside_words(aside: &Aside) -> String {
    format!("draw {}: {}", aside.draw_id, aside.why)
}

/// The trees that move most, and the middle band before and after.
fn moved(desk: &Desk, before: &Model, after: &Model) -> (Vec<Moved>, (f64, f64)) {
    let hang = |(tree, known): (usize, &Tree)| Hang {
        id: known.id.clone(),
        tree,
        start: desk.as_of,
        charge: Millilitres::computed(1000.0),
        ports: known.ports,
        head: None,
        row: 0,
    };
    let hangs: Vec<Hang> = desk.grove.trees.iter().enumerate().map(hang).collect();
    let targets: Vec<_> = hangs.iter().map(|hang| target(&desk.grove, hang)).collect();
    let of = |model: &Model| -> Vec<(f64, f64)> {
        let variances = model.posterior().variances();
        let thirsts = model.posterior().thirst(&targets);
        let band =
            |sd: f64| (2.0 * Law::new(sd, variances.residual, variances.scale).quantile(0.9)).exp();
        thirsts.into_iter().map(|(mean, sd)| (60.0 * 1000.0 / mean.exp(), band(sd))).collect()
    };
    let (before, after) = (of(before), of(after));
    let middle = |all: &[(f64, f64)]| {
        let mut ratios: Vec<f64> = all.iter().map(|(_, ratio)| *ratio).collect();
        ratios.sort_by(f64::total_cmp);
        ratios.get(ratios.len() / 2).copied().unwrap_or(1.0)
    };
    let bands = (middle(&before), middle(&after));
    let far = |moved: &Moved| (moved.after_min / moved.before_min).ln().abs();
    let mut moved: Vec<Moved> = desk
        .grove
        .trees
        .iter()
        .zip(before.iter().zip(&after))
        .map(|(tree, (before, after))| Moved {
            tree_id: tree.id.clone(),
            before_min: before.0,
            after_min: after.0,
        })
        .filter(|moved| far(moved) > LEAST_MOVE.ln())
        .collect();
    moved.sort_by(|a, b| far(b).total_cmp(&far(a)));
    moved.truncate(MOVED);
    (moved, bands)
}

fn changes(before: &Model, model: &Model) -> Vec<Change> {
    let change = |(coefficient, before): (&Coefficient, &Coefficient)| Change {
        before: (before.mean, before.sd),
        name: coefficient.prior.name.clone(),
        unit: coefficient.unit.clone(),
        prior: (coefficient.prior.mean, coefficient.prior.sd),
        now: (coefficient.mean, coefficient.sd),
        moved: coefficient.moved(),
    };
    let now = &model.file().coefficients;
    now.iter().zip(&before.file().coefficients).map(change).collect()
}

fn learned(prior: &ModelFile, before: &ModelFile, model: &Model) -> Vec<Learned> {
    let three = [prior, before, model.file()];
    let mut all = Vec::new();
    let mut tell = |name: &'static str, of: &dyn Fn(&ModelFile) -> Option<f64>| {
        if let [Some(prior), Some(before), Some(now)] = three.map(of) {
            all.push(Learned { name, prior, before, now });
        }
    };
    tell("half_light_w_m2", &|file| Some(light(&file.demand)?.0));
    tell("deficit_slope", &|file| Some(light(&file.demand)?.1));
    tell("lag_h", &|file| Some(file.demand.lag_h));
    tell("lead_h", &|file| Some(file.demand.lead_h));
    tell("night_floor", &|file| Some(file.demand.night_floor));
    tell("night_floor_ln_sd", &|file| Some(file.night_floor_ln_sd));
    tell("residual_scale", &|file| Some(file.variances.scale));
    tell("day_sd", &|file| Some(file.variances.day_sd));
    all
}

fn light(shape: &Shape) -> Option<(f64, f64)> {
    match shape.pull {
        Kind::LightAndDeficit { half_light_w_m2, deficit_slope } => {
            Some((half_light_w_m2, deficit_slope))
        }
        Kind::ReferenceEt => None,
    }
}
