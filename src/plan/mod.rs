//! From beliefs to decisions: when to start, in what rhythm, what to do with a bag that will still
//! be wet at dusk.

pub mod cadence;
pub mod overnight;
pub mod window;
