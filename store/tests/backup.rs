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
