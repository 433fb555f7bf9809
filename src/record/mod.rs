//! The working record: what was put into which tree, when, by whom, and what became of it.
//!
//! A working record is no legal form. [`missing`] says which fields common rules
//! ask for, with the rule and how well it is known; that none is missing does not mean that a rule
//! is met.

pub mod amounts;
pub mod line;
pub mod rules;
pub mod totals;

pub use amounts::{Amounts, Thousandths};
pub use line::{Line, Look, Range, Weather, line};
pub use rules::{Missing, missing};
pub use totals::{Total, adds_up, totals};

/// Stands on every form of the record.
pub const NOTICE: &str = "Working record, not a legal form. The label, local law and licensed \
                          practice prevail; check what your rules ask for before you rely on it.";

#[cfg(test)]
mod tests;
