//! Decoding and committing, on a thread of its own: the session's task never waits for the disk.

use super::backoff::Backoff;
use super::delivery::Delivery;
use super::events;
use super::status::IngestStatus;
use super::{Committed, LiveDecodeConfig};
use crate::decode::{Decoded, Message, decode};
use larder_domain::{ChannelRef, DeviceId, Reading, Timestamp};
use larder_store::{
    Appended, Attribute, CLOCK_OFF, Readings, Receipt, Records, Refused, StoreError,
};
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;
use std::sync::mpsc::{Receiver, RecvTimeoutError, TryRecvError};
use std::time::{Duration, Instant};

/// Messages of one commit at most.
pub(super) const BATCH_MESSAGES: usize = 2_000;
/// Payload bytes of one commit, about.
const BATCH_BYTES: usize = 8 * 1024 * 1024;
/// Bytes of refused messages held before they are written ahead of the batch: every bad record is
/// kept with its whole message.
const REFUSED_BYTES: usize = 16 * 1024 * 1024;
/// How often to look whether commits may go on.
const HELD_POLL: Duration = Duration::from_millis(100);
/// Waits between attempts while the store fails.
const FIRST_RETRY: Duration = Duration::from_millis(200);
const LONGEST_RETRY: Duration = Duration::from_secs(10);

/// A message on its way to the store.
pub(super) struct Job<T> {
    pub message: Message,
    /// `None`: QoS 0, which nobody sends again.
    pub delivery: Option<Delivery>,
    /// How whoever waits for it knows it.
    pub ticket: T,
    /// When it came; `None`: it came before, and its time of receipt is that of then.
    pub arrived: Option<Instant>,
}

/// How long a batch waits for more messages.
#[derive(Clone, Copy)]
pub(super) struct Pace {
    /// The first message of a batch waits for others so long at most.
    pub linger: Duration,
    /// A batch is closed earlier when nothing came for this long.
    pub quiet: Duration,
}

impl Pace {
    /// From a broker that sends a window of messages and then waits for our acknowledgements.
    pub const BY_WINDOW: Self = Self {
        linger: Duration::from_millis(20),
        quiet: Duration::from_millis(1),
    };
    /// Every sender waits for its own message: a batch is what came during the last commit.
    pub const AT_ONCE: Self = Self {
        linger: Duration::ZERO,
        quiet: Duration::ZERO,
    };
}

/// What the thread works with.
pub(super) struct Committer<F> {
    pub readings: Arc<dyn Readings>,
    pub records: Arc<dyn Records>,
    pub decode: LiveDecodeConfig,
    pub status: Arc<IngestStatus>,
    pub committed: F,
    pub clock: fn() -> Timestamp,
    pub pace: Pace,
    /// Tells to stop waiting for a failing store: the session drops the sender when it gives up.
    pub give_up: Receiver<()>,
}

impl<F: Fn(Committed)> Committer<F> {
    /// Works until the jobs' sender is gone and all jobs are done, until nobody waits for them any
    /// more (`done` says so with `false`), or until it must give up. `done` takes what is on disk.
    pub fn run<T>(self, jobs: &Receiver<Job<T>>, mut done: impl FnMut(Vec<Job<T>>) -> bool) {
        while let Some(batch) = next_batch(jobs, self.pace) {
            // Those who wait for it are gone.
            if matches!(self.give_up.try_recv(), Err(TryRecvError::Disconnected)) {
                return;
            }
            let Some(batch) = self.when_released(batch) else {
                return;
            };
            if !self.commit(&batch) || !done(batch) {
                return;
            }
        }
    }

    /// Waits while commits are held. `None`: it had to give up.
    fn when_released<T>(&self, mut batch: Vec<Job<T>>) -> Option<Vec<Job<T>>> {
        while self.status.hold.reason().is_some() {
            match self.give_up.recv_timeout(HELD_POLL) {
                Err(RecvTimeoutError::Timeout) => {}
                _ => return None,
            }
        }
        for job in &mut batch {
            if let Some(arrived) = job.arrived.filter(|at| self.status.hold.held(*at)) {
                let ago = i64::try_from(arrived.elapsed().as_millis()).unwrap_or(i64::MAX);
                job.message.received_at = (self.clock)().plus_ms(-ago);
            }
        }
        Some(batch)
    }

    /// `false`: it had to give up.
    fn commit<T>(&self, batch: &[Job<T>]) -> bool {
        let started = Instant::now();
        let config = self.decode.current();
        let mut work = Work::default();
        for job in batch {
            let decoded = decode(&job.message, &config, (self.clock)());
            events::decoded(&decoded);
            if decoded.is_dated_by_receipt
                && let Some(delivery) = &job.delivery
            {
                work.receipts
                    .push(delivery.receipt(job.message.received_at));
            }
            work.note_clocks(&decoded, job.message.received_at);
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
fn next_batch<T>(jobs: &Receiver<Job<T>>, pace: Pace) -> Option<Vec<Job<T>>> {
    let first = jobs.recv().ok()?;
    let deadline = Instant::now() + pace.linger;
    let mut bytes = first.message.payload.len();
    let mut batch = vec![first];
    while batch.len() < BATCH_MESSAGES && bytes < BATCH_BYTES {
        let left = deadline.saturating_duration_since(Instant::now());
        match jobs.recv_timeout(left.min(pace.quiet)) {
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
    /// Of messages whose readings carry the time of receipt.
    receipts: Vec<Receipt>,
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

/// A device that dates what it has just measured so long ago has a clock that is off: it lost its
/// battery, or was never set. No logger is out of reach for a year and some. Chosen.
const CLOCK_OFF_MS: i64 = 400 * 86_400_000;

impl Work {
    /// Notes what clocks that are off by years said.
    fn note_clocks(&mut self, decoded: &Decoded, received_at: Timestamp) {
        let mut told: Option<&DeviceId> = None;
        for reading in &decoded.readings {
            let is_off = received_at.0 - reading.time.0 > CLOCK_OFF_MS;
            if is_off && told != Some(&reading.device) {
                told = Some(&reading.device);
                self.attributes.push(Attribute {
                    device: reading.device.clone(),
                    name: CLOCK_OFF.to_owned(),
                    value_json: format!("\"{}\"", reading.time.to_rfc3339()),
                    time: received_at,
                });
            }
        }
    }

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
            self.appended = readings.append_received(&self.readings, &self.receipts)?;
            self.readings.clear();
            self.receipts.clear();
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
