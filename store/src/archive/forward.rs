//! Sending the log on: one parcel at a time, in order of arrival, again and again until the
//! archive has it.

use super::readings::{ArchivedReadings, SendError, held};
use super::{Unwritten, WriteFault, Written};
use crate::{READING_LINE, Records, Refused, StoreError};
use larder_domain::Timestamp;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Condvar, Mutex};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

/// Waits between attempts: the first, and the longest.
const FIRST_RETRY: Duration = Duration::from_millis(250);
const LONGEST_RETRY: Duration = Duration::from_secs(15);
/// A server may ask for this much patience at most.
const LONGEST_PATIENCE: Duration = Duration::from_secs(300);
/// How long readings gather before they are sent, when few come.
const LINGER: Duration = Duration::from_millis(100);
/// How often to look for days that can leave, when nothing comes.
const IDLE: Duration = Duration::from_secs(60);

/// Rung when there is something to send.
#[derive(Default)]
pub(super) struct Wake {
    rung: Mutex<bool>,
    bell: Condvar,
}

impl Wake {
    pub(super) fn ring(&self) {
        *held(&self.rung) = true;
        self.bell.notify_all();
    }

    /// Until it is rung, or `limit` has passed.
    fn wait(&self, limit: Duration) {
        let rung = held(&self.rung);
        let waited = self.bell.wait_timeout_while(rung, limit, |rung| !*rung);
        if let Ok((mut rung, _)) = waited {
            *rung = false;
        }
    }
}

/// Sends the oldest readings that wait. Says whether there were any.
pub(super) fn send_next(readings: &ArchivedReadings) -> Result<bool, SendError> {
    let _in_order = held(&readings.sending);
    let Some(parcel) = readings.embedded.next_parcel(readings.options.parcel)? else {
        readings.show_waiting()?;
        return Ok(false);
    };
    let written = if parcel.n_readings() == 0 {
        Written::default()
    } else {
        readings
            .writer
            .write_durable(&parcel.series)
            .inspect_err(|fault| failed(readings, fault))?
    };
    quarantine(readings, &written.refused)?;
    readings.embedded.mark_sent(parcel.up_to, parcel.bytes)?;
    readings.show_waiting()?;
    worked(readings, &written);
    Ok(true)
}

fn failed(readings: &ArchivedReadings, fault: &WriteFault) {
    let place = &readings.options.place;
    if readings.status.failed(fault, (readings.options.clock)()) {
        tracing::warn!(%place, problem = %fault, "readings cannot be sent on; they wait on this disk");
    }
}

fn worked(readings: &ArchivedReadings, written: &Written) {
    if readings.status.works((readings.options.clock)()) {
        tracing::info!(place = %readings.options.place, "readings are sent on again");
    }
    if written.expired > 0 {
        tracing::warn!(
            readings = written.expired,
            "readings are older than the bucket keeps; it does not take them"
        );
    }
    readings.status.with(|state| {
        state.sent += written.taken;
        state.expired += written.expired;
        state.refused += written.refused.len() as u64;
    });
}

/// What the server will never take is kept with its reason, as a line that can be read again.
fn quarantine(readings: &ArchivedReadings, refused: &[Unwritten]) -> Result<(), StoreError> {
    if refused.is_empty() {
        return Ok(());
    }
    let now = (readings.options.clock)();
    let entry = |one: &Unwritten| Refused {
        received_at: now,
        topic: readings.options.identity.clone(),
        bytes: line(one).into_bytes(),
        content_type: Some(READING_LINE.into()),
        retained: false,
        reason: format!("the server does not take it: {}", one.reason),
        record: None,
        impossible: None,
        measured_at: None,
    };
    let entries: Vec<Refused> = refused.iter().map(entry).collect();
    readings.embedded.quarantine_durable(&entries)
}

fn line(one: &Unwritten) -> String {
    format!(
        "{},{},{},{},{}",
        one.sample.time.to_rfc3339(),
        one.series.device,
        one.series.channel,
        one.unit,
        one.sample.value
    )
}

/// The thread that sends.
pub(super) struct Thread {
    readings: Arc<ArchivedReadings>,
    stop: Arc<AtomicBool>,
    handle: Option<JoinHandle<()>>,
}

pub(super) fn start(readings: Arc<ArchivedReadings>) -> Thread {
    let stop = Arc::new(AtomicBool::new(false));
    let handle = {
        let (readings, stop) = (Arc::clone(&readings), Arc::clone(&stop));
        std::thread::Builder::new()
            .name("send-readings".into())
            .spawn(move || run(&readings, &stop))
            .expect("the system can start one more thread")
    };
    Thread {
        readings,
        stop,
        handle: Some(handle),
    }
}

impl Thread {
    pub(super) fn finish(mut self, limit: Duration) {
        let deadline = Instant::now() + limit;
        self.end();
        while Instant::now() < deadline && matches!(send_next(&self.readings), Ok(true)) {}
    }

    fn end(&mut self) {
        self.stop.store(true, Ordering::Release);
        self.readings.wake.ring();
        if let Some(handle) = self.handle.take() {
            // Its panic was shown where it happened.
            let _ = handle.join();
        }
    }
}

impl Drop for Thread {
    fn drop(&mut self) {
        self.end();
    }
}

fn run(readings: &ArchivedReadings, stop: &AtomicBool) {
    let mut backoff = Backoff::default();
    // Days leave a slice at a time, between parcels, and are looked for once in a while.
    let mut look_again_at = Instant::now();
    while !stop.load(Ordering::Acquire) {
        if Instant::now() >= look_again_at && !forget_slice(readings) {
            look_again_at = Instant::now() + IDLE;
        }
        match send_next(readings) {
            Ok(true) => {
                backoff = Backoff::default();
                linger(readings, stop);
            }
            Ok(false) => {
                let rest = look_again_at.saturating_duration_since(Instant::now());
                readings.wake.wait(rest);
                if !rest.is_zero() {
                    linger(readings, stop);
                }
            }
            Err(error) => {
                if let SendError::Store(error) = &error {
                    tracing::warn!(%error, "readings cannot be read for sending; tried again");
                }
                let asked = match &error {
                    SendError::Server(fault) => fault.retry_after,
                    SendError::Store(_) => None,
                };
                pause(backoff.next(asked, (readings.options.clock)()), stop);
            }
        }
    }
}

/// Says whether there is more to forget.
fn forget_slice(readings: &ArchivedReadings) -> bool {
    readings.forget_old().unwrap_or_else(|error| {
        tracing::warn!(%error, "days that were sent stay here for now");
        false
    })
}

/// Lets readings gather, unless many wait already.
fn linger(readings: &ArchivedReadings, stop: &AtomicBool) {
    let full = readings.options.parcel as u64 * 10;
    let few = readings
        .embedded
        .waiting_bytes()
        .is_ok_and(|bytes| bytes.unwrap_or(0) < full);
    if few {
        pause(LINGER, stop);
    }
}

/// Waits, but not longer than until it is told to stop.
fn pause(limit: Duration, stop: &AtomicBool) {
    let deadline = Instant::now() + limit;
    while !stop.load(Ordering::Acquire) {
        let left = deadline.saturating_duration_since(Instant::now());
        if left.is_zero() {
            return;
        }
        std::thread::sleep(left.min(Duration::from_millis(50)));
    }
}

/// How long to wait after a failure: what the server asks for, or twice as long each time.
#[derive(Default)]
struct Backoff {
    failures: u32,
}

impl Backoff {
    fn next(&mut self, asked: Option<Duration>, now: Timestamp) -> Duration {
        let step = FIRST_RETRY.saturating_mul(2_u32.saturating_pow(self.failures.min(16)));
        self.failures += 1;
        // Many services that lost the same server at one moment come back at different ones.
        let spread = 0.75 + (now.0.rem_euclid(1000) as f64) / 2000.0;
        let own = step.min(LONGEST_RETRY).mul_f64(spread);
        own.max(asked.unwrap_or_default().min(LONGEST_PATIENCE))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn waits_double_and_the_server_may_ask_for_more() {
        let mut backoff = Backoff::default();
        let mut next = |asked: Option<u64>| {
            backoff
                .next(asked.map(Duration::from_secs), Timestamp(500))
                .as_millis()
        };
        assert_eq!([next(None), next(None), next(None)], [250, 500, 1000]);
        assert_eq!(next(Some(60)), 60_000);
        assert_eq!(next(Some(100_000)), 300_000);
        assert_eq!(next(Some(0)), 8_000);
        assert_eq!([next(None), next(None)], [15_000, 15_000]);
    }
}
