//! xylocast: how long each infused tree will take to draw down its bag, from the weather.

pub mod grove;
pub mod store;
pub mod text;
pub mod units;
pub mod weather;
