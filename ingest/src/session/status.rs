//! What ingest is doing, for `/readyz`, for the pages and for the log.

use super::hold::Hold;
use super::rates::{Excess, Rates};
use larder_domain::{DeviceId, Timestamp};
use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering::Relaxed};
use std::time::Duration;

/// What ingest is doing. Shared between the session, which writes, and whoever asks.
#[derive(Debug, Default)]
pub struct IngestStatus {
    messages: AtomicU64,
    readings: AtomicU64,
    refused: AtomicU64,
    reconnects: AtomicU64,
    unacknowledged: AtomicU64,
    rates: Rates,
    pub(super) hold: Hold,
    /// A std mutex: held for a few assignments, never across an await.
    state: Mutex<State>,
}

#[derive(Clone, Debug, Default)]
struct State {
    broker: Option<String>,
    is_subscribed: bool,
    connection_problem: Option<String>,
    store_problem: Option<String>,
    last_message_at: Option<Timestamp>,
    last_error: Option<String>,
}

/// A picture of [`IngestStatus`] at one moment.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct StatusSnapshot {
    /// The broker's address, without a password; `None`: ingest has not started.
    pub broker: Option<String>,
    /// Connected, and the broker took the subscription.
    pub is_connected: bool,
    /// When the last message came.
    pub last_message_at: Option<Timestamp>,
    /// Messages committed since the start.
    pub messages: u64,
    /// Readings new or replaced since the start.
    pub readings: u64,
    /// Records that went into the quarantine since the start.
    pub refused: u64,
    /// Connections after the first.
    pub reconnects: u64,
    /// Messages received and not yet acknowledged.
    pub unacknowledged: u64,
    /// The last thing that went wrong, even if it is right again.
    pub last_error: Option<String>,
    /// Why it takes no readings now; `None`: it does.
    pub not_ready: Option<String>,
}

impl IngestStatus {
    /// Whether readings are taken in; otherwise why not, as a sentence.
    pub fn ready(&self) -> Result<(), String> {
        if let Some(reason) = self.hold.reason() {
            return Err(reason);
        }
        self.state().not_ready().map_or(Ok(()), Err)
    }

    /// Lets commits wait (`Some`, with the reason in a sentence) or go on. While they wait nothing is
    /// acknowledged; what came meanwhile gets its time of receipt anew.
    pub fn hold(&self, reason: Option<String>) {
        self.hold.set(reason);
    }

    /// Why commits wait; `None`: they do not.
    pub fn held(&self) -> Option<String> {
        self.hold.reason()
    }

    /// Messages committed since the start, good or not.
    pub fn messages(&self) -> u64 {
        self.messages.load(Relaxed)
    }

    /// Everything at once.
    pub fn snapshot(&self) -> StatusSnapshot {
        let state = self.state();
        StatusSnapshot {
            is_connected: state.is_subscribed,
            last_message_at: state.last_message_at,
            messages: self.messages(),
            readings: self.readings.load(Relaxed),
            refused: self.refused.load(Relaxed),
            reconnects: self.reconnects.load(Relaxed),
            unacknowledged: self.unacknowledged.load(Relaxed),
            not_ready: self.ready().err(),
            broker: state.broker,
            last_error: state.last_error,
        }
    }

    fn state(&self) -> State {
        self.with(|state| state.clone())
    }

    fn with<T>(&self, change: impl FnOnce(&mut State) -> T) -> T {
        // A panic elsewhere leaves plain values behind, which are as good as before.
        let mut state = self
            .state
            .lock()
            .unwrap_or_else(|broken| broken.into_inner());
        change(&mut state)
    }

    pub(super) fn starting(&self, broker: &str) {
        self.with(|state| state.broker = Some(broker.to_owned()));
    }

    pub(super) fn subscribed(&self) {
        self.with(|state| {
            state.is_subscribed = true;
            state.connection_problem = None;
        });
    }

    pub(super) fn not_subscribed(&self, problem: &str) {
        self.with(|state| {
            state.is_subscribed = false;
            state.connection_problem = Some(problem.to_owned());
            state.last_error = Some(problem.to_owned());
        });
    }

    pub(super) fn reconnecting(&self) {
        self.reconnects.fetch_add(1, Relaxed);
    }

    pub(super) fn stopped(&self) {
        self.with(|state| {
            state.is_subscribed = false;
            state.connection_problem = Some("the service is stopping".into());
        });
    }

    /// A message of a device (or, where a mapping says which one, on a topic) came. Says how long it
    /// should wait for the others' sake.
    pub(super) fn received(&self, sender: &str, at: Timestamp) -> Duration {
        self.with(|state| state.last_message_at = Some(at));
        self.rates.count(sender, at)
    }

    /// What a device sent beyond what any device may send; `None`: nothing.
    pub fn excess(&self, device: &DeviceId) -> Option<Excess> {
        self.rates.excess(device.as_str())
    }

    pub(super) fn unacknowledged(&self, count: usize) {
        self.unacknowledged.store(count as u64, Relaxed);
    }

    pub(super) fn committed(&self, messages: u64, readings: u64, refused: u64) {
        self.messages.fetch_add(messages, Relaxed);
        self.readings.fetch_add(readings, Relaxed);
        self.refused.fetch_add(refused, Relaxed);
    }

    /// `None`: the store works.
    pub(super) fn store(&self, problem: Option<String>) {
        self.with(|state| {
            if problem.is_some() {
                state.last_error.clone_from(&problem);
            }
            state.store_problem = problem;
        });
    }
}

impl State {
    fn not_ready(&self) -> Option<String> {
        let broker = self.broker.as_deref();
        if let Some(problem) = &self.store_problem {
            return Some(problem.clone());
        }
        match (&self.connection_problem, broker) {
            (Some(problem), _) => Some(problem.clone()),
            (None, _) if self.is_subscribed => None,
            (None, Some(broker)) => Some(format!("not yet connected to the broker {broker}")),
            (None, None) => Some("ingest has not started".into()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_says_why_it_is_not_ready() {
        let status = IngestStatus::default();
        assert_eq!(status.ready(), Err("ingest has not started".into()));
        status.starting("mqtt://b:1883");
        assert!(status.ready().unwrap_err().contains("mqtt://b:1883"));
        status.not_subscribed("the broker refuses the password");
        assert_eq!(
            status.ready(),
            Err("the broker refuses the password".into())
        );
        status.subscribed();
        assert_eq!(status.ready(), Ok(()));
        status.store(Some("the disk is full".into()));
        assert_eq!(status.ready(), Err("the disk is full".into()));
        status.store(None);
        assert_eq!(status.ready(), Ok(()));
        assert_eq!(
            status.snapshot().last_error.as_deref(),
            Some("the disk is full")
        );
        status.stopped();
        assert!(status.ready().is_err());
    }
}
