//! Cautions, placed where the act is. All of them stand in one text file, `data/cautions.toml`, for
//! a reviewer to read in one go.

use serde::{Deserialize, Serialize};
use std::sync::LazyLock;

/// What every caution is subject to.
pub const PREVAIL: &str = "Local rules and the label prevail.";

/// Written as a caution's source where it has none.
pub const NO_SOURCE: &str = "common practice, no source";

const FILE: &str = include_str!("../../data/cautions.toml");

/// The act that a caution belongs to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[schema(as = ActOfCaution)]
#[serde(rename_all = "snake_case")]
#[expect(missing_docs, reason = "each act is told by its name")]
pub enum Act {
    Planning,
    Mixing,
    Drilling,
    Hanging,
    Purging,
    Overnight,
    Stripping,
    Records,
}

impl Act {
    /// All of them, in the order of the work.
    pub const ALL: [Act; 8] = [
        Act::Planning,
        Act::Mixing,
        Act::Drilling,
        Act::Hanging,
        Act::Purging,
        Act::Overnight,
        Act::Stripping,
        Act::Records,
    ];
}

/// One caution.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[schema(as = DoseCaution)]
#[serde(deny_unknown_fields)]
pub struct Caution {
    /// Its key, as `eyes_when_drilling`.
    pub key: String,
    /// The acts that it stands at.
    pub at: Vec<Act>,
    /// Is people's safety at stake? These are the ones shown in red.
    pub people: bool,
    /// What it says, in one short sentence or two.
    pub words: String,
    /// Where it comes from, or [`NO_SOURCE`].
    pub source: String,
}

impl Caution {
    /// Its words, and what prevails over them.
    pub fn in_full(&self) -> String {
        format!("{} {PREVAIL}", self.words)
    }
}

#[derive(Deserialize)]
struct Cautions {
    caution: Vec<Caution>,
}

static ALL: LazyLock<Vec<Caution>> = LazyLock::new(|| {
    let cautions: Cautions =
        toml::from_str(FILE).expect("the embedded file is read by a test before it is shipped");
    cautions.caution
});

/// All cautions, in the order of the file.
pub fn all() -> &'static [Caution] {
    &ALL
}

/// Cautions that stand at an act.
///
/// ```
/// use xylocast::dose::cautions::{Act, at};
/// assert!(at(Act::Drilling).any(|caution| caution.key == "eyes_when_drilling"));
/// ```
pub fn at(act: Act) -> impl Iterator<Item = &'static Caution> {
    ALL.iter().filter(move |caution| caution.at.contains(&act))
}

/// The caution with this key.
pub fn keyed(key: &str) -> Option<&'static Caution> {
    ALL.iter().find(|caution| caution.key == key)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::HashSet;

    #[test]
    fn every_caution_is_keyed_placed_short_and_sourced() {
        let mut keys = HashSet::new();
        for caution in all() {
            assert!(keys.insert(&caution.key), "{} stands twice", caution.key);
            assert!(!caution.at.is_empty(), "{}", caution.key);
            assert!(caution.words.len() <= 220, "{} is long", caution.key);
            assert!(caution.words.ends_with('.'), "{}", caution.key);
            assert!(!caution.source.is_empty(), "{}", caution.key);
            assert!(caution.in_full().ends_with(PREVAIL));
        }
    }

    #[test]
    fn what_the_work_needs_is_there() {
        for key in [
            "label_is_law",
            "licensed_applicator",
            "protective_equipment",
            "eyes_when_drilling",
            "eyes_when_purging",
            "buried_lines",
            "overhead_lines",
            "no_bloom",
            "water_protection",
            "spill",
            "label_every_bag",
            "out_of_reach",
            "disinfect_bits",
            "re_entry",
            "pre_harvest",
            "food_crops",
            "heat_of_crew",
            "heat_of_mix",
            "frost",
            "unattended",
            "spare_is_not_applied",
        ] {
            assert!(keyed(key).is_some(), "{key} is missing");
        }
    }

    #[test]
    fn no_act_is_without_a_caution() {
        for act in Act::ALL {
            assert!(at(act).next().is_some(), "{act:?}");
        }
    }
}
