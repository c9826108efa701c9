//! From readings to what a keeper wants to know: fills, daily uptake, night-time weight, flags.
//! This crate stands apart because it is pure: values in, values out, time is an argument. What it
//! returns can be thrown away and computed again.

pub mod input;
pub mod output;

pub use input::{DeviceInput, FeederInput, HiveInput, LevelInput, Weather, YardInput};
pub use output::{FeederNow, YardOutput};

/// Estimates one yard: the unit of work, because neighbours are each other's control group.
pub fn process_yard(_input: &YardInput<'_>) -> YardOutput {
    YardOutput::default()
}
