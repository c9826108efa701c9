//! `larder serve`: the service.

use crate::service;
use crate::settings::{ServeOptions, ServeSettings, SettingsFile, Shared};
use anyhow::Result;
use clap::Args;
use serde_json::json;
use std::io::Write;
use tokio::signal::unix::{SignalKind, signal};

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
        let running = service::start(settings).await?;
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
        stop_asked().await?;
        tracing::info!("stopping");
        running.stop().await
    })
}

/// The runtime that commands with live parts run on.
pub fn runtime() -> Result<tokio::runtime::Runtime> {
    Ok(tokio::runtime::Builder::new_multi_thread()
        .enable_all()
        .build()?)
}

/// Returns when the program is told to stop. Told a second time, it ends at once.
pub async fn stop_asked() -> Result<()> {
    let mut terminate = signal(SignalKind::terminate())?;
    let mut interrupt = signal(SignalKind::interrupt())?;
    tokio::select! {
        _ = terminate.recv() => {}
        _ = interrupt.recv() => {}
    }
    tokio::spawn(async move {
        tokio::select! {
            _ = terminate.recv() => {}
            _ = interrupt.recv() => {}
        }
        std::process::exit(130);
    });
    Ok(())
}
