//! From beliefs to decisions: when to start, in what rhythm, what to do with a bag that will still
//! be wet at dusk.

pub mod cadence;
pub mod check;
pub mod day;
pub mod overnight;
pub mod window;

/// A probability in words: never 0 % or 100 %, which nobody knows.
pub fn percent(p: f64) -> String {
    match p {
        p if p > 0.99 => ">99 %".into(),
        p if p < 0.01 => "<1 %".into(),
        p => format!("{:.0} %", 100.0 * p),
    }
}
