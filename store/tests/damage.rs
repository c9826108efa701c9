//! Bits that flip on the disk. Whatever is damaged is an error that names it, never another answer.
#![allow(clippy::unwrap_used, reason = "helpers of tests")]

use larder_domain::{ChannelName, DeviceId, Reading, Span, Timestamp, Unit};
use larder_store::{Access, EmbeddedStore, Readings, Records, StoreError};
use std::path::Path;

const START_MS: i64 = 1_788_238_800_000;

fn reading(i: i64) -> Reading {
    Reading {
        device: DeviceId::new("sc-1").unwrap(),
        channel: ChannelName::new("weight").unwrap(),
        unit: Unit::new("kg").unwrap(),
        time: Timestamp(START_MS + i * 60_000),
        value: 40.0 + (i as f64).sqrt(),
    }
}

/// A folder as a killed process leaves it: `commits` appends are in the write-ahead log alone.
fn killed(into: &Path, commits: i64) {
    let dir = tempfile::tempdir().unwrap();
    let store = EmbeddedStore::open(dir.path(), Access::Create).unwrap();
    for i in 0..commits {
        store.append_durable(&[reading(i)]).unwrap();
    }
    for file in ["larder.sqlite", "larder.sqlite-wal"] {
        std::fs::copy(dir.path().join(file), into.join(file)).unwrap();
    }
}

fn count(store: &EmbeddedStore) -> usize {
    store
        .range(&reading(0).series(), Span::ALWAYS)
        .unwrap()
        .len()
}

#[test]
fn a_store_of_the_first_schema_opens_with_its_data() {
    let dir = tempfile::tempdir().unwrap();
    let db = rusqlite::Connection::open(dir.path().join("larder.sqlite")).unwrap();
    db.execute_batch(include_str!("../src/embedded/schema/0001.sql"))
        .unwrap();
    db.execute_batch(include_str!("records/store-1.sql"))
        .unwrap();
    db.execute(
        "INSERT INTO hot (id, readings) VALUES (7, ?1)",
        [include_bytes!("records/log-1.bin")],
    )
    .unwrap();
    db.pragma_update(None, "user_version", 1).unwrap();
    drop(db);
    for access in [Access::Read, Access::Existing] {
        let store = EmbeddedStore::open(dir.path(), access).unwrap();
        store.check().unwrap();
        assert_eq!(store.series().unwrap().len(), 2);
        let of = store.series().unwrap()[0].series.clone();
        assert_eq!(store.range(&of, Span::ALWAYS).unwrap()[0].value, 41.25);
        let feeders = ["north-01-f".parse().unwrap()];
        let days = store.uptake(&feeders, None, None).unwrap();
        assert_eq!(days[0].uptake_l.unwrap().value, 0.5);
        assert_eq!(days[0].sensed_share, 1.0);
        let hives = ["north-01".parse().unwrap()];
        let days = store.weight(&hives, None, None).unwrap();
        assert_eq!(days[0].weight_kg.unwrap().value, 41.0);
        let fills = store.recorded_fills(None, Span::ALWAYS).unwrap();
        assert_eq!(fills[0].volume_l, Some(3.0));
        assert_eq!(store.setting("units").unwrap().as_deref(), Some("us"));
        assert_eq!(store.quarantined(0, 9).unwrap()[0].refused.bytes, b"{");
    }
}

/// One row of each table of results and records; then one value of it is another one.
#[test]
fn a_changed_value_in_any_table_is_an_error_that_names_it() {
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("larder.sqlite");
    let sound = {
        let db = rusqlite::Connection::open(&file).unwrap();
        db.execute_batch(include_str!("../src/embedded/schema/0001.sql"))
            .unwrap();
        db.execute_batch(include_str!("records/store-1.sql"))
            .unwrap();
        db.pragma_update(None, "user_version", 1).unwrap();
        drop(db);
        let store = EmbeddedStore::open(dir.path(), Access::Existing).unwrap();
        store.check().unwrap();
        drop(store);
        std::fs::read(&file).unwrap()
    };
    let hives = ["north-01".parse().unwrap()];
    let feeders = ["north-01-f".parse().unwrap()];
    type Reader<'a> = &'a dyn Fn(&EmbeddedStore) -> Result<(), StoreError>;
    let cases: &[(&str, &[&str], Reader<'_>)] = &[
        (
            "UPDATE uptake SET uptake_l = 5.0",
            &["daily uptake", "north-01-f", "2026-09-01"],
            &|s| s.uptake(&feeders, None, None).map(drop),
        ),
        (
            "UPDATE weight SET weight_kg = 73.0",
            &["daily weight", "north-01", "2026-09-01"],
            &|s| s.weight(&hives, None, None).map(drop),
        ),
        (
            "UPDATE fill_event SET volume_l = NULL",
            &["fill", "north-01-f", "2026-09-01T05:00:00Z"],
            &|s| s.fill_events(&feeders, Span::ALWAYS).map(drop),
        ),
        (
            "UPDATE recorded_fill SET volume_l = 3.5",
            &["fill written down", "north-01-f"],
            &|s| s.recorded_fills(None, Span::ALWAYS).map(drop),
        ),
        (
            "UPDATE flag SET probability = 0.1",
            &["flag", "north-01"],
            &|s| s.flags(None, Span::ALWAYS).map(drop),
        ),
        (
            "UPDATE flag_care SET who = 'bda'",
            &["act on a flag"],
            &|s| s.flags(None, Span::ALWAYS).map(drop),
        ),
        (
            "UPDATE learned SET value = 3.0",
            &["learned trait", "sc-1"],
            &|s| s.learned().map(drop),
        ),
        (
            "UPDATE setting SET value = 'metric' WHERE name = 'units'",
            &["setting", "units"],
            &|s| s.setting("units").map(drop),
        ),
        (
            "UPDATE quarantine SET topic = 'elsewhere'",
            &["quarantine entry"],
            &|s| s.quarantined(0, 9).map(drop),
        ),
        (
            "UPDATE attribute SET value_json = '\"1.3\"'",
            &["attribute", "firmware"],
            &|s| s.devices().map(drop),
        ),
        (
            "UPDATE apiary_item SET body = replace(body, 'North', 'Norsh') WHERE kind = 'yard'",
            &["apiary entry", "yard", "north"],
            &|s| s.apiary().map(drop),
        ),
        (
            "UPDATE person SET body = replace(body, 'ada@', 'bda@')",
            &["person", "ada"],
            &|s| larder_store::notices::Notices::people(s).map(drop),
        ),
        (
            "UPDATE series SET unit = 'lb' WHERE id = 1",
            &["series", "sc-1"],
            &|_| Ok(()),
        ),
        (
            "UPDATE position SET log_id = 9 WHERE name = 'compacted'",
            &["position", "compacted"],
            &|_| Ok(()),
        ),
    ];
    for (damage, words, read) in cases {
        std::fs::write(&file, &sound).unwrap();
        let db = rusqlite::Connection::open(&file).unwrap();
        // As a disk does it: past the triggers, which are put back.
        let triggers: Vec<String> = db
            .prepare("SELECT sql FROM sqlite_schema WHERE type = 'trigger'")
            .unwrap()
            .query_map([], |row| row.get(0))
            .unwrap()
            .map(Result::unwrap)
            .collect();
        let names: Vec<String> = db
            .prepare("SELECT name FROM sqlite_schema WHERE type = 'trigger'")
            .unwrap()
            .query_map([], |row| row.get(0))
            .unwrap()
            .map(Result::unwrap)
            .collect();
        for name in names {
            db.execute_batch(&format!("DROP TRIGGER {name}")).unwrap();
        }
        assert!(db.execute(damage, []).unwrap() > 0, "{damage}");
        for sql in triggers {
            db.execute_batch(&sql).unwrap();
        }
        drop(db);
        let found = EmbeddedStore::damages(dir.path()).unwrap();
        assert_eq!(found.named.len(), 1, "{damage}: {found:?}");
        for word in *words {
            assert!(found.named[0].contains(word), "{damage}: {found:?}");
        }
        let opened = EmbeddedStore::open(dir.path(), Access::Existing);
        let error = match opened.and_then(|store| {
            read(&store)?;
            store.check()
        }) {
            Err(error) => error,
            Ok(()) => panic!("{damage}: unseen"),
        };
        assert!(matches!(error, StoreError::Damaged { .. }), "{error}");
        assert!(error.to_string().contains(words.last().unwrap()), "{error}");
    }
}

/// A flip in one of 1,200 frames: SQLite would take it for the log's end.
#[test]
fn a_flipped_bit_in_the_write_ahead_log_is_noticed_and_the_log_is_left_alone() {
    let sound = tempfile::tempdir().unwrap();
    killed(sound.path(), 600);
    let log = std::fs::read(sound.path().join("larder.sqlite-wal")).unwrap();
    let dir = tempfile::tempdir().unwrap();
    let put = |bytes: &[u8]| {
        for entry in std::fs::read_dir(dir.path()).unwrap() {
            std::fs::remove_file(entry.unwrap().path()).unwrap();
        }
        let file = "larder.sqlite";
        std::fs::copy(sound.path().join(file), dir.path().join(file)).unwrap();
        std::fs::write(dir.path().join("larder.sqlite-wal"), bytes).unwrap();
    };
    for at in [
        5,
        20,
        28,
        32,
        45,
        50,
        60,
        3000,
        log.len() / 3,
        log.len() - 3000,
        log.len() - 1,
    ] {
        let mut flipped = log.clone();
        flipped[at] ^= 4;
        put(&flipped);
        for access in [Access::Read, Access::Existing, Access::Create] {
            let opened = EmbeddedStore::open(dir.path(), access).map(drop);
            let Err(error) = opened else {
                panic!("byte {at} was changed unseen");
            };
            assert!(matches!(error, StoreError::Damaged { .. }), "{at}: {error}");
            assert!(
                error.to_string().contains("larder check --repair"),
                "{error}"
            );
        }
        assert!(!EmbeddedStore::damages(dir.path()).unwrap().is_empty());
        let left = std::fs::read(dir.path().join("larder.sqlite-wal")).unwrap();
        assert!(left == flipped, "byte {at}: the log was changed");
    }
    // A torn end is none: whole frames, half a frame, a frame of which only the beginning was written.
    let frame = 4096 + 24;
    for end in [
        log.len() - frame,
        log.len() - 100,
        log.len() - frame * 3 / 2,
    ] {
        put(&log[..end]);
        let store = EmbeddedStore::open(dir.path(), Access::Existing).unwrap();
        assert!(count(&store) >= 596);
        store.check().unwrap();
    }
    let mut half = log.clone();
    let end = half.len();
    half[end - 2000..].fill(0);
    put(&half);
    assert!(count(&EmbeddedStore::open(dir.path(), Access::Existing).unwrap()) >= 598);
}
