//! From readings to what a keeper wants to know: fills, daily uptake, night-time weight, flags.
//! This crate stands apart because it is pure: values in, values out, time is an argument. What it
//! returns can be thrown away and computed again.

pub mod input;
pub mod output;

pub mod analysis;
pub mod climate;
pub mod days;
pub mod evidence;
pub mod feeder;
pub mod flags;
pub mod level;
pub mod losses;
pub mod nights;
pub mod scale;
pub mod strengths;
pub mod visits;
pub mod water;

pub mod clean;
pub mod grid;
pub mod kalman;
pub mod robust;

mod report;

pub use analysis::{FeederAnalysis, HiveAnalysis, YardAnalysis, analyse_yard};
pub use input::{DeviceInput, FeederInput, HiveInput, LevelInput, Weather, YardInput};
pub use output::{FeederNow, YardOutput};

/// Estimates one yard: the unit of work, because neighbours are each other's control group.
pub fn process_yard(input: &YardInput<'_>) -> YardOutput {
    let analysis = analyse_yard(input);
    let mut output = report::report(input, &analysis);
    output.flags = flags::raise(input, &analysis);
    output
}
