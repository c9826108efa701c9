//! From readings to fills, daily uptake, syrup left, night-time weight and losses, each with its
//! interval. This crate stands apart because it is pure: values in, values out, time is an argument.

pub mod analysis;
pub mod events;
pub mod feeder;
pub mod input;
pub mod losses;
pub mod math;
pub mod numbers;
pub mod output;
pub mod parameters;
pub mod report;
pub mod series;

pub use analysis::{FeederAnalysis, HiveAnalysis, YardAnalysis, analyse_yard, analyse_yard_with};
pub use input::{ClockOff, DeviceInput, FeederInput, HiveInput, LevelInput, Weather, YardInput};
pub use output::{FeederNow, YardOutput};
pub use parameters::Parameters;
