//! `larder backup`: a copy of the store that can be opened as it is.

use crate::failure::wrong_use;
use crate::settings::{SettingsFile, Shared, data_dir};
use anyhow::Result;
use clap::Args;
use larder_store::archive::ArchivedReadings;
use larder_store::{Access, EmbeddedStore};
use serde_json::json;
use std::path::PathBuf;

/// Copy the store, also while the service runs
#[derive(Args, Debug)]
#[command(after_help = "Example: larder backup --data larder-data backups/2026-09-01")]
pub struct Backup {
    /// A folder that does not exist yet, or an empty one; it can be used as --data afterwards
    #[arg(value_name = "DIR")]
    pub dest: PathBuf,
}

/// What a backup that was cut off (killed, no power) leaves behind does not stand in the way of the next.
fn is_left_over(name: &std::ffi::OsStr) -> bool {
    name.to_string_lossy().starts_with("larder.sqlite.part")
}

/// Runs `larder backup`.
pub fn run(backup: Backup, shared: &Shared) -> Result<()> {
    let file = SettingsFile::find(shared.config.as_deref())?;
    let store = EmbeddedStore::open(&data_dir(shared, &file), Access::Read)?;
    let occupied = backup.dest.read_dir().is_ok_and(|entries| {
        entries
            .flatten()
            .any(|entry| !is_left_over(&entry.file_name()))
    });
    if occupied || backup.dest.is_file() {
        return Err(wrong_use(format!(
            "{} is not empty; name a new folder for the backup",
            backup.dest.display()
        )));
    }
    store.backup_to(&backup.dest)?;
    let place = ArchivedReadings::place_of(&store)?;
    if shared.json {
        println!("{}", json!({ "backup": backup.dest, "readings_in": place }));
    } else {
        println!("Copied the store to {}.", backup.dest.display());
        if let Some(place) = place {
            println!(
                "Readings that were sent on are in {place}: back that server up as well (influxd's own backup)."
            );
        }
    }
    Ok(())
}
