//! `larder readings`: taking readings out.

use crate::clock;
use crate::failure::wrong_use;
use crate::local::Stores;
use crate::output::confirmed;
use crate::settings::{SettingsFile, Shared};
use anyhow::Result;
use clap::{Args, Subcommand};
use larder_domain::{ChannelName, ChannelRef, DeviceId, Span, Timestamp};
use larder_store::{Access, MOST_REMOVED, Removal, Removed};
use serde_json::json;

/// Take readings out
#[derive(Args, Debug)]
#[command(after_help = EXAMPLE)]
pub struct ReadingsCommand {
    #[command(subcommand)]
    pub action: Action,
}

/// What to do.
#[derive(Subcommand, Debug)]
pub enum Action {
    /// Move readings into the quarantine; the days that they belong to are estimated again
    #[command(after_help = EXAMPLE)]
    Remove(Remove),
}

const EXAMPLE: &str = "Example: larder readings remove --device sc-1 --channel weight --from 2000-01-01T00:00:00Z --to 2000-01-02T00:00:00Z";

/// Which readings.
#[derive(Args, Debug)]
pub struct Remove {
    /// The device
    #[arg(long, value_name = "ID")]
    pub device: DeviceId,
    /// The channel
    #[arg(long, value_name = "NAME")]
    pub channel: String,
    /// The first moment, RFC 3339
    #[arg(long, value_name = "TIME")]
    pub from: String,
    /// The moment after the last, RFC 3339
    #[arg(long, value_name = "TIME")]
    pub to: String,
    /// Do not ask
    #[arg(long)]
    pub yes: bool,
}

/// Runs it, also beside a running service.
pub fn run(command: &ReadingsCommand, shared: &Shared) -> Result<()> {
    let Action::Remove(remove) = &command.action;
    let moment = |name: &str, text: &str| {
        Timestamp::parse_rfc3339(text).ok_or_else(|| {
            wrong_use(format!(
                "{name} is a moment like 2026-09-01T05:00:00Z, not \"{text}\""
            ))
        })
    };
    let span = Span {
        start: moment("--from", &remove.from)?,
        end: moment("--to", &remove.to)?,
    };
    if span.start >= span.end {
        return Err(wrong_use("--from is before --to"));
    }
    let series = ChannelRef {
        device: remove.device.clone(),
        channel: ChannelName::new(&remove.channel).map_err(|error| wrong_use(error.to_string()))?,
    };
    let question = format!(
        "Take the readings of {series} from {} to {} out? They go to the quarantine.",
        span.start.to_rfc3339(),
        span.end.to_rfc3339()
    );
    if !remove.yes && !confirmed(&question)? {
        return Err(wrong_use(
            "nothing was taken out; say --yes to do it without asking",
        ));
    }
    let file = SettingsFile::find(shared.config.as_deref())?;
    let stores = Stores::open(shared, &file, Access::Existing)?;
    let now = clock::now();
    let reason = format!("taken out by hand on {}", now.to_rfc3339());
    let removed = stores.readings().remove(&Removal {
        series: &series,
        span,
        reason: &reason,
        comes_back: false,
        at: now,
    })?;
    let n = match removed {
        Removed::Nothing => 0,
        Removed::Readings(n) => n,
        Removed::TooMany(n) => {
            return Err(wrong_use(format!(
                "that is {n} readings, and at most {MOST_REMOVED} are taken out at once: give a shorter span"
            )));
        }
    };
    if shared.json {
        println!("{}", json!({ "removed": n }));
    } else if n == 0 {
        println!("{series} has no readings in that span.");
    } else {
        println!(
            "{n} readings are in the quarantine; `larder quarantine replay` brings them back. Run `larder process`, or let the service, to estimate their days again."
        );
    }
    Ok(())
}
