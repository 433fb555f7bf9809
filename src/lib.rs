//! xylocast: how long each infused tree will take to draw down its bag, from the weather.

pub mod belief;
pub mod plan;
pub mod units;
pub mod weather;
pub mod demand;
pub mod uptake;
