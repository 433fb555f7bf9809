//! What the label says, as the user typed it: the rate, the maxima, the least water, the interval.
//!
//! The program multiplies and compares; it never proposes a figure. What is missing is asked for,
//! with the place on a label where it stands.

use super::exact::Millionths;
use super::flaw::DoseFlaw;
use crate::units::{Centimetres, Circumference, Grams, Millilitres};
use serde::Serialize;
use std::f64::consts::PI;
use std::fmt;

/// Largest number that a label figure can be.
pub const LARGEST_FIGURE: f64 = 100_000.0;

/// An amount of product: by volume or by mass, as the label counts it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, utoipa::ToSchema)]
pub enum Product {
    /// By volume.
    #[serde(rename = "product_ml")]
    Volume(Millilitres),
    /// By mass.
    #[serde(rename = "product_g")]
    Mass(Grams),
}

impl Product {
    /// The bare number, in mL or g.
    pub fn value(self) -> f64 {
        match self {
            Self::Volume(volume) => volume.value(),
            Self::Mass(mass) => mass.value(),
        }
    }
}

impl Product {
    /// The unit, as printed.
    pub fn unit(self) -> &'static str {
        match self {
            Self::Volume(_) => Millilitres::UNIT,
            Self::Mass(_) => Grams::UNIT,
        }
    }
}

impl fmt::Display for Product {
    /// To the thousandth, as fine as any mark; smaller amounts in full.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let value = self.value();
        let shown = if value.abs() < 0.01 { value } else { (value * 1000.0).round() / 1000.0 };
        write!(f, "{shown} {}", self.unit())
    }
}

/// What a label counts product in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, utoipa::ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Counted {
    /// Millilitres.
    Millilitres,
    /// Grams.
    Grams,
}

impl Counted {
    /// The unit, as printed.
    pub fn unit(self) -> &'static str {
        match self {
            Self::Millilitres => Millilitres::UNIT,
            Self::Grams => Grams::UNIT,
        }
    }

    /// Has this amount of product a volume of its own in the mix? Grams count as none: what a
    /// powder adds to the volume is not on the label, and without it the mix is a little weaker.
    pub(super) fn volume(self, product: Millionths) -> Millionths {
        match self {
            Self::Millilitres => product,
            Self::Grams => Millionths::default(),
        }
    }

    pub(super) fn product(self, amount: Millionths) -> Product {
        match self {
            Self::Millilitres => Product::Volume(Millilitres::computed(amount.value())),
            Self::Grams => Product::Mass(Grams::computed(amount.value())),
        }
    }
}

/// What a label rate is counted by.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, utoipa::ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Per {
    /// Centimetre of dbh.
    CentimetreDbh,
    /// Inch of dbh.
    InchDbh,
    /// Centimetre of circumference.
    CentimetreCircumference,
    /// Square centimetre of basal area, the cut through the trunk at breast height.
    SquareCentimetreBasalArea,
    /// Tree.
    Tree,
}

impl Per {
    /// How many of it a trunk has.
    ///
    /// `dbh`; `dbh / 2.54`; `pi dbh`; `pi dbh^2 / 4`; 1. A rate by basal area grows with the square
    /// of the dbh: a tree twice as thick gets four times as much, not twice.
    ///
    /// ```
    /// use xylocast::dose::rate::Per;
    /// use xylocast::units::Centimetres;
    /// let dbh = Centimetres::new(50.8).unwrap();
    /// assert!((Per::InchDbh.count(dbh) - 20.0).abs() < 1e-12);
    /// assert!((Per::SquareCentimetreBasalArea.count(dbh) - 2026.83).abs() < 0.01);
    /// ```
    pub fn count(self, dbh: Centimetres) -> f64 {
        let dbh_cm = dbh.value();
        match self {
            Self::CentimetreDbh => dbh_cm,
            Self::InchDbh => dbh_cm / Circumference::CM_PER_INCH,
            Self::CentimetreCircumference => PI * dbh_cm,
            Self::SquareCentimetreBasalArea => PI * dbh_cm * dbh_cm / 4.0,
            Self::Tree => 1.0,
        }
    }

    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Self::CentimetreDbh => "cm dbh",
            Self::InchDbh => "inch dbh",
            Self::CentimetreCircumference => "cm circumference",
            Self::SquareCentimetreBasalArea => "cm2 basal area",
            Self::Tree => "tree",
        }
    }
}

/// The user's number from the label.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, utoipa::ToSchema)]
pub struct LabelRate {
    amount: f64,
    of: Counted,
    per: Per,
}

impl LabelRate {
    /// A rate above 0, up to [`LARGEST_FIGURE`].
    ///
    /// # Errors
    /// [`DoseFlaw::Figure`].
    pub fn new(amount: f64, of: Counted, per: Per) -> Result<Self, DoseFlaw> {
        figure("label rate", amount, f64::MIN_POSITIVE)?;
        Ok(Self { amount, of, per })
    }

    /// What it counts.
    pub fn of(self) -> Counted {
        self.of
    }

    /// What it is counted by.
    pub fn per(self) -> Per {
        self.per
    }

    /// Label dose of one trunk: `rate x size`.
    ///
    /// ```
    /// use xylocast::dose::rate::{Counted, LabelRate, Per};
    /// use xylocast::units::Centimetres;
    /// // Published elm trials: 15 mL of mix per mm round, 471 mL per cm dbh, 26.4 L at 56.0 cm.
    /// let rate = LabelRate::new(471.0, Counted::Millilitres, Per::CentimetreDbh).unwrap();
    /// let dose = rate.for_trunk(Centimetres::new(56.0).unwrap());
    /// assert!((dose - 26_400.0).abs() < 50.0);
    /// ```
    pub fn for_trunk(self, dbh: Centimetres) -> f64 {
        self.amount * self.per.count(dbh)
    }
}

impl fmt::Display for LabelRate {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} {} per {}", self.amount, self.of.unit(), self.per.words())
    }
}

/// A label figure as typed, in the unit that it was typed in.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Typed {
    /// In mL of product, or per mL of it.
    pub ml: Option<f64>,
    /// In g of product, or per g of it.
    pub g: Option<f64>,
}

/// The label's figures as typed; none is ever filled in.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct LabelFigures {
    /// The label rate.
    pub rate: Option<LabelRate>,
    /// Least water, mL per mL or g of product; 0 where the label has it go in undiluted.
    pub min_water_ml: Typed,
    /// Most product per tree and treatment.
    pub max_per_tree: Typed,
    /// Most product per tree and season.
    pub max_per_tree_season: Typed,
    /// Most product per hectare and season.
    pub max_per_hectare_season: Typed,
    /// Least days between treatments.
    pub min_interval_days: Option<u32>,
    /// Has the user typed that the label allows a mean or class dose?
    pub mean_dose_allowed: Option<bool>,
}

/// A label's figures, all in the unit of its rate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Label {
    pub(super) rate: LabelRate,
    pub(super) min_water: Millionths,
    pub(super) max_per_tree: Option<Millionths>,
    pub(super) max_per_tree_season: Option<Millionths>,
    pub(super) max_per_hectare_season: Option<f64>,
    pub(super) min_interval_days: Option<u32>,
    pub(super) mean_dose_allowed: bool,
}

impl LabelFigures {
    pub(super) fn checked(&self) -> Result<Label, DoseFlaw> {
        let rate = self.rate.ok_or(DoseFlaw::NoRate)?;
        let of = rate.of;
        let most = |words, typed: Typed| typed.in_unit(words, of, f64::MIN_POSITIVE);
        let water = self.min_water_ml.in_unit("least water", of, 0.0)?;
        let tree = most("maximum per tree", self.max_per_tree)?;
        let season = most("maximum per tree and season", self.max_per_tree_season)?;
        Ok(Label {
            rate,
            min_water: Millionths::up(water.ok_or(DoseFlaw::NoDilution { unit: of.unit() })?),
            max_per_tree: tree.map(Millionths::down),
            max_per_tree_season: season.map(Millionths::down),
            max_per_hectare_season: most(
                "maximum per hectare and season",
                self.max_per_hectare_season,
            )?,
            min_interval_days: self.min_interval_days,
            mean_dose_allowed: self.mean_dose_allowed == Some(true),
        })
    }
}

impl Typed {
    /// Was anything typed?
    pub fn is_typed(self) -> bool {
        self.ml.is_some() || self.g.is_some()
    }

    /// The figure in the rate's unit; one in the other unit is refused, never passed over.
    fn in_unit(self, words: &'static str, of: Counted, low: f64) -> Result<Option<f64>, DoseFlaw> {
        let (ours, other, other_unit) = match of {
            Counted::Millilitres => (self.ml, self.g, Counted::Grams.unit()),
            Counted::Grams => (self.g, self.ml, Counted::Millilitres.unit()),
        };
        if let Some(value) = other {
            let rate_unit = of.unit();
            return Err(DoseFlaw::OtherUnit { figure: words, value, unit: other_unit, rate_unit });
        }
        ours.map(|value| figure(words, value, low)).transpose()
    }
}

pub(super) fn figure(words: &'static str, value: f64, low: f64) -> Result<f64, DoseFlaw> {
    if (low..=LARGEST_FIGURE).contains(&value) {
        Ok(value)
    } else {
        Err(DoseFlaw::Figure { figure: words, value, high: LARGEST_FIGURE })
    }
}
