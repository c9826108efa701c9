//! What ingest tells the log and the metrics. Label values are few and fixed.

use crate::decode::Decoded;
use larder_store::{Appended, StoreError};
use metrics::{counter, gauge, histogram};
use std::time::Duration;
use tracing::{error, info, warn};

pub(super) fn decoded(decoded: &Decoded) {
    for class in &decoded.faults {
        counter!("larder_ingest_refused_total", "kind" => class.name()).increment(1);
    }
    if let Some(event) = decoded.event {
        counter!("larder_ingest_events_total", "kind" => event.name()).increment(1);
    }
}

pub(super) fn committed(messages: usize, appended: &Appended, took: Duration) {
    counter!("larder_ingest_messages_total").increment(messages as u64);
    for (outcome, count) in [
        ("new", appended.new),
        ("replaced", appended.replaced),
        ("repeated", appended.repeated),
    ] {
        counter!("larder_ingest_readings_total", "outcome" => outcome).increment(count);
    }
    histogram!("larder_ingest_commit_seconds").record(took.as_secs_f64());
    histogram!("larder_ingest_batch_messages").record(messages as f64);
}

/// Logged once for a series of failures, not for each attempt.
pub(super) fn store_failed(problem: &StoreError, again: bool) {
    counter!("larder_ingest_store_failures_total").increment(1);
    if !again {
        let problem: &dyn std::error::Error = problem;
        error!(
            problem,
            "the store takes no readings; they stay unacknowledged"
        );
    }
}

pub(super) fn store_recovered() {
    info!("the store takes readings again");
}

pub(super) fn connected(broker: &str, session_present: bool) {
    gauge!("larder_ingest_connected").set(1.0);
    info!(broker, session_present, "connected to the broker");
}

/// Logged at the first failure of a row of them.
pub(super) fn disconnected(broker: &str, reason: &str, is_first: bool) {
    gauge!("larder_ingest_connected").set(0.0);
    counter!("larder_ingest_disconnects_total").increment(1);
    if is_first {
        warn!(broker, reason, "no connection to the broker; trying again");
    }
}

pub(super) fn subscription_refused(filters: &str) {
    warn!(filters, "the broker refuses the subscription");
}

pub(super) fn backlog_full(messages: usize, bytes: usize) {
    warn!(
        messages,
        bytes, "too much waits for the store; disconnecting until it has caught up"
    );
}

/// A message of QoS 0 that found no room: its sender chose that it may be lost.
pub(super) fn dropped() {
    counter!("larder_ingest_dropped_total", "kind" => "qos0_backlog_full").increment(1);
}

/// A message of a device that sends more than any device may.
pub(super) fn too_fast() {
    counter!("larder_ingest_over_rate_total").increment(1);
}

pub(super) fn unacknowledged(count: usize) {
    gauge!("larder_ingest_unacknowledged_messages").set(count as f64);
}

pub(super) fn gave_up(messages: usize) {
    warn!(
        messages,
        "stopped before the store took everything; the broker will send it again"
    );
}

pub(super) fn broken() {
    error!("the thread that commits readings has died; nothing acknowledged is lost");
}
