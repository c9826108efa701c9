//! Readings as CSV that can be imported again: nothing is added, nothing lost.

use larder_domain::{ChannelName, DeviceId, Span, Timestamp};
use larder_store::{Readings, SeriesInfo, StoreError};
use std::io::Write;

/// Which readings.
#[derive(Clone, PartialEq, Debug)]
pub struct Which {
    /// Only of this device.
    pub device: Option<DeviceId>,
    /// Only of channels of this name.
    pub channel: Option<ChannelName>,
    /// Only in this span.
    pub span: Span,
}

/// Why an export stopped.
#[derive(Debug, thiserror::Error)]
pub enum ExportError {
    /// The store failed.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The output can't be written.
    #[error("writing the export")]
    Write(#[from] std::io::Error),
}

/// Read at a time, so that memory does not grow with the history.
const PART_MS: i64 = 30 * 86_400_000;

/// Writes readings ordered by device, channel, time. Says how many.
pub fn export_readings(
    readings: &dyn Readings,
    which: &Which,
    out: &mut dyn Write,
) -> Result<u64, ExportError> {
    writeln!(out, "time,device,channel,unit,value")?;
    let mut written = 0;
    for info in readings.series()? {
        let wanted = which
            .device
            .as_ref()
            .is_none_or(|device| *device == info.series.device)
            && which
                .channel
                .as_ref()
                .is_none_or(|channel| *channel == info.series.channel);
        let held = Span {
            start: info.first,
            end: info.last.plus_ms(1),
        };
        if let Some(span) = held.intersect(which.span).filter(|_| wanted) {
            written += export_series(readings, &info, span, out)?;
        }
    }
    out.flush()?;
    Ok(written)
}

fn export_series(
    readings: &dyn Readings,
    info: &SeriesInfo,
    span: Span,
    out: &mut dyn Write,
) -> Result<u64, ExportError> {
    let mut written = 0;
    let mut start = span.start;
    while start < span.end {
        let end = Timestamp(start.0.saturating_add(PART_MS)).min(span.end);
        for sample in readings.range(&info.series, Span { start, end })? {
            // `{}` prints the shortest digits that read back as the same number.
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
