//! What the API asks of the running program.

use super::Changed;
use crate::clock;
use larder_api::{Host, News, ReplayOutcome};
use larder_domain::reading::AHEAD_LIMIT_MS;
use larder_domain::{DeviceId, Reading, Span, Timestamp, YardId};
use larder_ingest::decode::DecodeConfig;
use larder_ingest::session::{IngestStatus, LiveDecodeConfig};
use larder_store::archive::{ArchiveSnapshot, ArchiveStatus};
use larder_store::{
    Appended, EmbeddedStore, QuarantinedId, Readings, Records, Removal, Removed, StoreError,
};
use metrics::{counter, gauge};
use metrics_exporter_prometheus::PrometheusHandle;
use std::collections::BTreeSet;
use std::sync::{Arc, Mutex, MutexGuard};
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
    /// Quarantine entries ahead of the clock that were read again.
    pub tried: Mutex<BTreeSet<QuarantinedId>>,
}

/// Numbers of entries that are remembered as tried; beyond it they are forgotten, and tried once more.
const MOST_TRIED: usize = 100_000;

/// Quarantine entries read again at a time once the clock has passed them.
const BROUGHT_BACK: usize = 1_000;

impl ServiceHost {
    /// Takes readings in for a command beside the service, as messages are.
    pub fn take_in(&self, readings: &[Reading], again: bool) -> Result<Appended, StoreError> {
        let appended = match again {
            true => self.readings.append_again(readings)?,
            false => self.readings.append_durable(readings)?,
        };
        if appended.new + appended.replaced > 0 {
            self.changed.readings();
            let devices: BTreeSet<_> = readings.iter().map(|r| r.device.clone()).collect();
            // Nobody listening is fine.
            let _ = self
                .news
                .send(News::Readings(devices.into_iter().collect()));
        }
        Ok(appended)
    }

    /// The clock is believed: what was stored ahead of it is set aside, and what was refused as ahead
    /// of it is read again once it has passed.
    pub fn settle_by_clock(&self, now: Timestamp) {
        let limit = now.plus_ms(AHEAD_LIMIT_MS);
        let done = self
            .set_aside(limit, now)
            .and_then(|set_aside| Ok((set_aside, self.bring_back(limit)?)));
        match done {
            Ok((0, 0)) => {}
            Ok((set_aside, back)) => {
                tracing::info!(set_aside, back, "readings ahead of the clock");
                self.changed.readings();
            }
            Err(error) => tracing::warn!(%error, "readings ahead of the clock stay as they are"),
        }
    }

    fn tried(&self) -> MutexGuard<'_, BTreeSet<QuarantinedId>> {
        self.tried
            .lock()
            .unwrap_or_else(|broken| broken.into_inner())
    }

    /// Moves readings that are ahead of `limit` into the quarantine. Says how many.
    fn set_aside(&self, limit: Timestamp, now: Timestamp) -> Result<u64, StoreError> {
        let mut moved = 0;
        for series in self.readings.series()? {
            if series.last <= limit {
                continue;
            }
            let span = Span {
                start: limit.plus_ms(1),
                end: Span::ALWAYS.end,
            };
            let removal = Removal {
                series: &series.series,
                span,
                reason: "stored while this machine's clock was ahead",
                comes_back: true,
                at: now,
            };
            match self.readings.remove(&removal)? {
                Removed::Readings(n) => moved += n,
                Removed::Nothing => {}
                Removed::TooMany(n) => {
                    tracing::warn!(series = %series.series, n, "more readings are ahead of the clock than are set aside at once; take them out with `larder readings remove`");
                }
            }
        }
        if moved > 0 {
            self.store.cap_heard(now)?;
        }
        Ok(moved)
    }

    /// Reads quarantined messages again that were refused only as ahead of the clock. Says how many
    /// entries came back. Those that still can't be read are not tried again by this process.
    fn bring_back(&self, limit: Timestamp) -> Result<u64, StoreError> {
        let mut after = 0;
        loop {
            let page = self.store.quarantined_ahead(limit, after, BROUGHT_BACK)?;
            let Some(last) = page.last() else {
                return Ok(0);
            };
            after = *last;
            let due: Vec<_> = {
                let tried = self.tried();
                page.into_iter().filter(|id| !tried.contains(id)).collect()
            };
            if !due.is_empty() {
                let mut tried = self.tried();
                if tried.len() > MOST_TRIED {
                    tried.clear();
                }
                tried.extend(&due);
                drop(tried);
                return Ok(self.replay(&due)?.released);
            }
        }
    }
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

    fn take_out(&self, removal: &Removal<'_>) -> Result<Removed, StoreError> {
        let removed = self.readings.remove(removal)?;
        if matches!(removed, Removed::Readings(_)) {
            self.changed.readings();
            let device = removal.series.device.clone();
            // Nobody listening is fine.
            let _ = self.news.send(News::Readings(vec![device]));
        }
        Ok(removed)
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

    fn fill_changed(&self, yards: &[YardId], at: Timestamp) {
        let span = Span {
            start: at,
            end: at.plus_ms(1),
        };
        for yard in yards {
            self.changed.yard(yard, span);
        }
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
