//! Sorting the log into blocks, a slice at a time, in short transactions, so that appends never
//! wait long. It begins when a day is over or when memory holds too many readings, and it is
//! paid for by the appends that come after: no thread of its own, no clock.
//!
//! A crash at any moment loses nothing: until the last slice the log still holds everything, and
//! playing it over blocks that have some of it already gives the same values.

use super::blocks;
use super::day::{Day, SeriesId};
use super::hot;
use super::memory::{self, Memory};
use super::samples;
use crate::embedded::fault::Fault;
use larder_domain::Sample;
use rusqlite::{Connection, Transaction, TransactionBehavior, params};
use std::sync::RwLock;

/// Under way.
pub(super) struct Compaction {
    /// The log's last row when it began.
    up_to: i64,
    /// Series not yet sorted, the next one last; empty: the log can be cleared.
    waiting: Vec<SeriesId>,
    /// All readings are in blocks and that is written down; rows of the log are taken out.
    clearing: bool,
}

/// Blocks written in one transaction. Each costs some 50 microseconds.
const SLICE_BLOCKS: usize = 200;

/// Rows of the log taken out in one transaction.
const SLICE_ROWS: i64 = 20_000;

/// Open readings held in memory (16 bytes each) before they are sorted into blocks though their
/// day is not over. More series have a right to more, so that a block is not unpacked for one
/// reading at a time.
const OPEN_READINGS: usize = 1 << 20;
const OPEN_READINGS_FOR_EACH_SERIES: usize = 16;

/// Readings to sort for each reading appended: above one, so that sorting overtakes appending.
const PACE: usize = 4;

/// Begins where it is due, and does as much as `n_appended` readings pay for.
pub(super) fn keep_pace(
    db: &mut Connection,
    memory: &RwLock<Memory>,
    n_appended: usize,
) -> Result<(), Fault> {
    if !begin_if_due(memory)? {
        return Ok(());
    }
    let mut sorted = 0;
    loop {
        let slice = run_slice(db, memory)?;
        sorted += slice.sorted;
        if slice.finished || sorted >= PACE * n_appended {
            return Ok(());
        }
    }
}

/// Sorts everything that the log holds into blocks now.
pub(super) fn run_whole(db: &mut Connection, memory: &RwLock<Memory>) -> Result<(), Fault> {
    // One under way may have passed series that were appended to since.
    while is_under_way(memory)? {
        run_slice(db, memory)?;
    }
    begin(&mut *memory.write().map_err(|_| Fault::Poisoned)?);
    while is_under_way(memory)? {
        run_slice(db, memory)?;
    }
    Ok(())
}

fn is_under_way(memory: &RwLock<Memory>) -> Result<bool, Fault> {
    let memory = memory.read().map_err(|_| Fault::Poisoned)?;
    Ok(memory.compaction.is_some())
}

fn begin_if_due(memory: &RwLock<Memory>) -> Result<bool, Fault> {
    let mut memory = memory.write().map_err(|_| Fault::Poisoned)?;
    if memory.compaction.is_some() {
        return Ok(true);
    }
    let most = OPEN_READINGS.max(OPEN_READINGS_FOR_EACH_SERIES * memory.n_series());
    let due = memory.n_open > most || memory.day_over() > memory.closed;
    if due {
        begin(&mut memory);
    }
    Ok(due)
}

fn begin(memory: &mut Memory) {
    memory.closed = memory.day_over().max(memory.closed);
    memory.compaction = Some(Compaction {
        up_to: memory.last_log_id,
        waiting: memory.open_series(),
        clearing: false,
    });
}

#[derive(Default)]
struct Slice {
    sorted: usize,
    finished: bool,
}

fn run_slice(db: &mut Connection, memory: &RwLock<Memory>) -> Result<Slice, Fault> {
    let next = {
        let memory = memory.read().map_err(|_| Fault::Poisoned)?;
        match &memory.compaction {
            None => Next::Nothing,
            Some(compaction) if compaction.clearing => {
                // What an archive still waits for stays in the log, though blocks have it.
                let sent = memory
                    .replication
                    .map_or(i64::MAX, |replication| replication.sent);
                Next::Clear(compaction.up_to.min(sent))
            }
            Some(compaction) if compaction.waiting.is_empty() => Next::Finish(compaction.up_to),
            Some(compaction) => Next::Sort(choose(&memory, &compaction.waiting)),
        }
    };
    match next {
        Next::Nothing => Ok(Slice {
            sorted: 0,
            finished: true,
        }),
        Next::Sort(portions) => sort(db, memory, &portions),
        Next::Finish(up_to) => finish(db, memory, up_to),
        Next::Clear(up_to) => clear(db, memory, up_to),
    }
}

enum Next {
    Nothing,
    Sort(Vec<Portion>),
    Finish(i64),
    Clear(i64),
}

/// The first open readings of one series: whole days.
struct Portion {
    id: SeriesId,
    samples: Vec<Sample>,
}

/// Readings for about [`SLICE_BLOCKS`] blocks.
fn choose(memory: &Memory, waiting: &[SeriesId]) -> Vec<Portion> {
    let mut left = SLICE_BLOCKS;
    let mut portions = Vec::new();
    for &id in waiting.iter().rev() {
        if left == 0 {
            break;
        }
        let open = memory.state(id).map_or(&[][..], |state| state.open());
        let days = open.chunk_by(same_day).take(left);
        let samples: Vec<Sample> = days.inspect(|_| left -= 1).flatten().copied().collect();
        portions.push(Portion { id, samples });
    }
    portions
}

fn same_day(a: &Sample, b: &Sample) -> bool {
    Day::of(a.time) == Day::of(b.time)
}

fn sort(
    db: &mut Connection,
    memory: &RwLock<Memory>,
    portions: &[Portion],
) -> Result<Slice, Fault> {
    let tx = db.transaction_with_behavior(TransactionBehavior::Immediate)?;
    {
        let memory = memory.read().map_err(|_| Fault::Poisoned)?;
        for portion in portions {
            store(&tx, &memory, portion)?;
        }
    }
    tx.commit()?;
    let mut memory = memory.write().map_err(|_| Fault::Poisoned)?;
    let mut slice = Slice::default();
    for portion in portions {
        slice.sorted += portion.samples.len();
        memory.close(portion.id, portion.samples.len());
        let is_done = memory
            .state(portion.id)
            .is_none_or(|state| state.open().is_empty());
        if let (true, Some(compaction)) = (is_done, &mut memory.compaction) {
            compaction.waiting.pop();
        }
    }
    Ok(slice)
}

fn store(tx: &Transaction<'_>, memory: &Memory, portion: &Portion) -> Result<(), Fault> {
    for of_day in portion.samples.chunk_by(same_day) {
        let day = Day::of(of_day[0].time);
        let mut samples = blocks::load(tx, portion.id, day)?;
        samples::merge_into(&mut samples, of_day);
        blocks::store(tx, portion.id, day, &samples)?;
    }
    let extent = memory
        .state(portion.id)
        .and_then(|state| state.stored_with(&portion.samples));
    if let Some(extent) = extent {
        tx.prepare_cached(
            "UPDATE series SET first_time = ?2, last_time = ?3, last_bits = ?4 WHERE id = ?1",
        )?
        .execute(params![
            portion.id.0,
            extent.first.0,
            extent.last.time.0,
            extent.last.value.to_bits().cast_signed(),
        ])?;
    }
    Ok(())
}

/// Writes down that the log up to `up_to` is in blocks, and what of it still waits to be processed.
fn finish(db: &mut Connection, memory: &RwLock<Memory>, up_to: i64) -> Result<Slice, Fault> {
    let mut memory = memory.write().map_err(|_| Fault::Poisoned)?;
    let tx = db.transaction_with_behavior(TransactionBehavior::Immediate)?;
    for change in memory.backlog.to_table() {
        super::put_change(&tx, &change)?;
    }
    memory::set_position(&tx, memory::COMPACTED, up_to)?;
    tx.commit()?;
    memory.backlog.is_in_table();
    if let Some(compaction) = &mut memory.compaction {
        compaction.clearing = true;
    }
    Ok(Slice::default())
}

fn clear(db: &mut Connection, memory: &RwLock<Memory>, up_to: i64) -> Result<Slice, Fault> {
    let tx = db.transaction_with_behavior(TransactionBehavior::Immediate)?;
    let more = hot::clear(&tx, up_to, SLICE_ROWS)?;
    tx.commit()?;
    if !more {
        memory.write().map_err(|_| Fault::Poisoned)?.compaction = None;
    }
    Ok(Slice {
        sorted: 0,
        finished: !more,
    })
}

#[cfg(test)]
mod tests {
    use super::super::append;
    use super::*;
    use crate::embedded::{Access, Durability, EmbeddedStore};
    use crate::{Change, Readings, Records};
    use larder_domain::{ChannelName, DeviceId, Reading, Span, Timestamp, Unit};
    use std::collections::BTreeMap;
    use std::path::Path;

    type Model = BTreeMap<(String, i64), f64>;

    fn open(dir: &Path) -> EmbeddedStore {
        EmbeddedStore::open_with(dir, Access::Create, Durability::ProcessEnd).unwrap()
    }

    /// One reading a day of each of forty series.
    fn invent(model: &mut Model, days: std::ops::Range<i64>, value: f64) -> Vec<Reading> {
        let mut readings = Vec::new();
        for day in days {
            for device in 0..40 {
                let reading = Reading {
                    device: DeviceId::new(&format!("sc-{device}")).unwrap(),
                    channel: ChannelName::new("weight").unwrap(),
                    unit: Unit::new("kg").unwrap(),
                    time: Timestamp(1_788_238_800_000 + day * 86_400_000),
                    value: value + device as f64,
                };
                model.insert((reading.device.to_string(), reading.time.0), reading.value);
                readings.push(reading);
            }
        }
        readings
    }

    /// Appends without paying for any sorting.
    fn append(store: &EmbeddedStore, readings: &[Reading]) {
        let run = |db: &mut Connection| {
            append::append(
                db,
                &store.memory,
                readings,
                &[],
                &append::Elsewhere::default(),
                &|| Ok(Default::default()),
            )
        };
        store.connections.with_writer("append", run).unwrap();
    }

    fn check(store: &EmbeddedStore, model: &Model) {
        let mut found = Model::new();
        for info in store.series().unwrap() {
            for sample in store.range(&info.series, Span::ALWAYS).unwrap() {
                found.insert(
                    (info.series.device.to_string(), sample.time.0),
                    sample.value,
                );
            }
        }
        assert!(found == *model);
    }

    fn slice(store: &EmbeddedStore) -> bool {
        let run = |db: &mut Connection| run_slice(db, &store.memory);
        !store
            .connections
            .with_writer("sort a slice", run)
            .unwrap()
            .finished
    }

    /// Stops after every number of slices, with corrections before and after, and opens again.
    #[test]
    fn it_can_be_cut_off_after_any_slice() {
        for n_slices in 0.. {
            let dir = tempfile::tempdir().unwrap();
            let mut model = Model::new();
            let store = open(dir.path());
            append(&store, &invent(&mut model, 0..10, 40.0));
            store.compact().unwrap();
            // Corrections of what is in blocks, and enough days for several slices.
            append(&store, &invent(&mut model, 5..25, 41.0));
            begin(&mut store.memory.write().unwrap());
            let more = (0..n_slices).all(|_| slice(&store));
            append(&store, &invent(&mut model, 8..12, 42.0));
            check(&store, &model);
            drop(store);

            let store = open(dir.path());
            check(&store, &model);
            append(&store, &invent(&mut model, 11..13, 43.0));
            store.compact().unwrap();
            check(&store, &model);
            store.check().unwrap();
            drop(store);
            let store = open(dir.path());
            check(&store, &model);
            let changes: Vec<Change> = store.changes(100).unwrap().0;
            assert_eq!(changes.len(), 40, "all of it still waits to be processed");
            if !more {
                assert!(n_slices > 4, "only {n_slices} slices");
                return;
            }
        }
    }

    /// Days close by themselves as readings go on, and memory stays bounded by that.
    #[test]
    fn days_close_as_readings_go_on() {
        let dir = tempfile::tempdir().unwrap();
        let store = open(dir.path());
        let mut model = Model::new();
        for day in 0..30 {
            store
                .append_durable(&invent(&mut model, day..day + 1, 40.0))
                .unwrap();
            let n_open = store.memory.read().unwrap().n_open;
            assert!(n_open <= 3 * 40, "{n_open} readings are open on day {day}");
        }
        check(&store, &model);
        let in_log: i64 = (store.connections)
            .read("count", |db| {
                Ok(db.query_row("SELECT count(*) FROM hot", [], |row| row.get(0))?)
            })
            .unwrap();
        assert!(in_log < 5, "{in_log} rows are left in the log");
    }
}
