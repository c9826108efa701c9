//! `larder flags`: what a person does with a flag.

use crate::clock;
use crate::failure::wrong_use;
use crate::settings::{SettingsFile, Shared, data_dir};
use anyhow::Result;
use clap::{Args, Subcommand};
use larder_domain::{Act, CareEntry, FlagId, Said, Timestamp, Verdict};
use larder_store::Desk;
use serde_json::json;

/// Say something of a flag: seen, not now, a note, right or wrong
#[derive(Args, Debug)]
#[command(
    after_help = "Example: larder flags acknowledge stalled:north-01-f:1788238800000 --who Ada
         larder report flags --json shows the ids"
)]
pub struct Flags {
    #[command(subcommand)]
    pub action: Action,
}

/// What to do.
#[derive(Subcommand, Debug)]
pub enum Action {
    /// Someone knows of it and sees to it; it is quiet from now on
    #[command(
        after_help = "Example: larder flags acknowledge empty:north-01-f:1788238800000 --who Ada"
    )]
    Acknowledge {
        #[command(flatten)]
        which: Which,
        /// Take it back
        #[arg(long)]
        undo: bool,
    },
    /// Keep it quiet for a while
    #[command(
        after_help = "Example: larder flags snooze empty:north-01-f:1788238800000 --hours 48"
    )]
    Snooze {
        #[command(flatten)]
        which: Which,
        /// For so many hours from now; 0 ends it
        #[arg(long, default_value_t = 24.0, value_name = "HOURS")]
        hours: f64,
    },
    /// Write a note to it
    #[command(
        after_help = "Example: larder flags note empty:north-01-f:1788238800000 'the lid was open'"
    )]
    Note {
        #[command(flatten)]
        which: Which,
        /// The words
        text: String,
    },
    /// Say whether it was right
    #[command(after_help = "Example: larder flags judge empty:north-01-f:1788238800000 right")]
    Judge {
        #[command(flatten)]
        which: Which,
        /// right, wrong or unknown
        verdict: String,
    },
}

/// Which flag, and who speaks.
#[derive(Args, Debug, Clone)]
pub struct Which {
    /// The flag's id, from `larder report flags`
    #[arg(value_name = "ID")]
    pub id: FlagId,
    /// Who says so
    #[arg(long, default_value = "", value_name = "NAME")]
    pub who: String,
}

/// Runs it.
pub fn run(flags: Flags, shared: &Shared) -> Result<()> {
    let now = clock::now();
    let (which, act) = read(flags.action, now)?;
    let file = SettingsFile::find(shared.config.as_deref())?;
    let desk = Desk::open(&data_dir(shared, &file))?;
    if desk.records().flag(&which.id)?.is_none() {
        return Err(wrong_use(format!(
            "there is no flag \"{}\"; `larder report flags --json` shows their ids",
            which.id
        )));
    }
    let said = Said {
        who: which.who.trim().to_owned(),
        at: now,
    };
    desk.records()
        .care_for(&which.id, &CareEntry { act, said })?;
    if shared.json {
        println!("{}", json!({ "id": which.id.as_str(), "written": true }));
    } else {
        println!("Written down.");
    }
    Ok(())
}

fn read(action: Action, now: Timestamp) -> Result<(Which, Act)> {
    Ok(match action {
        Action::Acknowledge { which, undo } => (which, Act::Acknowledge(!undo)),
        Action::Snooze { which, hours } if hours > 0.0 && hours <= MOST_HOURS => {
            let until = now.plus_ms((hours * 3.6e6) as i64);
            (which, Act::Snooze(Some(until)))
        }
        Action::Snooze { which, hours: 0.0 } => (which, Act::Snooze(None)),
        Action::Snooze { .. } => return Err(wrong_use("--hours lies between 0 and 8760")),
        Action::Note { which, text } if !text.trim().is_empty() && text.len() <= LONGEST_NOTE => {
            (which, Act::Note(text.trim().to_owned()))
        }
        Action::Note { .. } => return Err(wrong_use("a note has 1 to 2000 characters")),
        Action::Judge { which, verdict } => match verdict.as_str() {
            "unknown" => (which, Act::Judge(None)),
            word => match Verdict::from_name(word) {
                Some(verdict) => (which, Act::Judge(Some(verdict))),
                None => return Err(wrong_use("say right, wrong or unknown")),
            },
        },
    })
}

/// A year: longer than any season.
const MOST_HOURS: f64 = 8760.0;
const LONGEST_NOTE: usize = 2000;
