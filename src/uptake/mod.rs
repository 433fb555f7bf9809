//! The uptake model: from what was seen of past draws to how thirsty each tree will be.

pub mod diagnose;
pub mod fit;
pub mod learn;
pub mod likelihood;
pub mod linear;
pub mod live;
pub mod model;
pub mod observe;
pub mod predict;
pub mod regress;
mod shared;
