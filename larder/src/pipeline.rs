//! The processing stage at work: what changed is loaded, estimated by the pure crate, and put
//! back. Results can always be thrown away and computed again; this is the only place that does.

mod load;

use anyhow::Result;
use chrono::NaiveDate;
use larder_domain::{Apiary, Flag, HiveId, Span, Timestamp, Yard, YardId, time::local_day};
use larder_process::{FeederNow, YardOutput, process_yard, window};
use larder_store::{Readings, Records, ResultsPatch};
use load::LoadedYard;
use std::collections::BTreeMap;
use std::ops::RangeInclusive;

/// Stores and the clock's reading that a run works with.
pub struct Pipeline<'a> {
    /// Where readings are.
    pub readings: &'a dyn Readings,
    /// Where the rest is.
    pub records: &'a dyn Records,
}

/// As of when each yard was estimated last. A yard that is not in it is estimated whole.
pub type Turns = BTreeMap<YardId, Timestamp>;

fn cover(one: Span, other: Span) -> Span {
    Span {
        start: one.start.min(other.start),
        end: one.end.max(other.end),
    }
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
    pub fn process_all(&self, only: Option<&YardId>, now: Timestamp) -> Result<Processed> {
        let apiary = self.records.apiary()?;
        let mut done = Processed::default();
        for yard in apiary
            .yards()
            .filter(|yard| only.is_none_or(|only| *only == yard.id))
        {
            self.process_one(&apiary, yard, None, now, &mut done)?;
        }
        Ok(done)
    }

    /// Estimates every yard and forgets the news that was there before.
    pub fn process_everything(&self, now: Timestamp) -> Result<Processed> {
        let (_, mark) = self.records.changes(MOST_CHANGES)?;
        let done = self.process_all(None, now)?;
        self.records.settle(mark)?;
        Ok(done)
    }

    /// Estimates what may be different from what it was: in yards that have news, the days that news
    /// touches and those that time has touched since the yard's turn before; in the other yards only
    /// the latter, and only when their last turn is `longest_ms` ago. Forgets the news. Ends at the
    /// same results as [`Self::process_everything`] would.
    pub fn process_news(
        &self,
        turns: &mut Turns,
        now: Timestamp,
        longest_ms: i64,
    ) -> Result<Processed> {
        let (changes, mark) = self.records.changes(MOST_CHANGES)?;
        let apiary = self.records.apiary()?;
        let mut done = Processed::default();
        for yard in apiary.yards() {
            let devices = load::devices_of(&apiary, &yard.id);
            let mut touched = changes
                .iter()
                .filter(|change| devices.contains(&change.series.device))
                .map(|change| change.span)
                .reduce(cover);
            let before = turns.get(&yard.id).copied();
            if touched.is_none() && before.is_some_and(|before| now.0 - before.0 < longest_ms) {
                continue;
            }
            let dates = before.map(|before| {
                let passed = Span {
                    start: before.min(now),
                    end: now.plus_ms(1),
                };
                touched = touched.into_iter().chain([passed]).reduce(cover);
                window::affected_dates(touched.unwrap_or(passed), yard.timezone)
            });
            self.process_one(&apiary, yard, dates, now, &mut done)?;
            turns.insert(yard.id.clone(), now);
        }
        self.records.settle(mark)?;
        Ok(done)
    }

    fn process_one(
        &self,
        apiary: &Apiary,
        yard: &Yard,
        dates: Option<RangeInclusive<NaiveDate>>,
        now: Timestamp,
        done: &mut Processed,
    ) -> Result<()> {
        let loaded = LoadedYard::load(self.readings, self.records, apiary, &yard.id, dates, now)?;
        let Some(loaded) = loaded else {
            return Ok(());
        };
        let output = process_yard(&loaded.input(now));
        self.keep(&loaded, &output)?;
        done.yards.push(yard.id.clone());
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
        self.keep_flags(&loaded.yard.id, whole_days, &output.flags)
    }

    /// A flag that was open where the days before end and is open where these start is one flag,
    /// as it is where all days are estimated together.
    fn keep_flags(&self, yard: &YardId, days: Span, flags: &[Flag]) -> Result<()> {
        let before = Span {
            start: Span::ALWAYS.start,
            end: days.start,
        };
        let mut kept: Vec<Flag> = self.records.flags(Some(yard), before)?;
        kept.retain(|flag| flag.closed_at.is_none_or(|at| at >= days.start));
        let first_kept = kept.iter().map(|flag| flag.opened_at).min();
        let mut goes_on = vec![false; kept.len()];
        for flag in flags {
            match kept.iter().rposition(|earlier| earlier.goes_on_as(flag)) {
                Some(i) if i < goes_on.len() => {
                    kept[i].closed_at = flag.closed_at;
                    goes_on[i] = true;
                }
                _ => kept.push(flag.clone()),
            }
        }
        for (flag, goes_on) in kept.iter_mut().zip(goes_on) {
            if !goes_on {
                flag.closed_at = Some(days.start);
            }
        }
        // Flags that were opened long before and are not among the kept ones must stay: only from
        // the first kept one on is anything replaced.
        let from = first_kept.unwrap_or(days.start).min(days.start);
        let between = Span {
            start: from,
            end: days.start,
        };
        let untouched = self.records.flags(Some(yard), between)?;
        kept.extend(untouched.into_iter().filter(|flag| {
            flag.opened_at >= from && flag.closed_at.is_some_and(|at| at < days.start)
        }));
        let replaced = Span {
            start: from,
            end: days.end,
        };
        Ok(self.records.replace_flags(Some(yard), replaced, &kept)?)
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

#[cfg(test)]
mod tests;
