//! The processing stage at work: what changed is loaded, estimated by the pure crate, and put
//! back. Results can always be thrown away and computed again; this is the only place that does.

mod load;

use anyhow::Result;
use larder_domain::{Apiary, HiveId, Span, Timestamp, YardId, time::local_day};
use larder_process::{FeederNow, YardOutput, process_yard};
use larder_store::{Readings, Records, ResultsPatch};
use load::LoadedYard;
use std::collections::BTreeSet;

/// Stores and the clock's reading that a run works with.
pub struct Pipeline<'a> {
    /// Where readings are.
    pub readings: &'a dyn Readings,
    /// Where the rest is.
    pub records: &'a dyn Records,
}

/// What a run did.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Processed {
    /// Yards estimated.
    pub yards: Vec<YardId>,
    /// Hives estimated.
    pub hives: Vec<HiveId>,
    /// How their feeders stand.
    pub now: Vec<FeederNow>,
    /// Local days that now have results.
    pub days: u64,
}

impl Pipeline<'_> {
    /// Estimates every yard, or one, over all that is known.
    pub fn process_all(
        &self,
        only: Option<&YardId>,
        now: Timestamp,
        mut progress: impl FnMut(&YardId),
    ) -> Result<Processed> {
        let apiary = self.records.apiary()?;
        let mut done = Processed::default();
        for yard in apiary
            .yards()
            .filter(|yard| only.is_none_or(|only| *only == yard.id))
        {
            progress(&yard.id);
            self.process_one(&apiary, &yard.id, now, &mut done)?;
        }
        Ok(done)
    }

    /// Estimates every yard and forgets the news that was there before.
    pub fn process_everything(&self, now: Timestamp) -> Result<Processed> {
        let (_, mark) = self.records.changes(MOST_CHANGES)?;
        let done = self.process_all(None, now, |_| ())?;
        self.records.settle(mark)?;
        Ok(done)
    }

    /// Estimates the yards that have news, and forgets the news. Nothing to do: no yards.
    pub fn process_news(&self, now: Timestamp) -> Result<Processed> {
        let (changes, mark) = self.records.changes(MOST_CHANGES)?;
        let mut done = Processed::default();
        if changes.is_empty() {
            return Ok(done);
        }
        let apiary = self.records.apiary()?;
        let changed: BTreeSet<_> = changes.iter().map(|change| &change.series.device).collect();
        for yard in apiary.yards() {
            let devices = load::devices_of(&apiary, &yard.id);
            if devices.iter().any(|device| changed.contains(device)) {
                self.process_one(&apiary, &yard.id, now, &mut done)?;
            }
        }
        self.records.settle(mark)?;
        Ok(done)
    }

    fn process_one(
        &self,
        apiary: &Apiary,
        yard: &YardId,
        now: Timestamp,
        done: &mut Processed,
    ) -> Result<()> {
        let Some(loaded) = LoadedYard::load(self.readings, self.records, apiary, yard, now)? else {
            return Ok(());
        };
        let output = process_yard(&loaded.input(now));
        self.keep(&loaded, &output)?;
        done.yards.push(yard.clone());
        done.hives.extend(loaded.hive_ids());
        done.days += output.uptake.len() as u64;
        done.now.extend(output.now);
        Ok(())
    }

    fn keep(&self, loaded: &LoadedYard<'_>, output: &YardOutput) -> Result<()> {
        let zone = loaded.yard.timezone;
        let first = loaded.span.start.local_date(zone);
        let last = loaded.span.end.plus_ms(-1).local_date(zone);
        let whole_days = Span {
            start: local_day(zone, first).start,
            end: local_day(zone, last).end,
        };
        self.records.replace_results(&ResultsPatch {
            hives: loaded.hive_ids(),
            feeders: loaded.feeder_ids(),
            dates: Some((first, last)),
            fills_span: Some(whole_days),
            uptake: output.uptake.clone(),
            weight: output.weight.clone(),
            fills: output.fills.clone(),
        })?;
        self.records
            .replace_flags(Some(&loaded.yard.id), whole_days, &output.flags)?;
        Ok(())
    }
}

/// Changed series looked at in one run; the rest waits for the next, which follows at once.
const MOST_CHANGES: usize = 100_000;

/// Readings that reach us later than this after they were measured come from a record, not from
/// devices at work: two days is what a logger that was offline delivers.
const LIVE_WITHIN_MS: i64 = 2 * 86_400_000;

/// Where the record ends, if the readings are one: imported from files, or sent long after they
/// were measured. `None`: devices are at work, and what is known reaches to the clock's now, so
/// that silence is seen.
pub fn record_end(readings: &dyn Readings, records: &dyn Records) -> Result<Option<Timestamp>> {
    let newest = readings
        .latest()?
        .iter()
        .map(|latest| latest.sample.time)
        .max();
    let heard = records
        .devices()?
        .iter()
        .filter_map(|device| device.last_heard)
        .max();
    Ok(match (newest, heard) {
        (Some(newest), None) => Some(newest),
        (Some(newest), Some(heard)) if heard.plus_ms(-LIVE_WITHIN_MS) > newest => Some(newest),
        _ => None,
    })
}
