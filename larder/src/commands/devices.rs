//! `larder devices`: what was learned of them, and learning anew after a repair.

use crate::clock;
use crate::failure::wrong_use;
use crate::output::{Cell, Format, Table};
use crate::settings::{SettingsFile, Shared, data_dir};
use anyhow::Result;
use clap::{Args, Subcommand};
use larder_domain::{DeviceId, Learned, Timestamp};
use larder_store::{Access, Desk, EmbeddedStore, Records, StoreError, edit_apiary};
use serde_json::json;

/// What was learned of scales and level sensors; learning anew after a repair
#[derive(Args, Debug)]
#[command(after_help = "Example: larder devices learned lv-3")]
pub struct Devices {
    #[command(subcommand)]
    pub action: Action,
}

/// What to do.
#[derive(Subcommand, Debug)]
pub enum Action {
    /// List what was learned: how far a zero is off, drift with warmth, noise
    #[command(
        after_help = "Without a device: what was learned last of each. With one: its whole history.
offset          what it reads at an empty feeder beyond what it should
per_kelvin      how its reading moves with warmth
geometry_share  by what share the geometry given makes volumes too large (0.02: 2 %)
noise           how far a single reading strays (standard deviation)

Example: larder devices learned lv-3 --json"
    )]
    Learned {
        /// Only this device, all that was ever learned of it
        #[arg(value_name = "DEVICE")]
        device: Option<DeviceId>,
    },
    /// From now on take a device for a new instrument: it was repaired, turned round, set to zero
    #[command(
        after_help = "What was measured before stays as it was. In the apiary file this is one assignment that ends and another that begins.

Example: larder devices learn-anew lv-3 --at 2026-09-01T14:00:00Z"
    )]
    LearnAnew {
        /// The device
        #[arg(value_name = "DEVICE")]
        device: DeviceId,
        /// From when on, if not from now
        #[arg(long, value_name = "TIME", value_parser = moment)]
        at: Option<Timestamp>,
    },
}

fn moment(text: &str) -> Result<Timestamp, String> {
    Timestamp::parse_rfc3339(text)
        .ok_or_else(|| "a time is written like 2026-09-01T14:00:00Z".to_owned())
}

/// Runs `larder devices`.
pub fn run(devices: Devices, shared: &Shared) -> Result<()> {
    match devices.action {
        Action::Learned { device } => list(device.as_ref(), shared),
        Action::LearnAnew { device, at } => learn_anew(&device, at, shared),
    }
}

fn list(device: Option<&DeviceId>, shared: &Shared) -> Result<()> {
    let file = SettingsFile::find(shared.config.as_deref())?;
    let learned = match EmbeddedStore::open(&data_dir(shared, &file), Access::Read) {
        Ok(store) => match device {
            Some(device) => store.learned_of(device)?,
            None => store.learned()?,
        },
        Err(StoreError::Missing(_)) => Vec::new(),
        Err(error) => return Err(error.into()),
    };
    let mut table = Table::new(&[
        "device", "channel", "what", "value", "lo", "hi", "unit", "date", "since", "hive",
    ]);
    learned.iter().for_each(|one| table.push(row(one)));
    let format = Format::choose(None, shared.json);
    table.print(format, &mut std::io::stdout().lock())
}

fn row(learned: &Learned) -> Vec<Cell> {
    let kind = learned.source.channel.kind();
    let unit = kind.map(|kind| learned.what.unit(&kind.unit()));
    let number = |value| Cell::Number(value, 6);
    vec![
        Cell::text(Some(&learned.source.device)),
        Cell::text(Some(&learned.source.channel)),
        Cell::Text(learned.what.name().to_owned()),
        number(learned.value.value),
        number(learned.value.lo),
        number(learned.value.hi),
        Cell::text(unit),
        Cell::text(Some(learned.date)),
        Cell::Text(learned.since.to_rfc3339()),
        Cell::text(Some(&learned.hive)),
    ]
}

fn learn_anew(device: &DeviceId, at: Option<Timestamp>, shared: &Shared) -> Result<()> {
    let file = SettingsFile::find(shared.config.as_deref())?;
    let desk = Desk::open(&data_dir(shared, &file))?;
    let at = at.unwrap_or_else(clock::now);
    let mut channels = Vec::new();
    let changed = edit_apiary(desk.records(), |apiary| {
        let (apiary, begun) = apiary.clone().learn_anew(device, at);
        if begun.is_empty() {
            return Err(wrong_use(format!(
                "device \"{device}\" stood nowhere at {}; `larder export apiary` shows where devices stand",
                at.to_rfc3339()
            )));
        }
        channels = begun;
        Ok(apiary)
    })??;
    if changed {
        desk.tell_service(&clock::now().to_rfc3339())?;
    }
    let channels: Vec<String> = channels.iter().map(|c| c.channel.to_string()).collect();
    if shared.json {
        let answer =
            json!({ "device": device.as_str(), "at": at.to_rfc3339(), "channels": channels });
        println!("{answer}");
    } else {
        println!(
            "From {} on, {device} ({}) counts as a new instrument.",
            at.to_rfc3339(),
            channels.join(", ")
        );
    }
    Ok(())
}
