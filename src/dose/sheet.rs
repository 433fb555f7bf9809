//! The sheets as plain data: doses of a block, mixing of a batch, setting up, parts of the kits.
//! How they look is for the terminal, the pages and the files.

use super::allot::{Basis, DoseNote, Refused};
use super::cautions::{self, Act, Caution};
use super::measure::Spread;
use super::mix::{Bags, Batch, DosePlan, Totals, TreeDose};
use super::parts::Parts;
use super::ports::{PortCount, Ring};
use super::rate::LabelRate;
use crate::units::{Head, Millilitres};
use chrono::NaiveDate;
use serde::Serialize;

/// What stands at the top of every sheet.
#[derive(Debug, Clone, PartialEq, Serialize, utoipa::ToSchema)]
pub struct Heading {
    /// The grove.
    pub grove: String,
    /// The block.
    pub block: String,
    /// The day planned.
    pub day: NaiveDate,
    /// The product's name, as the user typed it.
    pub product_name: Option<String>,
    /// Its registration number, as the user typed it.
    pub registration_number: Option<String>,
}

/// Doses of one block.
#[derive(Debug, Clone, PartialEq, Serialize, utoipa::ToSchema)]
pub struct DoseSheet {
    /// Its heading.
    pub heading: Heading,
    /// The label rate, as typed.
    pub label_rate: LabelRate,
    /// What doses were worked out from.
    pub basis: Basis,
    /// The trunks measured, where there were two or more.
    pub trunks: Option<Spread>,
    /// Tree by tree.
    pub trees: Vec<TreeDose>,
    /// All together.
    pub totals: Totals,
    /// Trees that are not dosed, with the reason.
    pub refused: Vec<Refused>,
    /// What should be said beside it.
    pub notes: Vec<DoseNote>,
    /// Cautions of planning.
    pub cautions: Vec<&'static Caution>,
}

/// One batch to mix.
#[derive(Debug, Clone, PartialEq, Serialize, utoipa::ToSchema)]
pub struct MixingSheet {
    /// Its heading.
    pub heading: Heading,
    /// How many batches there are.
    pub batches: usize,
    /// This one.
    pub batch: Batch,
    /// Cautions of mixing.
    pub cautions: Vec<&'static Caution>,
}

/// What to do at one tree.
#[derive(Debug, Clone, PartialEq, Serialize, utoipa::ToSchema)]
pub struct TreeSetUp {
    /// Its id.
    pub id: String,
    /// Ports, and what their number rests on.
    pub ports: PortCount,
    /// What flares or spacing ask for by common practice.
    pub by_practice: PortCount,
    /// Where they go, where old holes are known.
    pub ring: Option<Ring>,
    /// Bags and refills; none where there is no dose.
    pub bags: Option<Bags>,
    /// Mix in all; none where there is no dose.
    pub mix_ml: Option<Millilitres>,
}

/// A step of setting up, with the act whose cautions stand beside it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, utoipa::ToSchema)]
#[schema(as = SetUpStep)]
pub struct Step {
    /// What to do.
    pub words: &'static str,
    /// The act that it belongs to.
    pub at: Act,
}

/// The order of work at a tree (common practice, no source).
pub const STEPS: [Step; 9] = [
    Step { words: "Check the tree's id, its dose and the tag on the bag", at: Act::Hanging },
    Step { words: "Look over the trunk, mark the ports, find old holes", at: Act::Drilling },
    Step { words: "Hang the bag at its height, with the stopcock shut", at: Act::Hanging },
    Step { words: "Purge the line to a drip without bubbles; catch what comes", at: Act::Purging },
    Step { words: "Drill slightly downward, clear the dust, fill the hole", at: Act::Drilling },
    Step { words: "Seat each tip at once, line falling all the way", at: Act::Drilling },
    Step { words: "Open the stopcock, write down the start", at: Act::Hanging },
    Step { words: "Look for leaks and drips after 5 to 10 minutes", at: Act::Hanging },
    Step { words: "Pour what was caught back into the bag of the same tree", at: Act::Purging },
];

/// Setting up a block.
#[derive(Debug, Clone, PartialEq, Serialize, utoipa::ToSchema)]
pub struct SetUpSheet {
    /// Its heading.
    pub heading: Heading,
    /// Head of a full bag.
    pub head_m: Head,
    /// The order of work.
    pub steps: &'static [Step],
    /// Tree by tree.
    pub trees: Vec<TreeSetUp>,
    /// Cautions of drilling, hanging and purging.
    pub cautions: Vec<&'static Caution>,
}

/// What to put in the van.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct KitSheet {
    /// Its heading.
    pub heading: Heading,
    /// Parts of all kits, and of one.
    pub parts: Parts,
    /// Cautions of hanging and purging.
    pub cautions: Vec<&'static Caution>,
}

impl DoseSheet {
    /// The sheet of a plan.
    pub fn new(
        heading: Heading,
        label_rate: LabelRate,
        basis: Basis,
        trunks: Option<Spread>,
        plan: &DosePlan,
    ) -> Self {
        Self {
            heading,
            label_rate,
            basis,
            trunks,
            trees: plan.trees.clone(),
            totals: plan.totals,
            refused: plan.refused.clone(),
            notes: plan.notes.clone(),
            cautions: cautions_at(&[Act::Planning]),
        }
    }
}

/// One mixing sheet to each batch of a plan.
pub fn mixing_sheets(heading: &Heading, plan: &DosePlan) -> Vec<MixingSheet> {
    let sheet = |batch: &Batch| MixingSheet {
        heading: heading.clone(),
        batches: plan.batches.len(),
        batch: batch.clone(),
        cautions: cautions_at(&[Act::Mixing]),
    };
    plan.batches.iter().map(sheet).collect()
}

impl SetUpSheet {
    /// The sheet of a block.
    pub fn new(heading: Heading, head: Head, trees: Vec<TreeSetUp>) -> Self {
        let cautions = cautions_at(&[Act::Drilling, Act::Hanging, Act::Purging]);
        Self { heading, head_m: head, steps: &STEPS, trees, cautions }
    }
}

impl KitSheet {
    /// The sheet of N kits.
    pub fn new(heading: Heading, parts: Parts) -> Self {
        Self { heading, parts, cautions: cautions_at(&[Act::Hanging, Act::Purging]) }
    }
}

/// Cautions of several acts, each once.
fn cautions_at(acts: &[Act]) -> Vec<&'static Caution> {
    let stands = |caution: &&Caution| caution.at.iter().any(|act| acts.contains(act));
    cautions::all().iter().filter(stands).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dose::allot::{Area, Trunk, allot};
    use crate::dose::mix::{Mixing, Vessels, Water, mix};
    use crate::dose::rate::{Counted, LabelFigures, Per, Typed};
    use crate::units::Centimetres;

    fn trunk(id: &str, dbh_cm: f64) -> Trunk {
        Trunk {
            id: id.to_owned(),
            dbh: Centimetres::new(dbh_cm).unwrap(),
            at_most: None,
            given_this_season: Some(0.0),
            last_treated: None,
        }
    }

    #[test]
    fn sheets_are_plain_data_with_units_in_their_keys() {
        let rate = LabelRate::new(1.0, Counted::Millilitres, Per::CentimetreDbh).unwrap();
        let max_per_tree = Typed { ml: Some(50.0), g: None };
        let min_water_ml = Typed { ml: Some(9.0), g: None };
        let figures =
            LabelFigures { rate: Some(rate), min_water_ml, max_per_tree, ..Default::default() };
        let day = NaiveDate::from_ymd_opt(2026, 1, 14).unwrap();
        let trees = [trunk("A", 30.0), trunk("B", 60.0)];
        let allotted = allot(&trees, &figures, Basis::ByTree, Area::default(), day).unwrap();
        let vessels = Vessels {
            product_mark: 1.0,
            water_mark_ml: 10.0,
            pour_mark_ml: 5.0,
            can: Millilitres::new(5000.0).unwrap(),
            bag: Millilitres::new(1000.0).unwrap(),
            bags_at_once: 1,
        };
        let plan = mix(allotted, &vessels, Mixing { water: Water::LeastOnLabel, spare: 0.1 });
        let plan = plan.unwrap();
        let heading = Heading {
            grove: "Home".into(),
            block: "North".into(),
            day,
            product_name: None,
            registration_number: None,
        };
        let mixing = mixing_sheets(&heading, &plan);
        assert_eq!(mixing.len(), 1);
        assert!(mixing[0].cautions.iter().any(|caution| caution.key == "label_is_law"));
        let mut sheet = DoseSheet::new(heading, rate, Basis::ByTree, None, &plan);
        sheet.cautions.clear();
        let json = serde_json::to_string_pretty(&sheet).unwrap();
        insta::assert_snapshot!(json, @r#"
        {
          "heading": {
            "grove": "Home",
            "block": "North",
            "day": "2026-01-14",
            "product_name": null,
            "registration_number": null
          },
          "label_rate": {
            "amount": 1.0,
            "of": "millilitres",
            "per": "centimetre_dbh"
          },
          "basis": "by_tree",
          "trunks": null,
          "trees": [
            {
              "id": "A",
              "dbh_cm": 30.0,
              "label_dose": {
                "product_ml": 30.0
              },
              "allotted": {
                "product_ml": 30.0
              },
              "product": {
                "product_ml": 29.72973
              },
              "water_ml": 270.27027,
              "mix_ml": 300.0,
              "off_label_dose": -0.009009000000000045,
              "bags": {
                "bags": 1,
                "refills": 0,
                "last_fill_ml": 300.0
              }
            }
          ],
          "totals": {
            "product": {
              "product_ml": 33.0
            },
            "water_ml": 300.0,
            "mix_ml": 333.0,
            "product_given": {
              "product_ml": 29.72973
            },
            "poured_ml": 300.0,
            "left_over_ml": 33.0,
            "bags": 1,
            "refills": 0
          },
          "refused": [
            {
              "id": "B",
              "refusal": "over_tree",
              "dose": {
                "product_ml": 60.0
              },
              "most": {
                "product_ml": 50.0
              }
            }
          ],
          "notes": [],
          "cautions": []
        }
        "#);
    }

    #[test]
    fn steps_run_from_the_tag_to_the_first_leak_check() {
        let sheet_cautions = cautions_at(&[Act::Drilling, Act::Hanging, Act::Purging]);
        for step in STEPS {
            assert!(sheet_cautions.iter().any(|caution| caution.at.contains(&step.at)));
        }
    }
}
