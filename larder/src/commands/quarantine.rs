//! `larder quarantine`: what could not be read, and reading it again.

use crate::clock;
use crate::failure::wrong_use;
use crate::output::{Cell, Format, Table};
use crate::readings_store::OpenStore;
use crate::settings::{ServeOptions, ServeSettings, SettingsFile, Shared, data_dir, decode_config};
use anyhow::Result;
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use clap::{Args, Subcommand};
use larder_store::archive::WhenFull;
use larder_store::{Access, EmbeddedStore, Quarantined, QuarantinedId, Records};
use serde_json::{Value, json};

/// What could not be read, and reading it again
#[derive(Args, Debug)]
#[command(after_help = "Example: larder quarantine list --json")]
pub struct Quarantine {
    #[command(subcommand)]
    pub action: Action,
}

/// What to do.
#[derive(Subcommand, Debug)]
pub enum Action {
    /// Show the entries, oldest first
    #[command(after_help = "Example: larder quarantine list --data larder-data")]
    List,
    /// Read entries again, once a mapping or a gateway was added; what can be read leaves
    #[command(after_help = "Example: larder quarantine replay 17 18")]
    Replay {
        /// Which; all of them where none is named
        #[arg(value_name = "ID")]
        ids: Vec<QuarantinedId>,
    },
}

/// Entries read from the store at a time.
const PAGE: usize = 500;

/// Runs it.
pub fn run(quarantine: Quarantine, shared: &Shared) -> Result<()> {
    match quarantine.action {
        Action::List => list(shared),
        Action::Replay { ids } => replay_command(&ids, shared),
    }
}

fn list(shared: &Shared) -> Result<()> {
    let file = SettingsFile::find(shared.config.as_deref())?;
    let store = EmbeddedStore::open(&data_dir(shared, &file), Access::Read)?;
    let entries = all(&store)?;
    if shared.json {
        let entries: Vec<_> = entries.iter().map(as_json).collect();
        println!("{}", serde_json::to_string_pretty(&entries)?);
        return Ok(());
    }
    let mut table = Table::new(&["id", "last_at", "count", "topic", "reason", "begins"]);
    for entry in &entries {
        table.push(vec![
            Cell::Number(entry.id as f64, 0),
            Cell::Text(entry.last_at.to_rfc3339()),
            Cell::Number(entry.count as f64, 0),
            Cell::Text(entry.refused.topic.clone()),
            Cell::Text(entry.refused.reason.clone()),
            Cell::Text(beginning(&entry.refused.bytes)),
        ]);
    }
    table.print(Format::Table, &mut std::io::stdout().lock())
}

/// The first bytes as a person can read them.
fn beginning(bytes: &[u8]) -> String {
    let text = String::from_utf8_lossy(&bytes[..bytes.len().min(32)]);
    text.chars()
        .map(|c| if c.is_control() { '·' } else { c })
        .collect()
}

fn all(store: &dyn Records) -> Result<Vec<Quarantined>> {
    let mut entries: Vec<Quarantined> = Vec::new();
    loop {
        let after = entries.last().map_or(0, |entry| entry.id);
        let page = store.quarantined(after, PAGE)?;
        if page.is_empty() {
            return Ok(entries);
        }
        entries.extend(page);
    }
}

fn as_json(entry: &Quarantined) -> Value {
    json!({
        "id": entry.id,
        "received_at": entry.refused.received_at.to_rfc3339(),
        "last_at": entry.last_at.to_rfc3339(),
        "count": entry.count,
        "topic": entry.refused.topic,
        "reason": entry.refused.reason,
        "bytes": STANDARD.encode(&entry.refused.bytes),
        "record": entry.refused.record,
    })
}

fn replay_command(ids: &[QuarantinedId], shared: &Shared) -> Result<()> {
    let file = SettingsFile::find(shared.config.as_deref())?;
    let opened = OpenStore::open(shared, &file, Access::Existing, WhenFull::Wait)?;
    let settings = ServeSettings::check(shared, ServeOptions::default(), file)?;
    let mut config = decode_config(&settings)?;
    let store = opened.records();
    config.gateways = store.apiary()?.gateways().iter().cloned().collect();
    let known: Vec<_> = all(store)?.iter().map(|entry| entry.id).collect();
    if let Some(unknown) = ids.iter().find(|id| !known.contains(id)) {
        return Err(wrong_use(format!(
            "there is no entry {unknown}; `larder quarantine list` shows them"
        )));
    }
    let done = larder_ingest::replay::replay(opened.readings(), store, ids, &config, clock::now())?;
    opened.send_on();
    if shared.json {
        println!(
            "{}",
            json!({ "released": done.released, "kept": done.kept, "readings": done.readings })
        );
    } else {
        println!(
            "{} entries could be read now ({} readings); {} stay in the quarantine.",
            done.released, done.readings, done.kept
        );
    }
    Ok(())
}
