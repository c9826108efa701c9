//! `time,feeder,volume_l,strength`

use super::line::FILL_HEADER;
use super::{ImportError, Imported, Importer, Line};
use larder_domain::{Apiary, ChannelRef, FeederId, RecordedFill, Span, Timestamp};
use larder_store::{Change, Records};
use std::cell::RefCell;
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
    let apiary = records.apiary()?;
    let unknown: RefCell<BTreeSet<String>> = RefCell::default();
    let write = |fills: &[RecordedFill]| {
        let appended = records.record_fills(fills)?;
        let changes: Vec<Change> = fills.iter().flat_map(|f| touched(&apiary, f)).collect();
        records.note_change(&changes)?;
        let undeclared = fills.iter().filter(|f| apiary.feeder(&f.feeder).is_none());
        unknown
            .borrow_mut()
            .extend(undeclared.map(|fill| fill.feeder.to_string()));
        Ok(appended)
    };
    let take = |line| match line {
        Line::Fill(fill) => Some(fill),
        Line::Reading(_) => None,
    };
    let mut done =
        Importer::new(name, records, now).run(stream, FILL_HEADER, take, write, |_| ())?;
    done.unknown_feeders = unknown
        .into_inner()
        .into_iter()
        .take(FEEDERS_NAMED)
        .collect();
    Ok(done)
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
