//! Larder: from a sensor's message to what a keeper should do next.

// Answers go to standard output: this is the binary.
#![allow(clippy::print_stdout)]

#[macro_use]
mod output;

mod broker;
mod cli;
mod clock;
mod commands;
mod demo;
#[cfg(test)]
mod docs;
mod failure;
mod local;
mod notices;
mod pipeline;
mod readings_store;
mod service;
mod settings;
mod units;

use anyhow::Result;
use clap::Parser;
use cli::{Cli, Command};
use std::io::IsTerminal;
use std::process::ExitCode;
use tracing_subscriber::EnvFilter;

fn main() -> ExitCode {
    start_log();
    // The only other provider would have to be linked too; a second installation can't happen.
    let _ = rustls::crypto::ring::default_provider().install_default();
    let cli = Cli::parse();
    match run(cli) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => failure::report(&error),
    }
}

fn run(cli: Cli) -> Result<()> {
    let shared = &cli.shared;
    match cli.command {
        Command::Serve(command) => commands::serve::run(command, shared),
        Command::Demo(command) => commands::demo::run(command, shared),
        Command::Apply(command) => commands::apply::run(command, shared),
        Command::Import(command) => commands::import::run(command, shared),
        Command::Export(command) => commands::export::run(command, shared),
        Command::Process(command) => commands::process::run(command, shared),
        Command::Report(command) => commands::report::run(command, shared),
        Command::Devices(command) => commands::devices::run(command, shared),
        Command::Flags(command) => commands::flags::run(command, shared),
        Command::Notices(command) => commands::notices::run(command, shared),
        Command::Quarantine(command) => commands::quarantine::run(command, shared),
        Command::Readings(command) => commands::readings::run(&command, shared),
        Command::Mix(command) => commands::mix::run(*command, shared),
        Command::Feeder(command) => commands::feeder::run(command, shared),
        Command::Check(command) => commands::check::run(command, shared),
        Command::Backup(command) => commands::backup::run(command, shared),
        Command::Influx(command) => commands::influx::run(command, shared),
        Command::Move(command) => commands::move_readings::run(command, shared),
    }
}

/// Logs go to standard error; `LARDER_LOG` chooses how much, as in `larder=debug`.
fn start_log() {
    let filter = EnvFilter::try_from_env("LARDER_LOG").unwrap_or_else(|_| {
        EnvFilter::new("warn,larder=info,larder_ingest=info,larder_store=info")
    });
    tracing_subscriber::fmt()
        .with_env_filter(filter)
        .with_ansi(std::io::stderr().is_terminal())
        .with_writer(std::io::stderr)
        .init();
}
