//! `time,device,channel,unit,value`

use super::line::READING_HEADER;
use super::{ImportError, Imported, Importer, Line};
use larder_domain::{Reading, Timestamp};
use larder_store::{Readings, Records};
use std::io::Read;

/// Imports readings from CSV, plain or gzipped. `name` is what the quarantine calls the file; `now`
/// the clock against which times from the future are judged; `progress` is given the lines done,
/// every ten thousand or so.
pub fn import_readings(
    stream: impl Read,
    name: &str,
    readings: &dyn Readings,
    records: &dyn Records,
    now: Timestamp,
    progress: impl FnMut(u64),
) -> Result<Imported, ImportError> {
    let take = |line| match line {
        Line::Reading(reading) => Some(reading),
        Line::Fill(_) => None,
    };
    let write = |batch: &[Reading]| readings.append_durable(batch);
    Importer::new(name, records, now).run(stream, READING_HEADER, take, write, progress)
}
