//! What the API asks of the running program.

use super::Changed;
use crate::clock;
use larder_api::{Host, News, ReplayOutcome};
use larder_domain::{DeviceId, Timestamp};
use larder_ingest::decode::DecodeConfig;
use larder_ingest::session::{IngestStatus, LiveDecodeConfig};
use larder_store::archive::{ArchiveSnapshot, ArchiveStatus};
use larder_store::{EmbeddedStore, QuarantinedId, Readings, Records, StoreError};
use metrics::{counter, gauge};
use metrics_exporter_prometheus::PrometheusHandle;
use std::sync::Arc;
use tokio::sync::broadcast;

/// The running program as the API sees it.
pub struct ServiceHost {
    /// The store in use.
    pub store: Arc<EmbeddedStore>,
    /// Where readings are.
    pub readings: Arc<dyn Readings>,
    /// How sending readings on goes, where they are kept elsewhere in the end.
    pub sending: Option<Arc<ArchiveStatus>>,
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

impl ServiceHost {
    /// The clock is right: what came too early by it is looked at again.
    pub fn bring_back(&self, _now: Timestamp) {}
}

impl Host for ServiceHost {
    fn now(&self) -> Timestamp {
        clock::now()
    }

    fn ready(&self) -> Result<(), String> {
        self.status.ready()
    }

    fn note(&self) -> Option<String> {
        self.sending.as_ref()?.snapshot().sentence()
    }

    fn excess(&self, device: &DeviceId) -> Option<(u64, Timestamp)> {
        let excess = self.status.excess(device)?;
        Some((excess.messages, excess.last_at))
    }

    fn replay(&self, ids: &[QuarantinedId]) -> Result<ReplayOutcome, StoreError> {
        let (readings, records) = (self.readings.as_ref(), self.store.as_ref());
        let config = self.decode.current();
        let done = larder_ingest::replay::replay(readings, records, ids, &config, clock::now())?;
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
        if let Some(sending) = &self.sending {
            show(&sending.snapshot());
        }
        self.metrics.run_upkeep();
        self.metrics.render()
    }
}

/// What is sent on, as metrics.
fn show(sending: &ArchiveSnapshot) {
    gauge!("larder_influx_up").set(f64::from(u8::from(sending.problem.is_none())));
    gauge!("larder_influx_waiting_bytes").set(sending.waiting_bytes as f64);
    gauge!("larder_influx_most_waiting_bytes").set(sending.most_waiting_bytes as f64);
    if let Some(at) = sending.last_sent_at {
        gauge!("larder_influx_last_sent_timestamp_seconds").set(at.0 as f64 / 1000.0);
    }
    for (outcome, count) in [
        ("taken", sending.sent),
        ("expired", sending.expired),
        ("refused", sending.refused),
    ] {
        counter!("larder_influx_readings_total", "outcome" => outcome).absolute(count);
    }
    for (kind, count) in &sending.failures {
        counter!("larder_influx_failures_total", "kind" => *kind).absolute(*count);
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
