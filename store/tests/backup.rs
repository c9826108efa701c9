//! A backup is taken beside a writer and opens as a store.
#![allow(clippy::unwrap_used, reason = "helpers of tests")]

use larder_domain::{ChannelName, DeviceId, Reading, Span, Timestamp, Unit};
use larder_store::{Access, EmbeddedStore, Readings, Records};

fn reading(i: i64) -> Reading {
    Reading {
        device: DeviceId::new("sc-1").unwrap(),
        channel: ChannelName::new("weight").unwrap(),
        unit: Unit::new("kg").unwrap(),
        time: Timestamp(1_788_238_800_000 + i * 300_000),
        value: 40.0 + i as f64 / 100.0,
    }
}

#[test]
fn a_backup_holds_what_was_committed_and_opens_as_a_store() {
    let dir = tempfile::tempdir().unwrap();
    let store = EmbeddedStore::open(&dir.path().join("data"), Access::Create).unwrap();
    let season: Vec<Reading> = (0..20_000).map(reading).collect();
    store.append_durable(&season).unwrap();
    store.compact().unwrap();
    store.append_durable(&[reading(20_000)]).unwrap();
    store.set_setting("units", "us").unwrap();

    // What an interrupted backup left behind does not stand in the way.
    let dest = dir.path().join("backups/monday");
    std::fs::create_dir_all(&dest).unwrap();
    std::fs::write(dest.join("larder.sqlite.part"), "half of it").unwrap();
    store.backup_to(&dest).unwrap();
    store.append_durable(&[reading(20_001)]).unwrap();

    let again = store.backup_to(&dest).unwrap_err();
    assert!(
        again.to_string().contains("could not write a backup"),
        "{again}"
    );

    let copy = EmbeddedStore::open(&dest, Access::Existing).unwrap();
    copy.check().unwrap();
    let all = |store: &EmbeddedStore| store.range(&reading(0).series(), Span::ALWAYS).unwrap();
    assert_eq!(all(&copy), all(&store)[..20_001]);
    assert_eq!(copy.setting("units").unwrap().as_deref(), Some("us"));
    copy.append_durable(&[reading(20_001)]).unwrap();
    assert_eq!(all(&copy), all(&store));
}

/// As where the disk is full or the medium fails: nothing is left that the next attempt meets.
#[test]
fn a_backup_that_fails_leaves_nothing_behind() {
    let dir = tempfile::tempdir().unwrap();
    let data = dir.path().join("data");
    let store = EmbeddedStore::open(&data, Access::Create).unwrap();
    let season: Vec<Reading> = (0..20_000).map(reading).collect();
    store.append_durable(&season).unwrap();
    store.compact().unwrap();
    drop(store);
    // A page in the middle does not read: the copy ends there.
    let file = data.join("larder.sqlite");
    let sound = std::fs::read(&file).unwrap();
    let mut damaged = sound.clone();
    let pages = damaged.len() / 4096;
    for page in pages - 3..pages {
        damaged[page * 4096] ^= 0xff;
    }
    std::fs::write(&file, &damaged).unwrap();
    let store = EmbeddedStore::open(&data, Access::Read).unwrap();
    let dest = dir.path().join("backups/monday");
    store.backup_to(&dest).unwrap_err();
    assert!(!dir.path().join("backups").exists());
    std::fs::create_dir_all(&dest).unwrap();
    store.backup_to(&dest).unwrap_err();
    assert_eq!(std::fs::read_dir(&dest).unwrap().count(), 0);
    drop(store);
    std::fs::write(&file, &sound).unwrap();
    let store = EmbeddedStore::open(&data, Access::Read).unwrap();
    store.backup_to(&dest).unwrap();
    EmbeddedStore::open(&dest, Access::Read)
        .unwrap()
        .check()
        .unwrap();
}

#[cfg(unix)]
#[test]
fn only_the_owner_may_read_what_is_kept() {
    use std::os::unix::fs::PermissionsExt;
    let dir = tempfile::tempdir().unwrap();
    let data = dir.path().join("new/data");
    let store = EmbeddedStore::open(&data, Access::Create).unwrap();
    store.append_durable(&[reading(0)]).unwrap();
    let dest = dir.path().join("backups/monday");
    store.backup_to(&dest).unwrap();
    for folder in [&data, &dest] {
        let mode = |path: &std::path::Path| path.metadata().unwrap().permissions().mode() & 0o777;
        assert_eq!(mode(folder), 0o700, "{}", folder.display());
        for entry in std::fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            assert_eq!(mode(&path), 0o600, "{}", path.display());
        }
    }
}
