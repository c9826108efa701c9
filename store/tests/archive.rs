//! The store whose readings go on to an archive is put through the checks that every store must
//! pass, over an archive in memory that fails half of the time: readings wait, are sorted, sent and
//! taken out here in every order. Against a real server: the crate `tests`.
#![allow(clippy::unwrap_used, reason = "helpers of tests")]

use larder_domain::{ChannelRef, Sample, Span, Timestamp, Unit};
use larder_store::archive::{
    ArchiveOptions, ArchiveReader, ArchiveWriter, ArchivedReadings, ArchivedSeries, FaultKind,
    Portion, WhenFull, WriteFault, Written,
};
use larder_store::conformance::{Place, check_backlog, check_readings};
use larder_store::{Access, Durability, EmbeddedStore, StoreError};
use std::collections::BTreeMap;
use std::sync::atomic::{AtomicU32, Ordering};
use std::sync::{Arc, Mutex};
use tempfile::TempDir;

type Kept = BTreeMap<ChannelRef, (Unit, BTreeMap<i64, f64>)>;

/// Takes readings unless it is told to fail, and may then have taken some of them.
#[derive(Default)]
struct InMemory {
    kept: Mutex<Kept>,
    turn: AtomicU32,
}

impl ArchiveWriter for InMemory {
    fn write_durable(&self, portions: &[Portion]) -> Result<Written, WriteFault> {
        let fails = self.turn.fetch_add(1, Ordering::Relaxed) % 2 == 1;
        let mut kept = self.kept.lock().unwrap();
        let n = if fails {
            portions.len() / 2
        } else {
            portions.len()
        };
        for (series, unit, samples) in &portions[..n] {
            let of = kept
                .entry(series.clone())
                .or_insert_with(|| (unit.clone(), BTreeMap::new()));
            of.0 = unit.clone();
            of.1.extend(samples.iter().map(|sample| (sample.time.0, sample.value)));
        }
        match fails {
            true => Err(WriteFault {
                what: "cut half-way".into(),
                kind: FaultKind::Unreachable,
                retry_after: None,
            }),
            false => Ok(Written::default()),
        }
    }
}

impl ArchiveReader for InMemory {
    fn series(&self) -> Result<Vec<ArchivedSeries>, StoreError> {
        let kept = self.kept.lock().unwrap();
        let of = |(series, (unit, samples)): (&ChannelRef, &(Unit, BTreeMap<i64, f64>))| {
            let (&time, &value) = samples.last_key_value()?;
            let last = Sample {
                time: Timestamp(time),
                value,
            };
            Some(ArchivedSeries {
                series: series.clone(),
                unit: unit.clone(),
                first: Timestamp(*samples.first_key_value()?.0),
                last,
            })
        };
        Ok(kept.iter().filter_map(of).collect())
    }

    fn range(&self, series: &ChannelRef, _: &Unit, span: Span) -> Result<Vec<Sample>, StoreError> {
        let kept = self.kept.lock().unwrap();
        let all = kept
            .get(series)
            .into_iter()
            .flat_map(|(_, samples)| samples);
        let all = all.map(|(&ms, &value)| Sample {
            time: Timestamp(ms),
            value,
        });
        Ok(all.filter(|sample| span.contains(sample.time)).collect())
    }

    fn count(&self, series: &ChannelRef, span: Span) -> Result<u64, StoreError> {
        Ok(self.range(series, &Unit::new("kg").unwrap(), span)?.len() as u64)
    }
}

struct Folder {
    dir: TempDir,
    archive: Arc<InMemory>,
    tidied: AtomicU32,
}

fn new_folder() -> Folder {
    Folder {
        dir: tempfile::tempdir().unwrap(),
        archive: Arc::default(),
        tidied: AtomicU32::new(0),
    }
}

impl Place for Folder {
    type Store = ArchivedReadings;

    fn open(&self) -> ArchivedReadings {
        let access = Access::Create;
        let embedded =
            EmbeddedStore::open_with(self.dir.path(), access, Durability::ProcessEnd).unwrap();
        let options = ArchiveOptions {
            place: "memory".into(),
            identity: "memory".into(),
            most_waiting_bytes: 1 << 30,
            keep_days: 45,
            when_full: WhenFull::Refuse,
            parcel: 7,
            // Long after everything, so that what is sent leaves.
            clock: || Timestamp(1_788_238_800_000 + 2_000 * 86_400_000),
        };
        let (reader, writer) = (self.archive.clone(), self.archive.clone());
        ArchivedReadings::open(Arc::new(embedded), reader, writer, options).unwrap()
    }

    /// Something else each time: sorted before it is sent, sent in part, sent whole and taken out.
    fn tidy(&self, store: &ArchivedReadings) {
        match self.tidied.fetch_add(1, Ordering::Relaxed) % 3 {
            0 => store.embedded().compact().unwrap(),
            // Every second parcel fails half-way.
            1 => drop(store.send_all()),
            _ => while store.send_and_forget_all().is_err() {},
        }
        store.embedded().check().unwrap();
    }
}

#[test]
fn readings() {
    check_readings(new_folder);
}

#[test]
fn backlog() {
    check_backlog(new_folder);
}
