//! The command line: what can be asked for. Each command lives in its own file under `commands`.

use crate::commands::{apply, check, process, report};
use crate::settings::Shared;
use clap::{Parser, Subcommand};

/// Sugar syrup feeding, seen by hive scales and level sensors.
#[derive(Parser, Debug)]
#[command(
    name = "larder",
    version,
    max_term_width = 100,
    disable_help_subcommand = true
)]
pub struct Cli {
    #[command(flatten)]
    pub shared: Shared,

    #[command(subcommand)]
    pub command: Command,
}

/// Everything that can be asked for.
#[derive(Subcommand, Debug)]
pub enum Command {
    /// Declare yards, hives and feeders, or update them
    Apply(apply::Apply),
    /// Estimate everything again from readings, fills and the apiary
    Process(process::Process),
    /// Print what is known: uptake, fills, weight, flags
    Report(report::Report),
    /// Check settings, an apiary file, a message, the store
    Check(check::Check),
}
