//! `larder process`: estimate again. Results can always be thrown away; this makes them anew.

use crate::clock;
use crate::failure::wrong_use;
use crate::pipeline::{Pipeline, record_end};
use crate::readings_store::OpenStore;
use crate::settings::{SettingsFile, Shared};
use anyhow::{Result, bail};
use clap::Args;
use larder_domain::YardId;
use larder_store::Access;
use larder_store::archive::WhenFull;
use serde_json::json;
use std::time::Instant;

/// Estimate everything again from readings, fills and the apiary
#[derive(Args, Debug)]
#[command(after_help = "Example: larder process --data larder-data --yard north")]
pub struct Process {
    /// Only this yard
    #[arg(long, value_name = "ID")]
    pub yard: Option<YardId>,
}

/// Runs `larder process`.
pub fn run(process: Process, shared: &Shared) -> Result<()> {
    let file = SettingsFile::find(shared.config.as_deref())?;
    let store = OpenStore::open(shared, &file, Access::Existing, WhenFull::Refuse)?;
    let (readings, records) = (store.readings(), store.records());
    let apiary = records.apiary()?;
    if let Some(yard) = &process.yard
        && apiary.yard(yard).is_none()
    {
        return Err(wrong_use(format!(
            "there is no yard \"{yard}\"; `larder apply` declares one"
        )));
    }
    let began = Instant::now();
    let clock = clock::now();
    let now = record_end(readings, records)?.map_or(clock, |end| end.min(clock));
    let pipeline = Pipeline {
        readings,
        records,
        clock,
    };
    let done = match &process.yard {
        Some(yard) => pipeline.process_all(Some(yard), now)?,
        None => pipeline.process_everything(now)?,
    };
    let seconds = began.elapsed().as_secs_f64();
    let left_out: Vec<String> = done
        .left_out
        .iter()
        .flat_map(|(yard, parts)| {
            parts
                .iter()
                .map(move |part| format!("yard {yard}: {}", part.sentence))
        })
        .collect();
    if shared.json {
        let yards: Vec<_> = done.yards.iter().map(ToString::to_string).collect();
        println!(
            "{}",
            json!({ "yards": yards, "hives": done.hives.len(), "feeder_days": done.days,
                "judged_at": now.to_rfc3339(), "left_out": left_out, "seconds": (seconds * 1000.0).round() / 1000.0 })
        );
    } else if done.yards.is_empty() {
        println!("Nothing to estimate: no declared yard has readings or fills yet.");
    } else {
        println!(
            "Estimated {} yards, {} hives, {} feeder days in {seconds:.1} s, as of {}.",
            done.yards.len(),
            done.hives.len(),
            done.days,
            now.to_rfc3339()
        );
    }
    match left_out.is_empty() {
        true => Ok(()),
        false => bail!(
            "not everything could be estimated, and what stood there stays: {}; see `larder check`",
            left_out.join("; ")
        ),
    }
}
