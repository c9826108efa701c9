//! `time,feeder,volume_l,strength`

use super::line::{FILL_COLUMNS, FILL_HEADER, Line, LineFault, read_line};
use super::{Format, ImportError, Imported, Importer, has_columns};
use larder_domain::{Apiary, ChannelRef, FeederId, RecordedFill, Span, Timestamp};
use larder_store::{Appended, Change, Records, StoreError};
use std::collections::BTreeSet;
use std::io::Read;

/// Undeclared feeders that a summary names.
const FEEDERS_NAMED: usize = 20;
/// How far around a fill its readings are estimated again.
const AROUND_MS: i64 = 24 * 3_600_000;

/// Imports fills that a keeper wrote down from CSV, plain or gzipped. The volume and the strength of
/// a line may be empty. Fills of feeders that nobody has declared are kept, and named in the result.
pub fn import_fills(
    stream: impl Read,
    name: &str,
    records: &dyn Records,
    now: Timestamp,
) -> Result<Imported, ImportError> {
    let mut unknown = BTreeSet::new();
    let format = FillsFile {
        records,
        apiary: records.apiary()?,
        unknown: &mut unknown,
        now,
    };
    let mut done = Importer::new(format, name, records, now).run(stream, |_| ())?;
    done.unknown_feeders = unknown.into_iter().collect();
    Ok(done)
}

struct FillsFile<'a> {
    records: &'a dyn Records,
    apiary: Apiary,
    /// Feeders that nobody has declared, the first few.
    unknown: &'a mut BTreeSet<String>,
    now: Timestamp,
}

impl Format for FillsFile<'_> {
    type Item = RecordedFill;

    fn is_header(&mut self, first: &str) -> Result<bool, &'static str> {
        has_columns(first, FILL_HEADER)
            .then_some(true)
            .ok_or(FILL_HEADER)
    }

    fn read(&mut self, line: &[u8], items: &mut Vec<RecordedFill>) -> Result<(), LineFault> {
        if let Line::Fill(fill) = read_line(line, FILL_COLUMNS, self.now)? {
            if self.apiary.feeder(&fill.feeder).is_none() && self.unknown.len() < FEEDERS_NAMED {
                self.unknown.insert(fill.feeder.to_string());
            }
            items.push(fill);
        }
        Ok(())
    }

    fn write(&mut self, items: &[RecordedFill]) -> Result<Appended, StoreError> {
        let appended = self.records.record_fills(items)?;
        let changes: Vec<Change> = items
            .iter()
            .flat_map(|fill| touched(&self.apiary, fill))
            .collect();
        self.records.note_change(&changes)?;
        Ok(appended)
    }
}

/// The series whose estimates a fill changes: those of its feeder's sensors and of its hive's scales.
fn touched(apiary: &Apiary, fill: &RecordedFill) -> Vec<Change> {
    let span = Span {
        start: fill.time.plus_ms(-AROUND_MS),
        end: fill.time.plus_ms(AROUND_MS),
    };
    series_of(apiary, &fill.feeder)
        .into_iter()
        .map(|series| Change { series, span })
        .collect()
}

fn series_of(apiary: &Apiary, feeder: &FeederId) -> Vec<ChannelRef> {
    let Some(feeder) = apiary.feeder(feeder) else {
        return Vec::new();
    };
    let sensors = feeder.sensors.iter().map(|s| s.assignment.source.clone());
    let hive = apiary.hive(&feeder.hive);
    let scales = hive.iter().flat_map(|hive| &hive.scales);
    sensors.chain(scales.map(|s| s.source.clone())).collect()
}
