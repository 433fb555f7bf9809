//! What is believed of a finishing time: quantiles, probabilities, and the scores that hold a
//! belief to account.
//!
//! A [`Course`] says how far each weather member's demand clock has come after so many minutes; a
//! [`Law`] how ln thirst spreads about its mean; a [`Belief`] is one draw: both, and how much
//! demand its charge asks for.

mod finish;
pub mod joint;
pub(crate) mod law;
pub mod score;
pub mod watched;

pub use finish::{Belief, Course, Finish};
pub use law::{Law, Residual};
