//! What the API asks of the running program.

use super::Changed;
use crate::clock;
use larder_api::{Host, News, ReplayOutcome};
use larder_domain::Timestamp;
use larder_ingest::decode::DecodeConfig;
use larder_ingest::session::{IngestStatus, LiveDecodeConfig};
use larder_store::{EmbeddedStore, QuarantinedId, Records, StoreError};
use metrics_exporter_prometheus::PrometheusHandle;
use std::sync::Arc;
use tokio::sync::broadcast;

/// The running program as the API sees it.
pub struct ServiceHost {
    /// The store in use.
    pub store: Arc<EmbeddedStore>,
    /// What ingest is doing.
    pub status: Arc<IngestStatus>,
    /// The processing loop's bell.
    pub changed: Arc<Changed>,
    /// How messages are read, for reading them again.
    pub decode: LiveDecodeConfig,
    /// The metrics.
    pub metrics: PrometheusHandle,
    /// Where pages hear of it.
    pub news: broadcast::Sender<News>,
}

impl Host for ServiceHost {
    fn now(&self) -> Timestamp {
        clock::now()
    }

    fn ready(&self) -> Result<(), String> {
        self.status.ready()
    }

    fn replay(&self, ids: &[QuarantinedId]) -> Result<ReplayOutcome, StoreError> {
        let store = self.store.as_ref();
        let done =
            larder_ingest::replay::replay(store, store, ids, &self.decode.current(), clock::now())?;
        if done.readings > 0 {
            self.changed.readings();
        }
        Ok(ReplayOutcome {
            released: done.released,
            kept: done.kept,
            readings: done.readings,
        })
    }

    fn changed(&self) {
        if let Err(error) = take_gateways(&self.decode, self.store.as_ref()) {
            tracing::warn!(%error, "the apiary's gateways could not be read");
        }
        // Nobody listening is fine.
        let _ = self.news.send(News::Apiary);
        self.changed.everything();
    }

    fn metrics(&self) -> String {
        self.metrics.run_upkeep();
        self.metrics.render()
    }
}

/// Lets the decoders know which devices may speak for others.
pub fn take_gateways(decode: &LiveDecodeConfig, records: &dyn Records) -> Result<(), StoreError> {
    let gateways = records.apiary()?.gateways().iter().cloned().collect();
    decode.replace(DecodeConfig {
        gateways,
        ..(*decode.current()).clone()
    });
    Ok(())
}
