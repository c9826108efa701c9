//! `larder influx init`: makes the bucket and the token that the service needs, with an operator's.

use crate::failure::wrong_use;
use crate::readings_store::{address, token};
use crate::settings::{SettingsFile, Shared};
use anyhow::{Context, Result};
use clap::{Args, Subcommand};
use larder_store::influxdb2::{Admin, InfluxConfig, InitWish, Initialised, Trouble};
use serde_json::json;
use std::fs::OpenOptions;
use std::io::Write;
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};

/// Prepare an InfluxDB 2 for readings
#[derive(Args, Debug)]
#[command(
    after_help = "Example: larder influx init --influx-url http://localhost:8086 --influx-org apiary --admin-token-file operator.token --token-out larder.token"
)]
pub struct Influx {
    #[command(subcommand)]
    pub action: Action,
}

/// What to do.
#[derive(Subcommand, Debug)]
pub enum Action {
    /// Make the bucket and a token that may read and write it and nothing else
    #[command(
        after_help = "Example: larder influx init --influx-url http://localhost:8086 --influx-org apiary --admin-token-file operator.token --token-out larder.token --retention-days 1825 --hourly"
    )]
    Init(Init),
}

/// How to prepare it.
#[derive(Args, Debug)]
pub struct Init {
    /// A file that holds an operator's token (or set LARDER_INFLUX_ADMIN_TOKEN); it is used for this only
    #[arg(long, value_name = "FILE")]
    pub admin_token_file: Option<PathBuf>,
    /// Where to write the new token; a file that does not exist yet, made for its owner's eyes only
    #[arg(long, value_name = "FILE")]
    pub token_out: PathBuf,
    /// Days after which the server forgets readings [default: never]
    #[arg(long, value_name = "DAYS", value_parser = clap::value_parser!(i32).range(1..=24_855))]
    pub retention_days: Option<i32>,
    /// Make a second bucket of hourly means, least and greatest values, and the task that fills it
    #[arg(long)]
    pub hourly: bool,
}

/// Runs `larder influx`.
pub fn run(influx: Influx, shared: &Shared) -> Result<()> {
    let Action::Init(init) = influx.action;
    let file = SettingsFile::find(shared.config.as_deref())?;
    let config = config(&init, shared, &file)?;
    if init.token_out.exists() {
        return Err(wrong_use(format!(
            "{} is there already; name a new file for the token",
            init.token_out.display()
        )));
    }
    let wish = InitWish {
        retention_s: init.retention_days.map(|days| days * 86_400),
        hourly: init.hourly,
    };
    let place = config.place();
    let admin = Admin::new(config)?;
    let made = admin
        .init(&wish)
        .map_err(|trouble| told(&place, &trouble))?;
    write_secret(&init.token_out, made.token.secret())
        .with_context(|| format!("writing {}", init.token_out.display()))?;
    say(&made, &place, &init, shared.json);
    Ok(())
}

fn config(init: &Init, shared: &Shared, file: &SettingsFile) -> Result<InfluxConfig> {
    let mut mistakes = Vec::new();
    let mut config = address(&shared.readings, file, &mut mistakes);
    let variable = "LARDER_INFLUX_ADMIN_TOKEN";
    match token(variable, init.admin_token_file.as_ref(), &mut mistakes) {
        Some(token) => config.token = token,
        None if mistakes.is_empty() => mistakes.push(format!(
            "an operator's token is needed: set {variable}, or give --admin-token-file"
        )),
        None => {}
    }
    match mistakes.is_empty() {
        true => Ok(config),
        false => Err(wrong_use(mistakes.join("; "))),
    }
}

fn told(place: &str, trouble: &Trouble) -> anyhow::Error {
    match trouble {
        Trouble::Forbidden(says) => wrong_use(format!(
            "{place} refuses the operator's token ({says}); it must be one that may make buckets and tokens"
        )),
        Trouble::Missing(says) => wrong_use(format!(
            "{place} has no such organisation ({says}); influx_org is its name"
        )),
        other => anyhow::anyhow!("{place}: {other}"),
    }
}

fn write_secret(path: &Path, secret: &str) -> std::io::Result<()> {
    let mut out = OpenOptions::new()
        .write(true)
        .create_new(true)
        .mode(0o600)
        .open(path)?;
    writeln!(out, "{secret}")?;
    out.sync_all()
}

fn say(made: &Initialised, place: &str, init: &Init, json: bool) {
    let file = init.token_out.display();
    if json {
        println!(
            "{}",
            json!({ "place": place, "made_bucket": made.made_bucket, "token_file": init.token_out,
                "hourly_bucket": made.hourly_bucket })
        );
        return;
    }
    let verb = if made.made_bucket { "Made" } else { "Found" };
    println!("{verb} {place}. Its token for readings is in {file}.");
    if !made.made_bucket && init.retention_days.is_some() {
        println!("How long the bucket keeps readings was left as it is.");
    }
    if let Some(hourly) = &made.hourly_bucket {
        println!("Hourly figures go to the bucket {hourly}.");
    }
    println!(
        "Next: larder serve --readings influxdb2 --influx-token-file {file} (and the same address)"
    );
}
