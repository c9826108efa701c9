//! How sending goes, for readiness, metrics and pages.

use super::WriteFault;
use larder_domain::Timestamp;
use std::collections::BTreeMap;
use std::sync::{Mutex, PoisonError};

/// How sending to an archive goes. Shared between the thread that sends and whoever asks.
#[derive(Debug, Default)]
pub struct ArchiveStatus {
    // A std mutex: held for a few assignments.
    state: Mutex<ArchiveSnapshot>,
}

/// A picture of [`ArchiveStatus`] at one moment.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct ArchiveSnapshot {
    /// Where readings go, without a token.
    pub place: String,
    /// Why nothing can be sent; `None`: it can.
    pub problem: Option<String>,
    /// Since when, by our clock.
    pub problem_since: Option<Timestamp>,
    /// When something was last sent.
    pub last_sent_at: Option<Timestamp>,
    /// Bytes on this disk that wait to be sent.
    pub waiting_bytes: u64,
    /// The most that may wait; beyond it nothing more is taken in.
    pub most_waiting_bytes: u64,
    /// Readings taken by the server since the start.
    pub sent: u64,
    /// Readings older than the server keeps, since the start.
    pub expired: u64,
    /// Readings that went into the quarantine because the server will never take them.
    pub refused: u64,
    /// Attempts that failed since the start, by kind.
    pub failures: BTreeMap<&'static str, u64>,
}

impl ArchiveSnapshot {
    /// What is wrong, as a sentence; `None`: nothing.
    pub fn sentence(&self) -> Option<String> {
        let problem = self.problem.as_ref()?;
        let since = self
            .problem_since
            .map_or(String::new(), |at| format!(" since {}", at.to_rfc3339()));
        let kept = match self.is_full() {
            true => "no more room for readings to wait on this disk: the broker keeps the rest",
            false => "readings wait on this disk and nothing is lost",
        };
        Some(format!("{problem} ({}{since}); {kept}", self.place))
    }

    /// Nothing more is taken in until the server takes some.
    pub fn is_full(&self) -> bool {
        self.waiting_bytes >= self.most_waiting_bytes
    }
}

impl ArchiveStatus {
    /// Everything at once.
    pub fn snapshot(&self) -> ArchiveSnapshot {
        self.with(|state| state.clone())
    }

    pub(super) fn with<T>(&self, change: impl FnOnce(&mut ArchiveSnapshot) -> T) -> T {
        change(&mut self.state.lock().unwrap_or_else(PoisonError::into_inner))
    }

    /// Says whether it is the first failure in a row.
    pub(super) fn failed(&self, fault: &WriteFault, now: Timestamp) -> bool {
        self.with(|state| {
            *state.failures.entry(fault.kind.name()).or_default() += 1;
            state.problem = Some(fault.what.clone());
            let is_first = state.problem_since.is_none();
            state.problem_since.get_or_insert(now);
            is_first
        })
    }

    /// Says whether it had failed before.
    pub(super) fn works(&self, now: Timestamp) -> bool {
        self.with(|state| {
            state.last_sent_at = Some(now);
            state.problem = None;
            state.problem_since.take().is_some()
        })
    }
}

#[cfg(test)]
mod tests {
    use super::super::FaultKind;
    use super::*;

    #[test]
    fn a_problem_is_told_with_its_beginning_and_what_becomes_of_readings() {
        let status = ArchiveStatus::default();
        status.with(|state| {
            state.place = "InfluxDB at http://localhost:8086, bucket larder".into();
            state.most_waiting_bytes = 10;
        });
        assert_eq!(status.snapshot().sentence(), None);
        let fault = WriteFault {
            what: "the connection was refused".into(),
            kind: FaultKind::Unreachable,
            retry_after: None,
        };
        assert!(status.failed(&fault, Timestamp(1_788_238_800_000)));
        assert!(!status.failed(&fault, Timestamp(1_788_238_900_000)));
        assert_eq!(
            status.snapshot().sentence().unwrap(),
            "the connection was refused (InfluxDB at http://localhost:8086, bucket larder since \
             2026-09-01T05:00:00Z); readings wait on this disk and nothing is lost"
        );
        status.with(|state| state.waiting_bytes = 10);
        assert!(
            status
                .snapshot()
                .sentence()
                .unwrap()
                .contains("the broker keeps the rest")
        );
        assert!(status.works(Timestamp(1_788_239_000_000)));
        assert_eq!(status.snapshot().sentence(), None);
        assert_eq!(status.snapshot().failures["unreachable"], 2);
    }
}
