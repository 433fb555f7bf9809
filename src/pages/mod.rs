//! HTML, one file a page: what `app` gives, put into words and tables. Every text is escaped.

pub mod record;
