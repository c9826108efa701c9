//! `larder apply`: declare the apiary.

use crate::clock;
use crate::failure::wrong_use;
use crate::settings::{SettingsFile, Shared, data_dir};
use anyhow::Result;
use clap::Args;
use larder_domain::Apiary;
use larder_domain::apiary::Problem;
use larder_store::{Desk, edit_apiary};
use larder_wire::apiary::{self, ApiaryFile};
use serde_json::json;
use std::path::{Path, PathBuf};

/// Declare yards, hives and feeders, or update them
#[derive(Args, Debug)]
#[command(after_help = "Example: larder apply apiary.toml --data larder-data")]
pub struct Apply {
    /// The apiary file, TOML
    #[arg(value_name = "FILE")]
    pub file: PathBuf,
    /// Take out what the file leaves out
    #[arg(long)]
    pub prune: bool,
}

/// Runs it, also beside a running service. Results follow with the next processing; all of the
/// history is estimated anew.
pub fn run(apply: Apply, shared: &Shared) -> Result<()> {
    let declared = read(&apply.file)?;
    let settings = SettingsFile::find(shared.config.as_deref())?;
    let desk = Desk::open(&data_dir(shared, &settings))?;
    let changed = edit_apiary(desk.records(), |current| {
        let apiary = apiary::apply(current, &declared, apply.prune)
            .map_err(|problems| mistakes(&apply.file, &problems))?;
        thresholds_are_known(&apply.file, &apiary)?;
        anyhow::Ok(apiary)
    })??;
    let apiary = desk.records().apiary()?;
    if changed {
        desk.tell_service(&clock::now().to_rfc3339())?;
    }
    say(&apiary, changed, shared.json);
    Ok(())
}

/// Reads an apiary file's form.
pub fn read(path: &Path) -> Result<ApiaryFile> {
    let text = std::fs::read_to_string(path)
        .map_err(|error| wrong_use(format!("cannot read {}: {error}", path.display())))?;
    ApiaryFile::parse(&text).map_err(|problems| mistakes(path, &problems))
}

/// All mistakes of a file in one line.
pub fn mistakes(path: &Path, problems: &[Problem]) -> anyhow::Error {
    let sentences: Vec<_> = problems.iter().map(ToString::to_string).collect();
    wrong_use(format!("{}: {}", path.display(), sentences.join("; ")))
}

/// Every threshold must be one that there is, with a value that it can have.
pub fn thresholds_are_known(path: &Path, apiary: &Apiary) -> Result<()> {
    let wrong = larder_flags::catalogue::mistakes(apiary);
    if wrong.is_empty() {
        return Ok(());
    }
    let sentences: Vec<_> = wrong.iter().map(ToString::to_string).collect();
    Err(wrong_use(format!(
        "{}: {}",
        path.display(),
        sentences.join("; ")
    )))
}

fn say(apiary: &Apiary, changed: bool, json: bool) {
    let counts = [
        apiary.yards().count(),
        apiary.hives().count(),
        apiary.feeders().count(),
    ];
    let [yards, hives, feeders] = counts;
    if json {
        println!(
            "{}",
            json!({ "changed": changed, "yards": yards, "hives": hives, "feeders": feeders })
        );
    } else if changed {
        println!("Declared: {yards} yards, {hives} hives, {feeders} feeders.");
    } else {
        println!("Nothing changed: {yards} yards, {hives} hives, {feeders} feeders.");
    }
}
