//! Sugar syrup for bees, in numbers: units, the physics of sucrose solutions, strengths as people say
//! them, feeders' shapes, levels to litres, mixing, and what a colony makes of it. This crate stands
//! apart because it is of use without the rest: it knows no hive, no clock and no wire format.

mod estimate;
mod solve;

pub mod feed;
pub mod feeder;
pub mod level;
pub mod mix;
pub mod physics;
pub mod reserves;
pub mod strength;
pub mod units;

pub use estimate::{Estimate, Total};
pub use strength::Strength;
