//! Pages, pictures and calendars of what `app` returns, and of nothing else. No script, no outside
//! address.

pub mod calendar;
pub mod dayplan;
pub mod lanes;
