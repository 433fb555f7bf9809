//! How an hour of weather pulls on a tree in leaf.

use crate::units::{Kilopascal, WattsPerSquareMetre};
use crate::weather::{Flags, Span};
use chrono::{DateTime, TimeDelta};
use serde::{Deserialize, Serialize};

/// Lowest vapour pressure deficit that the shape looks at, kPa.
const LOWEST_DEFICIT_KPA: f64 = 0.05;
/// Fair weather, where demand is 1 by definition.
const FAIR_SHORTWAVE_W_M2: f64 = 700.0;
const FAIR_DEFICIT_KPA: f64 = 1.5;
/// FAO-56 eq. 53 in fair weather at 25 degC, 2 m/s, sea level and Rs/Rso 0.8.
const FAIR_REFERENCE_ET_MM_H: f64 = 0.4854;

/// Which weather makes the pull.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "snake_case", deny_unknown_fields)]
pub enum Kind {
    /// Saturating light times a vapour pressure deficit damped by closing stomata:
    /// `Rs / (Rs + half_light) * d (1 - deficit_slope ln d)`, flat beyond its peak.
    /// Stomatal slope 0.6: Oren et al. 1999, Plant, Cell and Environment 22:1515-1526.
    LightAndDeficit {
        /// Shortwave at which light limits by half, W/m2.
        half_light_w_m2: f64,
        /// Fall of stomatal conductance with ln VPD, relative to its value at 1 kPa.
        deficit_slope: f64,
    },
    /// FAO-56 hourly reference ET, in units of its fair-weather value.
    ReferenceEt,
}

/// A demand model: what pulls, how fast the tree follows, and what is left at night.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Shape {
    /// Which weather makes the pull.
    pub pull: Kind,
    /// Time constant with which the tree follows the pull, hours.
    pub lag_h: f64,
    /// Pull that is always there, night included, before normalising.
    pub night_floor: f64,
    /// Hours by which the tree runs ahead of the weather's clock: above 0 an hour of weather acts
    /// that much before its own stamp, below 0 after it. A stand that faces the morning sun or
    /// drains its stem early runs ahead; so does a tree beside a station whose clock is late, which
    /// this cannot tell apart.
    pub lead_h: f64,
}

/// Farthest that a tree can run ahead of the weather's clock or behind it, hours.
pub const MOST_LEAD_H: f64 = 1.5;

/// A parameter of a [`Shape`] that cannot be.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
#[error("demand parameter {name} {value} is outside {low} to {high}")]
pub struct ShapeError {
    /// Which parameter.
    pub name: &'static str,
    /// Its value.
    pub value: f64,
    /// Lowest allowed.
    pub low: f64,
    /// Highest allowed.
    pub high: f64,
}

/// What drives the pull of one span.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Drive {
    /// When.
    pub span: Span,
    /// Mean shortwave.
    pub shortwave: WattsPerSquareMetre,
    /// Vapour pressure deficit.
    pub deficit: Kilopascal,
    /// Reference ET, mm per hour.
    pub reference_et_mm_h: f64,
    /// What of this was estimated.
    pub flags: Flags,
}

/// The pull of one span, constant within it, before lag and floor.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pull {
    /// When.
    pub span: Span,
    /// How strong, in units of fair weather without the floor.
    pub strength: f64,
    /// What in the weather behind it was estimated.
    pub flags: Flags,
}

impl Default for Shape {
    /// Fitted on open sap-flow data (olive, apple, eucalypt, oak, tropical forest); the floor is
    /// the median of its prior, since those data cannot inform it.
    fn default() -> Self {
        Self {
            pull: Kind::LightAndDeficit { half_light_w_m2: 150.0, deficit_slope: 0.6 },
            lag_h: 0.5,
            night_floor: 0.1,
            lead_h: 0.0,
        }
    }
}

impl Shape {
    /// The same shape with another night floor.
    pub fn with_night_floor(self, night_floor: f64) -> Self {
        Self { night_floor, ..self }
    }

    /// The parameters, checked.
    ///
    /// # Errors
    /// [`ShapeError`] for the first that is outside its range or NaN.
    pub fn checked(self) -> Result<Self, ShapeError> {
        let within = |name, value: f64, low: f64, high: f64| {
            if (low..=high).contains(&value) {
                Ok(())
            } else {
                Err(ShapeError { name, value, low, high })
            }
        };
        if let Kind::LightAndDeficit { half_light_w_m2, deficit_slope } = self.pull {
            within("half_light_w_m2", half_light_w_m2, 1.0, 2000.0)?;
            within("deficit_slope", deficit_slope, 0.05, 0.95)?;
        }
        within("lag_h", self.lag_h, 0.01, 6.0)?;
        within("night_floor", self.night_floor, 0.001, 1.0)?;
        within("lead_h", self.lead_h, -MOST_LEAD_H, MOST_LEAD_H)?;
        Ok(self)
    }

    /// The pull of each hour, at the time at which the tree feels it.
    pub fn pulls<'a>(&self, drives: impl IntoIterator<Item = &'a Drive>) -> Vec<Pull> {
        let fair = self.fair_strength() + self.night_floor;
        let lead = TimeDelta::microseconds((self.lead_h * 3.6e9).round() as i64);
        drives
            .into_iter()
            .map(|drive| Pull {
                span: Span { from: drive.span.from - lead, to: drive.span.to - lead },
                strength: self.strength(drive) / fair,
                flags: drive.flags,
            })
            .collect()
    }

    /// The night floor in units of fair weather.
    pub fn floor(&self) -> f64 {
        self.night_floor / (self.fair_strength() + self.night_floor)
    }

    fn strength(&self, drive: &Drive) -> f64 {
        match self.pull {
            Kind::LightAndDeficit { half_light_w_m2, deficit_slope } => {
                let shortwave = drive.shortwave.value();
                let light = shortwave / (shortwave + half_light_w_m2);
                light * damped_deficit(drive.deficit.value(), deficit_slope)
            }
            Kind::ReferenceEt => drive.reference_et_mm_h.max(0.0) / FAIR_REFERENCE_ET_MM_H,
        }
    }

    fn fair_strength(&self) -> f64 {
        self.strength(&Drive {
            span: Span { from: DateTime::UNIX_EPOCH, to: DateTime::UNIX_EPOCH },
            shortwave: WattsPerSquareMetre::computed(FAIR_SHORTWAVE_W_M2),
            deficit: Kilopascal::computed(FAIR_DEFICIT_KPA),
            reference_et_mm_h: FAIR_REFERENCE_ET_MM_H,
            flags: Flags::default(),
        })
    }
}

/// `d (1 - m ln d)` up to its peak at `d = exp(1/m - 1)`, flat beyond.
fn damped_deficit(deficit_kpa: f64, slope: f64) -> f64 {
    let d = deficit_kpa.clamp(LOWEST_DEFICIT_KPA, (1.0 / slope - 1.0).exp());
    d * (1.0 - slope * d.ln())
}
