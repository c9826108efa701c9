//! Readings on their way out: where an archive keeps them in the end, the log is what still waits
//! to be sent, in order of arrival, and blocks are the last days, kept at hand.
//!
//! Two positions say how far that is. `sent`: the last row of the log that the archive has.
//! `whole_from`: every reading from this moment on, whenever it came, is here too; of what lies
//! before it only the archive has everything, and what is here of it is as new or newer.

use super::day::{Day, SeriesId};
use super::memory::{self, Extent};
use super::samples;
use super::{EmbeddedStore, Fault, Wanted, blocks, hot};
use crate::StoreError;
use crate::archive::ArchivedSeries;
use larder_domain::{ChannelRef, Reading, Sample, Span, Timestamp, Unit};
use rusqlite::{Connection, TransactionBehavior, params};
use std::cell::Cell;
use std::collections::{BTreeMap, HashMap, HashSet};

const SENT: &str = "sent";
pub(in crate::embedded) const WHOLE_FROM: &str = "whole_from";

/// Blocks taken out in one transaction.
const SLICE_BLOCKS: i64 = 2_000;
/// Rows of the log taken out in one transaction.
const SLICE_ROWS: i64 = 5_000;

#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) struct Replication {
    pub(super) sent: i64,
    pub(super) whole_from: Timestamp,
    /// Bytes of the log's rows that are not sent.
    pub(super) waiting_bytes: u64,
    /// No reading that is not sent is of an earlier time than this.
    pub(super) waiting_from: Timestamp,
}

impl Replication {
    /// A row of `bytes` bytes with these readings is in the log.
    pub(super) fn comes(&mut self, bytes: u64, times: impl Iterator<Item = Timestamp>) {
        self.waiting_bytes += bytes;
        self.waiting_from = times.fold(self.waiting_from, Ord::min);
    }
}

const NOTHING_WAITS: Timestamp = Timestamp(i64::MAX);

pub(super) fn load(db: &Connection) -> Result<Option<Replication>, Fault> {
    let Some(sent) = memory::position_if_any(db, SENT)? else {
        return Ok(None);
    };
    // A copy of a store (a backup) has no such moment: the archive may have gone on since.
    let whole_from = memory::position_if_any(db, WHOLE_FROM)?.unwrap_or(i64::MAX);
    let mut replication = Replication {
        sent,
        whole_from: Timestamp(whole_from),
        waiting_bytes: hot::bytes_after(db, sent)?,
        waiting_from: NOTHING_WAITS,
    };
    hot::replay(db, sent, |_, _, samples| {
        replication.comes(0, samples.iter().map(|sample| sample.time));
        Ok(())
    })?;
    Ok(Some(replication))
}

/// Whether readings go on to an archive.
pub(super) fn is_leaving(db: &Connection) -> Result<bool, Fault> {
    Ok(memory::position_if_any(db, SENT)?.is_some())
}

/// What is sent together.
pub(crate) struct OutgoingBatch {
    /// The last row of the log in it.
    pub(crate) up_to: i64,
    /// Size of those rows.
    pub(crate) bytes: u64,
    /// By series, in order of time, each time once.
    pub(crate) series: Vec<(ChannelRef, Unit, Vec<Sample>)>,
}

impl OutgoingBatch {
    pub(crate) fn n_readings(&self) -> usize {
        self.series
            .iter()
            .map(|(_, _, samples)| samples.len())
            .sum()
    }
}

impl EmbeddedStore {
    /// Bytes that wait to be sent; `None`: this store keeps its readings itself.
    pub(crate) fn waiting_bytes(&self) -> Result<Option<u64>, StoreError> {
        let memory = self.memory("look at what is to be sent")?;
        Ok(memory
            .replication
            .map(|replication| replication.waiting_bytes))
    }

    /// Every reading from here on is in this store, whenever it came; `None`: every reading is.
    pub(crate) fn whole_from(&self) -> Result<Option<Timestamp>, StoreError> {
        let memory = self.memory("look at what is kept here")?;
        Ok(memory.replication.map(|replication| replication.whole_from))
    }

    /// A number that grows with each append.
    pub(crate) fn last_append(&self) -> Result<i64, StoreError> {
        Ok(self.memory("look at the log")?.last_log_id)
    }

    /// From now on readings go on to an archive, which has everything that is here, and
    /// everything before `whole_from` of the series `adopted`. Repeating is safe.
    pub(crate) fn begin_leaving(
        &self,
        adopted: &[ArchivedSeries],
        whole_from: Timestamp,
    ) -> Result<(), StoreError> {
        self.connections
            .with_writer("take over an archive's list", |db| {
                let mut memory = self.memory_mut()?;
                let sent = memory
                    .replication
                    .map_or(memory.last_log_id, |replication| replication.sent);
                let tx = db.transaction_with_behavior(TransactionBehavior::Immediate)?;
                let mut ids = Vec::with_capacity(adopted.len());
                for one in adopted {
                    let known = memory.find(&one.series);
                    let stored = known.and_then(|(_, state)| state.stored());
                    let extent = Extent {
                        first: one.first,
                        last: one.last,
                    };
                    let extent = stored.map_or(extent, |stored| extent.under(stored));
                    ids.push(adopt(&tx, one, known.map(|(id, _)| id), extent)?);
                }
                memory::set_position(&tx, SENT, sent)?;
                memory::set_position(&tx, WHOLE_FROM, whole_from.0)?;
                let replication = load(&tx)?;
                tx.commit()?;
                for (one, id) in adopted.iter().zip(ids) {
                    if memory.state(id).is_none() {
                        let state = memory::State::new(one.unit.clone());
                        memory.add_series(one.series.clone(), id, state);
                    }
                    memory.keeps_elsewhere(
                        id,
                        Extent {
                            first: one.first,
                            last: one.last,
                        },
                    );
                }
                memory.replication = replication;
                memory.name_by_id();
                Ok(())
            })
    }

    /// From now on this store keeps its readings itself. Everything must be here.
    pub(crate) fn end_leaving(&self) -> Result<(), StoreError> {
        self.compact()?;
        self.connections.with_writer(BACK, |db| {
            let mut memory = self.memory_mut()?;
            let tx = db.transaction_with_behavior(TransactionBehavior::Immediate)?;
            tx.execute(
                "DELETE FROM position WHERE name IN (?1, ?2)",
                [SENT, WHOLE_FROM],
            )?;
            // The archive may have forgotten what it was set up to forget.
            tx.execute(
                "UPDATE series SET first_time = NULL, last_time = NULL, last_bits = NULL",
                [],
            )?;
            for (id, extent) in blocks::extents(&tx)? {
                put_extent(&tx, id, extent)?;
            }
            tx.commit()?;
            *memory = memory::Memory::load(db)?;
            Ok(())
        })
    }

    /// The oldest rows of the log that are not sent, about `most` readings; `None`: all are.
    pub(crate) fn next_parcel(&self, most: usize) -> Result<Option<OutgoingBatch>, StoreError> {
        let (sent, last) = {
            let memory = self.memory(SEND)?;
            match memory.replication {
                Some(replication) if replication.sent < memory.last_log_id => {
                    (replication.sent, memory.last_log_id)
                }
                _ => return Ok(None),
            }
        };
        let (mut up_to, mut bytes, n) = (sent, 0, Cell::new(0));
        let mut found: BTreeMap<SeriesId, Vec<Sample>> = BTreeMap::new();
        self.connections.read(SEND, |db| {
            hot::replay_some(
                db,
                sent,
                |id, size| {
                    // What is committed and not yet in memory comes next time.
                    let enough = n.get() >= most || id > last;
                    if !enough {
                        (up_to, bytes) = (id, bytes + size as u64);
                    }
                    enough
                },
                |id, news| {
                    n.set(n.get() + news.len());
                    samples::merge_into(found.entry(id).or_default(), news);
                    Ok(())
                },
            )
        })?;
        if up_to == sent {
            // Rows that only changed a unit leave no trace in the log.
            up_to = last;
        }
        let series = self.named(found)?;
        Ok(Some(OutgoingBatch {
            up_to,
            bytes,
            series,
        }))
    }

    fn named(
        &self,
        found: BTreeMap<SeriesId, Vec<Sample>>,
    ) -> Result<Vec<(ChannelRef, Unit, Vec<Sample>)>, StoreError> {
        let memory = self.memory(SEND)?;
        let mut named = Vec::with_capacity(found.len());
        for (id, samples) in found {
            let stray = || Fault::Damaged(format!("the log names series {}", id.0));
            let series = memory.name(id).ok_or_else(stray);
            let series = series
                .map_err(|fault| fault.told(self.dir(), SEND))?
                .clone();
            if let Some(state) = memory.state(id) {
                named.push((series, state.unit.clone(), samples));
            }
        }
        Ok(named)
    }

    /// The archive has everything up to row `up_to`, which were `bytes` bytes.
    pub(crate) fn mark_sent(&self, up_to: i64, bytes: u64) -> Result<(), StoreError> {
        self.connections.with_writer("note what was sent", |db| {
            let tx = db.transaction_with_behavior(TransactionBehavior::Immediate)?;
            memory::set_position(&tx, SENT, up_to)?;
            // Rows that were sorted into blocks while they waited.
            let compacted = memory::position(&tx, memory::COMPACTED)?;
            hot::clear(&tx, up_to.min(compacted), SLICE_ROWS)?;
            tx.commit()?;
            let mut memory = self.memory_mut()?;
            let last = memory.last_log_id;
            if let Some(replication) = &mut memory.replication {
                replication.sent = up_to;
                replication.waiting_bytes = replication.waiting_bytes.saturating_sub(bytes);
                if up_to == last {
                    (replication.waiting_bytes, replication.waiting_from) = (0, NOTHING_WAITS);
                }
            }
            Ok(())
        })
    }

    /// Takes out what lies before `before` and is sent and sorted, a slice of it. Says whether
    /// there is more. Days are taken out whole.
    pub(crate) fn forget_sent(&self, before: Timestamp) -> Result<bool, StoreError> {
        let day = Day::of(before);
        self.connections.with_writer("make room", |db| {
            let tx = db.transaction_with_behavior(TransactionBehavior::Immediate)?;
            let Some(replication) = self.memory_mut()?.replication else {
                return Ok(false);
            };
            let start = day.at(0);
            if replication.waiting_from < start {
                return Ok(false);
            }
            if replication.whole_from < start {
                memory::set_position(&tx, WHOLE_FROM, start.0)?;
            }
            let n = tx
                .prepare_cached(
                    "DELETE FROM block WHERE id IN
                     (SELECT id FROM block WHERE id < ?1 ORDER BY id LIMIT ?2)",
                )?
                .execute(params![day.block(SeriesId(0)), SLICE_BLOCKS])?;
            // Whoever reads looks at this moment before and after reading blocks, so it must be
            // known before they are gone.
            if let Some(replication) = &mut self.memory_mut()?.replication {
                replication.whole_from = replication.whole_from.max(start);
            }
            tx.commit()?;
            Ok(n as i64 == SLICE_BLOCKS)
        })
    }

    /// What is here of one series in `span`, and the moment from which on that is everything.
    pub(crate) fn range_here(
        &self,
        series: &ChannelRef,
        span: Span,
    ) -> Result<(Vec<Sample>, Option<Timestamp>), StoreError> {
        loop {
            let before = self.whole_from()?;
            let samples = match self.wanted(series, span)? {
                None => Vec::new(),
                Some(wanted) if !wanted.is_stored() => wanted.into_open(),
                Some(wanted) => {
                    (self.connections).read(super::READ, |db| Wanted::whole(&wanted, db))?
                }
            };
            // Days that left between the two looks may be missing; they leave once a day.
            if self.whole_from()? == before {
                return Ok((samples, before));
            }
        }
    }

    /// The series and times among these readings that only an archive may know.
    pub(crate) fn maybe_elsewhere(
        &self,
        readings: &[Reading],
    ) -> Result<HashMap<ChannelRef, Vec<Timestamp>>, StoreError> {
        let memory = self.memory(super::READ)?;
        let mut asked: HashMap<ChannelRef, Vec<Timestamp>> = HashMap::new();
        let Some(replication) = memory.replication else {
            return Ok(asked);
        };
        let mut seen = HashSet::new();
        for reading in readings.iter().filter(|r| r.time < replication.whole_from) {
            let Some(id) = memory.id(&reading.device, &reading.channel) else {
                continue;
            };
            let Some(state) = memory.state(id) else {
                continue;
            };
            let unknown = state.may_store(reading.time)
                && samples::find(state.open(), reading.time).is_none()
                && seen.insert((id, reading.time));
            if unknown {
                asked
                    .entry(reading.series())
                    .or_default()
                    .push(reading.time);
            }
        }
        Ok(asked)
    }

    /// Puts whole days of one series back into blocks; what is here already stands.
    pub(crate) fn put_back(
        &self,
        series: &ChannelRef,
        samples: &[Sample],
    ) -> Result<(), StoreError> {
        self.connections.with_writer(BACK, |db| {
            let id = {
                let memory = self.memory.read().map_err(|_| Fault::Poisoned)?;
                match memory.find(series) {
                    Some((id, _)) => id,
                    None => return Ok(()),
                }
            };
            let tx = db.transaction_with_behavior(TransactionBehavior::Immediate)?;
            for of_day in samples.chunk_by(|a, b| Day::of(a.time) == Day::of(b.time)) {
                let day = Day::of(of_day[0].time);
                let mut all = of_day.to_vec();
                samples::merge_into(&mut all, &blocks::load(&tx, id, day)?);
                blocks::store(&tx, id, day, &all)?;
            }
            Ok(tx.commit()?)
        })
    }
}

const SEND: &str = "read what is to be sent";
const BACK: &str = "take readings back";

fn adopt(
    db: &Connection,
    one: &ArchivedSeries,
    known: Option<SeriesId>,
    extent: Extent,
) -> Result<SeriesId, Fault> {
    let id = match known {
        Some(id) => id,
        None => {
            db.prepare_cached("INSERT INTO series (device, channel, unit) VALUES (?1, ?2, ?3)")?
                .execute([
                    one.series.device.as_str(),
                    one.series.channel.as_str(),
                    one.unit.as_str(),
                ])?;
            SeriesId(db.last_insert_rowid())
        }
    };
    put_extent(db, id, extent)?;
    Ok(id)
}

pub(super) fn put_extent(db: &Connection, id: SeriesId, extent: Extent) -> Result<(), Fault> {
    db.prepare_cached(
        "UPDATE series SET first_time = ?2, last_time = ?3, last_bits = ?4 WHERE id = ?1",
    )?
    .execute(params![
        id.0,
        extent.first.0,
        extent.last.time.0,
        extent.last.value.to_bits().cast_signed(),
    ])?;
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Readings;
    use crate::embedded::{Access, Durability};
    use larder_domain::{ChannelName, DeviceId};

    fn ten_days() -> Vec<Reading> {
        let one = |i: i64| Reading {
            device: DeviceId::new("sc-1").unwrap(),
            channel: ChannelName::new("weight").unwrap(),
            unit: Unit::new("kg").unwrap(),
            time: Timestamp(1_788_238_800_000 + i * 3_600_000),
            value: 40.0 + i as f64,
        };
        (0..240).map(one).collect()
    }

    /// Sorted into blocks and not sent, readings stay here over a new start; sent, they leave.
    #[test]
    fn only_what_is_sent_leaves() {
        let dir = tempfile::tempdir().unwrap();
        let open = || {
            EmbeddedStore::open_with(dir.path(), Access::Create, Durability::ProcessEnd).unwrap()
        };
        let far = Timestamp(i64::MAX / 2);
        let readings = ten_days();
        let series = readings[0].series();
        let store = open();
        store.begin_leaving(&[], Timestamp(i64::MIN)).unwrap();
        store.append_durable(&readings).unwrap();
        store.compact().unwrap();
        assert!(!store.forget_sent(far).unwrap());
        drop(store);

        let store = open();
        assert!(!store.forget_sent(far).unwrap());
        let (here, whole_from) = store.range_here(&series, Span::ALWAYS).unwrap();
        assert_eq!((here.len(), whole_from), (240, Some(Timestamp(i64::MIN))));
        assert!(
            store
                .waiting_bytes()
                .unwrap()
                .is_some_and(|bytes| bytes > 1_000)
        );
        let parcel = store.next_parcel(10_000).unwrap().unwrap();
        assert_eq!(parcel.n_readings(), 240);
        store.mark_sent(parcel.up_to, parcel.bytes).unwrap();
        assert!(store.next_parcel(10_000).unwrap().is_none());
        assert_eq!(store.waiting_bytes().unwrap(), Some(0));

        let last_days = readings[120].time;
        store.forget_sent(last_days).unwrap();
        let (here, whole_from) = store.range_here(&series, Span::ALWAYS).unwrap();
        let whole_from = whole_from.unwrap();
        assert!(whole_from <= last_days && whole_from.plus_ms(86_400_000) > last_days);
        assert!(here.iter().all(|sample| sample.time >= whole_from));
        let asked = store.maybe_elsewhere(&readings).unwrap();
        assert_eq!(
            asked[&series].len() + here.len(),
            240,
            "the rest is asked for elsewhere"
        );
        store.check().unwrap();
        assert_eq!(store.series().unwrap()[0].first, readings[0].time);
    }
}
