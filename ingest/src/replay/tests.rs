use super::*;
use crate::import::import_readings;
use larder_domain::{ChannelName, ChannelRef, DeviceId, Sample, Span};
use larder_store::{Access, EmbeddedStore};

const NOW: Timestamp = Timestamp(1_788_238_800_000);

fn store() -> (tempfile::TempDir, EmbeddedStore) {
    let folder = tempfile::tempdir().unwrap();
    let store = EmbeddedStore::open(folder.path(), Access::Create).unwrap();
    (folder, store)
}

/// As the session does.
fn receive(store: &EmbeddedStore, topic: &str, payload: &str, config: &DecodeConfig) {
    let message = Message {
        topic: topic.into(),
        cut_from: None,
        payload: payload.into(),
        content_type: None,
        retained: false,
        received_at: NOW,
    };
    let decoded = decode(&message, config, NOW);
    store.append_durable(&decoded.readings).unwrap();
    store.quarantine_durable(&decoded.refused).unwrap();
}

fn samples(store: &EmbeddedStore, device: &str) -> Vec<Sample> {
    let series = ChannelRef {
        device: DeviceId::new(device).unwrap(),
        channel: ChannelName::new("weight").unwrap(),
    };
    store.range(&series, Span::ALWAYS).unwrap()
}

fn entries(store: &EmbeddedStore) -> Vec<Quarantined> {
    store.quarantined(0, 1000).unwrap()
}

#[test]
fn a_gateway_declared_later_frees_what_it_said() {
    let (_folder, store) = store();
    let before = DecodeConfig::default();
    receive(
        &store,
        "larder/gw-1/readings",
        r#"[{"bn":"sc-1:","n":"weight","v":1},{"bn":"","n":"weight","v":2},{"bn":"sc-2:","n":"weight","v":"x"}]"#,
        &before,
    );
    receive(&store, "larder/gw-1/readings", "hello", &before);
    assert_eq!(entries(&store).len(), 3);
    let after = DecodeConfig {
        gateways: [DeviceId::new("gw-1").unwrap()].into(),
        ..before
    };
    let later = NOW.plus_ms(3_600_000);
    let done = replay(&store, &store, &[], &after, later).unwrap();
    assert_eq!((done.released, done.kept, done.readings), (1, 2, 1));
    // A time of receipt is the one at which it came, not the one of the replay.
    assert_eq!(samples(&store, "sc-1")[0].time, NOW);
    assert_eq!(entries(&store).len(), 2);
    let again = replay(&store, &store, &[], &after, later).unwrap();
    assert_eq!((again.released, again.kept), (0, 2));
}

#[test]
fn only_what_was_asked_for() {
    let (_folder, store) = store();
    for topic in ["a/sc-1/x", "a/sc-2/x"] {
        receive(&store, topic, r#"{"w":5}"#, &DecodeConfig::default());
    }
    let config = mapped();
    let second = entries(&store)[1].id;
    let done = replay(&store, &store, &[second], &config, NOW).unwrap();
    assert_eq!((done.released, done.kept, done.readings), (1, 0, 1));
    assert!(samples(&store, "sc-1").is_empty());
    assert_eq!(samples(&store, "sc-2").len(), 1);
}

fn mapped() -> DecodeConfig {
    let file: crate::decode::MappingFile = toml::from_str(
        "topic = \"a/+/x\"\ndevice = { level = 2 }\n[[channel]]\nname = \"weight\"\npointer = \"/w\"\n",
    )
    .unwrap();
    DecodeConfig {
        mappings: crate::decode::MappingFile::check_all(&[file]).unwrap(),
        ..DecodeConfig::default()
    }
}

#[test]
fn a_correction_made_since_is_not_undone() {
    let (_folder, store) = store();
    let config = DecodeConfig::default();
    let pack = r#"[{"n":"weight","t":1788238700,"v":40},{"n":"sc-9:weight","t":1788238700,"v":1}]"#;
    receive(&store, "larder/gw-1/readings", pack, &config);
    let correction = r#"{"time":1788238700,"weight_kg":41}"#;
    receive(&store, "larder/gw-1/readings", correction, &config);
    let config = DecodeConfig {
        gateways: [DeviceId::new("gw-1").unwrap()].into(),
        ..config
    };
    replay(&store, &store, &[], &config, NOW).unwrap();
    assert!((samples(&store, "gw-1")[0].value - 41.0).abs() < 1e-9);
    assert_eq!(samples(&store, "sc-9").len(), 1);
}

#[test]
fn a_message_that_reads_in_part_leaves_its_bad_records() {
    let (_folder, store) = store();
    receive(
        &store,
        "a/sc-1/x",
        r#"[{"w":5},{"w":"x"}]"#,
        &DecodeConfig::default(),
    );
    assert_eq!(entries(&store)[0].refused.record, None);
    let mut config = mapped();
    config.mappings[0].records = Some(crate::decode::Pointer::parse("").unwrap());
    let done = replay(&store, &store, &[], &config, NOW).unwrap();
    assert_eq!((done.released, done.kept, done.readings), (1, 0, 1));
    let left = entries(&store);
    assert_eq!(left.len(), 1);
    assert_eq!(left[0].refused.record, Some(1));
}

#[test]
fn a_clock_that_has_caught_up() {
    let (_folder, store) = store();
    let config = DecodeConfig::default();
    receive(
        &store,
        "larder/sc-1/readings",
        r#"{"time":"2026-09-01T06:00:00Z","weight_kg":1}"#,
        &config,
    );
    assert_eq!(replay(&store, &store, &[], &config, NOW).unwrap().kept, 1);
    let later = NOW.plus_ms(3_600_000);
    assert_eq!(
        replay(&store, &store, &[], &config, later)
            .unwrap()
            .released,
        1
    );
    assert_eq!(samples(&store, "sc-1").len(), 1);
}

#[test]
fn lines_of_files_are_read_as_lines() {
    let (_folder, store) = store();
    let file = "time,device,channel,unit,value\n\
        2026-09-01T06:00:00Z,sc-1,weight,kg,41\n\
        2026-09-01T06:00:00Z,sc-1,weight,kg,4100\n";
    import_readings(file.as_bytes(), "f.csv", &store, &store, NOW, |_| ()).unwrap();
    let fills = "time,feeder,volume_l,strength\n2026-09-01T06:00:00Z,f,4,1:1\n";
    crate::import::import_fills(fills.as_bytes(), "g.csv", &store, NOW).unwrap();
    assert_eq!(entries(&store).len(), 3);
    let later = NOW.plus_ms(3_600_000);
    let done = replay(&store, &store, &[], &DecodeConfig::default(), later).unwrap();
    assert_eq!((done.released, done.kept, done.readings), (2, 1, 2));
    assert_eq!(samples(&store, "sc-1").len(), 1);
    assert_eq!(store.recorded_fills(None, Span::ALWAYS).unwrap().len(), 1);
}

/// A channel that the service does not know, first in V and then once in kg.
#[test]
fn a_second_unit_stays_in_the_quarantine_and_good_records_of_its_pack_come_in() {
    let (_folder, store) = store();
    let config = DecodeConfig::default();
    let first = r#"[{"n":"level","u":"V","v":3.9,"t":1788238800}]"#;
    receive(&store, "larder/sc-1/readings", first, &config);
    let line = |unit: &str, second: u8| Refused {
        received_at: NOW,
        topic: "sc-1/level".into(),
        bytes: format!("2026-09-01T05:00:0{second}Z,sc-1,level,{unit},3.9").into_bytes(),
        content_type: Some(LINE_CONTENT_TYPE.into()),
        retained: false,
        reason: "kept by the test".into(),
        record: None,
        impossible: None,
        measured_at: None,
    };
    store
        .quarantine_durable(&[line("kg", 1), line("V", 2)])
        .unwrap();
    let done = replay(&store, &store, &[], &config, NOW).unwrap();
    assert_eq!((done.released, done.kept, done.readings), (1, 1, 1));
    assert_eq!(entries(&store).len(), 1);
    // A message kept whole, whose mapping was missing: what can be taken in is, the rest is an entry.
    let pack = r#"[{"n":"level","u":"kg","v":1,"t":1788238803},{"n":"level","u":"V","v":2,"t":1788238804}]"#;
    let whole = Refused {
        topic: "larder/sc-1/readings".into(),
        bytes: pack.into(),
        content_type: None,
        ..line("kg", 1)
    };
    store.quarantine_durable(&[whole]).unwrap();
    let done = replay(&store, &store, &[], &config, NOW).unwrap();
    assert_eq!((done.released, done.kept, done.readings), (1, 1, 1));
    let left = entries(&store);
    assert_eq!(left.len(), 2);
    assert!(left[1].refused.reason.contains("kept in V"), "{left:?}");
    assert!(left[1].refused.bytes.ends_with(b",sc-1,level,kg,1"));
    assert_eq!(store.series().unwrap()[0].unit.as_str(), "V");
}
