//! Pages: HTML of what `app` returns, and of nothing else. No script, no outside address.

pub mod sheet;
