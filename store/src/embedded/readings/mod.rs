//! Readings: appended to a log in the order in which they come, sorted into compressed blocks of
//! one series and day later; what is not sorted yet is held in memory, too.

mod append;
mod backlog;
mod block;
mod blocks;
mod bytes;
mod compact;
mod day;
mod hot;
mod memory;
mod range;
mod receipts;
pub(crate) mod reduce;
mod remove;
mod replication;
mod rescue;
mod samples;

pub(crate) use append::Elsewhere;
pub(super) use blocks::check_all;
pub(super) use memory::Memory;
pub(crate) use reduce::reduce_between;
pub(super) use replication::WHOLE_FROM;
pub(super) use rescue::{have_all_estimated, save, save_behind};
pub(crate) use samples::merge_into;

use super::EmbeddedStore;
use super::fault::Fault;
use super::seal;
use crate::{
    Appended, Change, LatestSample, Readings, Receipt, Removal, Removed, SeriesInfo, StoreError,
};
use larder_domain::{ChannelRef, DeviceId, Reading, Sample, Span, Timestamp};
use range::Wanted;
use rusqlite::{Connection, TransactionBehavior, params};
use std::sync::{RwLockReadGuard, RwLockWriteGuard};

impl Readings for EmbeddedStore {
    fn append_received(
        &self,
        readings: &[Reading],
        receipts: &[Receipt],
    ) -> Result<Appended, StoreError> {
        self.append_beside(readings, receipts, &Elsewhere::default())
    }

    fn receipts(&self) -> Result<Vec<Receipt>, StoreError> {
        self.connections
            .read("read when messages came", receipts::load)
    }

    fn remove(&self, removal: &Removal<'_>) -> Result<Removed, StoreError> {
        if self.whole_from()?.is_some() {
            return Err(StoreError::Elsewhere(
                "the readings of this data directory go on to a server, and taking them out here would \
                 leave them there; delete them at the server"
                    .into(),
            ));
        }
        self.connections.with_writer("take readings out", |db| {
            remove::remove(db, &self.memory, removal)
        })
    }

    fn series(&self) -> Result<Vec<SeriesInfo>, StoreError> {
        let memory = self.memory("list the series")?;
        let all = memory.all().filter_map(|(series, _, state)| {
            let extent = state.extent()?;
            Some(SeriesInfo {
                series,
                unit: state.unit.clone(),
                first: extent.first,
                last: extent.last.time,
            })
        });
        Ok(all.collect())
    }

    fn range(&self, series: &ChannelRef, span: Span) -> Result<Vec<Sample>, StoreError> {
        match self.wanted(series, span)? {
            None => Ok(Vec::new()),
            Some(wanted) if !wanted.is_stored() => Ok(wanted.into_open()),
            Some(wanted) => self.connections.read(READ, |db| wanted.whole(db)),
        }
    }

    fn reduced(
        &self,
        series: &ChannelRef,
        span: Span,
        points: usize,
    ) -> Result<Vec<Sample>, StoreError> {
        match self.wanted(series, span)? {
            None => Ok(Vec::new()),
            Some(wanted) if !wanted.is_stored() => Ok(reduce::reduce(wanted.into_open(), points)),
            Some(wanted) => self
                .connections
                .read(READ, |db| reduce::reduced(&wanted, db, points)),
        }
    }

    fn latest(&self) -> Result<Vec<LatestSample>, StoreError> {
        let memory = self.memory("read the latest readings")?;
        let all = memory.all().filter_map(|(series, _, state)| {
            Some(LatestSample {
                series,
                unit: state.unit.clone(),
                sample: state.extent()?.last,
            })
        });
        Ok(all.collect())
    }
}

const READ: &str = "read readings";

impl EmbeddedStore {
    /// Appends where some of what is known is kept only in an archive.
    pub(crate) fn append_beside(
        &self,
        readings: &[Reading],
        receipts: &[Receipt],
        elsewhere: &Elsewhere,
    ) -> Result<Appended, StoreError> {
        if readings.is_empty() {
            return Ok(Appended::default());
        }
        let declared = || self.devices_declared(READ);
        let declared = || declared().map_err(|e| Fault::Io(std::io::Error::other(e)));
        self.connections.with_writer("write readings", |db| {
            let appended =
                append::append(db, &self.memory, readings, receipts, elsewhere, &declared)?;
            // What was appended is on disk; sorting can be tried again with the next append.
            if let Err(fault) = compact::keep_pace(db, &self.memory, readings.len()) {
                let error = fault.told(self.dir(), "sort readings into blocks");
                tracing::warn!(%error, "readings stay in the log for now");
            }
            Ok(appended)
        })
    }

    /// One series; `None`: not known.
    pub(crate) fn info(&self, series: &ChannelRef) -> Result<Option<SeriesInfo>, StoreError> {
        let memory = self.memory(READ)?;
        let found = memory.find(series).and_then(|(_, state)| {
            let extent = state.extent()?;
            Some(SeriesInfo {
                series: series.clone(),
                unit: state.unit.clone(),
                first: extent.first,
                last: extent.last.time,
            })
        });
        Ok(found)
    }

    /// Whether a device has readings.
    pub(super) fn has_series(&self, device: &DeviceId) -> Result<bool, StoreError> {
        Ok(self.memory(READ)?.n_channels(device) > 0)
    }

    /// Sorts all readings into their compressed blocks now, rather than bit by bit with later
    /// appends. Nothing needs it; the store takes least room after it.
    pub fn compact(&self) -> Result<(), StoreError> {
        self.connections
            .with_writer("sort readings into blocks", |db| {
                compact::run_whole(db, &self.memory)
            })
    }

    fn memory(&self, attempted: &str) -> Result<RwLockReadGuard<'_, Memory>, StoreError> {
        let memory = self.memory.read().map_err(|_| Fault::Poisoned);
        memory.map_err(|fault| fault.told(self.dir(), attempted))
    }

    fn memory_mut(&self) -> Result<RwLockWriteGuard<'_, Memory>, Fault> {
        self.memory.write().map_err(|_| Fault::Poisoned)
    }

    fn wanted(&self, series: &ChannelRef, span: Span) -> Result<Option<Wanted>, StoreError> {
        let memory = self.memory(READ)?;
        let found = memory.find(series);
        Ok(found.map(|(id, state)| Wanted::of(id, state, span)))
    }

    pub(super) fn take_changes(&self, limit: usize) -> Result<(Vec<Change>, i64), StoreError> {
        let memory = self.memory_mut();
        let mut memory = memory.map_err(|fault| fault.told(self.dir(), "read the backlog"))?;
        Ok(memory.backlog.take(limit))
    }

    pub(super) fn add_changes(&self, changes: &[Change]) -> Result<(), StoreError> {
        if changes.is_empty() {
            return Ok(());
        }
        self.connections.with_writer("note changes", |db| {
            let tx = db.transaction_with_behavior(TransactionBehavior::Immediate)?;
            for change in changes {
                extend_change(&tx, change)?;
            }
            tx.commit()?;
            let mut memory = self.memory_mut()?;
            for change in changes {
                memory.backlog.add_tabled(change.clone());
            }
            Ok(())
        })
    }

    pub(super) fn settle_changes(&self, mark: i64) -> Result<(), StoreError> {
        self.connections.with_writer("settle changes", |db| {
            // Held throughout: what is handed out meanwhile must not be settled with it.
            let mut memory = self.memory_mut()?;
            let plan = memory.backlog.plan_settling(mark, memory.last_log_id);
            if plan.changes_nothing_since(memory.settled) {
                memory.backlog.acknowledge_changes(mark);
                return Ok(());
            }
            let tx = db.transaction_with_behavior(TransactionBehavior::Immediate)?;
            for series in &plan.gone {
                forget_change(&tx, series)?;
            }
            for change in &plan.kept {
                put_change(&tx, change)?;
            }
            memory::set_position(&tx, memory::SETTLED, plan.settled)?;
            tx.commit()?;
            memory.settled = plan.settled;
            memory.backlog.acknowledge_changes(mark);
            Ok(())
        })
    }
}

/// Writes a series' row in the backlog's table.
fn put_change(db: &Connection, change: &Change) -> Result<(), Fault> {
    db.prepare_cached(
        "INSERT OR REPLACE INTO change (device, channel, start_time, end_time)
         VALUES (?1, ?2, ?3, ?4)",
    )?
    .execute(params![
        change.series.device.as_str(),
        change.series.channel.as_str(),
        change.span.start.0,
        change.span.end.0,
    ])?;
    Ok(())
}

/// Widens a series' row in the backlog's table, or makes one.
fn extend_change(db: &Connection, change: &Change) -> Result<(), Fault> {
    let known = db
        .prepare_cached("SELECT * FROM change WHERE device = ?1 AND channel = ?2")?
        .query_and_then(
            [
                change.series.device.as_str(),
                change.series.channel.as_str(),
            ],
            |row| {
                seal::verify(row, "change")?;
                Ok::<_, Fault>(Span {
                    start: Timestamp(row.get("start_time")?),
                    end: Timestamp(row.get("end_time")?),
                })
            },
        )?
        .next()
        .transpose()?;
    let span = known.map_or(change.span, |known| backlog::hull(known, change.span));
    let series = change.series.clone();
    put_change(db, &Change { series, span })
}

fn forget_change(db: &Connection, series: &ChannelRef) -> Result<(), Fault> {
    db.prepare_cached("DELETE FROM change WHERE device = ?1 AND channel = ?2")?
        .execute([series.device.as_str(), series.channel.as_str()])?;
    Ok(())
}
