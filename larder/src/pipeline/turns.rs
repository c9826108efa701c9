//! When each yard was estimated last, and what is wrong with those that can't be.

use larder_domain::{DeviceId, HiveId, Timestamp, YardId};
use std::collections::BTreeMap;

/// The first wait before a yard that failed is tried again; it doubles with each failure.
const FIRST_RETRY_MS: i64 = 10_000;

/// The longest wait.
const LONGEST_RETRY_MS: i64 = 3_600_000;

/// As of when each yard was estimated last. A yard that is not in it is estimated whole.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Turns {
    estimated: BTreeMap<YardId, Timestamp>,
    troubles: BTreeMap<YardId, Trouble>,
}

/// Why a yard, or a part of it, is not estimated. Its results of before stand.
#[derive(Clone, PartialEq, Debug)]
pub struct Trouble {
    /// The yard.
    pub yard: YardId,
    /// What is wrong, one sentence each; more than a few are not worth reading.
    pub sentences: Vec<String>,
    /// Since when.
    pub since: Timestamp,
    /// In a row.
    pub failures: u32,
    /// Nothing of the yard could be estimated; it is tried again at this moment of the clock.
    next_at: Option<Timestamp>,
}

/// A part of a yard that can't be estimated because what it rests on can't be read.
#[derive(Clone, PartialEq, Debug)]
pub struct LeftOut {
    /// The hive, where it is one's.
    pub hive: Option<HiveId>,
    /// The device, where it is one's.
    pub device: Option<DeviceId>,
    /// What is wrong.
    pub sentence: String,
}

impl Turns {
    /// Everything is to be estimated anew, troubled yards at once.
    pub fn clear(&mut self) {
        self.estimated.clear();
        for trouble in self.troubles.values_mut() {
            trouble.next_at = None;
        }
    }

    /// When a yard was estimated last.
    pub fn before(&self, yard: &YardId) -> Option<Timestamp> {
        self.estimated.get(yard).copied()
    }

    /// Whether a yard that failed has to wait still.
    pub fn must_wait(&self, yard: &YardId, clock: Timestamp) -> bool {
        let trouble = self.troubles.get(yard);
        trouble.is_some_and(|trouble| trouble.next_at.is_some_and(|at| clock < at))
    }

    /// The yard was estimated as of `now`, but for these parts.
    pub fn estimated(&mut self, yard: &YardId, now: Timestamp, clock: Timestamp, out: &[LeftOut]) {
        self.estimated.insert(yard.clone(), now);
        if out.is_empty() {
            self.troubles.remove(yard);
            return;
        }
        let trouble = self.trouble(yard, clock);
        trouble.sentences = out.iter().map(|part| part.sentence.clone()).collect();
        trouble.next_at = None;
    }

    /// The yard could not be estimated.
    pub fn failed(&mut self, yard: &YardId, clock: Timestamp, sentence: String) {
        self.estimated.remove(yard);
        let trouble = self.trouble(yard, clock);
        trouble.sentences = vec![sentence];
        let doubled = FIRST_RETRY_MS << (trouble.failures - 1).min(20);
        trouble.next_at = Some(clock.plus_ms(doubled.min(LONGEST_RETRY_MS)));
    }

    fn trouble(&mut self, yard: &YardId, clock: Timestamp) -> &mut Trouble {
        let trouble = self
            .troubles
            .entry(yard.clone())
            .or_insert_with(|| Trouble {
                yard: yard.clone(),
                sentences: Vec::new(),
                since: clock,
                failures: 0,
                next_at: None,
            });
        trouble.failures = trouble.failures.saturating_add(1);
        trouble
    }

    /// What is wrong, by yard.
    pub fn troubles(&self) -> impl Iterator<Item = &Trouble> {
        self.troubles.values()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_yard_that_fails_is_tried_again_less_and_less_often() {
        let yard = YardId::new("north").unwrap();
        let (mut turns, mut clock) = (Turns::default(), Timestamp(1_788_238_800_000));
        let mut waits = Vec::new();
        for _ in 0..15 {
            turns.failed(&yard, clock, "a block is damaged".into());
            let began = clock;
            while turns.must_wait(&yard, clock) {
                clock = clock.plus_ms(10_000);
            }
            waits.push((clock.0 - began.0) / 1000);
        }
        assert_eq!(waits[..4], [10, 20, 40, 80]);
        assert_eq!(waits[14], 3600);
        assert_eq!(turns.before(&yard), None);
        turns.estimated(&yard, clock, clock, &[]);
        assert_eq!(turns.troubles().count(), 0);
    }
}
