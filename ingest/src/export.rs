//! Readings as CSV, so that they can be imported again: nothing is added, nothing lost.

use larder_domain::{ChannelName, DeviceId, Span, Timestamp};
use larder_store::{Readings, SeriesInfo, StoreError};
use std::io::{self, Write};

/// Which readings.
#[derive(Clone, PartialEq, Debug)]
pub struct Which {
    /// Only of this device.
    pub device: Option<DeviceId>,
    /// Only of channels of this name, prefix included.
    pub channel: Option<ChannelName>,
    /// Only of this time.
    pub span: Span,
}

impl Default for Which {
    /// All.
    fn default() -> Self {
        Self {
            device: None,
            channel: None,
            span: Span::ALWAYS,
        }
    }
}

/// Why an export ended early.
#[derive(Debug, thiserror::Error)]
pub enum ExportError {
    /// The store failed.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// Whoever takes the lines takes no more.
    #[error("the readings cannot be written")]
    Write(#[from] io::Error),
}

/// How much of a series is held in memory at a time.
const WINDOW_MS: i64 = 30 * 24 * 3_600_000;

/// Writes `time,device,channel,unit,value`, ordered by device, channel, time; says how many readings
/// it wrote. Values have the fewest digits that stand for no other number.
pub fn export_readings(
    readings: &dyn Readings,
    which: &Which,
    out: &mut dyn Write,
) -> Result<u64, ExportError> {
    writeln!(out, "time,device,channel,unit,value")?;
    let mut series = readings.series()?;
    series.sort_by(|a, b| a.series.cmp(&b.series));
    let mut written = 0;
    for info in series.iter().filter(|info| which.wants(info)) {
        written += export_series(readings, info, which.span, out)?;
    }
    out.flush()?;
    Ok(written)
}

impl Which {
    fn wants(&self, info: &SeriesInfo) -> bool {
        self.device
            .as_ref()
            .is_none_or(|d| *d == info.series.device)
            && self
                .channel
                .as_ref()
                .is_none_or(|c| *c == info.series.channel)
    }
}

fn export_series(
    readings: &dyn Readings,
    info: &SeriesInfo,
    span: Span,
    out: &mut dyn Write,
) -> Result<u64, ExportError> {
    let held = Span {
        start: info.first,
        end: info.last.plus_ms(1),
    };
    let Some(span) = span.intersect(held) else {
        return Ok(0);
    };
    let mut written = 0;
    let mut start = span.start;
    while start < span.end {
        let end = Timestamp(start.plus_ms(WINDOW_MS).0.min(span.end.0));
        for sample in readings.range(&info.series, Span { start, end })? {
            writeln!(
                out,
                "{},{},{},{},{}",
                sample.time.to_rfc3339(),
                info.series.device,
                info.series.channel,
                info.unit,
                sample.value
            )?;
            written += 1;
        }
        start = end;
    }
    Ok(written)
}
