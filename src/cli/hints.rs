//! How the terminal says what an error asks for: the error holds the fact, the flags stand here.

use crate::app::desk::{About, DeskError};
use crate::app::log::Fault;
use crate::journal::Refusal;
use crate::store::db::StoreError;
use crate::store::folder_log::LogError;
use crate::text::FlawKind;

/// An error with what can be typed about it.
pub fn told(error: &DeskError) -> String {
    match hint(error) {
        Some(hint) => format!("{error}\n  {hint}"),
        None => error.to_string(),
    }
}

fn hint(error: &DeskError) -> Option<String> {
    let own = "name a grove with --grove; `xylocast export FOLDER` makes a folder of the demo";
    let words = match error {
        DeskError::Log(fault) => return of_log(fault),
        DeskError::Database(error) => return of_store(error),
        DeskError::Demo => own,
        DeskError::Refused(refused) => {
            let differs = |problem: &FlawKind| matches!(problem, FlawKind::Conflict { .. });
            if !refused.flaws.iter().any(|flaw| differs(&flaw.problem)) {
                return None;
            }
            "import with --replace takes what is offered"
        }
        DeskError::Ask { about, .. } => match about {
            About::Trees => "--tree and --block name them",
            About::Means => "--people, --kits and --tree say other ones",
            About::Kits => "--kits says how many",
            About::Missing => "--gone and --broken name them by those numbers",
            About::EarlierPlan => "--date says the date, --from the earlier plan",
            About::Database => "name it with --grove FILE.db",
            About::WorseRefit => "--even-if-worse writes it all the same",
        },
        _ => return None,
    };
    Some(words.to_owned())
}

fn of_log(fault: &Fault) -> Option<String> {
    let bags = "`xylocast log show` lists the bags that hang";
    let keys = "`xylocast log show` lists the entries with their keys";
    let words = match fault {
        Fault::Time(_) => "--at takes it",
        Fault::Unknown { .. } => bags,
        Fault::NoBag { tree_id, .. } => {
            return Some(format!("`xylocast log start {tree_id}` starts one"));
        }
        Fault::NothingToUndo { .. } => {
            return Some(format!("{keys}; --by says whose is undone"));
        }
        Fault::Log(LogError::Demo) => {
            "`xylocast export FOLDER` makes a folder of the demo; name it with --grove"
        }
        Fault::Log(LogError::Unsure { key, .. }) => return Some(format!("add --key {key}")),
        Fault::Log(LogError::Refusal(refusal)) => match refusal {
            Refusal::UnknownKey { .. } => keys,
            Refusal::UnknownDraw { .. } => bags,
            Refusal::DrawExists { .. } => "--draw gives it one",
            Refusal::TreeHasBag { .. } => "--second-bag says so",
            Refusal::ShutAlready { .. } => "`xylocast log resume` notes that",
            _ => return None,
        },
        _ => return None,
    };
    Some(words.to_owned())
}

fn of_store(error: &StoreError) -> Option<String> {
    match error {
        StoreError::Missing { path } => {
            Some(format!("`xylocast import FOLDER --grove {}` makes one", path.display()))
        }
        StoreError::NotEmpty { .. } => Some("--replace keeps the old one beside it".into()),
        _ => None,
    }
}
