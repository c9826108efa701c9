//! The store that is put together of the embedded one and an archive.

use super::forward::{self, Wake};
use super::{ArchiveReader, ArchiveStatus, ArchiveWriter, WriteFault};
use crate::embedded::readings::{Elsewhere, reduce_between};
use crate::{
    Appended, EmbeddedStore, LatestSample, Readings, Receipt, Records, Removal, Removed,
    SeriesInfo, StoreError,
};
use larder_domain::{ChannelRef, Reading, Sample, Span, Timestamp};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

/// Where the readings of a data directory are, in the embedded store's own words.
const READINGS_IN: &str = "readings_in";

/// Lookups in the archive for one batch: readings further apart are asked for one by one.
const SAME_LOOKUP_MS: i64 = 7 * 86_400_000;

/// How to keep readings in an archive.
#[derive(Clone, Debug)]
pub struct ArchiveOptions {
    /// Where readings go, for people: without a token.
    pub place: String,
    /// Where readings go, for comparing: what does not change when a server moves to another
    /// address.
    pub identity: String,
    /// The most that may wait on the disk to be sent, in bytes.
    pub most_waiting_bytes: u64,
    /// Days of readings kept here although they are sent.
    pub keep_days: u32,
    /// What an append does when no more may wait.
    pub when_full: WhenFull,
    /// Readings sent together, about.
    pub parcel: usize,
    /// The clock, by which days are kept and problems dated.
    pub clock: fn() -> Timestamp,
}

/// What an append does when no more readings may wait to be sent.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum WhenFull {
    /// Fails: whoever delivers keeps it and tries again.
    Refuse,
    /// Waits for room, as long as the server takes readings.
    Wait,
}

/// The embedded store, which passes its readings on to an archive.
pub struct ArchivedReadings {
    pub(super) embedded: Arc<EmbeddedStore>,
    reader: Arc<dyn ArchiveReader>,
    pub(super) writer: Arc<dyn ArchiveWriter>,
    pub(super) status: Arc<ArchiveStatus>,
    pub(super) options: ArchiveOptions,
    pub(super) wake: Wake,
    /// Held while a parcel is sent: they go one after the other, in order.
    pub(super) sending: Mutex<()>,
}

impl ArchivedReadings {
    /// Over an embedded store that is open for writing. The first time, the archive is asked for
    /// the list of its series; later this needs no server. An embedded store that has readings of
    /// its own is refused: they must be moved first.
    pub fn open(
        embedded: Arc<EmbeddedStore>,
        reader: Arc<dyn ArchiveReader>,
        writer: Arc<dyn ArchiveWriter>,
        options: ArchiveOptions,
    ) -> Result<Self, StoreError> {
        let found = embedded.setting(READINGS_IN)?;
        match found {
            Some(place) if place != options.identity => {
                return Err(StoreError::Elsewhere(format!(
                    "the readings of this data directory are in {place}, not in {}; name that one, \
                     or move them with `larder move readings`",
                    options.identity
                )));
            }
            Some(_) => {}
            None if embedded.series()?.is_empty() => {}
            None => {
                return Err(StoreError::Elsewhere(format!(
                    "this data directory has readings that {} lacks; move them first: \
                     `larder move readings --from embedded --to influxdb2`",
                    options.identity
                )));
            }
        }
        // A new directory, or a copy of one: the archive may have more than is known here.
        let whole_from = embedded.whole_from()?;
        let is_copy = whole_from.is_some_and(|from| from.0 == i64::MAX);
        if is_copy || whole_from.is_none() {
            adopt(&embedded, reader.as_ref())?;
            embedded.set_setting(READINGS_IN, &options.identity)?;
        }
        let opened = Self::over(embedded, reader, writer, options);
        if is_copy {
            // What is here may be older than what the archive has by now.
            opened.send_and_forget_all()?;
        }
        opened.show_waiting()?;
        Ok(opened)
    }

    /// Over an embedded store that is open for reading.
    pub fn open_to_read(
        embedded: Arc<EmbeddedStore>,
        reader: Arc<dyn ArchiveReader>,
        writer: Arc<dyn ArchiveWriter>,
        options: ArchiveOptions,
    ) -> Result<Self, StoreError> {
        match embedded.setting(READINGS_IN)? {
            Some(place) if place == options.identity => {}
            Some(place) => {
                return Err(StoreError::Elsewhere(format!(
                    "the readings of this data directory are in {place}, not in {}",
                    options.identity
                )));
            }
            None => {
                return Err(StoreError::Elsewhere(format!(
                    "the readings of this data directory are in itself, not in {}; leave \
                     --readings out",
                    options.identity
                )));
            }
        }
        Ok(Self::over(embedded, reader, writer, options))
    }

    fn over(
        embedded: Arc<EmbeddedStore>,
        reader: Arc<dyn ArchiveReader>,
        writer: Arc<dyn ArchiveWriter>,
        options: ArchiveOptions,
    ) -> Self {
        let status = Arc::new(ArchiveStatus::default());
        status.with(|state| {
            state.place.clone_from(&options.place);
            state.most_waiting_bytes = options.most_waiting_bytes;
        });
        Self {
            embedded,
            reader,
            writer,
            status,
            options,
            wake: Wake::default(),
            sending: Mutex::default(),
        }
    }

    /// Where the readings of a data directory are; `None`: in itself.
    pub fn place_of(embedded: &EmbeddedStore) -> Result<Option<String>, StoreError> {
        embedded
            .setting(READINGS_IN)
            .map(|place| place.filter(|place| !place.is_empty()))
    }

    pub(super) fn note_place(embedded: &EmbeddedStore, place: &str) -> Result<(), StoreError> {
        embedded.set_setting(READINGS_IN, place)
    }

    /// Where everything else is kept.
    pub fn embedded(&self) -> &Arc<EmbeddedStore> {
        &self.embedded
    }

    /// How sending goes.
    pub fn status(&self) -> &Arc<ArchiveStatus> {
        &self.status
    }

    /// Sends everything that waits. Fails at the first trouble; what is left goes another time.
    pub fn send_all(&self) -> Result<(), SendError> {
        while forward::send_next(self)? {}
        while self.forget_old()? {}
        Ok(())
    }

    /// Sends as readings come, on a thread of its own, until the sender is dropped.
    pub fn send_always(self: &Arc<Self>) -> Sending {
        Sending(forward::start(Arc::clone(self)))
    }

    /// Sends everything and keeps nothing here: every read asks the archive.
    pub fn send_and_forget_all(&self) -> Result<(), SendError> {
        self.send_all()?;
        self.embedded.compact()?;
        while self.embedded.forget_sent(Timestamp(i64::MAX / 2))? {}
        Ok(())
    }

    pub(super) fn forget_old(&self) -> Result<bool, StoreError> {
        let keep_ms = i64::from(self.options.keep_days) * 86_400_000;
        self.embedded
            .forget_sent((self.options.clock)().plus_ms(-keep_ms))
    }

    pub(super) fn show_waiting(&self) -> Result<(), StoreError> {
        let waiting = self.embedded.waiting_bytes()?.unwrap_or(0);
        self.status.with(|state| state.waiting_bytes = waiting);
        Ok(())
    }

    fn make_room(&self) -> Result<(), StoreError> {
        loop {
            self.show_waiting()?;
            if !self.status.snapshot().is_full() {
                return Ok(());
            }
            let unavailable = |why: String| {
                StoreError::Unavailable(format!(
                    "no more readings may wait for {} on this disk: {why}",
                    self.options.place
                ))
            };
            if self.options.when_full == WhenFull::Refuse {
                let problem = self.status.snapshot().problem;
                let slow = || "it takes them more slowly than they come".into();
                return Err(unavailable(problem.unwrap_or_else(slow)));
            }
            forward::send_next(self).map_err(|error| unavailable(error.to_string()))?;
        }
    }

    /// What the archive says of readings that only it may know. Without an answer they count as
    /// new: their days are estimated again for nothing, and nothing is lost.
    fn look_up(&self, readings: &[Reading]) -> Result<Elsewhere, StoreError> {
        let mut elsewhere = Elsewhere::default();
        let asked = self.embedded.maybe_elsewhere(readings)?;
        if asked.is_empty() {
            return Ok(elsewhere);
        }
        for (series, mut times) in asked {
            times.sort_unstable();
            let unit = self.embedded.info(&series)?.map(|info| info.unit);
            let Some(unit) = unit else { continue };
            let mut kept = Vec::new();
            for near in times.chunk_by(|a, b| b.0 - a.0 < SAME_LOOKUP_MS) {
                let span = Span {
                    start: near[0],
                    end: near[near.len() - 1].plus_ms(1),
                };
                match self.reader.range(&series, &unit, span) {
                    Ok(samples) => kept.extend(samples),
                    Err(error) => {
                        tracing::debug!(%error, "late readings are not compared with the archive");
                        return Ok(elsewhere);
                    }
                }
            }
            elsewhere.kept.insert(series, kept);
        }
        Ok(elsewhere)
    }

    fn append(
        &self,
        readings: &[Reading],
        receipts: &[Receipt],
        again: bool,
    ) -> Result<Appended, StoreError> {
        self.make_room()?;
        let elsewhere = Elsewhere {
            again,
            ..self.look_up(readings)?
        };
        let appended = self
            .embedded
            .append_beside(readings, receipts, &elsewhere)?;
        self.show_waiting()?;
        self.wake.ring();
        Ok(appended)
    }

    /// The part of a series' span for which the archive must be asked, given that everything from
    /// `whole_from` on is here.
    fn there(&self, info: &SeriesInfo, span: Span, whole_from: Timestamp) -> Option<Span> {
        let known = Span {
            start: info.first,
            end: info.last.plus_ms(1).min(whole_from),
        };
        span.intersect(known)
    }
}

/// Takes over the archive's list of series.
fn adopt(embedded: &EmbeddedStore, reader: &dyn ArchiveReader) -> Result<(), StoreError> {
    let series = reader.series()?;
    let newest = series.iter().map(|one| one.last.time).max();
    let here = embedded.series()?.iter().map(|info| info.last).max();
    let whole_from = newest
        .max(here)
        .map_or(Timestamp(i64::MIN), |newest| newest.plus_ms(1));
    embedded.begin_leaving(&series, whole_from)
}

/// Why not everything could be sent.
#[derive(Debug, thiserror::Error)]
pub enum SendError {
    /// The server.
    #[error(transparent)]
    Server(#[from] WriteFault),
    /// The embedded store.
    #[error(transparent)]
    Store(#[from] StoreError),
}

impl From<SendError> for StoreError {
    fn from(error: SendError) -> Self {
        match error {
            SendError::Server(fault) => Self::Unavailable(fault.what),
            SendError::Store(error) => error,
        }
    }
}

/// The thread that sends. Dropping it ends the thread after the parcel that it is at.
#[must_use]
pub struct Sending(forward::Thread);

impl Sending {
    /// Tries to send what waits, within `limit`, and ends.
    pub fn finish(self, limit: Duration) {
        self.0.finish(limit);
    }
}

impl Readings for ArchivedReadings {
    fn append_received(
        &self,
        readings: &[Reading],
        receipts: &[Receipt],
    ) -> Result<Appended, StoreError> {
        self.append(readings, receipts, false)
    }

    fn remove(&self, removal: &Removal<'_>) -> Result<Removed, StoreError> {
        self.embedded.remove(removal)
    }

    fn receipts(&self) -> Result<Vec<Receipt>, StoreError> {
        self.embedded.receipts()
    }

    fn append_again(&self, readings: &[Reading]) -> Result<Appended, StoreError> {
        self.append(readings, &[], true)
    }

    fn series(&self) -> Result<Vec<SeriesInfo>, StoreError> {
        self.embedded.series()
    }

    fn range(&self, series: &ChannelRef, span: Span) -> Result<Vec<Sample>, StoreError> {
        // What is here first: readings move from here to there, so none is missed.
        let (here, whole_from) = self.embedded.range_here(series, span)?;
        let (Some(whole_from), Some(info)) = (whole_from, self.embedded.info(series)?) else {
            return Ok(here);
        };
        let Some(there) = self.there(&info, span, whole_from) else {
            return Ok(here);
        };
        let mut all = self.reader.range(series, &info.unit, there)?;
        crate::embedded::readings::merge_into(&mut all, &here);
        Ok(all)
    }

    fn reduced(
        &self,
        series: &ChannelRef,
        span: Span,
        points: usize,
    ) -> Result<Vec<Sample>, StoreError> {
        let (Some(whole_from), Some(info)) =
            (self.embedded.whole_from()?, self.embedded.info(series)?)
        else {
            return self.embedded.reduced(series, span, points);
        };
        match self.there(&info, span, whole_from) {
            Some(_) => {
                let first = info.first.max(span.start);
                let last = info.last.min(span.end.plus_ms(-1));
                Ok(reduce_between(
                    self.range(series, span)?,
                    first,
                    last,
                    points,
                ))
            }
            None => self.embedded.reduced(series, span, points),
        }
    }

    fn count(&self, series: &ChannelRef, span: Span) -> Result<u64, StoreError> {
        let (here, whole_from) = self.embedded.range_here(series, span)?;
        let (Some(whole_from), Some(info)) = (whole_from, self.embedded.info(series)?) else {
            return Ok(here.len() as u64);
        };
        let Some(there) = self.there(&info, span, whole_from) else {
            return Ok(here.len() as u64);
        };
        if here.first().is_some_and(|first| first.time < there.end) {
            return Ok(self.range(series, span)?.len() as u64);
        }
        Ok(self.reader.count(series, there)? + here.len() as u64)
    }

    fn latest(&self) -> Result<Vec<LatestSample>, StoreError> {
        self.embedded.latest()
    }
}

impl std::fmt::Debug for ArchivedReadings {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("ArchivedReadings")
            .field("options", &self.options)
            .finish_non_exhaustive()
    }
}

/// A lock whose holder panicked guards nothing that could be half done.
pub(super) fn held<T>(mutex: &Mutex<T>) -> std::sync::MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}
