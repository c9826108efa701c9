//! Messages received on this connection that the broker has not been told about: acknowledged in the
//! order of receipt, never before their commit, never on another connection.

use std::collections::VecDeque;

/// The place of a message in the order of receipt since the start, over all connections.
pub(super) type Sequence = u64;

/// The packets of one connection that await their acknowledgement.
#[derive(Debug, Default)]
pub(super) struct Unacked {
    /// Order of receipt; only QoS 1 has a packet to acknowledge.
    waiting: VecDeque<(Sequence, u16)>,
    /// Everything up to here is on disk.
    committed: Sequence,
}

impl Unacked {
    /// A packet was received.
    pub fn received(&mut self, sequence: Sequence, packet: u16) {
        self.waiting.push_back((sequence, packet));
    }

    /// Everything up to `sequence` is on disk.
    pub fn committed(&mut self, sequence: Sequence) {
        self.committed = self.committed.max(sequence);
    }

    /// The connection is gone: what was not acknowledged comes again, perhaps with other packet
    /// numbers, and must not be acknowledged by its old ones.
    pub fn forget(&mut self) {
        self.waiting.clear();
    }

    /// Hands committed packets to `send` in order of receipt, until it says that it is full.
    pub fn acknowledge(&mut self, mut send: impl FnMut(u16) -> bool) {
        while let Some((sequence, packet)) = self.waiting.front() {
            if *sequence > self.committed || !send(*packet) {
                return;
            }
            self.waiting.pop_front();
        }
    }

    pub fn len(&self) -> usize {
        self.waiting.len()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn acknowledged(unacked: &mut Unacked, room: usize) -> Vec<u16> {
        let mut sent = Vec::new();
        unacked.acknowledge(|packet| {
            let fits = sent.len() < room;
            if fits {
                sent.push(packet);
            }
            fits
        });
        sent
    }

    #[test]
    fn only_what_is_on_disk_and_in_order() {
        let mut unacked = Unacked::default();
        for (sequence, packet) in [(1, 7), (2, 3), (4, 9), (5, 1)] {
            unacked.received(sequence, packet);
        }
        assert!(acknowledged(&mut unacked, 9).is_empty());
        unacked.committed(3);
        assert_eq!(acknowledged(&mut unacked, 1), [7]);
        assert_eq!(acknowledged(&mut unacked, 9), [3]);
        unacked.committed(5);
        assert_eq!(acknowledged(&mut unacked, 9), [9, 1]);
        assert_eq!(unacked.len(), 0);
    }

    #[test]
    fn nothing_of_an_old_connection() {
        let mut unacked = Unacked::default();
        unacked.received(1, 7);
        unacked.forget();
        unacked.received(2, 7);
        unacked.committed(1);
        assert!(acknowledged(&mut unacked, 9).is_empty());
        unacked.committed(2);
        assert_eq!(acknowledged(&mut unacked, 9), [7]);
    }

    proptest! {
        #[test]
        fn whatever_happens_the_order_stays(steps in prop::collection::vec((0u8..4, 0u64..40), 0..200)) {
            let mut unacked = Unacked::default();
            let (mut next, mut on_disk, mut last) = (1u64, 0u64, 0u64);
            for (step, amount) in steps {
                match step {
                    0 | 1 => {
                        unacked.received(next, (next % 60_000) as u16);
                        next += 1;
                    }
                    2 => {
                        on_disk = on_disk.max(amount.min(next - 1));
                        unacked.committed(amount.min(next - 1));
                    }
                    _ => {
                        for packet in acknowledged(&mut unacked, amount as usize) {
                            prop_assert!(u64::from(packet) > last && u64::from(packet) <= on_disk);
                            last = u64::from(packet);
                        }
                    }
                }
            }
        }
    }
}
