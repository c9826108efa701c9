//! What is held in memory: the names of all series, the newest value of each, and the readings
//! that stand in the log and are not yet sorted into blocks. Built again from the disk at start.
//! It is changed only after a commit, by whoever holds the writing connection.

use super::backlog::Backlog;
use super::compact::Compaction;
use super::day::{Day, SeriesId};
use super::hot;
use super::replication::{self, Replication};
use super::samples;
use crate::Change;
use crate::embedded::fault::Fault;
use crate::embedded::records::row;
use crate::embedded::seal;
use larder_domain::{ChannelName, ChannelRef, DeviceId, Sample, Span, Timestamp, Unit};
use rusqlite::{Connection, params};
use std::collections::{BTreeMap, HashMap, HashSet};

pub(in crate::embedded) struct Memory {
    /// By device and channel, the order in which lists are given.
    names: BTreeMap<DeviceId, BTreeMap<ChannelName, SeriesId>>,
    states: HashMap<SeriesId, State>,
    /// The names again, where readings go on to an archive by the series' number; else empty.
    by_id: HashMap<SeriesId, ChannelRef>,
    /// Readings that are only in the log.
    pub(super) n_open: usize,
    /// The newest reading's time, by which days are closed.
    pub(super) newest: Timestamp,
    /// The last number given to a row of the log; numbers are never used twice.
    pub(super) last_log_id: i64,
    /// The last row of the log that the processing stage has taken care of, as the disk has it.
    pub(super) settled: i64,
    pub(super) backlog: Backlog,
    /// Where readings go on to an archive: how far that is. `None`: this store keeps them all.
    pub(super) replication: Option<Replication>,
    /// Sorting the log into blocks, where it is under way.
    pub(super) compaction: Option<Compaction>,
    /// The last day for which that was begun because the day was over.
    pub(super) closed: Day,
}

/// One series.
pub(super) struct State {
    pub(super) unit: Unit,
    /// What blocks hold of it; `None`: nothing yet.
    stored: Option<Extent>,
    /// Readings that no block has, or not with this value.
    open: Vec<Sample>,
}

/// From the first reading's time to the last reading.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) struct Extent {
    pub(super) first: Timestamp,
    pub(super) last: Sample,
}

impl Extent {
    fn of(samples: &[Sample]) -> Option<Self> {
        Some(Self {
            first: samples.first()?.time,
            last: *samples.last()?,
        })
    }

    /// With `newer` put over it.
    pub(super) fn under(self, newer: Self) -> Self {
        Self {
            first: self.first.min(newer.first),
            last: if newer.last.time >= self.last.time {
                newer.last
            } else {
                self.last
            },
        }
    }

    fn span(self) -> Span {
        Span {
            start: self.first,
            end: self.last.time.plus_ms(1),
        }
    }
}

impl State {
    pub(super) fn new(unit: Unit) -> Self {
        Self {
            unit,
            stored: None,
            open: Vec::new(),
        }
    }

    /// The extent of the whole series, in blocks or not; `None`: no reading yet.
    pub(super) fn extent(&self) -> Option<Extent> {
        match (self.stored, Extent::of(&self.open)) {
            (Some(stored), Some(open)) => Some(stored.under(open)),
            (stored, open) => stored.or(open),
        }
    }

    pub(super) fn open(&self) -> &[Sample] {
        &self.open
    }

    /// What blocks or an archive hold.
    pub(super) fn stored(&self) -> Option<Extent> {
        self.stored
    }

    /// Whether a block may hold a reading at `time`.
    pub(super) fn may_store(&self, time: Timestamp) -> bool {
        (self.stored).is_some_and(|stored| stored.first <= time && time <= stored.last.time)
    }

    /// The part of `span` of which blocks may hold something.
    pub(super) fn stored_within(&self, span: Span) -> Option<Span> {
        self.stored?.span().intersect(span)
    }

    fn close(&mut self, n: usize) {
        let closed: Vec<Sample> = self.open.drain(..n).collect();
        if let Some(closed) = Extent::of(&closed) {
            self.stored = Some(self.stored.map_or(closed, |stored| stored.under(closed)));
        }
        if self.open.is_empty() {
            self.open = Vec::new();
        }
    }

    /// What blocks will hold once these open readings are in them too.
    pub(super) fn stored_with(&self, closing: &[Sample]) -> Option<Extent> {
        match (self.stored, Extent::of(closing)) {
            (Some(stored), Some(closing)) => Some(stored.under(closing)),
            (stored, closing) => stored.or(closing),
        }
    }
}

impl Memory {
    /// Reads everything that is not in blocks.
    pub(in crate::embedded) fn load(db: &Connection) -> Result<Self, Fault> {
        let compacted = position(db, COMPACTED)?;
        let settled = position(db, SETTLED)?;
        let last_row: Option<i64> =
            db.query_row("SELECT max(id) FROM hot", [], |row| row.get(0))?;
        let replication = replication::load(db)?;
        let sent = replication.map_or(0, |replication| replication.sent);
        let last_log_id = last_row.unwrap_or(0).max(compacted).max(settled).max(sent);
        let mut memory = Self {
            names: BTreeMap::new(),
            states: HashMap::new(),
            by_id: HashMap::new(),
            n_open: 0,
            newest: Timestamp(i64::MIN),
            last_log_id,
            settled,
            backlog: Backlog::with_first_mark(last_log_id.saturating_mul(MARKS_PER_ROW).max(1)),
            replication,
            compaction: None,
            closed: Day(i64::MIN),
        };
        memory.load_series(db)?;
        memory.name_by_id();
        memory.load_changes(db)?;
        memory.load_log(db, compacted, settled)?;
        memory.closed = memory.day_over().min(memory.first_open_day());
        Ok(memory)
    }

    fn load_series(&mut self, db: &Connection) -> Result<(), Fault> {
        let mut select = db.prepare("SELECT * FROM series")?;
        let mut rows = select.query([])?;
        while let Some(row) = rows.next()? {
            seal::verify(row, "series")?;
            let id = SeriesId(row.get("id")?);
            let mut state = State::new(row::unit(row)?);
            if let Some(first) = row.get::<_, Option<i64>>("first_time")? {
                let last = Sample {
                    time: Timestamp(row.get("last_time")?),
                    value: f64::from_bits(row.get::<_, i64>("last_bits")?.cast_unsigned()),
                };
                self.newest = self.newest.max(last.time);
                let first = Timestamp(first);
                state.stored = Some(Extent { first, last });
            }
            self.add_series(row::series(row)?, id, state);
        }
        Ok(())
    }

    fn load_changes(&mut self, db: &Connection) -> Result<(), Fault> {
        let mut select = db.prepare("SELECT * FROM change")?;
        let mut rows = select.query([])?;
        while let Some(row) = rows.next()? {
            seal::verify(row, "change")?;
            self.backlog.add_tabled(Change {
                series: row::series(row)?,
                span: Span {
                    start: Timestamp(row.get("start_time")?),
                    end: Timestamp(row.get("end_time")?),
                },
            });
        }
        Ok(())
    }

    fn load_log(&mut self, db: &Connection, compacted: i64, settled: i64) -> Result<(), Fault> {
        let names: HashMap<SeriesId, ChannelRef> =
            self.all().map(|(series, id, _)| (id, series)).collect();
        hot::replay(db, compacted, |row, id, news| {
            let stray = || Fault::Damaged(format!("row {row} of the log names series {}", id.0));
            let series = names.get(&id).ok_or_else(stray)?;
            if row > settled {
                self.backlog.add_logged(series.clone(), news, row);
            }
            self.take_in(id, news);
            Ok(())
        })
    }

    pub(super) fn add_series(&mut self, series: ChannelRef, id: SeriesId, state: State) {
        if self.replication.is_some() {
            self.by_id.insert(id, series.clone());
        }
        let channels = self.names.entry(series.device).or_default();
        channels.insert(series.channel, id);
        self.states.insert(id, state);
    }

    /// Readings that are in the log now, in order of time.
    pub(super) fn take_in(&mut self, id: SeriesId, news: &[Sample]) {
        let Some(state) = self.states.get_mut(&id) else {
            return;
        };
        let before = state.open.len();
        samples::merge_into(&mut state.open, news);
        self.n_open += state.open.len() - before;
        if let Some(last) = news.last() {
            self.newest = self.newest.max(last.time);
        }
    }

    pub(super) fn id(&self, device: &DeviceId, channel: &ChannelName) -> Option<SeriesId> {
        self.names.get(device)?.get(channel).copied()
    }

    pub(super) fn state(&self, id: SeriesId) -> Option<&State> {
        self.states.get(&id)
    }

    /// By device and channel.
    pub(super) fn find(&self, series: &ChannelRef) -> Option<(SeriesId, &State)> {
        let id = self.id(&series.device, &series.channel)?;
        Some((id, self.states.get(&id)?))
    }

    /// All series, by device and channel.
    pub(super) fn all(&self) -> impl Iterator<Item = (ChannelRef, SeriesId, &State)> {
        self.names.iter().flat_map(move |(device, channels)| {
            channels.iter().filter_map(move |(channel, &id)| {
                let series = ChannelRef {
                    device: device.clone(),
                    channel: channel.clone(),
                };
                Some((series, id, self.states.get(&id)?))
            })
        })
    }

    /// Makes [`Self::name`] answer, where readings go on to an archive.
    pub(super) fn name_by_id(&mut self) {
        if self.replication.is_some() {
            self.by_id = self.all().map(|(series, id, _)| (id, series)).collect();
        }
    }

    pub(super) fn name(&self, id: SeriesId) -> Option<&ChannelRef> {
        self.by_id.get(&id)
    }

    /// What an archive keeps of a series, from its first to its last reading.
    pub(super) fn keeps_elsewhere(&mut self, id: SeriesId, extent: Extent) {
        if let Some(state) = self.states.get_mut(&id) {
            state.stored = Some(match state.stored {
                Some(stored) => extent.under(stored),
                None => extent,
            });
            self.newest = self.newest.max(extent.last.time);
        }
    }

    /// Readings of a series were taken out of the blocks; what is left.
    pub(super) fn has_left(&mut self, id: SeriesId, left: Option<Extent>) {
        if let Some(state) = self.states.get_mut(&id) {
            state.stored = left;
        }
        let ends = self.states.values().filter_map(State::extent);
        let newest = ends.map(|extent| extent.last.time).max();
        self.newest = newest.unwrap_or(Timestamp(i64::MIN));
        // A clock that was ahead must not keep days open for years.
        self.closed = self.closed.min(self.day_over());
    }

    pub(super) fn n_series(&self) -> usize {
        self.states.len()
    }

    pub(super) fn n_devices(&self) -> usize {
        self.names.len()
    }

    pub(super) fn n_channels(&self, device: &DeviceId) -> usize {
        self.names.get(device).map_or(0, BTreeMap::len)
    }

    /// Devices but these, and their series.
    pub(super) fn count_without(&self, declared: &HashSet<DeviceId>) -> (usize, usize) {
        let others = self
            .names
            .iter()
            .filter(|(device, _)| !declared.contains(device));
        others.fold((0, 0), |(n, series), (_, channels)| {
            (n + 1, series + channels.len())
        })
    }

    /// The first `n` open readings of a series are in blocks now.
    pub(super) fn close(&mut self, id: SeriesId, n: usize) {
        if let Some(state) = self.states.get_mut(&id) {
            state.close(n);
            self.n_open -= n;
        }
    }

    /// Series with readings that no block has, in descending order of number.
    pub(super) fn open_series(&self) -> Vec<SeriesId> {
        let open = self
            .states
            .iter()
            .filter(|(_, state)| !state.open.is_empty());
        let mut ids: Vec<SeriesId> = open.map(|(&id, _)| id).collect();
        ids.sort_unstable_by(|a, b| b.cmp(a));
        ids
    }

    /// The last day that is over. A day is over one hour after midnight UTC, as readings have it;
    /// the devices' clocks run ahead by ten minutes at most.
    pub(super) fn day_over(&self) -> Day {
        let closing = Timestamp(self.newest.0.saturating_sub(3_600_000));
        Day(Day::of(closing).0 - 1)
    }

    /// The day before the first open reading.
    fn first_open_day(&self) -> Day {
        let first = self.states.values().filter_map(|state| state.open.first());
        let first = first.map(|sample| sample.time).min();
        first.map_or(Day(i64::MAX), |time| Day(Day::of(time).0 - 1))
    }
}

/// Marks of one opening of the store are lower than those of a later one that found more log.
const MARKS_PER_ROW: i64 = 1 << 20;

/// The last row of the log whose readings are in blocks.
pub(super) const COMPACTED: &str = "compacted";
/// The last row of the log that the processing stage has taken care of.
pub(super) const SETTLED: &str = "settled";

pub(super) fn position(db: &Connection, name: &str) -> Result<i64, Fault> {
    Ok(position_if_any(db, name)?.unwrap_or(0))
}

pub(super) fn position_if_any(db: &Connection, name: &str) -> Result<Option<i64>, Fault> {
    db.prepare_cached("SELECT * FROM position WHERE name = ?1")?
        .query_and_then([name], |row| {
            seal::verify(row, "position")?;
            Ok(row.get("log_id")?)
        })?
        .next()
        .transpose()
}

pub(super) fn set_position(db: &Connection, name: &str, log_id: i64) -> Result<(), Fault> {
    db.prepare_cached("INSERT OR REPLACE INTO position (name, log_id) VALUES (?1, ?2)")?
        .execute(params![name, log_id])?;
    Ok(())
}
