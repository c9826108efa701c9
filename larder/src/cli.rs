//! The command line: what can be asked for. Each command lives in its own file under `commands`.

use crate::commands::{
    apply, backup, check, demo, devices, export, feeder, flags, import, influx, mix, move_readings,
    notices, process, quarantine, readings, report, serve,
};
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
    /// Take in readings, process them, serve the pages and the API
    Serve(serve::Serve),
    /// Look at an invented apiary: weeks of history, then live
    Demo(demo::Demo),
    /// Declare yards, hives and feeders, or update them
    Apply(apply::Apply),
    /// Take in readings, fills or weather from a file
    Import(import::Import),
    /// Write readings or results out as CSV
    Export(export::Export),
    /// Estimate everything again from readings, fills and the apiary
    Process(process::Process),
    /// Print what is known: uptake, fills, weight, flags
    Report(report::Report),
    /// Say something of a flag: seen, not now, a note, right or wrong
    Flags(flags::Flags),
    /// What was learned of scales and level sensors; learning anew after a repair
    Devices(devices::Devices),
    /// What people were told, and whether that works
    Notices(notices::NoticesCommand),
    /// What could not be read, and reading it again
    Quarantine(quarantine::Quarantine),
    /// Take readings out that should not be there
    Readings(readings::ReadingsCommand),
    /// Reckon a batch of syrup: any two of sugar, water, volume and strength
    Mix(Box<mix::Mix>),
    /// Know a feeder: kinds, shape, and how well its level is known
    #[command(subcommand)]
    Feeder(feeder::Feeder),
    /// Check settings, an apiary file, a message, the store
    Check(check::Check),
    /// Copy the store, also while the service runs
    Backup(backup::Backup),
    /// Prepare an InfluxDB 2 for readings
    Influx(influx::Influx),
    /// Move readings to another store
    Move(move_readings::Move),
}
