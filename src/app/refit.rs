//! Learning the model again from the grove's own draws, and saying what that changes.

use super::desk::{Desk, DeskError, MODELS};
use super::past::{Aside, Past};
use crate::demand::{Kind, Shape};
use crate::store::write_atomically;
use crate::uptake::model::{Model, ModelFile};
use crate::weather::Span;
use chrono::{DateTime, Utc};
use serde::Serialize;
use std::path::{Path, PathBuf};

/// A refit: the model before and after.
#[derive(Debug, Serialize)]
pub struct Refit {
    /// Coefficients.
    pub coefficients: Vec<Change>,
    /// Demand shape and spreads.
    pub learned: Vec<Learned>,
    /// Draws that it rests on.
    pub draws: usize,
    /// Trees among them.
    pub trees: usize,
    /// Draws that tell nothing, with the reason.
    pub silent: Vec<String>,
    /// Where the model was written; none where it was only looked at.
    pub written: Option<PathBuf>,
    /// The model.
    #[serde(skip)]
    pub model: Model,
}

/// One coefficient, prior and now.
#[derive(Debug, Clone, Serialize)]
pub struct Change {
    /// Name.
    pub name: String,
    /// What it multiplies.
    pub unit: String,
    /// Prior mean and standard deviation.
    pub prior: (f64, Option<f64>),
    /// Mean and standard deviation now.
    pub now: (f64, f64),
    /// Did the draws move it?
    pub moved: bool,
}

/// One learned parameter, prior median and now.
#[derive(Debug, Clone, Serialize)]
pub struct Learned {
    /// Name with unit.
    pub name: &'static str,
    /// Median of the prior.
    pub prior: f64,
    /// Now.
    pub now: f64,
}

/// Refits the grove as of the desk's instant and writes the model to `out`, or into the grove's
/// folder of models. The embedded demo is written only where `out` is named.
///
/// # Errors
/// [`DeskError`] where the fit fails or the file cannot be written.
pub fn refit(
    desk: &Desk,
    folder: Option<&Path>,
    out: Option<&Path>,
    reference_et: bool,
) -> Result<Refit, DeskError> {
    let known = Span { from: DateTime::<Utc>::MIN_UTC, to: desk.as_of };
    let past = Past::new(&desk.grove, &desk.observed.clipped(known), desk.as_of);
    let prior = ModelFile::prior();
    let kind = if reference_et { Kind::ReferenceEt } else { prior.demand.pull };
    let prior = prior.pulled_by(kind);
    let model = past.learn(&prior)?.named(&desk.grove.settings.name, desk.as_of);
    if model.is_prior_only() {
        return Err(DeskError::Unanswerable(
            "no draw of this grove tells anything yet: log draws in draws.csv, and weather for \
             their hours in weather/observed.csv"
                .into(),
        ));
    }
    let written = match (out, folder) {
        (Some(out), _) => Some(out.to_path_buf()),
        (None, Some(folder)) => Some(in_folder(desk, folder)?),
        (None, None) => None,
    };
    if let Some(path) = &written {
        write_atomically(path, model.file().to_json().as_bytes())
            .map_err(|error| DeskError::File { path: path.clone(), error })?;
    }
    let silent = past.asides(&model.file().demand).iter().map(aside_words).collect();
    Ok(Refit {
        coefficients: changes(&model),
        learned: learned(&prior, &model),
        draws: model.file().rests_on.draws,
        trees: model.file().rests_on.trees,
        silent,
        written,
        model,
    })
}

/// A draw set aside, in words.
pub fn aside_words(aside: &Aside) -> String {
    format!("draw {}: {}", aside.draw_id, aside.why)
}

fn in_folder(desk: &Desk, folder: &Path) -> Result<PathBuf, DeskError> {
    let models = folder.join(MODELS);
    std::fs::create_dir_all(&models)
        .map_err(|error| DeskError::File { path: models.clone(), error })?;
    Ok(models.join(format!("{}.json", desk.as_of.format("%Y-%m-%dT%H%M%SZ"))))
}

fn changes(model: &Model) -> Vec<Change> {
    let change = |coefficient: &crate::uptake::model::Coefficient| Change {
        name: coefficient.prior.name.clone(),
        unit: coefficient.unit.clone(),
        prior: (coefficient.prior.mean, coefficient.prior.sd),
        now: (coefficient.mean, coefficient.sd),
        moved: coefficient.moved(),
    };
    model.file().coefficients.iter().map(change).collect()
}

fn learned(prior: &ModelFile, model: &Model) -> Vec<Learned> {
    let (before, now) = (&prior, model.file());
    let pair = |name, prior: f64, now: f64| Learned { name, prior, now };
    let mut all = Vec::new();
    if let (Some(prior), Some(now)) = (light(&before.demand), light(&now.demand)) {
        all.push(pair("half_light_w_m2", prior.0, now.0));
        all.push(pair("deficit_slope", prior.1, now.1));
    }
    all.push(pair("lag_h", before.demand.lag_h, now.demand.lag_h));
    all.push(pair("lead_h", before.demand.lead_h, now.demand.lead_h));
    all.push(pair("night_floor", before.demand.night_floor, now.demand.night_floor));
    all.push(pair("night_floor_ln_sd", before.night_floor_ln_sd, now.night_floor_ln_sd));
    all.push(pair("residual_scale", before.variances.scale, now.variances.scale));
    all.push(pair("day_sd", before.variances.day_sd, now.variances.day_sd));
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
