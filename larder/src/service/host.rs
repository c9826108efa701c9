//! What the API asks of the running program.

use super::Changed;
use crate::clock;
use larder_api::{Host, ReplayOutcome};
use larder_domain::Timestamp;
use larder_ingest::decode::DecodeConfig;
use larder_ingest::session::IngestStatus;
use larder_store::{EmbeddedStore, QuarantinedId, StoreError};
use metrics_exporter_prometheus::PrometheusHandle;
use std::sync::Arc;

/// The running program as the API sees it.
pub struct ServiceHost {
    /// The store in use.
    pub store: Arc<EmbeddedStore>,
    /// What ingest is doing.
    pub status: Arc<IngestStatus>,
    /// The processing loop's bell.
    pub changed: Arc<Changed>,
    /// How messages are read, for reading them again.
    pub decode: DecodeConfig,
    /// The metrics.
    pub metrics: PrometheusHandle,
}

impl Host for ServiceHost {
    fn now(&self) -> Timestamp {
        clock::now()
    }

    fn ready(&self) -> Result<(), String> {
        self.status.ready()
    }

    fn replay(&self, ids: &[QuarantinedId]) -> Result<ReplayOutcome, StoreError> {
        let done = crate::commands::quarantine::replay(&self.store, ids, &self.decode, clock::now())?;
        if done.readings > 0 {
            self.changed.readings();
        }
        Ok(done)
    }

    fn changed(&self) {
        self.changed.everything();
    }

    fn metrics(&self) -> String {
        self.metrics.run_upkeep();
        self.metrics.render()
    }
}
