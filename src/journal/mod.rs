//! The journal: what happened to bags, entry by entry, and what may be noted next.
//!
//! An [`Entry`] is one thing that somebody did or saw. [`State::fold`] makes draws of entries, in
//! whatever order they came; [`State::admit`] says whether one more may be noted, and why not. An
//! entry is never changed or taken out: an undo is an entry too, and the fold leaves out what it
//! names.

mod admit;
mod entry;
mod files;
mod flat;
mod refusal;
mod state;
mod told;

pub use admit::{Admission, CLOCK_SKEW, Clock, HANGS_AT_MOST};
pub use entry::{Act, Entry, Start, check_text};
pub use files::{DrawFiles, JOURNAL, NotPutDown, read_journal, write_journal};
pub use flat::{ACTS, Flat, FlatFlaw, STATES};
pub use refusal::Refusal;
pub use state::State;
pub use told::{Event, Strip, Told, What};

#[cfg(test)]
pub(crate) mod tests;
