//! `larder feeder`: what each kind is and how it fails, measuring one out, and how far off a
//! level can be.

mod calibrate;
mod explain;
mod kinds;

use crate::settings::Shared;
use anyhow::Result;
use clap::Subcommand;

/// Know a feeder: kinds, shape, and how well its level is known
#[derive(Subcommand, Debug)]
pub enum Feeder {
    /// What a kind of feeder is, how it fails, and what to look for
    Kinds(kinds::Kinds),
    /// Measured depths and litres become straight walls or a table, with their error
    Calibrate(calibrate::Calibrate),
    /// How a reading becomes litres at 20 °C, and what makes it uncertain
    Explain(explain::Explain),
}

/// Runs `larder feeder`.
pub fn run(feeder: Feeder, shared: &Shared) -> Result<()> {
    match feeder {
        Feeder::Kinds(command) => kinds::run(&command, shared),
        Feeder::Calibrate(command) => calibrate::run(&command, shared),
        Feeder::Explain(command) => explain::run(&command, shared),
    }
}
