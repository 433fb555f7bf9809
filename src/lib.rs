//! xylocast: how long each infused tree will take to draw down its bag, from the weather.

pub mod app;
pub mod belief;
pub mod demand;
pub mod dose;
pub mod evapo;
pub mod grove;
pub mod plan;
pub mod store;
pub mod text;
pub mod units;
pub mod uptake;
pub mod weather;
