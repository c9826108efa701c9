//! `larder demo`: an invented apiary, sent as real messages through the real ingest.

use super::serve::{Signals, runtime};
use crate::clock;
use crate::demo::publish::{BrokerAddress, publish_history, publish_live};
use crate::demo::{DemoApiary, DemoOptions};
use crate::failure::wrong_use;
use crate::service::{self, Running};
use crate::settings::{BrokerChoice, ServeSettings, Shared};
use anyhow::{Context, Result};
use clap::Args;
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use larder_domain::RecordedFill;
use larder_ingest::session::IngestStatus;
use larder_store::{Readings, Records};
use std::net::SocketAddr;
use std::path::PathBuf;
use std::time::{Duration, Instant};
use tokio_util::sync::CancellationToken;

/// Look at an invented apiary: weeks of history, then live
#[derive(Args, Debug)]
#[command(after_help = "Example: larder demo --yards 2 --hives 6 --days 30 --keep demo-data")]
pub struct Demo {
    /// Days of history
    #[arg(long, default_value_t = 21, value_name = "N")]
    pub days: u32,
    /// Yards
    #[arg(long, default_value_t = 3, value_name = "N")]
    pub yards: usize,
    /// Hives in each yard
    #[arg(long, default_value_t = 8, value_name = "N")]
    pub hives: usize,
    /// Another number makes another apiary
    #[arg(long, default_value_t = 1, value_name = "N")]
    pub seed: u64,
    /// Keep the store in this folder instead of throwing it away at the end
    #[arg(long, value_name = "DIR")]
    pub keep: Option<PathBuf>,
    /// Address of the pages and the API
    #[arg(
        long,
        default_value = "127.0.0.1:8080",
        env = "LARDER_LISTEN",
        value_name = "ADDR"
    )]
    pub listen: String,
    /// Address of the built-in broker; port 0 picks a free one
    #[arg(
        long,
        default_value = "127.0.0.1:0",
        env = "LARDER_MQTT_LISTEN",
        value_name = "ADDR"
    )]
    pub mqtt_listen: String,
}

/// How long the first results may take to appear after the last reading.
const FIRST_RESULTS: Duration = Duration::from_secs(60);

/// Runs until it is told to stop.
pub fn run(demo: Demo, shared: &Shared) -> Result<()> {
    let options = DemoOptions::new(demo.days, demo.yards, demo.hives, demo.seed)
        .map_err(|error| wrong_use(error.to_string()))?;
    let thrown_away = match &demo.keep {
        Some(_) => None,
        None => Some(tempfile::tempdir().context("making a temporary folder for the demo")?),
    };
    let data = match (&demo.keep, &thrown_away) {
        (Some(kept), _) => kept.clone(),
        (None, Some(folder)) => folder.path().to_owned(),
        (None, None) => unreachable!("one of the two is always there"),
    };
    let settings = settings(&demo, data)?;
    let json = shared.json;
    runtime()?.block_on(async move {
        let signals = Signals::install()?;
        let running = service::start(settings).await?;
        let stop = CancellationToken::new();
        let outcome = tokio::select! {
            told = tell(&running, options, json) => told.map(Some),
            () = signals.asked() => Ok(None),
        };
        if let Some(mut apiary) = outcome? {
            let (address, store) = (address(&running)?, running.store.clone());
            let changed = running.changed.clone();
            let noted = move |fills: Vec<RecordedFill>| match store.record_fills(&fills) {
                Ok(_) => {
                    changed.everything();
                }
                Err(error) => tracing::warn!(%error, "a fill could not be written down"),
            };
            let live = publish_live(&address, &mut apiary, clock::now, noted, stop.clone());
            tokio::select! {
                () = live => {}
                () = signals.asked() => stop.cancel(),
            }
        }
        running.stop().await
    })
}

fn settings(demo: &Demo, data: PathBuf) -> Result<ServeSettings> {
    let address = |name: &str, text: &str| {
        text.parse::<SocketAddr>().map_err(|_| {
            wrong_use(format!(
                "{name} is an address and port like 127.0.0.1:8080, not \"{text}\""
            ))
        })
    };
    Ok(ServeSettings {
        data,
        listen: address("--listen", &demo.listen)?,
        broker: BrokerChoice::BuiltIn {
            listen: address("--mqtt-listen", &demo.mqtt_listen)?,
            users: None,
        },
        ..ServeSettings::usual()
    })
}

fn address(running: &Running) -> Result<BrokerAddress> {
    let built_in = running
        .built_in
        .context("the demo needs the built-in broker")?;
    Ok(BrokerAddress {
        host: built_in.ip().to_string(),
        port: built_in.port(),
        credentials: None,
    })
}

/// Declares the apiary, sends its history, waits for the first results, and says what to look at.
async fn tell(running: &Running, options: DemoOptions, json: bool) -> Result<DemoApiary> {
    let began = Instant::now();
    let mut apiary = DemoApiary::new(options, clock::now());
    let store = running.store.clone();
    store.set_apiary(&apiary.apiary())?;
    let bar = progress_bar();
    let messages: Vec<_> = apiary.history().collect();
    bar.set_length(messages.len() as u64);
    let before = readings_taken(&running.status);
    let status = running.status.clone();
    let published = publish_history(
        &address(running)?,
        messages.into_iter(),
        move || readings_taken(&status) - before,
        |_| bar.inc(1),
    )
    .await?;
    bar.set_message("working out fills, uptake and weights");
    wait_for(Duration::from_secs(30), || {
        readings_taken(&running.status) - before >= published.readings
    })
    .await;
    store.record_fills(&apiary.take_fills())?;
    let asking = running.changed.everything();
    wait_for(FIRST_RESULTS, || running.changed.is_answered(asking)).await;
    bar.finish_and_clear();
    announce(running, &apiary, published.readings, began.elapsed(), json)?;
    Ok(apiary)
}

fn announce(
    running: &Running,
    apiary: &DemoApiary,
    readings: u64,
    took: Duration,
    json: bool,
) -> Result<()> {
    let address = format!("http://{}", running.http);
    if json {
        println!(
            "{}",
            serde_json::json!({ "ready": true, "http": address, "mqtt": running.mqtt,
                "readings": readings, "seconds": took.as_secs_f64(), "story": apiary.story() })
        );
        return Ok(());
    }
    let series = running.store.series()?.len();
    println!(
        "Larder's demo is ready after {:.0} s: {readings} readings on {series} channels.",
        took.as_secs_f64()
    );
    println!();
    println!("  Open {address}");
    println!();
    println!("What to look at:");
    for line in apiary.story() {
        println!("  - {line}");
    }
    println!();
    println!(
        "Readings go on live, over MQTT at {}. Ctrl-C ends it.",
        running.mqtt
    );
    Ok(())
}

fn progress_bar() -> ProgressBar {
    let bar = ProgressBar::with_draw_target(Some(0), ProgressDrawTarget::stderr());
    let style = ProgressStyle::with_template("{msg} {bar:32} {percent:>3} %")
        .unwrap_or_else(|_| ProgressStyle::default_bar());
    bar.set_style(style);
    bar.set_message("sending weeks of readings");
    bar
}

fn readings_taken(status: &IngestStatus) -> u64 {
    status.snapshot().readings
}

async fn wait_for(longest: Duration, done: impl Fn() -> bool) {
    let deadline = Instant::now() + longest;
    while !done() && Instant::now() < deadline {
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
}
