//! Processing as news arrives: never more often than it is worth, never less than it should.

use super::Changed;
use crate::clock;
use crate::pipeline::{Pipeline, Processed, judged_at};
use anyhow::Result;
use larder_api::{Live, News};
use larder_store::EmbeddedStore;
use std::sync::Arc;
use std::time::{Duration, Instant};
use tokio::sync::broadcast;
use tokio_util::sync::CancellationToken;

/// The shortest time between two runs.
const SHORTEST_PAUSE: Duration = Duration::from_secs(2);

/// The longest: silence becomes a flag although nothing arrives.
const LONGEST_PAUSE: Duration = Duration::from_secs(300);

/// A run may use one part in so many of one core's time.
const SHARE_OF_TIME: u32 = 10;

/// Runs until `stop`. The first run is over everything: how feeders stand is not kept on disk.
pub async fn run(
    store: Arc<EmbeddedStore>,
    live: Live,
    news: broadcast::Sender<News>,
    changed: Arc<Changed>,
    stop: CancellationToken,
) {
    changed.everything();
    let mut pause = Duration::ZERO;
    loop {
        tokio::select! {
            () = stop.cancelled() => return,
            () = tokio::time::sleep(pause) => {}
        }
        tokio::select! {
            () = stop.cancelled() => return,
            () = changed.wake.notified() => {}
            () = tokio::time::sleep(LONGEST_PAUSE) => changed.everything(),
        }
        let everything = changed.take_everything();
        let began = Instant::now();
        let store = Arc::clone(&store);
        let outcome = tokio::task::spawn_blocking(move || process(&store, everything)).await;
        match outcome {
            Ok(Ok(done)) => publish(done, &live, &news),
            Ok(Err(error)) => {
                tracing::warn!(error = %format!("{error:#}"), "processing failed; it is tried again");
                if everything {
                    changed.everything();
                } else {
                    changed.readings();
                }
            }
            Err(error) => tracing::error!(%error, "processing ended unexpectedly"),
        }
        metrics::histogram!("larder_process_seconds").record(began.elapsed().as_secs_f64());
        pause = (began.elapsed() * SHARE_OF_TIME).clamp(SHORTEST_PAUSE, LONGEST_PAUSE);
    }
}

fn process(store: &EmbeddedStore, everything: bool) -> Result<Processed> {
    let pipeline = Pipeline {
        readings: store,
        records: store,
    };
    let now = judged_at(store, store, clock::now())?;
    if !everything {
        return pipeline.process_news(now);
    }
    pipeline.process_everything(now)
}

fn publish(done: Processed, live: &Live, news: &broadcast::Sender<News>) {
    live.update(done.now);
    if !done.yards.is_empty() {
        // Nobody listening is fine.
        let _ = news.send(News::Results {
            yards: done.yards,
            hives: done.hives,
        });
    }
}
