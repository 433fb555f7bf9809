//! Weather services: bytes in, handed to `weather::services`; politeness, retries, cache and
//! fail-over live here.
//!
//! [`Client`] gets one address as a considerate caller would. What each service is asked for, and
//! in which order services stand in for each other, is [`sources`].

mod cache;
mod client;
mod fault;
mod hosts;
pub mod sources;
pub mod station;

pub use cache::Cache;
pub use client::{Client, Fetched, Manners};
pub use fault::Fault;
