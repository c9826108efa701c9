//! What was taken in from the broker and may come again: on another connection, or after a crash.

use larder_domain::Timestamp;
use larder_store::Readings;
use std::collections::HashMap;

/// Messages of the broker's session by packet number. A number is used again only after its message
/// was acknowledged, so there are never more than 65,535.
#[derive(Default)]
pub(super) struct Known {
    /// Handed to the store by this process.
    taken: HashMap<u16, u64>,
    /// Stored by an earlier process with the time of receipt, and that time.
    receipts: HashMap<u16, (u64, Timestamp)>,
}

impl Known {
    /// As an earlier process left it. Without an answer from the store nothing is known: a repeated
    /// message without a time then counts twice, and the store will complain soon enough.
    pub fn load(readings: &dyn Readings) -> Self {
        let receipts = readings.receipts().unwrap_or_default();
        let of_session = receipts
            .into_iter()
            .filter(|receipt| receipt.sender.is_empty());
        Self {
            taken: HashMap::new(),
            receipts: of_session
                .map(|receipt| (receipt.slot, (receipt.fingerprint, receipt.received_at)))
                .collect(),
        }
    }

    /// The broker lost the session: what comes is new, and numbers start again.
    pub fn forget(&mut self) {
        *self = Self::default();
    }

    /// Whether a message that comes again was handed to the store by this process.
    pub fn is_taken(&self, packet: u16, fingerprint: u64) -> bool {
        self.taken.get(&packet) == Some(&fingerprint)
    }

    /// When a message that comes again came to an earlier process; `None`: it did not, or says its
    /// own time.
    pub fn first_came(&self, packet: u16, fingerprint: u64) -> Option<Timestamp> {
        let (known, at) = self.receipts.get(&packet)?;
        (*known == fingerprint).then_some(*at)
    }

    /// A message is handed to the store.
    pub fn take(&mut self, packet: u16, fingerprint: u64) {
        self.receipts.remove(&packet);
        self.taken.insert(packet, fingerprint);
    }
}
