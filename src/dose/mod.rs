//! From trunks to mix: measuring, dosing, ports, kits, cautions.
//!
//! 1. [`tape`] reads circumferences as people type them; [`measure`] gives their mean, how far it
//!    can be trusted, and the trees that stand apart.
//! 2. [`rate`] is the label as the user typed it: the program multiplies, and never fills in.
//! 3. [`allot`] gives each tree its product, by its own dbh unless the mean is allowed, and refuses
//!    what would be over a label's figure ([`flaw`]).
//! 4. [`mix`] turns that into batches for a mixing can, pours for trees, bags and refills.
//! 5. [`ports`] counts and places holes, [`hydraulics`] tells what head and line do to the flow,
//!    [`parts`] lists what N kits are made of.
//! 6. [`sheet`] gathers the sheets as plain data; [`cautions`] stand where the act is.
//!
//! Stands on `units` alone, and on dates as arguments.
//!
//! ```
//! use chrono::NaiveDate;
//! use xylocast::dose::allot::{Area, Basis, Trunk, allot};
//! use xylocast::dose::mix::{Mixing, Vessels, Water, mix};
//! use xylocast::dose::rate::{Counted, LabelFigures, LabelRate, Per, Typed};
//! use xylocast::units::{Centimetres, Millilitres};
//!
//! // Figures of an invented label: 0.7 mL per cm dbh, 9 parts of water to one of product.
//! let label = LabelFigures {
//!     rate: Some(LabelRate::new(0.7, Counted::Millilitres, Per::CentimetreDbh).unwrap()),
//!     min_water_ml: Typed { ml: Some(9.0), g: None },
//!     ..LabelFigures::default()
//! };
//! let trunk = |id: &str, dbh_cm| Trunk {
//!     id: id.to_owned(),
//!     dbh: Centimetres::new(dbh_cm).unwrap(),
//!     at_most: None,
//!     given_this_season: Some(0.0),
//!     last_treated: None,
//! };
//! let on = NaiveDate::from_ymd_opt(2026, 1, 14).unwrap();
//! let trees = [trunk("A1", 30.0), trunk("A2", 40.0)];
//! let allotted = allot(&trees, &label, Basis::ByTree, Area::default(), on).unwrap();
//! let vessels = Vessels {
//!     product_mark: 0.5,
//!     water_mark_ml: 10.0,
//!     pour_mark_ml: 5.0,
//!     can: Millilitres::new(5000.0).unwrap(),
//!     bag: Millilitres::new(1000.0).unwrap(),
//!     bags_at_once: 1,
//! };
//! let mixing = Mixing { water: Water::LeastOnLabel, spare: 0.0 };
//! let plan = mix(allotted, &vessels, mixing).unwrap();
//! // 21 + 28 = 49 mL of product and 441 mL of water, which the vessel shows as 450.
//! assert_eq!(plan.batches[0].product.value(), 49.0);
//! assert_eq!(plan.batches[0].water_ml.value(), 450.0);
//! assert!(plan.trees.iter().all(|tree| tree.product.value() <= tree.label_dose.value()));
//! ```

pub mod allot;
mod cans;
pub mod cautions;
mod exact;
pub mod flaw;
pub mod hydraulics;
pub mod measure;
pub mod mix;
pub mod parts;
pub mod ports;
pub mod rate;
pub mod sheet;
mod student;
pub mod tape;
