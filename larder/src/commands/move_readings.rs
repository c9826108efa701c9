//! `larder move readings`: from the data directory to InfluxDB 2 and back.

use crate::clock;
use crate::failure::wrong_use;
use crate::readings_store::ReadingsChoice;
use crate::settings::{SettingsFile, Shared, data_dir};
use anyhow::Result;
use clap::{Args, Subcommand, ValueEnum};
use indicatif::{ProgressBar, ProgressStyle};
use larder_store::archive::{
    ArchivedReadings, MoveError, Moved, Progress, WhenFull, move_back, move_out,
};
use larder_store::influxdb2::InfluxDb2;
use larder_store::{Access, EmbeddedStore};
use serde_json::json;
use std::io::IsTerminal;

/// Move readings to another store
#[derive(Args, Debug)]
#[command(after_help = "Example: larder move readings --from embedded --to influxdb2")]
pub struct Move {
    #[command(subcommand)]
    pub what: What,
}

/// What.
#[derive(Subcommand, Debug)]
pub enum What {
    /// All readings; stop the service first. Can be cut off and run again
    #[command(after_help = "Example: larder move readings --from embedded --to influxdb2")]
    Readings(MoveReadings),
}

/// From where to where.
#[derive(Args, Debug)]
pub struct MoveReadings {
    /// Where they are
    #[arg(long, value_enum, value_name = "WHERE")]
    pub from: Store,
    /// Where they go
    #[arg(long, value_enum, value_name = "WHERE")]
    pub to: Store,
}

/// A place for readings.
#[derive(Clone, Copy, PartialEq, Eq, Debug, ValueEnum)]
pub enum Store {
    /// In the data directory.
    Embedded,
    /// In InfluxDB 2.
    #[value(name = "influxdb2")]
    InfluxDb2,
}

/// Runs `larder move`.
pub fn run(moving: Move, shared: &Shared) -> Result<()> {
    let What::Readings(MoveReadings { from, to }) = moving.what;
    if from == to {
        return Err(wrong_use(
            "--from and --to are the same; one is embedded, the other influxdb2",
        ));
    }
    let file = SettingsFile::find(shared.config.as_deref())?;
    let mut options = shared.readings.clone();
    // The server is named by the same settings as for the service, whatever it uses now.
    options.readings = Some("influxdb2".into());
    let mut mistakes = Vec::new();
    let choice = ReadingsChoice::check(&options, &file, &mut mistakes);
    if !mistakes.is_empty() {
        return Err(wrong_use(mistakes.join("; ")));
    }
    let ReadingsChoice::InfluxDb2(influx) = &choice else {
        return Err(wrong_use("readings move between embedded and influxdb2"));
    };
    let data = data_dir(shared, &file);
    let identity = influx.config.identity();
    let server = InfluxDb2::new(influx.config.clone(), clock::now)?;
    server
        .reach()
        .map_err(|fault| anyhow::anyhow!("{}: {fault}", influx.config.place()))?;
    let bar = progress_bar();
    let progress = |progress: Progress| show(&bar, progress);
    let moved = match to {
        Store::InfluxDb2 => {
            let store = EmbeddedStore::open(&data, Access::Existing)?;
            move_out(&store, &server, &server, &identity, progress)
        }
        Store::Embedded => {
            let store = EmbeddedStore::open(&data, Access::Existing)?;
            if ArchivedReadings::place_of(&store)?.is_none() {
                return Err(wrong_use(
                    "the readings of this data directory are in itself already",
                ));
            }
            drop(store);
            // What still waits is sent first, so that both ends have the same.
            let opened = choice.open(&data, Access::Existing, WhenFull::Wait)?;
            if let Some(archive) = &opened.archive {
                archive.send_all()?;
            }
            move_back(&opened.embedded, &server, &identity, progress)
        }
    };
    bar.finish_and_clear();
    let moved = moved.map_err(explain)?;
    say(&moved, to, &influx.config.place(), shared.json);
    Ok(())
}

fn explain(error: MoveError) -> anyhow::Error {
    match error {
        MoveError::Store(error) => error.into(),
        error => error.into(),
    }
}

fn progress_bar() -> ProgressBar {
    if !std::io::stderr().is_terminal() {
        return ProgressBar::hidden();
    }
    let bar = ProgressBar::new(0);
    let style = ProgressStyle::with_template(
        "{bar:30} {pos} of {len} channels, {msg} readings, {eta} left",
    );
    bar.set_style(style.unwrap_or_else(|_| ProgressStyle::default_bar()));
    bar
}

fn show(bar: &ProgressBar, progress: Progress) {
    bar.set_length(progress.of_series);
    bar.set_position(progress.series);
    bar.set_message(progress.readings.to_string());
}

fn say(moved: &Moved, to: Store, place: &str, json: bool) {
    if json {
        println!(
            "{}",
            json!({ "channels": moved.series, "readings": moved.readings, "channel_days": moved.days,
                "expired": moved.expired, "resumed": moved.resumed })
        );
        return;
    }
    let again = if moved.resumed {
        " (the rest of a move that was cut off)"
    } else {
        ""
    };
    println!(
        "Moved {} readings of {} channels{again}; count and checksum agree on each of {} channel days.",
        moved.readings, moved.series, moved.days
    );
    if moved.expired > 0 {
        println!(
            "{} readings are older than the bucket keeps; it did not take them, and they leave this disk in time.",
            moved.expired
        );
    }
    match to {
        Store::InfluxDb2 => println!("From now on: larder serve --readings influxdb2 ({place})."),
        Store::Embedded => println!("From now on leave --readings out. {place} was left as it is."),
    }
}
