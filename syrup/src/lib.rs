//! Sugar syrup for bees, in numbers: units, the physics of sucrose solutions, strengths as people say
//! them, feeders' shapes, levels to litres, mixing, and what a colony makes of it. This crate stands
//! apart because it is of use without the rest: it knows no hive, no clock and no wire format.
//!
//! ```
//! use larder_syrup::Strength;
//! use larder_syrup::mix::{Ask, answer};
//! use larder_syrup::units::Litres;
//!
//! # fn main() -> Result<(), Box<dyn std::error::Error>> {
//! let ask = Ask {
//!     volume: Some(Litres(20.0)),
//!     strength: Some(Strength::parse("2:1")?),
//!     ..Ask::default()
//! };
//! let syrup = answer(&ask)?;
//! assert_eq!(format!("{:.1} kg", syrup.add_sugar.0), "17.7 kg");
//! assert_eq!(format!("{:.1} l", syrup.add_water_volume().0), "8.9 l");
//! # Ok(())
//! # }
//! ```

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
