//! Appending: what is new or has another value goes to the end of the log, in one transaction
//! with what it means for the backlog (the log is the backlog; see `backlog`).

use super::blocks;
use super::day::{Day, SeriesId};
use super::log;
use super::memory::{Memory, State};
use super::receipts;
use super::samples;
use crate::embedded::fault::Fault;
use crate::{Appended, Receipt};
use larder_domain::{ChannelRef, Reading, Sample, Timestamp, Unit};
use rusqlite::{Connection, Transaction, TransactionBehavior};
use std::collections::{BTreeMap, HashMap};
use std::sync::RwLock;

/// Appends. The caller holds the only writing connection, so `memory` changes here alone.
pub(super) fn append(
    db: &mut Connection,
    memory: &RwLock<Memory>,
    readings: &[Reading],
    receipts: &[Receipt],
    elsewhere: &Elsewhere,
) -> Result<Appended, Fault> {
    let tx = db.transaction_with_behavior(TransactionBehavior::Immediate)?;
    let (batch, log_id, appended) = {
        let memory = memory.read().map_err(|_| Fault::Poisoned)?;
        let mut batch = Batch::resolve(&tx, &memory, readings)?;
        let appended = batch.weigh(&tx, &memory, elsewhere)?;
        (batch, memory.last_log_id + 1, appended)
    };
    receipts::put(&tx, receipts, log_id)?;
    if batch.entries.is_empty() && batch.units.is_empty() {
        tx.commit()?;
        return Ok(appended);
    }
    let bytes = log::put(&tx, log_id, &batch.entries)?;
    tx.commit()?;
    let mut memory = memory.write().map_err(|_| Fault::Poisoned)?;
    if let Some(leaving) = &mut memory.leaving {
        leaving.comes(bytes, batch.entries.iter().map(|(_, sample)| sample.time));
    }
    batch.remember(&mut memory, log_id);
    Ok(appended)
}

/// What is known of readings that are kept only in an archive, and what to do with known ones.
#[derive(Default)]
pub(crate) struct Elsewhere {
    /// Samples of the archive, in order of time, as far as they matter to what is appended.
    pub(crate) kept: HashMap<ChannelRef, Vec<Sample>>,
    /// Readings that are there with the same value go to the log as well: the archive lost them.
    pub(crate) again: bool,
}

/// Readings on their way in.
struct Batch<'a> {
    /// By series and time; as they came where both are the same. Later only what is news.
    entries: Vec<log::Entry>,
    /// One reading of each series, for the series' name.
    named: HashMap<SeriesId, &'a Reading>,
    /// Series not seen before.
    created: HashMap<ChannelRef, (SeriesId, Unit)>,
    /// Series whose unit is another one from now on.
    units: BTreeMap<SeriesId, Unit>,
}

impl<'a> Batch<'a> {
    /// Finds each reading's series and brings its value to the series' unit.
    fn resolve(
        tx: &Transaction<'_>,
        memory: &Memory,
        readings: &'a [Reading],
    ) -> Result<Self, Fault> {
        let mut batch = Self {
            entries: Vec::with_capacity(readings.len()),
            named: HashMap::new(),
            created: HashMap::new(),
            units: BTreeMap::new(),
        };
        for reading in readings {
            let entry = match memory.id(&reading.device, &reading.channel) {
                Some(id) => batch.entry_of_known(tx, memory, id, reading)?,
                None => batch.entry_of_created(tx, reading)?,
            };
            batch.named.entry(entry.0).or_insert(reading);
            batch.entries.push(entry);
        }
        batch
            .entries
            .sort_by_key(|(series, sample)| (*series, sample.time));
        Ok(batch)
    }

    fn entry_of_known(
        &mut self,
        tx: &Transaction<'_>,
        memory: &Memory,
        id: SeriesId,
        reading: &Reading,
    ) -> Result<log::Entry, Fault> {
        let changed = self.units.get(&id);
        let kept_in = changed.or_else(|| memory.state(id).map(|state| &state.unit));
        if let Some(value) = kept_in.and_then(|unit| reading.unit.convert(reading.value, unit)) {
            return Ok((id, sample(reading, value)));
        }
        set_unit(tx, id, reading)?;
        self.units.insert(id, reading.unit.clone());
        Ok((id, sample(reading, reading.value)))
    }

    fn entry_of_created(
        &mut self,
        tx: &Transaction<'_>,
        reading: &Reading,
    ) -> Result<log::Entry, Fault> {
        let series = reading.series();
        if let Some((id, unit)) = self.created.get(&series) {
            if let Some(value) = reading.unit.convert(reading.value, unit) {
                return Ok((*id, sample(reading, value)));
            }
            set_unit(tx, *id, reading)?;
            let created = (*id, reading.unit.clone());
            let entry = (*id, sample(reading, reading.value));
            self.created.insert(series, created);
            return Ok(entry);
        }
        let id = create(tx, reading)?;
        self.created.insert(series, (id, reading.unit.clone()));
        Ok((id, sample(reading, reading.value)))
    }

    /// Compares with what is kept, counts, and leaves only what is news.
    fn weigh(
        &mut self,
        tx: &Transaction<'_>,
        memory: &Memory,
        elsewhere: &Elsewhere,
    ) -> Result<Appended, Fault> {
        let mut appended = Appended::default();
        let mut news = Vec::with_capacity(self.entries.len());
        for of_one in self.entries.chunk_by(|a, b| a.0 == b.0) {
            let id = of_one[0].0;
            let mut known = Known {
                tx,
                id,
                state: memory.state(id),
                unpacked: None,
                elsewhere: match elsewhere.kept.is_empty() {
                    true => &[],
                    false => (elsewhere.kept.get(&self.named[&id].series()))
                        .map_or(&[][..], Vec::as_slice),
                },
            };
            for same_time in of_one.chunk_by(|a, b| a.1.time == b.1.time) {
                let before = known.bits_at(same_time[0].1.time)?;
                let mut stands = before;
                for (_, sample) in same_time {
                    let bits = sample.value.to_bits();
                    match stands {
                        None => appended.new += 1,
                        Some(known) if known == bits => appended.repeated += 1,
                        Some(_) => appended.replaced += 1,
                    }
                    stands = Some(bits);
                }
                if stands != before || elsewhere.again {
                    news.extend(same_time.last());
                }
            }
        }
        self.entries = news;
        Ok(appended)
    }

    /// Brings memory to where the disk is.
    fn remember(self, memory: &mut Memory, log_id: i64) {
        for (series, (id, unit)) in self.created {
            memory.add_series(series, id, State::new(unit));
        }
        for (id, unit) in self.units {
            if let Some(state) = memory.state_mut(id) {
                state.unit = unit;
            }
        }
        memory.last_log_id = log_id;
        for of_one in self.entries.chunk_by(|a, b| a.0 == b.0) {
            let id = of_one[0].0;
            let news: Vec<Sample> = of_one.iter().map(|(_, sample)| *sample).collect();
            memory.take_in(id, &news);
            let series = self.named[&id].series();
            memory.backlog.add_logged(series, &news, log_id);
        }
    }
}

fn sample(reading: &Reading, value: f64) -> Sample {
    Sample {
        time: reading.time,
        value,
    }
}

fn create(tx: &Transaction<'_>, reading: &Reading) -> Result<SeriesId, Fault> {
    tx.prepare_cached("INSERT INTO series (device, channel, unit) VALUES (?1, ?2, ?3)")?
        .execute([
            reading.device.as_str(),
            reading.channel.as_str(),
            reading.unit.as_str(),
        ])?;
    let id = tx.last_insert_rowid();
    if id > SeriesId::MOST {
        let message = format!("one store holds {} series at most", SeriesId::MOST);
        return Err(Fault::Io(std::io::Error::other(message)));
    }
    Ok(SeriesId(id))
}

/// A channel that the service does not know came in a unit of another quantity: the newest unit
/// stands for the series. (Known channels come in their own unit only.)
fn set_unit(tx: &Transaction<'_>, id: SeriesId, reading: &Reading) -> Result<(), Fault> {
    tracing::warn!(
        device = %reading.device,
        channel = %reading.channel,
        unit = %reading.unit,
        "a channel changed its unit to that of another quantity; the newest unit stands"
    );
    tx.prepare_cached("UPDATE series SET unit = ?2 WHERE id = ?1")?
        .execute(rusqlite::params![id.0, reading.unit.as_str()])?;
    Ok(())
}

/// What is kept of one series, asked for in order of time.
struct Known<'a> {
    tx: &'a Transaction<'a>,
    id: SeriesId,
    /// `None`: a series not seen before.
    state: Option<&'a State>,
    /// The day last unpacked.
    unpacked: Option<(Day, Vec<Sample>)>,
    /// What an archive keeps of it.
    elsewhere: &'a [Sample],
}

impl Known<'_> {
    fn bits_at(&mut self, time: Timestamp) -> Result<Option<u64>, Fault> {
        let Some(state) = self.state else {
            return Ok(None);
        };
        let kept = match samples::find(state.open(), time) {
            Some(open) => Some(open),
            None if state.may_store(time) => samples::find(self.day(Day::of(time))?, time),
            None => None,
        };
        let kept = kept.or_else(|| samples::find(self.elsewhere, time));
        Ok(kept.map(|sample| sample.value.to_bits()))
    }

    fn day(&mut self, day: Day) -> Result<&[Sample], Fault> {
        if self
            .unpacked
            .as_ref()
            .is_none_or(|(unpacked, _)| *unpacked != day)
        {
            self.unpacked = Some((day, blocks::load(self.tx, self.id, day)?));
        }
        Ok(self.unpacked.as_ref().map_or(&[], |(_, samples)| samples))
    }
}
