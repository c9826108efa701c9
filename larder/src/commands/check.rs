//! `larder check`: what would happen, and what is wrong, without doing anything.

use super::apply::{mistakes, read, thresholds_are_known};
use crate::clock;
use crate::failure::wrong_use;
use crate::output::{Cell, Format, Table};
use crate::readings_store::Server;
use crate::settings::{ServeOptions, ServeSettings, SettingsFile, Shared, data_dir, decode_config};
use anyhow::Result;
use base64::Engine;
use clap::Args;
use larder_domain::Apiary;
use larder_ingest::decode::{Decoded, Message, decode};
use larder_store::{Access, Damages, EmbeddedStore, Readings, Records, StoreError};
use larder_wire::apiary as apiary_file;
use serde_json::{Value, json};
use std::io::Read;
use std::path::{Path, PathBuf};

/// Check settings, an apiary file, a message, the store
#[derive(Args, Debug)]
#[command(
    after_help = "Example: larder check --payload message.json --topic larder/scale-1/readings"
)]
pub struct Check {
    /// A file with the bytes of a message (- for standard input): shows what it would become
    #[arg(long, value_name = "FILE", requires = "topic")]
    pub payload: Option<PathBuf>,
    /// The topic it would come on
    #[arg(long, value_name = "TOPIC")]
    pub topic: Option<String>,
    /// The MQTT 5 content type it would have
    #[arg(long, value_name = "TYPE")]
    pub content_type: Option<String>,
    /// As if it were a retained message
    #[arg(long)]
    pub retained: bool,
    /// Save what can be read of a damaged store: keeps a copy, takes out what cannot be read, names it
    #[arg(long, conflicts_with = "payload")]
    pub repair: bool,
    /// An apiary file to check
    #[arg(long, value_name = "FILE")]
    pub apiary: Option<PathBuf>,
}

/// Runs `larder check`.
pub fn run(check: Check, shared: &Shared) -> Result<()> {
    match (&check.payload, &check.topic) {
        (Some(payload), Some(topic)) => check_payload(&check, payload, topic, shared),
        _ if check.repair => repair(shared),
        _ => check_rest(&check, shared),
    }
}

fn check_payload(check: &Check, payload: &Path, topic: &str, shared: &Shared) -> Result<()> {
    let file = SettingsFile::find(shared.config.as_deref())?;
    let data = data_dir(shared, &file);
    let settings = ServeSettings::check(shared, ServeOptions::of_the_environment()?, file)?;
    let mut config = decode_config(&settings)?;
    match EmbeddedStore::open(&data, Access::Read) {
        Ok(store) => config.gateways = store.apiary()?.gateways().iter().cloned().collect(),
        Err(StoreError::Missing(_)) => {}
        Err(error) => return Err(error.into()),
    }
    let now = clock::now();
    let message = Message {
        topic: topic.to_owned(),
        cut_from: None,
        payload: bytes(payload)?,
        content_type: check.content_type.clone(),
        retained: check.retained,
        received_at: now,
    };
    show(&decode(&message, &config, now), shared.json)
}

fn bytes(path: &Path) -> Result<Vec<u8>> {
    let mut bytes = Vec::new();
    let read = if path == Path::new("-") {
        std::io::stdin().lock().read_to_end(&mut bytes).map(|_| ())
    } else {
        std::fs::read(path).map(|all| bytes = all)
    };
    read.map_err(|error| wrong_use(format!("cannot read {}: {error}", path.display())))?;
    Ok(bytes)
}

fn show(decoded: &Decoded, json: bool) -> Result<()> {
    if json {
        println!("{}", serde_json::to_string_pretty(&as_json(decoded))?);
        return Ok(());
    }
    if !decoded.readings.is_empty() {
        println!("Readings:");
        let mut table = Table::new(&["time", "device", "channel", "unit", "value"]);
        for reading in &decoded.readings {
            table.push(vec![
                Cell::Text(reading.time.to_rfc3339()),
                Cell::Text(reading.device.to_string()),
                Cell::Text(reading.channel.to_string()),
                Cell::Text(reading.unit.to_string()),
                Cell::Text(reading.value.to_string()),
            ]);
        }
        table.print(Format::Table, &mut std::io::stdout().lock())?;
    }
    for attribute in &decoded.attributes {
        println!(
            "Attribute of {}: {} = {}",
            attribute.device, attribute.name, attribute.value_json
        );
    }
    for refused in &decoded.refused {
        let record = refused
            .record
            .map_or(String::new(), |record| format!(" (record {record})"));
        println!("Refused{record}: {}", refused.reason);
    }
    if let Some(event) = decoded.event {
        println!(
            "No reading: an event of the network server ({}).",
            event.name()
        );
    } else if decoded.readings.is_empty()
        && decoded.attributes.is_empty()
        && decoded.refused.is_empty()
    {
        println!("Nothing: the message holds no reading.");
    }
    Ok(())
}

fn as_json(decoded: &Decoded) -> Value {
    let readings = decoded.readings.iter().map(|reading| {
        json!({ "time": reading.time.to_rfc3339(), "device": reading.device.to_string(),
            "channel": reading.channel.to_string(), "unit": reading.unit.to_string(),
            "value": reading.value })
    });
    let attributes = decoded.attributes.iter().map(|attribute| {
        let value: Value = serde_json::from_str(&attribute.value_json).unwrap_or(Value::Null);
        json!({ "device": attribute.device.to_string(), "name": attribute.name, "value": value })
    });
    let refused = decoded.refused.iter().map(|refused| {
        json!({ "reason": refused.reason, "record": refused.record,
            "bytes": base64::engine::general_purpose::STANDARD.encode(&refused.bytes) })
    });
    json!({
        "readings": readings.collect::<Vec<_>>(),
        "attributes": attributes.collect::<Vec<_>>(),
        "refused": refused.collect::<Vec<_>>(),
        "event": decoded.event.map(|event| event.name()),
    })
}

/// Makes a damaged store a sound one, and says what that cost.
fn repair(shared: &Shared) -> Result<()> {
    let file = SettingsFile::find(shared.config.as_deref())?;
    let data = data_dir(shared, &file);
    let done = EmbeddedStore::repair(&data)?;
    let lists = [
        ("mended", "Mended", &done.mended),
        (
            "estimated_again",
            "Damaged results, to be estimated again",
            &done.again,
        ),
        ("gone", "Gone", &done.gone),
    ];
    if shared.json {
        let list = |list: &Damages| json!({ "named": list.named, "more": list.more });
        let mut all = json!({ "store": data, "kept": done.kept });
        for (key, _, damages) in lists {
            all[key] = list(damages);
        }
        println!("{}", serde_json::to_string_pretty(&all)?);
        return Ok(());
    }
    let Some(kept) = &done.kept else {
        println!(
            "The store in {} is sound; nothing was done.",
            data.display()
        );
        return Ok(());
    };
    println!("The damaged files are kept in {}.", kept.display());
    for (_, title, damages) in lists {
        if !damages.is_empty() {
            println!("{title}:");
            print_damages(damages);
        }
    }
    if done.gone.is_empty() {
        println!("No reading and nothing that was written down is lost.");
    }
    println!(
        "The store is sound now. Everything is estimated again when `larder serve` starts, or by \
         `larder process`."
    );
    Ok(())
}

fn print_damages(damages: &Damages) {
    for what in &damages.named {
        println!("  - {what}");
    }
    if damages.more > 0 {
        println!("  - and {} more", damages.more);
    }
}

/// A damaged store: every damage that was found, and how to go on.
fn refuse_damaged(data: &Path, damages: &Damages, shared: &Shared) -> anyhow::Error {
    if shared.json {
        println!(
            "{}",
            json!({ "store": { "dir": data, "damages": damages.named, "more_damages": damages.more } })
        );
    } else {
        println!("Store in {}: damaged.", data.display());
        print_damages(damages);
    }
    anyhow::anyhow!(
        "the store in {} is damaged ({}); stop the service, then let `larder check --repair` save \
         what can be read, or restore a backup",
        data.display(),
        match damages.named.len() as u64 + damages.more {
            1 => "one place".to_owned(),
            n => format!("{n} places"),
        }
    )
}

/// Settings, the apiary file, the store: each says what it found.
fn check_rest(check: &Check, shared: &Shared) -> Result<()> {
    let file = SettingsFile::find(shared.config.as_deref())?;
    let data = data_dir(shared, &file);
    let settings = ServeSettings::check(shared, ServeOptions::of_the_environment()?, file)?;
    let config = decode_config(&settings)?;
    match EmbeddedStore::damages(&data) {
        Ok(damages) if damages.is_empty() => {}
        Ok(damages) => return Err(refuse_damaged(&data, &damages, shared)),
        Err(StoreError::Missing(_)) => {}
        Err(error) => return Err(error.into()),
    }
    let store = match EmbeddedStore::open(&data, Access::Read) {
        Ok(store) => {
            settings.readings.fits(&store)?;
            Some(store)
        }
        Err(StoreError::Missing(_)) => None,
        Err(error) => return Err(error.into()),
    };
    let current = store
        .as_ref()
        .map_or(Ok(Apiary::default()), Records::apiary)?;
    let declared = match &check.apiary {
        Some(path) => Some((path.as_path(), declared(path, &current)?)),
        None => None,
    };
    let stored = match &store {
        Some(store) => Some(Stored {
            channels: store.series()?.len(),
            hives: current.hives().count(),
            quarantined: store.quarantine_size()?.0,
        }),
        None => None,
    };
    let found = Found {
        mappings: config.mappings.len(),
        declared,
        data,
        stored,
        server: settings.readings.reach()?,
    };
    if shared.json {
        println!("{}", found.as_json());
        return Ok(());
    }
    found.print()
}

/// The apiary as it would be with a file applied.
fn declared(path: &Path, current: &Apiary) -> Result<Apiary> {
    let apiary = apiary_file::apply(current, &read(path)?, false)
        .map_err(|problems| mistakes(path, &problems))?;
    thresholds_are_known(path, &apiary)?;
    Ok(apiary)
}

/// What is there, all of it sound.
struct Found<'a> {
    mappings: usize,
    /// The apiary file that was named, and what it would make of the apiary.
    declared: Option<(&'a Path, Apiary)>,
    data: PathBuf,
    /// `None`: there is no store yet.
    stored: Option<Stored>,
    /// Where readings are kept in the end, if not here.
    server: Option<Server>,
}

struct Stored {
    channels: usize,
    hives: usize,
    quarantined: u64,
}

impl Found<'_> {
    fn as_json(&self) -> Value {
        let server = self.server.as_ref();
        json!({
            "settings": "ok",
            "readings": server.map_or("embedded", |server| &server.place),
            "server": server.map(|server| server.problem.as_deref().unwrap_or("ok")),
            "mappings": self.mappings,
            "apiary_file": self.declared.as_ref().map(|_| "ok"),
            "store": self.stored.as_ref().map(|stored| json!({
                "dir": self.data, "channels": stored.channels, "hives": stored.hives,
                "quarantined": stored.quarantined })),
        })
    }

    fn print(&self) -> Result<()> {
        println!("Settings: fine, with {} mappings.", self.mappings);
        if let Some((path, apiary)) = &self.declared {
            println!(
                "Apiary file {}: fits; there would be {} yards, {} hives, {} feeders.",
                path.display(),
                apiary.yards().count(),
                apiary.hives().count(),
                apiary.feeders().count()
            );
        }
        let dir = self.data.display();
        match &self.stored {
            Some(stored) => println!(
                "Store in {dir}: {} channels, {} hives declared, {} entries in quarantine.",
                stored.channels, stored.hives, stored.quarantined
            ),
            None => println!("Store in {dir}: none yet."),
        }
        match &self.server {
            Some(Server {
                place,
                problem: None,
            }) => println!("Readings: in {place}; it answers."),
            Some(Server {
                place,
                problem: Some(problem),
            }) => anyhow::bail!("readings are in {place}, and {problem}"),
            None => {}
        }
        Ok(())
    }
}
