//! Decoding and committing, on a thread of its own: the session's task never waits for the disk.

use super::backoff::Backoff;
use super::events;
use super::status::IngestStatus;
use super::unacked::Sequence;
use super::{Committed, LiveDecodeConfig};
use crate::decode::{Decoded, Message, decode};
use larder_domain::{ChannelRef, DeviceId, Reading, Timestamp};
use larder_store::{Appended, Attribute, Readings, Records, Refused, StoreError};
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;
use std::sync::mpsc::{Receiver, RecvTimeoutError, TryRecvError};
use std::time::{Duration, Instant};

/// Messages of one commit at most.
pub(super) const BATCH_MESSAGES: usize = 2_000;
/// Payload bytes of one commit, about.
const BATCH_BYTES: usize = 8 * 1024 * 1024;
/// How long the first message of a batch waits for others at most.
const LINGER: Duration = Duration::from_millis(20);
/// A batch is closed earlier when nothing came for this long: the broker's window is full and waits
/// for our acknowledgements.
const QUIET: Duration = Duration::from_millis(1);
/// Bytes of refused messages held before they are written ahead of the batch: every bad record is
/// kept with its whole message.
const REFUSED_BYTES: usize = 16 * 1024 * 1024;
/// Waits between attempts while the store fails.
const FIRST_RETRY: Duration = Duration::from_millis(200);
const LONGEST_RETRY: Duration = Duration::from_secs(10);

/// A message on its way to the store.
pub(super) struct Job {
    pub sequence: Sequence,
    pub message: Message,
}

/// A batch is on disk.
pub(super) struct Done {
    /// Everything up to here.
    pub up_to: Sequence,
    pub messages: usize,
    pub bytes: usize,
}

/// What the thread works with.
pub(super) struct Committer<F> {
    pub readings: Arc<dyn Readings>,
    pub records: Arc<dyn Records>,
    pub decode: LiveDecodeConfig,
    pub status: Arc<IngestStatus>,
    pub committed: F,
    pub clock: fn() -> Timestamp,
    /// Its sender is dropped when the session gives up waiting for a failing store.
    pub give_up: Receiver<()>,
}

impl<F: Fn(Committed)> Committer<F> {
    /// Works until the jobs' sender is gone and all jobs are done, or until it must give up.
    pub fn run(self, jobs: &Receiver<Job>, done: &tokio::sync::mpsc::UnboundedSender<Done>) {
        while let Some(batch) = next_batch(jobs) {
            // Those who wait for it are gone.
            if matches!(self.give_up.try_recv(), Err(TryRecvError::Disconnected)) {
                return;
            }
            let report = Done {
                up_to: batch.last().map_or(0, |job| job.sequence),
                messages: batch.len(),
                bytes: batch.iter().map(|job| job.message.payload.len()).sum(),
            };
            if !self.commit(&batch) {
                return;
            }
            if done.send(report).is_err() {
                return;
            }
        }
    }

    /// `false`: it had to give up.
    fn commit(&self, batch: &[Job]) -> bool {
        let started = Instant::now();
        let config = self.decode.current();
        let mut work = Work::default();
        for job in batch {
            let decoded = decode(&job.message, &config, (self.clock)());
            events::decoded(&decoded);
            work.take(decoded, job.message.received_at);
            if work.refused_bytes > REFUSED_BYTES && !self.write(&mut work, Step::Quarantine) {
                return false;
            }
        }
        if !self.write(&mut work, Step::All) {
            return false;
        }
        let (new, replaced) = (work.appended.new, work.appended.replaced);
        self.status
            .committed(batch.len() as u64, new + replaced, work.n_refused);
        events::committed(batch.len(), &work.appended, started.elapsed());
        (self.committed)(Committed {
            devices: work.devices.into_iter().collect(),
            series: work.series.into_iter().collect(),
            appended: work.appended,
            refused: work.n_refused,
        });
        true
    }

    /// Tries until it works; what is written is not written again.
    fn write(&self, work: &mut Work, step: Step) -> bool {
        let mut backoff = Backoff::new(FIRST_RETRY, LONGEST_RETRY);
        let mut has_failed = false;
        loop {
            let now = (self.clock)();
            let error = match work.write(self.readings.as_ref(), self.records.as_ref(), step, now) {
                Ok(()) => break,
                Err(error) => error,
            };
            events::store_failed(&error, has_failed);
            self.status.store(Some(chain(&error)));
            has_failed = true;
            let wait = backoff.next(rand::random());
            match self.give_up.recv_timeout(wait) {
                Err(RecvTimeoutError::Timeout) => {}
                _ => return false,
            }
        }
        if has_failed {
            events::store_recovered();
        }
        self.status.store(None);
        true
    }
}

/// An error and its causes in one line.
fn chain(error: &StoreError) -> String {
    let mut line = error.to_string();
    let mut source = std::error::Error::source(error);
    while let Some(cause) = source {
        line.push_str(&format!(": {cause}"));
        source = cause.source();
    }
    line
}

/// `None`: the session has ended and nothing is left.
fn next_batch(jobs: &Receiver<Job>) -> Option<Vec<Job>> {
    let first = jobs.recv().ok()?;
    let deadline = Instant::now() + LINGER;
    let mut bytes = first.message.payload.len();
    let mut batch = vec![first];
    while batch.len() < BATCH_MESSAGES && bytes < BATCH_BYTES {
        let left = deadline.saturating_duration_since(Instant::now());
        match jobs.recv_timeout(left.min(QUIET)) {
            Ok(job) => {
                bytes += job.message.payload.len();
                batch.push(job);
            }
            Err(_) => break,
        }
    }
    Some(batch)
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Step {
    Quarantine,
    All,
}

/// What a batch came to, and how much of it is still to be written.
#[derive(Default)]
struct Work {
    readings: Vec<Reading>,
    refused: Vec<Refused>,
    refused_bytes: usize,
    attributes: Vec<Attribute>,
    heard: BTreeMap<DeviceId, Timestamp>,
    // What is reported afterwards.
    appended: Appended,
    n_refused: u64,
    devices: BTreeSet<DeviceId>,
    series: BTreeSet<ChannelRef>,
}

impl Work {
    fn take(&mut self, decoded: Decoded, received_at: Timestamp) {
        for reading in &decoded.readings {
            let series = reading.series();
            if !self.series.contains(&series) {
                self.series.insert(series);
            }
        }
        for device in decoded.heard {
            self.devices.insert(device.clone());
            let last = self.heard.entry(device).or_insert(received_at);
            *last = (*last).max(received_at);
        }
        self.n_refused += decoded.refused.len() as u64;
        self.refused_bytes += decoded.refused.iter().map(|r| r.bytes.len()).sum::<usize>();
        self.readings.extend(decoded.readings);
        self.refused.extend(decoded.refused);
        self.attributes.extend(decoded.attributes);
    }

    /// Each part is emptied when it is on disk, so that a second attempt goes on where the first
    /// one failed and no entry of the quarantine counts twice.
    fn write(
        &mut self,
        readings: &dyn Readings,
        records: &dyn Records,
        step: Step,
        now: Timestamp,
    ) -> Result<(), StoreError> {
        self.write_refused(records)?;
        if step == Step::Quarantine {
            return Ok(());
        }
        if !self.readings.is_empty() {
            self.appended = readings.append_durable(&self.readings)?;
            self.readings.clear();
            // What only the store could judge.
            let refused = std::mem::take(&mut self.appended.refused).into_iter();
            self.refused
                .extend(refused.map(|one| one.into_refused(now)));
            self.n_refused += self.refused.len() as u64;
        }
        self.write_refused(records)?;
        if !self.heard.is_empty() || !self.attributes.is_empty() {
            let heard: Vec<_> = self.heard.iter().map(|(d, at)| (d.clone(), *at)).collect();
            records.note_devices(&heard, &self.attributes)?;
            self.heard.clear();
            self.attributes.clear();
        }
        Ok(())
    }

    fn write_refused(&mut self, records: &dyn Records) -> Result<(), StoreError> {
        if !self.refused.is_empty() {
            records.quarantine_durable(&self.refused)?;
            self.refused.clear();
            self.refused_bytes = 0;
        }
        Ok(())
    }
}
