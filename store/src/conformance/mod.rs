//! What every backend must do, as checks that any of them can be put through. They panic where a
//! backend fails, as tests do. Behind the feature `conformance`, for tests.
#![allow(clippy::unwrap_used, reason = "these are tests that live in a library")]
#![allow(clippy::float_cmp, reason = "values must come back bit for bit")]

mod backlog;
mod readings;
mod records;

pub use backlog::{Backlog, check_backlog, check_backlog_with};
pub use readings::{check_readings, check_readings_with};
pub use records::check_records;

use larder_domain::{ChannelName, ChannelRef, DeviceId, Reading, Timestamp, Unit};

/// Where a backend keeps its things. Dropping it takes them away.
pub trait Place {
    /// The backend.
    type Store;
    /// Opens it, and again after what was opened before is dropped: everything is still there.
    fn open(&self) -> Self::Store;
    /// Whatever the backend does to its data at its own times (sorting, compressing): all of it, now.
    fn tidy(&self, store: &Self::Store);
}

/// 2026-09-01T05:00:00Z.
const NOW: i64 = 1_788_238_800_000;
const MINUTE: i64 = 60_000;
const DAY: i64 = 86_400_000;

fn series(device: &str, channel: &str) -> ChannelRef {
    ChannelRef {
        device: DeviceId::new(device).unwrap(),
        channel: ChannelName::new(channel).unwrap(),
    }
}

fn reading(series: &ChannelRef, ms: i64, value: f64) -> Reading {
    let own = series.channel.kind().map(|kind| kind.unit());
    Reading {
        device: series.device.clone(),
        channel: series.channel.clone(),
        unit: own.unwrap_or_else(|| Unit::new("ppm").unwrap()),
        time: Timestamp(ms),
        value,
    }
}
