//! `larder notices`: what was sent, and whether sending works.

use crate::failure::wrong_use;
use crate::notices::Senders;
use crate::output::{Cell, Format, Table};
use crate::settings::{ServeOptions, ServeSettings, SettingsFile, Shared, data_dir};
use crate::{clock, commands::serve};
use anyhow::{Result, anyhow};
use clap::{Args, Subcommand};
use larder_domain::{PersonId, Timestamp};
use larder_store::notices::{Notice, NoticeKind, NoticeState, Notices};
use larder_store::{Access, EmbeddedStore};
use serde_json::json;
use std::sync::Arc;

/// What people were told, and whether that works
#[derive(Args, Debug)]
#[command(after_help = "Example: larder notices list --data larder-data")]
pub struct NoticesCommand {
    #[command(subcommand)]
    pub action: Action,
}

/// What to do.
#[derive(Subcommand, Debug)]
pub enum Action {
    /// Show notices and what became of them, newest first
    #[command(after_help = "Example: larder notices list --json")]
    List {
        /// How many
        #[arg(long, default_value_t = 50)]
        limit: usize,
    },
    /// Send someone a test on every way, now, and say what came of it
    #[command(after_help = "Example: larder notices test ada")]
    Test {
        /// The person's id
        #[arg(value_name = "PERSON")]
        person: PersonId,
    },
}

/// Runs `larder notices`.
pub fn run(command: NoticesCommand, shared: &Shared) -> Result<()> {
    let file = SettingsFile::find(shared.config.as_deref())?;
    let store = EmbeddedStore::open(&data_dir(shared, &file), Access::Read)?;
    match command.action {
        Action::List { limit } => list(&store, limit, shared),
        Action::Test { person } => {
            let settings = ServeSettings::check(shared, ServeOptions::of_the_environment()?, file)?;
            test(store, &person, &settings, shared)
        }
    }
}

fn list(store: &EmbeddedStore, limit: usize, shared: &Shared) -> Result<()> {
    let mut table = Table::new(&[
        "id", "made_at", "person", "way", "address", "kind", "state", "tries", "flags", "error",
    ]);
    for notice in store.recent_notices(limit)? {
        let flags: Vec<_> = notice
            .things
            .iter()
            .map(|(flag, _)| flag.as_str())
            .collect();
        table.push(vec![
            Cell::Number(notice.id as f64, 0),
            Cell::Text(notice.made_at.to_rfc3339()),
            Cell::Text(notice.person.to_string()),
            Cell::Text(notice.way.name().to_owned()),
            Cell::Text(notice.way.address().to_owned()),
            Cell::Text(notice.kind.name().to_owned()),
            Cell::Text(notice.state.name().to_owned()),
            Cell::Number(f64::from(notice.tries), 0),
            Cell::text((!flags.is_empty()).then(|| flags.join(" "))),
            Cell::text(notice.error),
        ]);
    }
    let format = Format::choose(None, shared.json);
    table.print(format, &mut std::io::stdout().lock())
}

fn test(
    store: EmbeddedStore,
    id: &PersonId,
    settings: &ServeSettings,
    shared: &Shared,
) -> Result<()> {
    let people = store.people()?;
    let Some(person) = people.iter().find(|person| person.id == *id) else {
        let known: Vec<_> = people.iter().map(|person| person.id.as_str()).collect();
        return Err(wrong_use(format!(
            "there is nobody \"{id}\"; known are {}",
            known.join(", ")
        )));
    };
    let senders: Senders = settings.notices.senders()?;
    let store = Arc::new(store);
    let mut failed = 0;
    for way in &person.ways {
        let notice = Notice {
            id: 0,
            person: id.clone(),
            way: way.clone(),
            kind: NoticeKind::Test,
            things: Vec::new(),
            made_at: clock::now(),
            state: NoticeState::Waiting {
                next_at: Timestamp(0),
            },
            tries: 0,
            done_at: None,
            error: None,
        };
        let outcome = serve::runtime()?.block_on(senders.send(&store, &notice));
        let error = outcome.err().map(|error| error.reason);
        failed += usize::from(error.is_some());
        let address = way.address();
        match (shared.json, &error) {
            (true, _) => println!(
                "{}",
                json!({ "way": way.name(), "address": address, "sent": error.is_none(), "error": error })
            ),
            (false, None) => println!("{} to {address}: sent.", way.name()),
            (false, Some(error)) => println!("{} to {address}: {error}", way.name()),
        }
    }
    match failed {
        0 => Ok(()),
        n => Err(anyhow!("{n} of {} ways do not work", person.ways.len())),
    }
}
