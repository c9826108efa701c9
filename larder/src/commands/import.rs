//! `larder import`: readings, fills and weather from files.

use crate::clock;
use crate::failure::wrong_use;
use crate::local::Stores;
use crate::settings::{SettingsFile, Shared, data_dir};
use anyhow::Result;
use clap::{Args, Subcommand};
use indicatif::{ProgressBar, ProgressStyle};
use larder_domain::{Apiary, YardId};
use larder_ingest::import::{
    ImportError, Imported, WeatherStation, import_fills, import_readings, import_weather,
};
use larder_store::{Access, Desk};
use serde_json::json;
use std::fs::File;
use std::io::{IsTerminal, Read};
use std::path::{Path, PathBuf};

/// Take in readings, fills or weather from a file
#[derive(Args, Debug)]
#[command(after_help = "Example: larder import readings august.csv.gz --data larder-data")]
pub struct Import {
    #[command(subcommand)]
    pub kind: Kind,
}

/// What the file holds.
#[derive(Subcommand, Debug)]
pub enum Kind {
    /// CSV with the header time,device,channel,unit,value
    #[command(after_help = "Example: zcat august.csv.gz | larder import readings -")]
    Readings(Source),
    /// CSV with the header time,feeder,volume_l,strength
    #[command(after_help = "Example: larder import fills fills.csv")]
    Fills(Source),
    /// Weather records: NOAA GHCN-Daily (.dly or by-station CSV) or ISD-Lite
    #[command(after_help = "Example: larder import weather USW00094728.dly --yard north")]
    Weather(WeatherSource),
}

/// Where it comes from.
#[derive(Args, Debug)]
pub struct Source {
    /// The file, plain or gzipped; - is standard input
    #[arg(value_name = "FILE")]
    pub file: PathBuf,
}

/// Where weather comes from, and whose it is.
#[derive(Args, Debug)]
pub struct WeatherSource {
    /// The yard whose weather it is; its declared weather device takes the readings
    #[arg(long, value_name = "ID")]
    pub yard: YardId,
    #[command(flatten)]
    pub source: Source,
}

/// Runs `larder import`.
pub fn run(import: Import, shared: &Shared) -> Result<()> {
    let settings = SettingsFile::find(shared.config.as_deref())?;
    let data = data_dir(shared, &settings);
    let (Kind::Readings(source)
    | Kind::Fills(source)
    | Kind::Weather(WeatherSource { source, .. })) = &import.kind;
    let name = source
        .file
        .file_name()
        .map_or("-".into(), |name| name.to_string_lossy().into_owned());
    let stream = open(&source.file)?;
    let now = clock::now();
    let done = match &import.kind {
        Kind::Readings(_) => {
            let store = Stores::open(shared, &settings, Access::Create)?;
            let (readings, records) = (store.readings(), store.records());
            let bar = progress_bar();
            let progress = |lines| bar.set_position(lines);
            let done = import_readings(stream, &name, readings, records, now, progress);
            bar.finish_and_clear();
            store.done();
            done
        }
        Kind::Weather(weather) => {
            let store = Stores::open(shared, &settings, Access::Create)?;
            let (readings, records) = (store.readings(), store.records());
            let station = station(&records.apiary()?, &weather.yard)?;
            let bar = progress_bar();
            let progress = |lines| bar.set_position(lines);
            let done = import_weather(stream, &name, &station, readings, records, now, progress);
            bar.finish_and_clear();
            store.done();
            done
        }
        Kind::Fills(_) => {
            let desk = Desk::open(&data)?;
            let done = import_fills(stream, &name, desk.records(), now);
            desk.tell_service(&clock::now().to_rfc3339())?;
            done
        }
    };
    say(&done.map_err(explain)?, &import.kind, shared.json);
    Ok(())
}

/// The yard's weather device, and its zone.
fn station(apiary: &Apiary, yard: &YardId) -> Result<WeatherStation> {
    let yard = apiary.yard(yard).ok_or_else(|| {
        wrong_use(format!(
            "there is no yard \"{yard}\"; `larder apply` declares one"
        ))
    })?;
    let device = yard.weather.clone().ok_or_else(|| {
        let id = &yard.id;
        wrong_use(format!(
            "yard \"{id}\" has no weather device; declare one: weather = \"wx-{id}\""
        ))
    })?;
    Ok(WeatherStation {
        device,
        zone: yard.timezone,
    })
}

fn open(path: &Path) -> Result<Box<dyn Read>> {
    if path == Path::new("-") {
        return Ok(Box::new(std::io::stdin().lock()));
    }
    match File::open(path) {
        Ok(file) => Ok(Box::new(file)),
        Err(error) => Err(wrong_use(format!(
            "cannot read {}: {error}",
            path.display()
        ))),
    }
}

/// A wrong or broken file is bad input; a failing store is a failure.
fn explain(error: ImportError) -> anyhow::Error {
    match error {
        ImportError::Store(error) => error.into(),
        error @ ImportError::Header { .. } => wrong_use(error.to_string()),
        ImportError::Read { ref source, .. } => wrong_use(format!("{error}: {source}")),
    }
}

fn progress_bar() -> ProgressBar {
    if !std::io::stderr().is_terminal() {
        return ProgressBar::hidden();
    }
    let bar = ProgressBar::new_spinner();
    let style = ProgressStyle::with_template("{spinner} {human_pos} readings, {per_sec}");
    bar.set_style(style.unwrap_or_else(|_| ProgressStyle::default_spinner()));
    bar
}

fn say(done: &Imported, kind: &Kind, json: bool) {
    if json {
        println!(
            "{}",
            json!({ "lines": done.lines, "new": done.new, "replaced": done.replaced,
                "repeated": done.repeated, "quarantined": done.refused, "reasons": done.reasons })
        );
        return;
    }
    let what = match kind {
        Kind::Readings(_) | Kind::Weather(_) => "readings",
        Kind::Fills(_) => "fills",
    };
    println!(
        "{} lines: {} new {what}, {} replaced, {} known already, {} in quarantine.",
        done.lines, done.new, done.replaced, done.repeated, done.refused
    );
    for (reason, count) in &done.reasons {
        println!("  {count} in quarantine: {reason}");
    }
}
