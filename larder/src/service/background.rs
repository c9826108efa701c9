//! What goes on by itself while the service runs, beside taking in and answering.

use super::clock_watch::ClockWatch;
use super::core::Core;
use super::host::ServiceHost;
use super::process_loop;
use crate::notices::Runner;
use anyhow::{Context, Result};
use std::sync::Arc;
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;

/// The tasks, and what ends them.
pub struct Background {
    processing: JoinHandle<()>,
    telling: JoinHandle<()>,
    watching: JoinHandle<()>,
    stop: CancellationToken,
}

impl Background {
    /// Starts them.
    pub fn start(core: &Core, host: &Arc<ServiceHost>, watch: ClockWatch, notices: Runner) -> Self {
        let stop = CancellationToken::new();
        let processing = process_loop::run(
            Arc::clone(&host.store),
            Arc::clone(&host.readings),
            notices.live.clone(),
            host.news.clone(),
            Arc::clone(&host.changed),
            Arc::clone(host),
            stop.clone(),
        );
        let settling = Arc::clone(host);
        let settled = move |now| settling.settle_by_clock(now);
        Self {
            processing: core.spawn("processing", processing),
            watching: core.spawn("the clock's watch", watch.run(settled, stop.clone())),
            telling: core.spawn("the notices", notices.run(stop.clone())),
            stop,
        }
    }

    /// Ends them, and says whether they ended well.
    pub async fn stop(self) -> Result<()> {
        self.stop.cancel();
        let telling = self.telling.await;
        let telling = telling.context("the notices did not end cleanly");
        let processing = self.processing.await;
        let watching = self.watching.await.context("the clock's watch failed");
        let processing = processing.context("the processing did not end cleanly");
        telling.and(processing).and(watching)
    }
}
