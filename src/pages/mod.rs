//! Pages: HTML of what `app` gives, one file a page. Every text is escaped; no script, no outside
//! address.

pub mod record;
pub mod sheet;
