//! What happens when the disk fails the store. These tests reach the writing connection, to bring
//! about on any machine what `tests/disk.rs` does with real file systems where it may mount one.

use super::*;
use crate::{Attribute, Readings, Records, Refused};
use larder_domain::{ChannelName, DeviceId, Reading, Span, Timestamp, Unit};

const START_MS: i64 = 1_788_238_800_000;

fn batch(n: i64) -> Vec<Reading> {
    let one = |i: i64| Reading {
        device: DeviceId::new(&format!("sc-{}", i % 40)).unwrap(),
        channel: ChannelName::new("weight").unwrap(),
        unit: Unit::new("kg").unwrap(),
        time: Timestamp(START_MS + n * 7_200_000 + i / 40 * 300_000),
        value: 40.0 + ((n * 31 + i * 17) % 1000) as f64 / 7.0,
    };
    (0..400).map(one).collect()
}

/// The value of every reading of every series, in order.
fn everything(store: &EmbeddedStore) -> Vec<(String, Vec<u64>)> {
    let all = store.series().unwrap().into_iter().map(|info| {
        let samples = store.range(&info.series, Span::ALWAYS).unwrap();
        let values = samples.iter().map(|sample| sample.value.to_bits());
        (info.series.to_string(), values.collect())
    });
    all.collect()
}

/// Bounds the database as a disk would: SQLite then answers as it does when the disk is full.
fn room_for(store: &EmbeddedStore, pages: i64) {
    let bound = |db: &mut rusqlite::Connection| -> Result<(), Fault> {
        Ok(db.pragma_update_and_check(None, "max_page_count", pages, |_| Ok(()))?)
    };
    store.connections.with_writer("bound it", bound).unwrap();
}

#[test]
fn a_full_disk_loses_nothing_and_the_store_goes_on_once_there_is_room() {
    let dir = tempfile::tempdir().unwrap();
    let store = EmbeddedStore::open(dir.path(), Access::Create).unwrap();
    room_for(&store, 150);
    let full = (0..).find_map(|n| match store.append_durable(&batch(n)) {
        Ok(appended) => {
            assert_eq!(appended.new, 400);
            None
        }
        Err(error) => Some((n, error)),
    });
    let (n, error) = full.unwrap();
    assert!(matches!(error, StoreError::Full(_)), "{error}");
    assert!(n > 10, "{n} batches went in before");
    let big = Refused {
        received_at: Timestamp(START_MS),
        topic: "larder/x/readings".into(),
        bytes: vec![7; 1 << 20],
        content_type: None,
        retained: false,
        reason: "no reading".into(),
        record: None,
        impossible: None,
        measured_at: None,
    };
    let refused = store
        .quarantine_durable(std::slice::from_ref(&big))
        .unwrap_err();
    assert!(matches!(refused, StoreError::Full(_)), "{refused}");
    let before = everything(&store);
    assert_eq!(
        before
            .iter()
            .map(|(_, values)| values.len() as i64)
            .sum::<i64>(),
        n * 400
    );
    // Sorting may need room, too; whether it finds some or not, nothing is lost by it.
    if let Err(error) = store.compact() {
        assert!(matches!(error, StoreError::Full(_)), "{error}");
    }
    assert_eq!(everything(&store), before);

    room_for(&store, 100_000);
    assert_eq!(
        store.append_durable(&batch(n)).unwrap().new,
        400,
        "the very batch that failed"
    );
    store.quarantine_durable(&[big]).unwrap();
    store.compact().unwrap();
    store.check().unwrap();
    let after = everything(&store);
    drop(store);
    let store = EmbeddedStore::open(dir.path(), Access::Existing).unwrap();
    assert_eq!(everything(&store), after);
    assert_eq!(store.append_durable(&batch(n)).unwrap().repeated, 400);
    assert_eq!(store.append_durable(&batch(0)).unwrap().repeated, 400);
}

#[test]
fn a_store_that_cannot_be_written_says_so_and_goes_on_when_it_can() {
    let dir = tempfile::tempdir().unwrap();
    let store = EmbeddedStore::open(dir.path(), Access::Create).unwrap();
    store.append_durable(&batch(0)).unwrap();
    let writing = |allowed: bool| {
        let set = |db: &mut rusqlite::Connection| -> Result<(), Fault> {
            Ok(db.pragma_update(None, "query_only", !allowed)?)
        };
        store
            .connections
            .with_writer("allow it or not", set)
            .unwrap();
    };
    writing(false);
    let firmware = Attribute {
        device: DeviceId::new("sc-1").unwrap(),
        name: "firmware".into(),
        value_json: "\"1.2\"".into(),
        time: Timestamp(START_MS),
    };
    let errors = [
        store.append_durable(&batch(1)).unwrap_err(),
        store.set_setting("units", "us").unwrap_err(),
        store
            .note_devices(&[], std::slice::from_ref(&firmware))
            .unwrap_err(),
        store.compact().unwrap_err(),
    ];
    for error in errors {
        assert!(matches!(error, StoreError::ReadOnly(_)), "{error}");
    }
    writing(true);
    assert_eq!(store.append_durable(&batch(1)).unwrap().new, 400);
    store.note_devices(&[], &[firmware]).unwrap();
    store.compact().unwrap();
    store.check().unwrap();
}

/// A stored record that is changed or in a wrong place is noticed by whoever reads it.
#[test]
fn damaged_readings_are_noticed() {
    let dir = tempfile::tempdir().unwrap();
    let open = || EmbeddedStore::open(dir.path(), Access::Create);
    let store = open().unwrap();
    (0..20).for_each(|n| assert!(store.append_durable(&batch(n)).unwrap().new > 0));
    store.compact().unwrap();
    store.append_durable(&batch(20)).unwrap();
    let change = |store: &EmbeddedStore, sql: &str| {
        let run =
            |tx: &rusqlite::Transaction<'_>| -> Result<usize, Fault> { Ok(tx.execute(sql, [])?) };
        assert!(
            store.connections.write("damage it", run).unwrap() > 0,
            "{sql}"
        );
    };
    let first = store.series().unwrap().remove(0).series;

    change(
        &store,
        "UPDATE block SET readings = CAST(substr(readings, 1, 9) || x'5a' || substr(readings, 11) AS BLOB)",
    );
    for error in [
        store.range(&first, Span::ALWAYS).unwrap_err(),
        store.check().unwrap_err(),
    ] {
        assert!(matches!(error, StoreError::Damaged { .. }), "{error}");
        assert!(error.to_string().contains("restore a backup"), "{error}");
    }
    change(
        &store,
        "UPDATE hot SET readings = CAST(substr(readings, 1, 9) || x'5a' || substr(readings, 11) AS BLOB)",
    );
    drop(store);
    let error = open().unwrap_err();
    assert!(matches!(error, StoreError::Damaged { .. }), "{error}");
}

#[test]
fn a_block_in_a_wrong_place_is_noticed() {
    let dir = tempfile::tempdir().unwrap();
    let store = EmbeddedStore::open(dir.path(), Access::Create).unwrap();
    (0..20).for_each(|n| assert!(store.append_durable(&batch(n)).unwrap().new > 0));
    store.compact().unwrap();
    let swap = |tx: &rusqlite::Transaction<'_>| -> Result<usize, Fault> {
        Ok(tx.execute(
            "UPDATE block SET readings = (SELECT readings FROM block WHERE id & 67108863 = 2)
             WHERE id & 67108863 = 1",
            [],
        )?)
    };
    store.connections.write("swap two", swap).unwrap();
    assert!(matches!(store.check(), Err(StoreError::Damaged { .. })));
}

/// Bytes of the file are changed one at a time. Whatever then happens is an error or an answer, and
/// never a panic; and what a check calls sound gives every reading.
#[test]
fn a_damaged_file_never_panics() {
    let dir = tempfile::tempdir().unwrap();
    let store = EmbeddedStore::open(dir.path(), Access::Create).unwrap();
    (0..30).for_each(|n| assert!(store.append_durable(&batch(n)).unwrap().new > 0));
    store.compact().unwrap();
    let sound: Vec<Vec<u64>> = everything(&store)
        .into_iter()
        .map(|(_, values)| values)
        .collect();
    drop(store);
    let file = folder::database_in(dir.path());
    let bytes = std::fs::read(&file).unwrap();
    let mut noticed = 0;
    let places: Vec<usize> = (0..bytes.len()).step_by(bytes.len() / 150).collect();
    for &at in &places {
        let mut damaged = bytes.clone();
        damaged[at] ^= 0x15;
        std::fs::write(&file, &damaged).unwrap();
        let looked = EmbeddedStore::open(dir.path(), Access::Read).and_then(|store| {
            store.check()?;
            let mut all = Vec::new();
            for info in store.series()? {
                let samples = store.range(&info.series, Span::ALWAYS)?;
                all.push(
                    samples
                        .iter()
                        .map(|sample| sample.value.to_bits())
                        .collect::<Vec<_>>(),
                );
            }
            Ok(all)
        });
        match looked {
            Ok(all) => assert!(all == sound, "byte {at} was changed unnoticed"),
            Err(_) => noticed += 1,
        }
    }
    assert!(
        noticed > 10,
        "only {noticed} of {} were noticed",
        places.len()
    );
    std::fs::write(&file, &bytes[..bytes.len() / 2]).unwrap();
    let cut = EmbeddedStore::open(dir.path(), Access::Create).and_then(|store| store.check());
    assert!(matches!(cut, Err(StoreError::Damaged { .. })), "{cut:?}");
}
