//! `time,device,channel,unit,value`

use super::line::{Line, LineFault, READING_COLUMNS, READING_HEADER, read_line};
use super::{Format, ImportError, Imported, Importer, has_columns};
use larder_domain::{Reading, Timestamp};
use larder_store::{Appended, Readings, Records, StoreError};
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
    let format = ReadingsFile { readings, now };
    Importer::new(format, name, records, now).run(stream, progress)
}

struct ReadingsFile<'a> {
    readings: &'a dyn Readings,
    now: Timestamp,
}

impl Format for ReadingsFile<'_> {
    type Item = Reading;

    fn is_header(&mut self, first: &str) -> Result<bool, &'static str> {
        has_columns(first, READING_HEADER)
            .then_some(true)
            .ok_or(READING_HEADER)
    }

    fn read(&mut self, line: &[u8], items: &mut Vec<Reading>) -> Result<(), LineFault> {
        if let Line::Reading(reading) = read_line(line, READING_COLUMNS, self.now)? {
            items.push(reading);
        }
        Ok(())
    }

    fn write(&mut self, items: &[Reading]) -> Result<Appended, StoreError> {
        self.readings.append_durable(items)
    }
}
