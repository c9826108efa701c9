//! Is this machine's clock right? A single-board computer without a clock chip starts with the time at
//! which it was switched off, until the network tells it better: what is written down until then has
//! wrong times, and honest readings seem to come from the future. So commits and estimates wait, for an
//! hour at most; then the clock is believed.

use crate::clock;
use larder_domain::Timestamp;
use larder_domain::reading::AHEAD_LIMIT_MS;
use larder_ingest::session::IngestStatus;
use larder_store::{Readings, Records, StoreError};
use std::path::Path;
use std::sync::Arc;
use std::time::{Duration, Instant};
use tokio_util::sync::CancellationToken;

/// A clock that is so far behind what was committed is wrong, ms: a day.
const BEHIND_MS: i64 = 86_400_000;

/// How long a clock is waited for.
pub const LONGEST_HOLD: Duration = Duration::from_secs(3600);

/// How often to look while it is wrong, and while it is right.
const HELD_PAUSE: Duration = Duration::from_secs(1);
const RIGHT_PAUSE: Duration = Duration::from_secs(15);

/// systemd's time service keeps this folder, and in it this file from the moment on at which it has set
/// the clock. Elsewhere nothing is known.
const TIMESYNC: &str = "/run/systemd/timesync";

/// What there is to know of the clock at one moment.
#[derive(Clone, Copy, PartialEq, Debug)]
struct Seen {
    now: Timestamp,
    /// Whether the network has set it; `None`: not known.
    is_synchronised: Option<bool>,
    /// The newest moment at which anything was committed, or that a stored reading speaks of.
    newest: Option<Timestamp>,
}

/// Why the clock can't be believed, in a sentence; `None`: it can.
fn doubt(seen: Seen) -> Option<String> {
    let behind = seen
        .newest
        .filter(|newest| newest.0 - seen.now.0 > BEHIND_MS);
    if let Some(newest) = behind {
        return Some(format!(
            "this machine's clock says {}, but readings up to {} are stored; waiting for the clock to be set",
            seen.now.to_rfc3339(),
            newest.to_rfc3339()
        ));
    }
    (seen.is_synchronised == Some(false)).then(|| {
        format!(
            "this machine's clock says {} and was not set by the network yet; waiting for network time",
            seen.now.to_rfc3339()
        )
    })
}

/// Watches the clock, and holds commits while it can't be believed.
pub struct ClockWatch {
    status: Arc<IngestStatus>,
    newest: Option<Timestamp>,
    /// Since when it is in doubt.
    held_since: Option<Instant>,
    /// Whether the clock is believed after all, because it was waited for long enough.
    is_believed: bool,
}

impl ClockWatch {
    /// Looks for the first time. Call it before anything is taken in.
    pub fn begin(
        readings: &dyn Readings,
        records: &dyn Records,
        status: Arc<IngestStatus>,
    ) -> Result<Self, StoreError> {
        let mut watch = Self {
            status,
            newest: newest(readings, records)?,
            held_since: None,
            is_believed: false,
        };
        watch.look();
        Ok(watch)
    }

    /// Whether the clock is believed, and what follows from it.
    fn look(&mut self) -> bool {
        let seen = Seen {
            now: clock::now(),
            is_synchronised: synchronised(Path::new(TIMESYNC)),
            newest: self.newest,
        };
        let Some(reason) = doubt(seen) else {
            if self.held_since.take().is_some() {
                tracing::info!(clock = %seen.now.to_rfc3339(), "the clock is right; readings are taken in again");
            }
            self.is_believed = false;
            self.newest = self.newest.max(Some(seen.now));
            self.status.hold(None);
            return true;
        };
        let since = *self.held_since.get_or_insert_with(|| {
            tracing::warn!(reason, "the clock is in doubt");
            Instant::now()
        });
        if !self.is_believed && since.elapsed() >= LONGEST_HOLD {
            tracing::warn!(clock = %seen.now.to_rfc3339(), "the clock is believed after an hour");
            self.is_believed = true;
            self.newest = Some(seen.now);
        }
        self.status.hold((!self.is_believed).then_some(reason));
        self.is_believed
    }

    /// Goes on looking until `stop`. `settled` is called each time that the clock is found right, on a
    /// thread that may block: what was put off because of its time can be looked at again.
    pub async fn run(
        mut self,
        settled: impl Fn(Timestamp) + Send + Sync + 'static,
        stop: CancellationToken,
    ) {
        let settled = Arc::new(settled);
        loop {
            let is_right = self.look();
            if is_right {
                let settled = Arc::clone(&settled);
                let now = clock::now();
                let done = tokio::task::spawn_blocking(move || settled(now)).await;
                if let Err(error) = done {
                    tracing::error!(%error, "looking at what came too early failed");
                }
            }
            let pause = if is_right { RIGHT_PAUSE } else { HELD_PAUSE };
            tokio::select! {
                () = stop.cancelled() => return,
                () = tokio::time::sleep(pause) => {}
            }
        }
    }
}

/// The newest moment at which anything was committed, or that a stored reading speaks of.
fn newest(readings: &dyn Readings, records: &dyn Records) -> Result<Option<Timestamp>, StoreError> {
    let heard = records.devices()?.into_iter().filter_map(|d| d.last_seen);
    let latest = readings.latest()?.into_iter().map(|one| one.sample.time);
    // A device may be ten minutes ahead of us.
    Ok(heard
        .chain(latest.map(|at| at.plus_ms(-AHEAD_LIMIT_MS)))
        .max())
}

/// Whether the network has set the clock; `None`: not known.
fn synchronised(folder: &Path) -> Option<bool> {
    folder
        .is_dir()
        .then(|| folder.join("synchronized").exists())
}

#[cfg(test)]
mod tests {
    use super::*;

    const NOON: Timestamp = Timestamp(1_788_350_400_000);

    fn seen(behind_hours: i64, is_synchronised: Option<bool>) -> Seen {
        Seen {
            now: NOON,
            is_synchronised,
            newest: Some(NOON.plus_ms(behind_hours * 3_600_000)),
        }
    }

    #[test]
    fn a_clock_a_day_behind_is_doubted_and_a_stopped_machine_is_not() {
        assert_eq!(doubt(seen(23, None)), None);
        assert_eq!(doubt(seen(-24 * 400, None)), None, "it was off for a year");
        let told = doubt(seen(25, Some(true))).unwrap();
        assert!(
            told.contains("readings up to 2026-09-03T13:00:00Z"),
            "{told}"
        );
    }

    #[test]
    fn a_clock_that_the_network_has_not_set_is_doubted() {
        assert!(doubt(seen(0, Some(false))).is_some());
        assert_eq!(doubt(seen(0, Some(true))), None);
        let folder = tempfile::tempdir().unwrap();
        assert_eq!(synchronised(&folder.path().join("none")), None);
        assert_eq!(synchronised(folder.path()), Some(false));
        std::fs::write(folder.path().join("synchronized"), "").unwrap();
        assert_eq!(synchronised(folder.path()), Some(true));
    }
}
