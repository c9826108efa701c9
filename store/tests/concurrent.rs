//! Readers beside a writer that appends and sorts all the while: what was acknowledged before a
//! read began is in its answer, in order, each time once.
#![allow(clippy::unwrap_used, reason = "helpers of tests")]

use larder_domain::{ChannelName, ChannelRef, DeviceId, Reading, Sample, Span, Timestamp, Unit};
use larder_store::{Access, Durability, EmbeddedStore, Readings, Records};
use std::sync::atomic::{AtomicBool, AtomicI64, AtomicUsize, Ordering};

const SERIES: i64 = 8;
const BATCHES: i64 = 400;
const HOUR_MS: i64 = 3_600_000;

fn series(of: i64) -> ChannelRef {
    ChannelRef {
        device: DeviceId::new(&format!("sc-{of}")).unwrap(),
        channel: ChannelName::new("weight").unwrap(),
    }
}

/// One reading of each series at each hour, and a correction of the one before it.
fn batch(n: i64) -> Vec<Reading> {
    let reading = |of: i64, n: i64, value: i64| Reading {
        device: series(of).device,
        channel: series(of).channel,
        unit: Unit::new("kg").unwrap(),
        time: Timestamp(1_788_238_800_000 + n * HOUR_MS),
        value: value as f64,
    };
    let of_one = |of: i64| {
        [
            reading(of, (n - 1).max(0), 2 * n - 1),
            reading(of, n, 2 * n),
        ]
    };
    (0..SERIES).flat_map(of_one).collect()
}

#[test]
fn what_was_acknowledged_is_seen() {
    let dir = tempfile::tempdir().unwrap();
    let store =
        EmbeddedStore::open_with(dir.path(), Access::Create, Durability::ProcessEnd).unwrap();
    let acknowledged = AtomicI64::new(-1);
    let is_over = AtomicBool::new(false);
    let reads = AtomicUsize::new(0);
    std::thread::scope(|scope| {
        for reader in 0..3 {
            let (store, acknowledged, is_over, reads) = (&store, &acknowledged, &is_over, &reads);
            scope.spawn(move || {
                let mut of = reader;
                while !is_over.load(Ordering::SeqCst) {
                    let before = acknowledged.load(Ordering::SeqCst);
                    check(
                        &store.range(&series(of % SERIES), Span::ALWAYS).unwrap(),
                        before,
                    );
                    let few = store
                        .reduced(&series(of % SERIES), Span::ALWAYS, 10)
                        .unwrap();
                    assert!(few.windows(2).all(|pair| pair[0].time < pair[1].time));
                    let latest = store.latest().unwrap();
                    let all_there = before < 0 || latest.len() as i64 == SERIES;
                    assert!(
                        all_there && latest.iter().all(|l| l.sample.value >= (2 * before) as f64)
                    );
                    of += 1;
                    reads.fetch_add(1, Ordering::SeqCst);
                }
            });
        }
        scope.spawn(|| {
            // Records are written and the backlog is worked off at the same time.
            while !is_over.load(Ordering::SeqCst) {
                let (changes, mark) = store.changes(3).unwrap();
                store
                    .set_setting("seen", &changes.len().to_string())
                    .unwrap();
                store.acknowledge_changes(mark).unwrap();
                assert_eq!(
                    store.devices().unwrap().len(),
                    store.series().unwrap().len()
                );
            }
        });
        for n in 0..BATCHES {
            store.append_durable(&batch(n)).unwrap();
            acknowledged.store(n, Ordering::SeqCst);
            if n % 50 == 49 {
                store.compact().unwrap();
            }
        }
        // However slow the machine: every reader has looked while something changed.
        while reads.load(Ordering::SeqCst) < 30 {
            store.append_durable(&batch(BATCHES)).unwrap();
            std::thread::yield_now();
        }
        is_over.store(true, Ordering::SeqCst);
    });
    store.check().unwrap();
    check(&store.range(&series(0), Span::ALWAYS).unwrap(), BATCHES - 1);
}

fn check(samples: &[Sample], acknowledged: i64) {
    assert!(
        samples.len() as i64 > acknowledged,
        "{} of {acknowledged}",
        samples.len()
    );
    for (n, sample) in samples.iter().enumerate() {
        let n = n as i64;
        assert_eq!(sample.time.0, 1_788_238_800_000 + n * HOUR_MS);
        let (first, corrected) = ((2 * n) as f64, (2 * n + 1) as f64);
        let is_corrected = (sample.value - corrected).abs() < 0.5;
        assert!(is_corrected || (sample.value - first).abs() < 0.5);
        assert!(
            is_corrected || n >= acknowledged,
            "the correction of {n} is not seen"
        );
    }
}
