//! `larder serve`: the service.

use crate::service;
use crate::settings::{ServeOptions, ServeSettings, SettingsFile, Shared};
use anyhow::{Result, bail};
use clap::Args;
use serde_json::json;
use std::io::Write;
use tokio::signal::unix::{SignalKind, signal};
use tokio_util::sync::CancellationToken;

/// Take in readings, process them, serve the pages and the API
#[derive(Args, Debug)]
#[command(
    after_help = "Example: larder serve --data larder-data --broker mqtts://larder@broker.example:8883"
)]
pub struct Serve {
    #[command(flatten)]
    pub options: ServeOptions,
}

/// Runs until it is told to stop.
pub fn run(serve: Serve, shared: &Shared) -> Result<()> {
    let file = SettingsFile::find(shared.config.as_deref())?;
    let settings = ServeSettings::check(shared, serve.options, file)?;
    let json = shared.json;
    runtime()?.block_on(async move {
        // Before anything is ready, so that whoever stops it at once finds it listening.
        let signals = Signals::install()?;
        let running = tokio::select! {
            running = service::start(settings) => running?,
            () = signals.asked() => return Ok(()),
        };
        let line = if json {
            json!({ "ready": true, "http": format!("http://{}", running.http), "mqtt": running.mqtt,
                "built_in_broker": running.built_in.is_some() })
            .to_string()
        } else {
            let broker = if running.built_in.is_some() {
                " (built-in broker)"
            } else {
                ""
            };
            format!(
                "Larder is ready: pages and API at http://{}, readings from {}{broker}",
                running.http, running.mqtt
            )
        };
        // A service goes on where nobody reads this.
        let mut out = std::io::stdout();
        let _ = writeln!(out, "{line}").and_then(|()| out.flush());
        let failed = tokio::select! {
            () = signals.asked() => None,
            failed = running.failed() => Some(failed),
        };
        if let Some(failed) = failed {
            tracing::error!("{failed} ended by a fault of its own; the service stops");
        }
        tracing::info!("stopping");
        running.stop().await?;
        match failed {
            None => Ok(()),
            Some(failed) => bail!("{failed} ended by a fault of its own; start the service anew"),
        }
    })
}

/// The runtime that commands with live parts run on. Every connection is an open file, and many
/// systems start a program with a limit of 1,024 although it may have more.
pub fn runtime() -> Result<tokio::runtime::Runtime> {
    use rustix::process::{Resource, Rlimit, getrlimit, setrlimit};
    let allowed = getrlimit(Resource::Nofile);
    let wanted = Rlimit {
        current: allowed.maximum,
        maximum: allowed.maximum,
    };
    if let Err(error) = setrlimit(Resource::Nofile, wanted) {
        tracing::warn!(%error, "the limit of open files stays as it is");
    }
    Ok(tokio::runtime::Builder::new_multi_thread()
        .enable_all()
        .build()?)
}

/// What tells the program to stop. Told a second time, it ends at once.
pub struct Signals(CancellationToken);

impl Signals {
    /// From now on signals are caught.
    pub fn install() -> Result<Self> {
        let mut terminate = signal(SignalKind::terminate())?;
        let mut interrupt = signal(SignalKind::interrupt())?;
        let asked = CancellationToken::new();
        let told = asked.clone();
        tokio::spawn(async move {
            for _ in 0..2 {
                tokio::select! {
                    _ = terminate.recv() => {}
                    _ = interrupt.recv() => {}
                }
                if told.is_cancelled() {
                    std::process::exit(130);
                }
                told.cancel();
            }
        });
        Ok(Self(asked))
    }

    /// Returns when the program is told to stop, or was before.
    pub async fn asked(&self) {
        self.0.cancelled().await;
    }
}
