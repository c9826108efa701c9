//! What anyone who may publish can make the store keep for ever is bounded.
#![allow(clippy::unwrap_used, reason = "helpers of tests")]

use larder_domain::{Apiary, ChannelName, DeviceId, Reading, Timestamp, Unit, Yard};
use larder_store::{
    Access, Attribute, Durability, EmbeddedStore, MOST_ATTRIBUTE_BYTES, MOST_ATTRIBUTE_NAME_BYTES,
    MOST_ATTRIBUTES, MOST_CHANNELS, MOST_IMPOSSIBLE, MOST_IMPOSSIBLE_OF_ALL, MOST_QUARANTINED,
    MOST_QUARANTINED_BYTES, MOST_QUARANTINED_BYTES_OF_TOPIC, MOST_UNDECLARED_DEVICES,
    MOST_UNDECLARED_SERIES, QUARANTINE_PAGE_BYTES, Readings, Records, Refused,
};

const NOW: Timestamp = Timestamp(1_788_238_800_000);

fn open(dir: &tempfile::TempDir) -> EmbeddedStore {
    EmbeddedStore::open_with(dir.path(), Access::Create, Durability::ProcessEnd).unwrap()
}

fn reading(device: &str, channel: &str) -> Reading {
    Reading {
        device: DeviceId::new(device).unwrap(),
        channel: ChannelName::new(channel).unwrap(),
        unit: Unit::new("kg").unwrap(),
        time: NOW,
        value: 40.0,
    }
}

/// Fifty thousand names that someone made up. Before there was a bound, all of them were kept.
#[test]
fn devices_that_nobody_declared_are_bounded_and_declared_ones_pass() {
    let dir = tempfile::tempdir().unwrap();
    let store = open(&dir);
    let declared = Yard {
        id: "north".parse().unwrap(),
        name: "North terrace".into(),
        timezone: chrono_tz::America::New_York,
        position: None,
        weather: Some(DeviceId::new("wx-north").unwrap()),
    };
    let apiary = Apiary::new(vec![declared], vec![], vec![], vec![]).unwrap();
    store.set_apiary(&apiary).unwrap();
    let (mut new, mut refused) = (0, Vec::new());
    for thousand in 0..50 {
        let names: Vec<String> = (0..1000)
            .map(|i| format!("made-up-{thousand}-{i}"))
            .collect();
        let batch: Vec<_> = names.iter().map(|name| reading(name, "weight")).collect();
        let appended = store.append_durable(&batch).unwrap();
        new += appended.new;
        refused.extend(appended.refused);
        let heard: Vec<_> = batch.iter().map(|r| (r.device.clone(), NOW)).collect();
        let says: Vec<_> = heard
            .iter()
            .map(|(device, time)| Attribute {
                device: device.clone(),
                name: "firmware".into(),
                value_json: "\"1\"".into(),
                time: *time,
            })
            .collect();
        store.note_devices(&heard, &says).unwrap();
    }
    assert_eq!(new, MOST_UNDECLARED_DEVICES as u64);
    assert_eq!(refused.len(), 50_000 - MOST_UNDECLARED_DEVICES);
    let why = refused[0].why.to_string();
    assert!(why.contains("nobody has declared"), "{why}");
    let appended = store
        .append_durable(&[reading("wx-north", "temperature")])
        .unwrap();
    assert_eq!(appended.new, 1, "a declared device always passes");
    store
        .note_devices(&[(DeviceId::new("wx-north").unwrap(), NOW)], &[])
        .unwrap();
    let known = store
        .append_durable(&[reading("made-up-0-0", "humidity")])
        .unwrap();
    assert_eq!(known.new, 1, "and so do known ones");
    drop(store);
    let store = open(&dir);
    assert_eq!(store.series().unwrap().len(), MOST_UNDECLARED_DEVICES + 2);
    let devices = store.devices().unwrap();
    assert_eq!(devices.len(), MOST_UNDECLARED_DEVICES + 1);
    let wx = devices
        .iter()
        .find(|d| d.device.as_str() == "wx-north")
        .unwrap();
    assert_eq!(wx.last_seen, Some(NOW));
    // What was refused comes in once its device is declared.
    let late = refused.remove(0).reading;
    let yards = apiary.yards().cloned().map(|yard| Yard {
        weather: Some(late.device.clone()),
        ..yard
    });
    let apiary = Apiary::new(yards.collect(), vec![], vec![], vec![]).unwrap();
    store.set_apiary(&apiary).unwrap();
    assert_eq!(store.append_durable(&[late]).unwrap().new, 1);
}

#[test]
fn channels_of_one_device_are_bounded() {
    let dir = tempfile::tempdir().unwrap();
    let store = open(&dir);
    let names: Vec<String> = (0..MOST_CHANNELS + 50).map(|i| format!("c{i}")).collect();
    let batch: Vec<_> = names.iter().map(|name| reading("lg-1", name)).collect();
    let appended = store.append_durable(&batch).unwrap();
    assert_eq!(
        (appended.new, appended.refused.len()),
        (MOST_CHANNELS as u64, 50)
    );
    let again = store.append_durable(&batch).unwrap();
    assert_eq!(
        (again.repeated, again.refused.len()),
        (MOST_CHANNELS as u64, 50)
    );
    assert!(again.refused[0].why.to_string().contains("256 channels"));
}

#[test]
fn attributes_and_their_size_are_bounded() {
    let dir = tempfile::tempdir().unwrap();
    let store = open(&dir);
    let device = DeviceId::new("sc-1").unwrap();
    let says = |name: String, value_json: String| Attribute {
        device: device.clone(),
        name,
        value_json,
        time: NOW,
    };
    let long = serde_json::to_string(&"é".repeat(50_000)).unwrap();
    store.note_devices(&[], &[says("0".into(), long)]).unwrap();
    store
        .note_devices(&[], &[says("n".repeat(5000), "1".into())])
        .unwrap();
    for n in 1..200 {
        store
            .note_devices(&[], &[says(n.to_string(), "1".into())])
            .unwrap();
    }
    store
        .note_devices(&[], &[says("1".into(), "2".into())])
        .unwrap();
    drop(store);
    let devices = open(&dir).devices().unwrap();
    let said = &devices[0].attributes;
    assert_eq!(said.len(), MOST_ATTRIBUTES);
    assert!(said[0].value_json.len() <= MOST_ATTRIBUTE_BYTES);
    let text: String = serde_json::from_str(&said[0].value_json).unwrap();
    assert!(text.starts_with('é') && text.ends_with('…'), "{text}");
    assert_eq!(said[1].value_json, "2", "a known one goes on");
}

fn refused(i: i64, size: usize) -> Refused {
    let name = format!("sc-{}", i % 2);
    Refused {
        received_at: Timestamp(NOW.0 + i),
        topic: "larder/sc-1/readings".into(),
        bytes: vec![i as u8; size],
        content_type: None,
        retained: false,
        reason: format!("no reading {i}"),
        record: None,
        impossible: Some(reading(&name, "weight").series()),
        measured_at: Some(Timestamp(NOW.0 + i)),
    }
}

/// Sixty-seven large messages once made an answer of ninety megabytes.
#[test]
fn one_answer_of_the_quarantine_is_bounded_in_bytes() {
    let dir = tempfile::tempdir().unwrap();
    let store = open(&dir);
    let all: Vec<_> = (0..67).map(|i| refused(i, 300_000)).collect();
    store.quarantine_durable(&all).unwrap();
    let (mut after, mut n) = (0, 0);
    loop {
        let page = store.quarantined(after, 500).unwrap();
        let Some(last) = page.last() else { break };
        let bytes: usize = page.iter().map(|entry| entry.refused.bytes.len()).sum();
        assert!(bytes <= QUARANTINE_PAGE_BYTES, "{bytes}");
        (after, n) = (last.id, n + page.len());
    }
    assert_eq!(n, 67);
    let huge = refused(99, 3 * QUARANTINE_PAGE_BYTES);
    store.quarantine_durable(&[huge]).unwrap();
    assert_eq!(
        store.quarantined(after, 500).unwrap().len(),
        1,
        "one always comes"
    );
    for entry in 0..700 {
        store.quarantine_durable(&[refused(entry, 10)]).unwrap();
    }
    let devices = store.devices().unwrap();
    assert!(
        devices
            .iter()
            .all(|d| d.impossible.len() == MOST_IMPOSSIBLE)
    );
}

#[test]
fn the_bounds_are_written_down_for_operators() {
    let page = include_str!("../../docs/operating.md");
    let rows = [
        (
            "devices that nobody has declared |",
            MOST_UNDECLARED_DEVICES,
        ),
        (
            "devices that nobody has declared, together",
            MOST_UNDECLARED_SERIES,
        ),
        ("channels of one device", MOST_CHANNELS),
        ("attributes of one device", MOST_ATTRIBUTES),
        ("an attribute's name", MOST_ATTRIBUTE_NAME_BYTES),
        ("an attribute's value", MOST_ATTRIBUTE_BYTES),
        ("entries of the quarantine", MOST_QUARANTINED),
        ("moments of impossible values", MOST_IMPOSSIBLE),
        ("moments of impossible values", MOST_IMPOSSIBLE_OF_ALL),
        (
            "messages in the quarantine",
            (MOST_QUARANTINED_BYTES >> 20) as usize,
        ),
        (
            "messages in the quarantine",
            (MOST_QUARANTINED_BYTES_OF_TOPIC >> 20) as usize,
        ),
        ("one answer of the quarantine", QUARANTINE_PAGE_BYTES >> 20),
    ];
    for (what, bound) in rows {
        let row = page.lines().find(|line| line.contains(what)).unwrap();
        assert!(
            row.replace(',', "").contains(&bound.to_string()),
            "{bound}: {row}"
        );
    }
}
