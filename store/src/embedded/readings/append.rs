//! Appending: what is new or has another value goes to the end of the log, in one transaction
//! with what it means for the backlog (the log is the backlog; see `backlog`).

use super::blocks;
use super::day::{Day, SeriesId};
use super::hot;
use super::memory::{Memory, State};
use super::receipts;
use super::samples;
use crate::embedded::fault::Fault;
use crate::{
    Appended, MOST_CHANNELS, MOST_UNDECLARED_DEVICES, MOST_UNDECLARED_SERIES, Receipt, Refusal,
    RefusedReading,
};
use larder_domain::{ChannelRef, DeviceId, Reading, Sample, Timestamp, Unit};
use rusqlite::{Connection, Transaction, TransactionBehavior};
use std::collections::{HashMap, HashSet};
use std::sync::RwLock;

/// Appends. The caller holds the only writing connection, so `memory` changes here alone.
pub(super) fn append(
    db: &mut Connection,
    memory: &RwLock<Memory>,
    readings: &[Reading],
    receipts: &[Receipt],
    elsewhere: &Elsewhere,
    declared: Declared<'_>,
) -> Result<Appended, Fault> {
    let tx = db.transaction_with_behavior(TransactionBehavior::Immediate)?;
    let (batch, log_id, appended) = {
        let memory = memory.read().map_err(|_| Fault::Poisoned)?;
        let mut batch = Batch::resolve(&tx, &memory, readings, declared)?;
        let mut appended = batch.weigh(&tx, &memory, elsewhere)?;
        appended.refused = std::mem::take(&mut batch.refused);
        (batch, memory.last_log_id + 1, appended)
    };
    receipts::put(&tx, receipts, log_id)?;
    if batch.entries.is_empty() {
        tx.commit()?;
        return Ok(appended);
    }
    let bytes = hot::put(&tx, log_id, &batch.entries)?;
    tx.commit()?;
    let mut memory = memory.write().map_err(|_| Fault::Poisoned)?;
    if let Some(replication) = &mut memory.replication {
        replication.comes(bytes, batch.entries.iter().map(|(_, sample)| sample.time));
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
    entries: Vec<hot::Entry>,
    /// One reading of each series, for the series' name.
    named: HashMap<SeriesId, &'a Reading>,
    /// Series not seen before.
    created: HashMap<ChannelRef, (SeriesId, Unit)>,
    /// What is not taken in.
    refused: Vec<RefusedReading>,
}

impl<'a> Batch<'a> {
    /// Finds each reading's series and brings its value to the series' unit.
    fn resolve(
        tx: &Transaction<'_>,
        memory: &Memory,
        readings: &'a [Reading],
        declared: Declared<'_>,
    ) -> Result<Self, Fault> {
        let mut room = Room {
            declared,
            counted: None,
            made: HashMap::new(),
        };
        let mut batch = Self {
            entries: Vec::with_capacity(readings.len()),
            named: HashMap::new(),
            created: HashMap::new(),
            refused: Vec::new(),
        };
        for reading in readings {
            let known = memory.id(&reading.device, &reading.channel);
            let entry = match known.and_then(|id| Some((id, memory.state(id)?))) {
                Some((id, state)) => in_unit(reading, &state.unit).map(|sample| (id, sample)),
                None => batch.entry_of_created(tx, memory, &mut room, reading)?,
            };
            let entry = match entry {
                Ok(entry) => entry,
                Err(why) => {
                    let reading = reading.clone();
                    batch.refused.push(RefusedReading { reading, why });
                    continue;
                }
            };
            batch.named.entry(entry.0).or_insert(reading);
            batch.entries.push(entry);
        }
        batch
            .entries
            .sort_by_key(|(series, sample)| (*series, sample.time));
        Ok(batch)
    }

    fn entry_of_created(
        &mut self,
        tx: &Transaction<'_>,
        memory: &Memory,
        room: &mut Room<'_>,
        reading: &Reading,
    ) -> Result<Result<hot::Entry, Refusal>, Fault> {
        let series = reading.series();
        if let Some((id, unit)) = self.created.get(&series) {
            return Ok(in_unit(reading, unit).map(|sample| (*id, sample)));
        }
        if let Err(refusal) = room.take(memory, &series)? {
            return Ok(Err(refusal));
        }
        let id = create(tx, reading)?;
        self.created.insert(series, (id, reading.unit.clone()));
        Ok(Ok((id, sample(reading, reading.value))))
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

/// The value in the unit in which the series is kept.
fn in_unit(reading: &Reading, kept: &Unit) -> Result<Sample, Refusal> {
    match reading.unit.convert(reading.value, kept) {
        Some(value) => Ok(sample(reading, value)),
        None => Err(Refusal::OtherUnit {
            kept: kept.clone(),
            sent: reading.unit.clone(),
        }),
    }
}

/// Which devices the apiary names: asked for only where bounds are near.
pub(super) type Declared<'a> = &'a dyn Fn() -> Result<HashSet<DeviceId>, Fault>;

/// How many more series may be made.
struct Room<'a> {
    declared: Declared<'a>,
    /// What is known once it was asked for: the declared devices, and the number of others and of their
    /// series.
    counted: Option<(HashSet<DeviceId>, usize, usize)>,
    /// Channels that this batch makes of each device.
    made: HashMap<DeviceId, usize>,
}

impl Room<'_> {
    /// Makes room for one more series, or says why there is none.
    fn take(&mut self, memory: &Memory, series: &ChannelRef) -> Result<Result<(), Refusal>, Fault> {
        let made_of_it = self.made.get(&series.device).copied().unwrap_or(0);
        let channels = memory.n_channels(&series.device) + made_of_it;
        if channels >= MOST_CHANNELS {
            return Ok(Err(Refusal::TooManyChannels));
        }
        let made: usize = self.made.values().sum();
        let far_off = memory.n_devices() + self.made.len() < MOST_UNDECLARED_DEVICES
            && memory.n_series() + made < MOST_UNDECLARED_SERIES;
        if !far_off {
            if self.counted.is_none() {
                let declared = (self.declared)()?;
                let (mut devices, mut series) = memory.count_without(&declared);
                for (device, channels) in &self.made {
                    if !declared.contains(device) {
                        devices += usize::from(memory.n_channels(device) == 0);
                        series += channels;
                    }
                }
                self.counted = Some((declared, devices, series));
            }
            if let Some((declared, n_devices, n_series)) = &mut self.counted
                && !declared.contains(&series.device)
            {
                if channels == 0 && *n_devices >= MOST_UNDECLARED_DEVICES {
                    return Ok(Err(Refusal::TooManyDevices));
                }
                if *n_series >= MOST_UNDECLARED_SERIES {
                    return Ok(Err(Refusal::TooManySeries));
                }
                *n_devices += usize::from(channels == 0);
                *n_series += 1;
            }
        }
        *self.made.entry(series.device.clone()).or_default() += 1;
        Ok(Ok(()))
    }
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
