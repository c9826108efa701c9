//! Reading a series: what blocks hold, with what stands open in memory put over it. Memory is
//! looked at first and the disk second: readings move from memory to disk, so none is missed.

use super::blocks::{self, Summary};
use super::day::{Day, SeriesId};
use super::memory::State;
use super::samples;
use crate::embedded::fault::Fault;
use larder_domain::{Sample, Span};
use rusqlite::Connection;
use std::collections::BTreeMap;
use std::ops::RangeInclusive;

/// One series over one span: what memory says of it, and where on disk the rest may be.
pub(super) struct Wanted {
    id: SeriesId,
    span: Span,
    open: Vec<Sample>,
    stored: Option<Span>,
}

impl Wanted {
    pub(super) fn of(id: SeriesId, state: &State, span: Span) -> Self {
        Self {
            id,
            span,
            open: samples::within(state.open(), span).to_vec(),
            stored: state.stored_within(span),
        }
    }

    /// Whether the disk must be asked.
    pub(super) fn is_stored(&self) -> bool {
        self.stored.is_some()
    }

    /// What memory alone says.
    pub(super) fn into_open(self) -> Vec<Sample> {
        self.open
    }

    fn days(&self) -> Option<RangeInclusive<Day>> {
        let stored = self.stored?;
        Some(blocks::days_between(stored.start, stored.end.plus_ms(-1)))
    }

    /// Everything, in order of time.
    pub(super) fn whole(&self, db: &Connection) -> Result<Vec<Sample>, Fault> {
        let mut all = Vec::new();
        if let Some(days) = self.days() {
            blocks::walk(db, self.id, days, |met| {
                let day = met.samples()?;
                all.extend_from_slice(samples::within(&day, self.span));
                Ok(())
            })?;
        }
        samples::merge_into(&mut all, &self.open);
        Ok(all)
    }

    /// One day of it, in order of time.
    pub(super) fn day(&self, db: &Connection, day: Day) -> Result<Vec<Sample>, Fault> {
        let stored = blocks::load(db, self.id, day)?;
        let mut samples = samples::within(&stored, self.span).to_vec();
        let open = self
            .open
            .iter()
            .filter(|sample| Day::of(sample.time) == day);
        samples::merge_into(&mut samples, &open.copied().collect::<Vec<_>>());
        Ok(samples)
    }

    /// The days from the first to the last that may have readings; `None`: there are no readings.
    pub(super) fn extent(&self) -> Option<RangeInclusive<Day>> {
        let open = self.open.first().zip(self.open.last());
        let open = open.map(|(first, last)| blocks::days_between(first.time, last.time));
        match (self.days(), open) {
            (Some(a), Some(b)) => Some(*a.start().min(b.start())..=*a.end().max(b.end())),
            (a, b) => a.or(b),
        }
    }

    /// Every day's summary, in order. Only days that lie partly outside the span or have readings
    /// in memory are unpacked for it.
    pub(super) fn summaries(&self, db: &Connection) -> Result<Vec<(Day, Summary)>, Fault> {
        let open_days = self
            .open
            .chunk_by(|a, b| Day::of(a.time) == Day::of(b.time));
        let mut open: BTreeMap<Day, &[Sample]> =
            open_days.map(|day| (Day::of(day[0].time), day)).collect();
        let mut summaries = BTreeMap::new();
        if let Some(days) = self.days() {
            blocks::walk(db, self.id, days, |met| {
                let summary = match open.remove(&met.day) {
                    None if met.day.lies_in(self.span) => Some(met.summary()?),
                    open => {
                        let stored = met.samples()?;
                        let mut day = samples::within(&stored, self.span).to_vec();
                        samples::merge_into(&mut day, open.unwrap_or_default());
                        Summary::of(&day)
                    }
                };
                summaries.extend(summary.map(|summary| (met.day, summary)));
                Ok(())
            })?;
        }
        let only_open = open.into_iter();
        summaries.extend(only_open.filter_map(|(day, open)| Some((day, Summary::of(open)?))));
        Ok(summaries.into_iter().collect())
    }
}
