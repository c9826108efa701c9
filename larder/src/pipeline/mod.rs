//! The processing stage at work: what changed is loaded, estimated by the pure crate, and put
//! back. Results can always be thrown away and computed again; this is the only place that does.

mod first_known;
mod index;
mod load;
mod turns;

pub use first_known::note_live_since;
pub use turns::{LeftOut, Turns};

use anyhow::Result;
use chrono::NaiveDate;
use first_known::FirstKnown;
use index::Index;
use larder_domain::{
    Apiary, Flag, HiveId, KeptFlag, Span, Timestamp, Yard, YardId, time::local_day,
};
use larder_estimate::{FeederNow, YardOutput};
use larder_flags::{YardParameters, lifecycle};
use larder_process::{process_yard_with, window};
use larder_store::{Readings, Records, ResultsPatch, StoreError};
use load::LoadedYard;
use std::collections::BTreeMap;
use std::ops::RangeInclusive;
use std::panic::{AssertUnwindSafe, catch_unwind};

/// Stores and the clock's reading that a run works with.
pub struct Pipeline<'a> {
    /// Where readings are.
    pub readings: &'a dyn Readings,
    /// Where the rest is.
    pub records: &'a dyn Records,
    /// What the clock says. What is estimated as of an earlier moment is a record of the past.
    pub clock: Timestamp,
}

/// The span that reaches over both.
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
    /// Flags that were opened, changed, closed or withdrawn.
    pub flags: Vec<KeptFlag>,
    /// Local days that now have results.
    pub days: u64,
    /// Yards, and parts of yards, that could not be estimated, and why. Their results of before
    /// stand.
    pub left_out: Vec<(YardId, Vec<LeftOut>)>,
}

/// Whether all that needs what an error is about must wait: a server that does not answer, a store
/// that can't be written. Other errors are one yard's, and the other yards go on.
fn concerns_everything(error: &anyhow::Error) -> bool {
    let of_store = error
        .chain()
        .filter_map(|cause| cause.downcast_ref::<StoreError>());
    let mut of_store = of_store.peekable();
    of_store.peek().is_some() && of_store.all(|error| !matches!(error, StoreError::Damaged { .. }))
}

/// What all yards of a run share.
struct Run<'a> {
    index: Index<'a>,
    first_known: FirstKnown,
}

impl Pipeline<'_> {
    /// Estimates every yard, or one, over all that is known.
    pub fn process_all(&self, only: Option<&YardId>, now: Timestamp) -> Result<Processed> {
        let apiary = self.records.apiary()?;
        let run = self.run(&apiary, now)?;
        let mut done = Processed::default();
        for yard in apiary
            .yards()
            .filter(|yard| only.is_none_or(|only| *only == yard.id))
        {
            // What is wrong with it is told in `left_out`.
            let _ = self.process_yard(&run, yard, None, now, &mut done)?;
        }
        Ok(done)
    }

    /// Estimates every yard and forgets the news that was there before.
    pub fn process_everything(&self, now: Timestamp) -> Result<Processed> {
        let (_, mark) = self.records.changes(MOST_CHANGES)?;
        let done = self.process_all(None, now)?;
        self.records.acknowledge_changes(mark)?;
        Ok(done)
    }

    /// Estimates what may be different from what it was: in yards that have news, the days that news
    /// touches and those that time has touched since the yard's turn before; in the other yards only
    /// the latter, and only when their last turn is `longest_ms` ago. Forgets the news. Ends at the
    /// same results as [`Self::process_everything`] would.
    #[cfg(test)]
    pub fn process_news(
        &self,
        turns: &mut Turns,
        now: Timestamp,
        longest_ms: i64,
    ) -> Result<Processed> {
        self.process_noted(turns, &BTreeMap::new(), now, longest_ms)
    }

    /// Estimates what may be different from what it was, because of news or because of what was
    /// written down for some yards (`noted`): a fill makes no reading new.
    pub fn process_noted(
        &self,
        turns: &mut Turns,
        noted: &BTreeMap<YardId, Span>,
        now: Timestamp,
        longest_ms: i64,
    ) -> Result<Processed> {
        let (changes, mark) = self.records.changes(MOST_CHANGES)?;
        let apiary = self.records.apiary()?;
        let run = self.run(&apiary, now)?;
        let mut done = Processed::default();
        let mut touched_by = run.index.touched(&changes, noted);
        for yard in apiary.yards() {
            let mut touched = touched_by.remove(&yard.id);
            // Its news is forgotten below: when its time has come it is estimated whole.
            if turns.must_wait(&yard.id, self.clock) {
                continue;
            }
            let before = turns.before(&yard.id);
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
            match self.process_yard(&run, yard, dates, now, &mut done)? {
                Ok(left_out) => turns.estimated(&yard.id, now, self.clock, &left_out),
                Err(sentence) => turns.failed(&yard.id, self.clock, sentence),
            }
        }
        self.records.acknowledge_changes(mark)?;
        Ok(done)
    }

    /// Estimates what may have changed from `since` on, where older readings are out of reach. What else has
    /// changed stays to be estimated.
    pub fn process_last_days(&self, since: Timestamp, now: Timestamp) -> Result<Processed> {
        let apiary = self.records.apiary()?;
        let run = self.run(&apiary, now)?;
        let mut done = Processed::default();
        let passed = Span {
            start: since.min(now),
            end: now.plus_ms(1),
        };
        for yard in apiary.yards() {
            let dates = window::affected_dates(passed, yard.timezone);
            let _ = self.process_yard(&run, yard, Some(dates), now, &mut done)?;
        }
        Ok(done)
    }

    fn run<'a>(&self, apiary: &'a Apiary, now: Timestamp) -> Result<Run<'a>> {
        let index = Index::of(apiary, self.readings, self.records)?;
        let first_known = FirstKnown::of(self.records, index.all_health(), self.clock, now)?;
        Ok(Run { index, first_known })
    }

    /// Estimates one yard. What is wrong with it alone, a fault of the estimators included, is no
    /// error here: the other yards go on.
    fn process_yard(
        &self,
        run: &Run<'_>,
        yard: &Yard,
        dates: Option<RangeInclusive<NaiveDate>>,
        now: Timestamp,
        done: &mut Processed,
    ) -> Result<Result<Vec<LeftOut>, String>> {
        // What a panic leaves half-done in `done` is only what is told; results are one transaction.
        let run = AssertUnwindSafe(|| self.process_one(run, yard, dates, now, done));
        let outcome = match catch_unwind(run) {
            Ok(Err(error)) if concerns_everything(&error) => return Err(error),
            Ok(outcome) => outcome.map_err(|error| format!("{error:#}")),
            Err(_) => Err("the estimators failed by a fault of their own".to_owned()),
        };
        let left_out = match &outcome {
            Ok(left_out) => left_out.clone(),
            Err(sentence) => vec![LeftOut {
                hive: None,
                device: None,
                sentence: sentence.clone(),
            }],
        };
        if !left_out.is_empty() {
            done.left_out.push((yard.id.clone(), left_out));
        }
        Ok(outcome)
    }

    fn process_one(
        &self,
        run: &Run<'_>,
        yard: &Yard,
        dates: Option<RangeInclusive<NaiveDate>>,
        now: Timestamp,
        done: &mut Processed,
    ) -> Result<Vec<LeftOut>> {
        let loaded = LoadedYard::load(self.readings, self.records, &run.index, yard, dates, now)?;
        let Some(loaded) = loaded else {
            return Ok(Vec::new());
        };
        // `larder apply` lets no other names in; a newer version may have had some.
        let parameters = YardParameters::of(run.index.apiary, &yard.id).unwrap_or_else(|error| {
            tracing::warn!(%error, "thresholds cannot be used; the defaults hold");
            YardParameters::default()
        });
        let output = process_yard_with(&loaded.input(now), &parameters);
        done.flags.extend(self.keep(run, &loaded, &output, now)?);
        done.yards.push(yard.id.clone());
        done.hives.extend(loaded.hive_ids());
        done.days += output.uptake.len() as u64;
        done.now.extend(output.now);
        Ok(loaded.left_out)
    }

    fn keep(
        &self,
        run: &Run<'_>,
        loaded: &LoadedYard<'_>,
        output: &YardOutput,
        now: Timestamp,
    ) -> Result<Vec<KeptFlag>> {
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
            learned: output.learned.clone(),
        })?;
        self.forget_beyond(loaded, now)?;
        let judged = match output.covered_until {
            // Nothing came after it: what was wrong then may still be, and stays as it is.
            None if loaded.is_after_all(whole_days.start) => return Ok(Vec::new()),
            Some(until) if loaded.is_after_all(until) => Span {
                start: whole_days.start,
                end: whole_days.end.min(until),
            },
            _ => whole_days,
        };
        self.keep_flags(run, loaded, judged, &output.flags)
    }

    /// Takes out what was estimated for days that have not come yet, by a clock that was ahead.
    fn forget_beyond(&self, loaded: &LoadedYard<'_>, now: Timestamp) -> Result<()> {
        let zone = loaded.yard.timezone;
        let today = now.local_date(zone);
        let feeders = loaded.feeder_ids();
        let Some(tomorrow) = today.succ_opt() else {
            return Ok(());
        };
        let ahead = Span {
            start: local_day(zone, today).end,
            end: Span::ALWAYS.end,
        };
        let is_clean = self
            .records
            .uptake(&feeders, Some(tomorrow), None)?
            .is_empty()
            && self
                .records
                .weight(&loaded.hive_ids(), Some(tomorrow), None)?
                .is_empty()
            && self.records.fill_events(&feeders, ahead)?.is_empty();
        if !is_clean {
            self.records.replace_results(&ResultsPatch {
                hives: loaded.hive_ids(),
                feeders,
                dates: Some((tomorrow, LAST_DATE)),
                fills_span: Some(ahead),
                ..ResultsPatch::default()
            })?;
        }
        let mut kept = self.records.flags(Some(&loaded.yard.id), ahead)?;
        kept.retain(|kept| kept.flag.opened_at >= ahead.start);
        let withdrawn = lifecycle::changes(&kept, ahead, &[], self.clock, |_| None);
        self.records.keep_flags(&withdrawn)?;
        Ok(())
    }

    /// Says what changed.
    fn keep_flags(
        &self,
        run: &Run<'_>,
        loaded: &LoadedYard<'_>,
        days: Span,
        found: &[Flag],
    ) -> Result<Vec<KeptFlag>> {
        let reaching_in = Span {
            start: days.start.plus_ms(-1),
            end: days.end,
        };
        let mut kept = self.records.flags(Some(&loaded.yard.id), reaching_in)?;
        // Of what was not estimated nothing new is known.
        kept.retain(|kept| {
            let flag = &kept.flag;
            !loaded.left_out.iter().any(|part| {
                (part.hive.is_some() && part.hive == flag.hive)
                    || (part.device.is_some() && part.device == flag.device)
            })
        });
        let first_known = |flag: &Flag| run.first_known.at(flag);
        let changed = lifecycle::changes(&kept, days, found, self.clock, first_known);
        self.records.keep_flags(&changed)?;
        Ok(changed)
    }
}

/// No result is of a later date.
const LAST_DATE: NaiveDate = NaiveDate::from_ymd_opt(9999, 12, 31).expect("a date of the calendar");

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
    let reported_at = records
        .devices()?
        .iter()
        .filter_map(|device| device.last_seen)
        .max();
    Ok(match (newest, reported_at) {
        (Some(newest), None) => Some(newest),
        (Some(newest), Some(reported_at)) if reported_at.plus_ms(-LIVE_WITHIN_MS) > newest => {
            Some(newest)
        }
        _ => None,
    })
}

#[cfg(test)]
mod tests;
