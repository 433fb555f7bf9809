//! The model file: what was learned, what it rests on, and the draws themselves as the regression
//! saw them, so that it predicts anywhere and can be checked by fitting it again.

use super::fit::{CoefficientPrior, FitError, Posterior, Row, Variances, fit};
use super::learn::{Belief, Beliefs, Learned, Offset, learn};
use crate::belief::Residual;
use crate::demand::{Kind, Shape, ShapeError};
use crate::units::{Centimetres, Head};
use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

/// Version of the file's layout; any other is refused.
pub const SCHEMA: u32 = 2;
/// Head at which the head's coefficient says nothing, m.
const TYPICAL_HEAD_M: f64 = 1.5;
/// Trunk at which the dbh's coefficient says nothing, cm.
const TYPICAL_DBH_CM: f64 = 30.0;

/// A model that can predict: settings, draws and their posterior.
#[derive(Debug, Clone)]
pub struct Model {
    file: ModelFile,
    posterior: Posterior,
}

/// What a model is built from and with.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ModelFile {
    /// Version of the layout.
    pub schema: u32,
    /// What it is a model of.
    pub name: String,
    /// Program and version that made it.
    pub made_by: String,
    /// When it was fitted; none for a prior.
    pub fitted_at: Option<DateTime<Utc>>,
    /// What it rests on.
    pub rests_on: RestsOn,
    /// Weather to demand.
    pub demand: Shape,
    /// Standard deviation of the logarithm of the night floor.
    pub night_floor_ln_sd: f64,
    /// Spread of effects and residual.
    pub variances: Variances,
    /// Why the search for shape and spreads stopped before it had settled; none where it settled or
    /// nothing was searched. They are then the best that it had tried.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub unsettled: Option<String>,
    /// What was believed before any draw of what is learned by evidence.
    pub beliefs: Beliefs,
    /// Coefficients: prior and, where there are draws, posterior.
    pub coefficients: Vec<Coefficient>,
    /// Covariance of the coefficients, in their order.
    pub covariance: Vec<Vec<f64>>,
    /// Log marginal likelihood of the draws.
    pub log_evidence: f64,
    /// Coverage found by walking forward, where that was done.
    pub coverage: Option<Coverage>,
    /// The draws as intervals of ln thirst under `demand`.
    pub rows: Vec<Row>,
}

/// What a model rests on.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RestsOn {
    /// Draws that told something.
    pub draws: usize,
    /// Draws that told nothing (leaked, never looked at, no weather).
    pub silent: usize,
    /// Trees among them.
    pub trees: usize,
    /// Looks after civil dusk, which are what the night floor is learned from.
    pub after_dusk: usize,
    /// First and last local date.
    pub from: Option<NaiveDate>,
    /// Last local date.
    pub to: Option<NaiveDate>,
    /// SHA-256 of the rows as JSON.
    pub rows_sha256: String,
}

/// One coefficient, before and after the draws.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Coefficient {
    /// Prior: name, mean, sd.
    pub prior: CoefficientPrior,
    /// What it multiplies.
    pub unit: String,
    /// Posterior mean.
    pub mean: f64,
    /// Posterior standard deviation.
    pub sd: f64,
}

impl Coefficient {
    /// Did the draws move it? By rule: they took at least a tenth off its standard deviation.
    pub fn moved(&self) -> bool {
        self.prior.sd.is_none_or(|sd| self.sd < 0.9 * sd)
    }
}

/// Coverage of the 80 % band, found by walking forward.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Coverage {
    /// Draws predicted.
    pub draws: usize,
    /// Share surely inside, %.
    pub surely_pct: f64,
    /// Share possibly inside, %.
    pub possibly_pct: f64,
}

/// Why a model file cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum ModelError {
    /// Not JSON of this form.
    #[error("not a model file: {0}")]
    Form(#[from] serde_json::Error),
    /// Made for another version.
    #[error(
        "a model {found} cannot be used, as this program reads schemas 1 to {SCHEMA}; refit the grove, or use \
         the program that made it"
    )]
    Schema {
        /// The schema as the file says it.
        found: String,
    },
    /// A demand parameter that cannot be.
    #[error(transparent)]
    Demand(#[from] ShapeError),
    /// A number that must be positive and finite is not.
    #[error("model value {name} {value} must be above 0 and finite")]
    Value {
        /// Which.
        name: &'static str,
        /// Its value.
        value: f64,
    },
    /// The rows are not those that were fitted.
    #[error("the draws in the model file are not those it was fitted on: it was edited or cut")]
    Digest,
    /// Fitting the stored rows again gives other coefficients.
    #[error(
        "fitting the stored draws again gives {name} {found:.6}, not {stored:.6}: made by another \
         version; refit the grove"
    )]
    Differs {
        /// Coefficient.
        name: String,
        /// As fitted now.
        found: f64,
        /// As stored.
        stored: f64,
    },
    /// The fit failed.
    #[error(transparent)]
    Fit(#[from] FitError),
}

/// Covariates of a draw, in the order of the coefficients.
pub fn covariates(ports: u32, dbh: Centimetres, head: Option<Head>) -> Vec<f64> {
    let head = head.map_or(0.0, |head| (head.value() / TYPICAL_HEAD_M).ln());
    vec![1.0, f64::from(ports).ln(), (dbh.value() / TYPICAL_DBH_CM).ln(), head]
}

impl ModelFile {
    /// The model before any local draw.
    ///
    /// Thirst of a port in fair weather: median 180 mL per demand-hour, 90 % from 18 to 1,500,
    /// derived from published port acceptance of 14 species and from reported times (Sinclair and
    /// Larsen 1981, J. Arboriculture 7(1):6-10). Ports, dbh and head: judgement. Spreads and demand
    /// shape: chosen on the history part of open sap-flow campaigns (SAPFLUXNET, Poyatos et al.
    /// 2021). Night floor: median 0.1, since night flow averages 12 % of a day's (Forster 2014).
    pub fn prior() -> Self {
        let coefficient = |name: &str, unit: &str, mean: f64, sd: f64| Coefficient {
            prior: CoefficientPrior { name: name.into(), mean, sd: Some(sd) },
            unit: unit.into(),
            mean,
            sd,
        };
        let beliefs = Beliefs {
            half_light_w_m2: Belief { median: 180.0, ln_sd: 0.6 },
            deficit_slope: Belief { median: 0.7, ln_sd: 0.25 },
            lag_h: Belief { median: 0.35, ln_sd: 0.9 },
            night_floor: Belief { median: 0.1, ln_sd: 0.7 },
            lead_h: Offset { mean: 0.0, sd: 0.35 },
            scale: Belief { median: 0.15, ln_sd: 0.4 },
            day_sd: Belief { median: 0.22, ln_sd: 0.5 },
        };
        let (demand, variances) = beliefs.at_medians(
            Shape::default(),
            Variances {
                residual: Residual::Logistic,
                scale: 0.15,
                tree_sd: 0.5,
                drift_sd: 0.22,
                drift_days: 20.0,
                block_sd: 0.21,
                species_sd: 0.21,
                day_sd: 0.22,
                day_correlation: 0.65,
            },
        );
        Self {
            schema: SCHEMA,
            name: "prior".into(),
            made_by: made_by(),
            fitted_at: None,
            rests_on: RestsOn { rows_sha256: digest(&[]), ..RestsOn::default() },
            demand,
            night_floor_ln_sd: beliefs.night_floor.ln_sd,
            variances,
            unsettled: None,
            beliefs,
            coefficients: vec![
                coefficient("intercept", "ln (mL per demand-hour)", 180f64.ln(), 1.15),
                coefficient("ln ports", "ln count", 1.0, 0.3),
                coefficient("ln dbh", "ln (dbh / 30 cm)", 0.0, 0.3),
                coefficient("ln head", "ln (head / 1.5 m)", 0.5, 0.5),
            ],
            covariance: Vec::new(),
            log_evidence: 0.0,
            coverage: None,
            rows: Vec::new(),
        }
        .with_prior_covariance()
    }

    fn with_prior_covariance(mut self) -> Self {
        let p = self.coefficients.len();
        self.covariance = vec![vec![0.0; p]; p];
        for (i, coefficient) in self.coefficients.iter().enumerate() {
            self.covariance[i][i] = coefficient.sd * coefficient.sd;
        }
        self
    }

    /// Reads a model file.
    ///
    /// # Errors
    /// [`ModelError`] where it is not one, is of another schema, was edited, or cannot be fitted.
    pub fn from_json(text: &str) -> Result<Self, ModelError> {
        let mut value: serde_json::Value = serde_json::from_str(text)?;
        match value.get("schema").map(|schema| (schema.as_u64(), schema)) {
            Some((Some(1), _)) => step_to_2(&mut value),
            Some((Some(2), _)) => {}
            Some((_, found)) => {
                return Err(ModelError::Schema { found: format!("of schema {found}") });
            }
            None => return Err(ModelError::Schema { found: "without a schema".into() }),
        }
        let file: Self = serde_json::from_value(value)?;
        file.demand.checked()?;
        let v = &file.variances;
        for (name, value) in [
            ("scale", v.scale),
            ("tree_sd", v.tree_sd),
            ("drift_sd", v.drift_sd),
            ("drift_days", v.drift_days),
            ("block_sd", v.block_sd),
            ("species_sd", v.species_sd),
            ("day_sd", v.day_sd),
            ("day_correlation", v.day_correlation),
            ("night_floor_ln_sd", file.night_floor_ln_sd),
        ] {
            if !(value > 0.0 && value.is_finite()) {
                return Err(ModelError::Value { name, value });
            }
        }
        if digest(&file.rows) != file.rests_on.rows_sha256 {
            return Err(ModelError::Digest);
        }
        Ok(file)
    }

    /// As JSON, ending in a newline.
    pub fn to_json(&self) -> String {
        let mut text = serde_json::to_string_pretty(self).expect("numbers and strings only");
        text.push('\n');
        text
    }

    /// Is its demand of the kind asked for?
    pub fn matches(&self, reference_et: bool) -> bool {
        (self.demand.pull == Kind::ReferenceEt) == reference_et
    }

    /// The same with another kind of demand, at the medians of what is believed of it.
    pub fn pulled_by(&self, pull: Kind) -> Self {
        let (demand, variances) =
            self.beliefs.at_medians(Shape { pull, ..self.demand }, self.variances);
        Self { demand, variances, ..self.clone() }
    }

    fn priors(&self) -> Vec<CoefficientPrior> {
        self.coefficients.iter().map(|coefficient| coefficient.prior.clone()).collect()
    }
}

impl Model {
    /// The model before any local draw.
    ///
    /// # Errors
    /// None in practice: the prior has no rows to fail on.
    pub fn prior() -> Result<Self, FitError> {
        Self::conditioned(ModelFile::prior(), Vec::new(), RestsOn::default())
    }

    /// The model of a file, fitted again from its rows and compared with what the file says.
    ///
    /// # Errors
    /// [`ModelError`] where the fit fails or gives other coefficients.
    pub fn from_file(file: ModelFile) -> Result<Self, ModelError> {
        let posterior = fit(&file.rows, &file.priors(), &file.variances)?;
        for (coefficient, found) in file.coefficients.iter().zip(posterior.coefficients()) {
            if (coefficient.mean - found).abs() > 1e-5 * (1.0 + found.abs()) {
                let (name, stored) = (coefficient.prior.name.clone(), coefficient.mean);
                return Err(ModelError::Differs { name, found, stored });
            }
        }
        Ok(Self { file, posterior })
    }

    /// Fits these rows with the shape and variances of `base`.
    ///
    /// # Errors
    /// [`FitError`] where the fit fails.
    pub fn conditioned(base: ModelFile, rows: Vec<Row>, rests: RestsOn) -> Result<Self, FitError> {
        let posterior = fit(&rows, &base.priors(), &base.variances)?;
        Ok(Self::assembled(base, rows, rests, posterior))
    }

    /// Learns shape and variances too, from the rows that `rows_at` makes under each shape.
    ///
    /// # Errors
    /// [`FitError`] where the fit at what was learned fails.
    pub fn learned(
        base: ModelFile,
        rows_at: &(dyn Fn(&Shape) -> Vec<Row> + Sync),
        rests: RestsOn,
    ) -> Result<Self, FitError> {
        let priors = base.priors();
        let Learned { shape, variances, night_floor_ln_sd, posterior, unsettled } =
            learn(base.demand, base.variances, &base.beliefs, &priors, rows_at)?;
        let base = ModelFile { demand: shape, variances, night_floor_ln_sd, unsettled, ..base };
        Ok(Self::assembled(base, rows_at(&shape), rests, posterior))
    }

    fn assembled(base: ModelFile, rows: Vec<Row>, rests: RestsOn, posterior: Posterior) -> Self {
        let covariance = posterior.coefficient_covariance();
        let coefficients = base
            .coefficients
            .iter()
            .zip(posterior.coefficients())
            .enumerate()
            .map(|(i, (before, mean))| Coefficient {
                mean,
                sd: covariance[[i, i]].sqrt(),
                ..before.clone()
            })
            .collect();
        let file = ModelFile {
            coefficients,
            covariance: covariance.rows().into_iter().map(|row| row.to_vec()).collect(),
            log_evidence: posterior.log_evidence(),
            rests_on: counted(&rows, rests),
            rows,
            ..base
        };
        Self { file, posterior }
    }

    /// What is written to a model file.
    pub fn file(&self) -> &ModelFile {
        &self.file
    }

    /// The same with a name and a time of fitting.
    pub fn named(mut self, name: &str, fitted_at: DateTime<Utc>) -> Self {
        self.file.name = name.into();
        self.file.fitted_at = Some(fitted_at);
        self.file.made_by = made_by();
        self
    }

    /// The same with the coverage found by walking forward.
    pub fn covered(mut self, coverage: Option<Coverage>) -> Self {
        self.file.coverage = coverage;
        self
    }

    /// What predictions are drawn from.
    pub fn posterior(&self) -> &Posterior {
        &self.posterior
    }

    /// Has this tree a draw among the rows?
    pub fn knows_tree(&self, tree_id: &str) -> bool {
        self.posterior.knows_tree(tree_id)
    }

    /// Does it rest on the prior alone?
    pub fn is_prior_only(&self) -> bool {
        self.file.rows.is_empty()
    }
}

/// Schema 1 knew no lead over the weather's clock: its trees have none, and predict as they did.
fn step_to_2(file: &mut serde_json::Value) {
    let belief = serde_json::to_value(ModelFile::prior().beliefs.lead_h).unwrap_or_default();
    for (part, value) in [("demand", 0.0.into()), ("beliefs", belief)] {
        if let Some(serde_json::Value::Object(part)) = file.get_mut(part) {
            part.insert("lead_h".into(), value);
        }
    }
    file["schema"] = SCHEMA.into();
}

fn made_by() -> String {
    concat!("xylocast ", env!("CARGO_PKG_VERSION")).into()
}

fn digest(rows: &[Row]) -> String {
    let json = serde_json::to_vec(rows).expect("numbers and strings only");
    Sha256::digest(json).iter().map(|byte| format!("{byte:02x}")).collect()
}

fn counted(rows: &[Row], rests: RestsOn) -> RestsOn {
    let trees: std::collections::BTreeSet<&str> =
        rows.iter().map(|row| row.tree_id.as_str()).collect();
    RestsOn {
        draws: rows.len(),
        trees: trees.len(),
        from: rows.iter().map(|row| row.date).min(),
        to: rows.iter().map(|row| row.date).max(),
        rows_sha256: digest(rows),
        ..rests
    }
}
