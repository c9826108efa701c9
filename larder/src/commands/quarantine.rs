//! `larder quarantine`: what could not be read, and reading it again.

use crate::clock;
use crate::failure::wrong_use;
use crate::local::Stores;
use crate::output::{Cell, Format, Table, confirmed};
use crate::settings::{ServeOptions, ServeSettings, SettingsFile, Shared, data_dir, decode_config};
use anyhow::Result;
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use clap::{Args, Subcommand};
use larder_store::{Access, Desk, EmbeddedStore, Quarantined, QuarantinedId, Records};
use serde_json::{Value, json};
use std::io::Write;

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
    #[command(after_help = "Example: larder quarantine list --data larder-data --limit 20")]
    List {
        /// Only entries with a greater number
        #[arg(long, value_name = "ID", default_value_t = 0)]
        after: QuarantinedId,
        /// At most so many
        #[arg(long, value_name = "N")]
        limit: Option<usize>,
    },
    /// Read entries again, once a mapping or a gateway was added; what can be read leaves
    #[command(after_help = "Example: larder quarantine replay 17 18")]
    Replay {
        /// Which; all of them where none is named
        #[arg(value_name = "ID")]
        ids: Vec<QuarantinedId>,
    },
    /// Take entries out for good, also while the service runs
    #[command(after_help = "Example: larder quarantine discard 17 18")]
    Discard(Discard),
}

/// Which entries to discard.
#[derive(Args, Debug)]
pub struct Discard {
    /// Which
    #[arg(value_name = "ID")]
    pub ids: Vec<QuarantinedId>,
    /// All that are there now
    #[arg(long, conflicts_with = "ids")]
    pub all: bool,
    /// Do not ask
    #[arg(long)]
    pub yes: bool,
}

/// Entries read from the store at a time.
const PAGE: usize = 500;

/// Runs `larder quarantine`.
pub fn run(quarantine: Quarantine, shared: &Shared) -> Result<()> {
    match quarantine.action {
        Action::List { after, limit } => list(after, limit, shared),
        Action::Replay { ids } => replay_command(&ids, shared),
        Action::Discard(entries) => discard(&entries, shared),
    }
}

fn list(after: QuarantinedId, limit: Option<usize>, shared: &Shared) -> Result<()> {
    let file = SettingsFile::find(shared.config.as_deref())?;
    let store = EmbeddedStore::open(&data_dir(shared, &file), Access::Read)?;
    if shared.json {
        return list_json(&store, after, limit);
    }
    let mut table = Table::new(&["id", "last_at", "count", "topic", "reason", "begins"]);
    each(&store, after, limit, &mut |entry| {
        table.push(vec![
            Cell::Number(entry.id as f64, 0),
            Cell::Text(entry.last_at.to_rfc3339()),
            Cell::Number(entry.count as f64, 0),
            Cell::Text(entry.refused.topic.clone()),
            Cell::Text(entry.refused.reason.clone()),
            Cell::Text(beginning(&entry.refused.bytes)),
        ]);
        Ok(())
    })?;
    table.print(Format::Table, &mut std::io::stdout().lock())?;
    let dropped = store.quarantine_dropped()?;
    if dropped > 0 {
        println!("{dropped} entries went because the quarantine was full.");
    }
    Ok(())
}

/// One array, written entry by entry: a full quarantine is hundreds of megabytes.
fn list_json(store: &dyn Records, after: QuarantinedId, limit: Option<usize>) -> Result<()> {
    let mut out = std::io::BufWriter::new(std::io::stdout().lock());
    let mut before = "[";
    each(store, after, limit, &mut |entry| {
        let entry = serde_json::to_string_pretty(&as_json(entry))?.replace('\n', "\n  ");
        write!(out, "{before}\n  {entry}")?;
        before = ",";
        Ok(())
    })?;
    match before {
        "[" => writeln!(out, "[]")?,
        _ => writeln!(out, "\n]")?,
    }
    Ok(out.flush()?)
}

/// The first bytes as a person can read them.
fn beginning(bytes: &[u8]) -> String {
    let text = String::from_utf8_lossy(&bytes[..bytes.len().min(32)]);
    text.chars()
        .map(|c| if c.is_control() { '·' } else { c })
        .collect()
}

/// Hands the entries after number `after` on, as many as asked for, a page in memory at a time.
fn each(
    store: &dyn Records,
    mut after: QuarantinedId,
    limit: Option<usize>,
    take: &mut dyn FnMut(&Quarantined) -> Result<()>,
) -> Result<()> {
    let mut left = limit.unwrap_or(usize::MAX);
    while left > 0 {
        let page = store.quarantined(after, PAGE.min(left))?;
        let Some(last) = page.last() else { break };
        after = last.id;
        left -= page.len();
        page.iter().try_for_each(&mut *take)?;
    }
    Ok(())
}

fn all_ids(store: &dyn Records) -> Result<Vec<QuarantinedId>> {
    let mut ids = Vec::new();
    each(store, 0, None, &mut |entry| {
        ids.push(entry.id);
        Ok(())
    })?;
    Ok(ids)
}

fn are_known(ids: &[QuarantinedId], known: &[QuarantinedId]) -> Result<()> {
    match ids.iter().find(|id| !known.contains(id)) {
        Some(unknown) => Err(wrong_use(format!(
            "there is no entry {unknown}; `larder quarantine list` shows them"
        ))),
        None => Ok(()),
    }
}

fn discard(discard: &Discard, shared: &Shared) -> Result<()> {
    let file = SettingsFile::find(shared.config.as_deref())?;
    let data = data_dir(shared, &file);
    let known = all_ids(&EmbeddedStore::open(&data, Access::Read)?)?;
    let ids = match (discard.all, &discard.ids[..]) {
        (true, []) => known,
        (false, [_, ..]) => {
            are_known(&discard.ids, &known)?;
            discard.ids.clone()
        }
        _ => return Err(wrong_use("name the entries to discard, or say --all")),
    };
    if !ids.is_empty() && !discard.yes {
        let question = format!(
            "Discard {} entries for good? They cannot be read again.",
            ids.len()
        );
        if !confirmed(&question)? {
            return Err(wrong_use(
                "nothing was discarded; say --yes to do it without asking",
            ));
        }
    }
    // What came in meanwhile stays: only what was named, or there, is taken out.
    Desk::open(&data)?.records().release_quarantined(&ids)?;
    if shared.json {
        println!("{}", json!({ "discarded": ids.len() }));
    } else {
        println!("{} entries are discarded.", ids.len());
    }
    Ok(())
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
    let opened = Stores::open(shared, &file, Access::Existing)?;
    let settings = ServeSettings::check(shared, ServeOptions::of_the_environment()?, file)?;
    let mut config = decode_config(&settings)?;
    let store = opened.records();
    config.gateways = store.apiary()?.gateways().iter().cloned().collect();
    if !ids.is_empty() {
        are_known(ids, &all_ids(store)?)?;
    }
    let done = larder_ingest::replay::replay(opened.readings(), store, ids, &config, clock::now())?;
    opened.done();
    opened.tell_service(&clock::now().to_rfc3339())?;
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
