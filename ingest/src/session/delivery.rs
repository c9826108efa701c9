//! Deliveries that may come again: a sender that does not know whether its message arrived sends it
//! once more, and it must count once also where it carries no time of its own.

use larder_domain::Timestamp;
use larder_store::Receipt;
use std::hash::{DefaultHasher, Hash, Hasher};

/// One message of QoS 1 or 2 from one sender.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) struct Delivery {
    pub sender: String,
    pub slot: u16,
    pub fingerprint: u64,
}

impl Delivery {
    pub fn receipt(&self, received_at: Timestamp) -> Receipt {
        Receipt {
            sender: self.sender.clone(),
            slot: self.slot,
            fingerprint: self.fingerprint,
            received_at,
        }
    }
}

/// Tells one message from another. (A hash of another version of the standard library costs one
/// repeated message after an upgrade its recognition, no more.)
pub(super) fn fingerprint(packet: u16, topic: &str, payload: &[u8]) -> u64 {
    let mut hasher = DefaultHasher::new();
    (packet, topic, payload).hash(&mut hasher);
    hasher.finish()
}
