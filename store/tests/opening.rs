//! Who may open what at the same time, and what is refused with which sentence.
#![allow(clippy::unwrap_used, reason = "helpers of tests")]

use larder_domain::{ChannelName, DeviceId, Reading, Span, Timestamp, Unit};
use larder_store::{Access, EmbeddedStore, Readings, Records, StoreError};
use std::path::Path;

fn reading(minute: i64, value: f64) -> Reading {
    Reading {
        device: DeviceId::new("sc-1").unwrap(),
        channel: ChannelName::new("weight").unwrap(),
        unit: Unit::new("kg").unwrap(),
        time: Timestamp(1_788_238_800_000 + minute * 60_000),
        value,
    }
}

fn values(store: &EmbeddedStore) -> Vec<f64> {
    let samples = store
        .range(&reading(0, 0.0).series(), Span::ALWAYS)
        .unwrap();
    samples.iter().map(|sample| sample.value).collect()
}

fn open(dir: &Path, access: Access) -> Result<EmbeddedStore, StoreError> {
    EmbeddedStore::open(dir, access)
}

#[test]
fn what_is_not_there_is_missing_unless_it_is_to_be_made() {
    let dir = tempfile::tempdir().unwrap();
    let inner = dir.path().join("not/yet");
    for access in [Access::Existing, Access::Read] {
        assert!(matches!(open(&inner, access), Err(StoreError::Missing(_))));
        assert!(!inner.exists(), "looking for a store leaves nothing behind");
    }
    open(&inner, Access::Create).unwrap();
    open(&inner, Access::Existing).unwrap();
    open(&inner, Access::Read).unwrap();
}

#[test]
fn one_writes_and_others_read_beside_it() {
    let dir = tempfile::tempdir().unwrap();
    let writer = open(dir.path(), Access::Create).unwrap();
    writer.append_durable(&[reading(0, 40.0)]).unwrap();
    for access in [Access::Create, Access::Existing] {
        assert!(matches!(
            open(dir.path(), access),
            Err(StoreError::InUse(_))
        ));
    }
    let before = open(dir.path(), Access::Read).unwrap();
    writer.append_durable(&[reading(1, 41.0)]).unwrap();
    let after = open(dir.path(), Access::Read).unwrap();
    assert_eq!(values(&before), [40.0], "a reader sees one moment");
    assert_eq!(values(&after), [40.0, 41.0]);
    assert!(
        after.set_setting("a", "b").is_err(),
        "a reader cannot write"
    );
    drop(writer);
    assert_eq!(values(&before), [40.0]);
    open(dir.path(), Access::Existing).unwrap();
}

#[test]
fn a_newer_store_is_left_alone() {
    let dir = tempfile::tempdir().unwrap();
    drop(open(dir.path(), Access::Create).unwrap());
    let file = dir.path().join("larder.sqlite");
    let db = rusqlite::Connection::open(&file).unwrap();
    db.pragma_update(None, "user_version", 4711).unwrap();
    drop(db);
    let before = std::fs::read(&file).unwrap();
    for access in [Access::Create, Access::Existing, Access::Read] {
        let refused = open(dir.path(), access).unwrap_err();
        assert!(
            matches!(refused, StoreError::Newer { found: 4711, .. }),
            "{refused}"
        );
    }
    assert_eq!(std::fs::read(&file).unwrap(), before);
}

#[test]
fn a_file_that_is_no_database_is_damaged() {
    let dir = tempfile::tempdir().unwrap();
    std::fs::write(
        dir.path().join("larder.sqlite"),
        "no database at all ".repeat(500),
    )
    .unwrap();
    for access in [Access::Create, Access::Existing, Access::Read] {
        let refused = open(dir.path(), access).unwrap_err();
        assert!(matches!(refused, StoreError::Damaged { .. }), "{refused}");
    }
}

/// What a process leaves behind that ends between making the file and making the tables.
#[test]
fn a_store_that_was_never_finished_is_finished() {
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("larder.sqlite");
    std::fs::write(&file, "").unwrap();
    let reader = open(dir.path(), Access::Read).unwrap();
    assert!(reader.series().unwrap().is_empty());
    drop(reader);
    std::fs::write(&file, "").unwrap();
    open(dir.path(), Access::Existing).unwrap().check().unwrap();
}

/// An older store is brought up to date by whoever opens it, unless someone else is writing it.
#[test]
fn an_older_store_in_use_cannot_be_read_yet() {
    let dir = tempfile::tempdir().unwrap();
    std::fs::write(dir.path().join("larder.sqlite"), "").unwrap();
    let lock = std::fs::File::create(dir.path().join("larder.lock")).unwrap();
    lock.try_lock().unwrap();
    let refused = open(dir.path(), Access::Read).unwrap_err();
    assert!(matches!(refused, StoreError::InUse(_)), "{refused}");
    drop(lock);
    open(dir.path(), Access::Read).unwrap();
}

#[test]
fn nothing_is_left_beside_the_database_once_it_is_closed() {
    let dir = tempfile::tempdir().unwrap();
    let store = open(dir.path(), Access::Create).unwrap();
    store.append_durable(&[reading(0, 40.0)]).unwrap();
    assert!(
        store
            .setting("reads on a connection of its own")
            .unwrap()
            .is_none()
    );
    drop(store);
    let mut left: Vec<String> = std::fs::read_dir(dir.path())
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .collect();
    left.sort();
    assert_eq!(left, ["larder.lock", "larder.sqlite"]);
}
