//! Telling people: what is news is planned, put into the outbox, and sent from there until the other
//! side has taken it. The outbox is a table, so a crash loses nothing; what was sent in the instant
//! before one may arrive twice, under the same id.

mod compose;
mod mail;
mod planning;
mod send;
mod state;
mod webhook;

pub use mail::{MailServer, Mailer};
pub use send::Senders;
pub use state::StateTopics;

use crate::clock;
use larder_api::{Live, News};
use larder_domain::Timestamp;
use larder_store::EmbeddedStore;
use std::pin::pin;
use std::sync::Arc;
use std::time::{Duration, Instant};
use tokio::sync::broadcast;
use tokio::sync::broadcast::error::RecvError;
use tokio_util::sync::CancellationToken;

/// How often the outbox is looked at.
const LOOK: Duration = Duration::from_secs(2);

/// How often it is asked what is news although nobody said so: quiet hours end, digests fall due, and
/// commands beside the service acknowledge flags.
const PLAN: Duration = Duration::from_secs(20);

/// How long a notice that is being sent may take when the service stops.
const LAST_WORDS: Duration = Duration::from_secs(5);

/// All that telling people needs.
pub struct Runner {
    /// The store in use.
    pub store: Arc<EmbeddedStore>,
    /// Where trouble is shown.
    pub live: Live,
    /// Who says that flags or people changed.
    pub news: broadcast::Sender<News>,
    /// How mail and webhooks are sent.
    pub senders: Arc<Senders>,
    /// The retained states of the hives; `None`: not wanted.
    pub state: Option<StateTopics>,
}

impl Runner {
    /// Runs until `stop`.
    pub async fn run(self, stop: CancellationToken) {
        let mut heard = self.news.subscribe();
        let mut planned: Option<Instant> = None;
        loop {
            if planned.is_none_or(|at| at.elapsed() >= PLAN) {
                planned = Some(Instant::now());
                tokio::select! {
                    () = stop.cancelled() => return,
                    () = self.plan() => {}
                }
            }
            let mut sending = pin!(send::send_due(&self.store, &self.senders, &self.live));
            tokio::select! {
                () = stop.cancelled() => {
                    // What the other side is about to take is better written down as taken.
                    let _ = tokio::time::timeout(LAST_WORDS, sending).await;
                    return;
                }
                () = &mut sending => {}
            }
            tokio::select! {
                () = stop.cancelled() => return,
                () = news(&mut heard) => planned = None,
                () = tokio::time::sleep(LOOK) => {}
            }
        }
    }

    async fn plan(&self) {
        let store = Arc::clone(&self.store);
        let now = clock::now();
        let planned = tokio::task::spawn_blocking(move || planning::plan_news(&store, now)).await;
        match planned {
            Ok(Ok(full)) => {
                if full {
                    tracing::warn!("too many notices wait to be sent; further ones wait as flags");
                }
            }
            Ok(Err(error)) => {
                tracing::warn!(error = %format!("{error:#}"), "notices are not planned")
            }
            Err(error) => tracing::error!(%error, "planning notices ended unexpectedly"),
        }
        if let Some(state) = &self.state
            && let Err(error) = state.sync(&self.store).await
        {
            metrics::counter!("larder_notices_failed_total", "way" => "mqtt").increment(1);
            tracing::warn!(error = %format!("{error:#}"), "states of hives do not reach the broker; they are tried again");
        }
    }
}

/// Returns when flags or people changed.
async fn news(heard: &mut broadcast::Receiver<News>) {
    loop {
        match heard.recv().await {
            Ok(News::Flags(_) | News::People | News::Apiary) | Err(RecvError::Lagged(_)) => return,
            Ok(_) => {}
            // The service is ending; `stop` comes next.
            Err(RecvError::Closed) => std::future::pending().await,
        }
    }
}

/// The flags that may be news, and all open ones: those that were open in the last days.
fn lately(now: Timestamp) -> larder_domain::Span {
    larder_domain::Span {
        start: now.plus_ms(-larder_flags::notices::plan::NEWS_FOR_MS - 86_400_000),
        end: now.plus_ms(1),
    }
}
