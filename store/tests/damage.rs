//! Bits that flip on the disk. Whatever is damaged is an error that names it, never another answer.
#![allow(clippy::unwrap_used, reason = "helpers of tests")]
#![allow(clippy::float_cmp, reason = "values must come back bit for bit")]

use larder_domain::{
    Act, Apiary, CareEntry, ChannelName, DeviceId, Evidence, Feeder, FeederId, FeederKind,
    FillEvent, FillSource, Flag, FlagKind, Goal, Hive, HiveId, KeptFlag, Learned, Reading,
    RecordedFill, Said, Severity, Span, Timestamp, Trait, Unit, UptakeDay, WeightDay,
    WeightQuality, Yard,
};
use larder_store::{
    Access, Attribute, EmbeddedStore, Readings, Records, Refused, ResultsPatch, StoreError,
};
use larder_syrup::Estimate;
use std::collections::BTreeSet;
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

/// How a damaged table is asked for what stands in it.
type Reader = fn(&EmbeddedStore) -> Result<(), StoreError>;

/// Another value in one row of each table of results and records, the words that must name it, and who
/// would have been given it.
const DAMAGES: &[(&str, &[&str], Reader)] = &[
    (
        "UPDATE uptake SET uptake_l = 5.0",
        &["daily uptake", "north-01-f", "2026-09-01"],
        |s| s.uptake(&[feeder_id()], None, None).map(drop),
    ),
    (
        "UPDATE weight SET weight_kg = 73.0",
        &["daily weight", "north-01", "2026-09-01"],
        |s| s.weight(&[hive_id()], None, None).map(drop),
    ),
    (
        "UPDATE fill_event SET volume_l = NULL",
        &["fill", "north-01-f", "2026-09-01T05:00:00Z"],
        |s| s.fill_events(&[feeder_id()], Span::ALWAYS).map(drop),
    ),
    (
        "UPDATE recorded_fill SET volume_l = 3.5",
        &["fill written down", "north-01-f"],
        |s| s.recorded_fills(None, Span::ALWAYS).map(drop),
    ),
    (
        "UPDATE flag SET probability = 0.1",
        &["flag", "north-01"],
        |s| s.flags(None, Span::ALWAYS).map(drop),
    ),
    (
        "UPDATE flag_care SET who = 'bda'",
        &["act on a flag"],
        |s| s.flags(None, Span::ALWAYS).map(drop),
    ),
    (
        "UPDATE learned SET value = 3.0",
        &["learned trait", "sc-1"],
        |s| s.learned().map(drop),
    ),
    (
        "UPDATE setting SET value = 'metric' WHERE name = 'units'",
        &["setting", "units"],
        |s| s.setting("units").map(drop),
    ),
    (
        "UPDATE quarantine SET topic = 'elsewhere'",
        &["quarantine entry"],
        |s| s.quarantined(0, 9).map(drop),
    ),
    (
        "UPDATE attribute SET value_json = '\"1.3\"'",
        &["attribute", "firmware"],
        |s| s.devices().map(drop),
    ),
    (
        "UPDATE apiary_item SET body = replace(body, 'North', 'Norsh') WHERE kind = 'yard'",
        &["apiary entry", "yard", "north"],
        |s| s.apiary().map(drop),
    ),
    (
        "UPDATE person SET body = replace(body, 'ada@', 'bda@')",
        &["person", "ada"],
        |s| larder_store::notices::Notices::people(s).map(drop),
    ),
    (
        "UPDATE series SET unit = 'lb' WHERE id = 1",
        &["series", "sc-1"],
        |_| Ok(()),
    ),
    (
        "UPDATE position SET log_id = 9 WHERE name = 'compacted'",
        &["position", "compacted"],
        |_| Ok(()),
    ),
];

fn hive_id() -> HiveId {
    "north-01".parse().unwrap()
}

fn feeder_id() -> FeederId {
    "north-01-f".parse().unwrap()
}

#[test]
fn a_changed_value_in_any_table_is_an_error_that_names_it() {
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("larder.sqlite");
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
    let sound = std::fs::read(&file).unwrap();
    for (damage, words, read) in DAMAGES {
        std::fs::write(&file, &sound).unwrap();
        change_past_triggers(&file, damage);
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

/// Changes rows as a disk does it: past the triggers, which are put back.
fn change_past_triggers(file: &Path, damage: &str) {
    let db = rusqlite::Connection::open(file).unwrap();
    let triggers: Vec<(String, String)> = db
        .prepare("SELECT name, sql FROM sqlite_schema WHERE type = 'trigger'")
        .unwrap()
        .query_map([], |row| Ok((row.get(0)?, row.get(1)?)))
        .unwrap()
        .map(Result::unwrap)
        .collect();
    for (name, _) in &triggers {
        db.execute_batch(&format!("DROP TRIGGER {name}")).unwrap();
    }
    assert!(db.execute(damage, []).unwrap() > 0, "{damage}");
    for (_, sql) in &triggers {
        db.execute_batch(sql).unwrap();
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

/// Readings in blocks and in the log, and several pages of everything else.
fn rich(dir: &Path) {
    let store = EmbeddedStore::open(dir, Access::Create).unwrap();
    store.set_apiary(&twelve_hives()).unwrap();
    let weights = |from: i64, to: i64| -> Vec<Reading> {
        let one = |i: i64| Reading {
            device: DeviceId::new(&format!("sc-{}", i % 12)).unwrap(),
            ..reading(i)
        };
        (from..to).map(one).collect()
    };
    store.append_durable(&weights(0, 12_000)).unwrap();
    store.compact().unwrap();
    for i in 0..30 {
        store
            .append_durable(&weights(12_000 + i * 20, 12_020 + i * 20))
            .unwrap();
    }
    store.replace_results(&results()).unwrap();
    keep_flags(&store);
    keep_what_was_said(&store);
}

fn yard() -> Yard {
    Yard {
        id: "north".parse().unwrap(),
        name: "North terrace".into(),
        timezone: chrono_tz::America::New_York,
        position: None,
        weather: None,
    }
}

fn hive(i: i64) -> Hive {
    Hive {
        id: format!("north-{i}").parse().unwrap(),
        name: format!("Hive {i}"),
        yard: yard().id,
        moves: vec![],
        scales: vec![],
        goal: Some(Goal::WinterStores),
        target_weight_kg: Some(48.0),
        target_date: None,
        supers_on: false,
    }
}

fn feeder(i: i64) -> Feeder {
    Feeder {
        id: format!("north-{i}-f").parse().unwrap(),
        hive: hive(i).id,
        kind: FeederKind::Tray,
        capacity_l: 11.0,
        on_scale: true,
        sensors: vec![],
    }
}

fn twelve_hives() -> Apiary {
    let hives = (0..12).map(hive).collect();
    let feeders = (0..12).map(feeder).collect();
    Apiary::new(vec![yard()], hives, feeders, vec![]).unwrap()
}

fn estimate(value: f64) -> Estimate {
    Estimate {
        value,
        lo: value - 0.5,
        hi: value + 0.7,
    }
}

fn results() -> ResultsPatch {
    let first = chrono::NaiveDate::from_ymd_opt(2026, 9, 1).unwrap();
    let date = |day: i64| first + chrono::Days::new(day.unsigned_abs());
    let each = || (0..12).flat_map(|i| (0..20).map(move |day| (i, day)));
    ResultsPatch {
        uptake: each()
            .map(|(i, day)| UptakeDay {
                date: date(day),
                feeder: feeder(i).id,
                uptake_l: Some(estimate(day as f64 / 7.0)),
                remaining_l: Some(estimate(9.0 - day as f64 / 7.0)),
                sugar_kg: Some(0.3),
                sensed_share: 0.97,
            })
            .collect(),
        weight: each()
            .map(|(i, day)| WeightDay {
                date: date(day),
                hive: hive(i).id,
                weight_kg: Some(estimate(41.0 + day as f64)),
                net_change_kg: None,
                handling_kg: 0.0,
                quality: WeightQuality::Good,
            })
            .collect(),
        fills: (0..12)
            .map(|i| FillEvent {
                feeder: feeder(i).id,
                time: reading(i).time,
                volume_l: Some(estimate(3.0)),
                strength: None,
                source: FillSource::Detected,
            })
            .collect(),
        learned: each()
            .map(|(i, day)| Learned {
                hive: hive(i).id,
                source: reading(0).series(),
                what: Trait::Noise,
                date: date(day),
                since: reading(0).time,
                value: estimate(0.02),
            })
            .collect(),
        ..ResultsPatch::default()
    }
}

fn keep_flags(store: &EmbeddedStore) {
    for i in 0..30 {
        let flag = Flag {
            kind: FlagKind::Empty,
            yard: Some(yard().id),
            hive: Some(hive(i % 12).id),
            feeder: None,
            device: None,
            opened_at: reading(i * 100).time,
            closed_at: None,
            severity: Severity::Warning,
            probability: 0.9,
            evidence: Evidence::new("it is empty"),
        };
        let kept = KeptFlag {
            id: format!("flag-{i}").parse().unwrap(),
            flag,
            known_at: None,
            changed_at: reading(i).time,
            withdrawn_at: None,
            care: larder_domain::Care::default(),
        };
        store.keep_flags(std::slice::from_ref(&kept)).unwrap();
        let said = Said {
            who: "ada".into(),
            at: reading(i).time,
        };
        let act = Act::Note(format!("looked at it, {i}"));
        store.care_for(&kept.id, &CareEntry { act, said }).unwrap();
    }
}

/// Fills, entries of the quarantine, attributes of devices, a setting.
fn keep_what_was_said(store: &EmbeddedStore) {
    let fills: Vec<_> = (0..40)
        .map(|i| RecordedFill {
            feeder: feeder(i % 12).id,
            time: reading(i * 60).time,
            volume_l: Some(2.0 + i as f64),
            strength: None,
        })
        .collect();
    store.record_fills(&fills).unwrap();
    let refused: Vec<_> = (0..40)
        .map(|i| Refused {
            received_at: reading(i).time,
            topic: format!("larder/sc-{i}/readings"),
            bytes: vec![b'{'; 100 + i as usize],
            content_type: None,
            retained: false,
            reason: "not JSON".into(),
            record: None,
            impossible: Some(reading(0).series()),
            measured_at: None,
        })
        .collect();
    store.quarantine_durable(&refused).unwrap();
    let attributes: Vec<_> = (0..12)
        .map(|i| Attribute {
            device: DeviceId::new(&format!("sc-{i}")).unwrap(),
            name: "firmware".into(),
            value_json: format!("\"1.{i}\""),
            time: reading(i).time,
        })
        .collect();
    let heard: Vec<_> = attributes
        .iter()
        .map(|a| (a.device.clone(), a.time))
        .collect();
    store.note_devices(&heard, &attributes).unwrap();
    store.set_setting("units", "us").unwrap();
}

/// All answers, one line for each thing.
fn answers(store: &EmbeddedStore) -> Result<BTreeSet<String>, StoreError> {
    let mut lines = BTreeSet::new();
    for info in store.series()? {
        for sample in store.range(&info.series, Span::ALWAYS)? {
            let (ms, bits) = (sample.time.0, sample.value.to_bits());
            lines.insert(format!("{} {} {ms} {bits:x}", info.series, info.unit));
        }
        let drawn = store.reduced(&info.series, Span::ALWAYS, 10)?;
        lines.extend(drawn.iter().map(|s| {
            format!(
                "{} {} {} {:x}",
                info.series,
                info.unit,
                s.time.0,
                s.value.to_bits()
            )
        }));
    }
    let apiary = store.apiary()?;
    lines.extend(apiary.yards().map(|yard| format!("{yard:?}")));
    lines.extend(apiary.hives().map(|hive| format!("{hive:?}")));
    lines.extend(apiary.feeders().map(|feeder| format!("{feeder:?}")));
    let hives: Vec<_> = (0..12)
        .map(|i| format!("north-{i}").parse().unwrap())
        .collect();
    let feeders: Vec<_> = (0..12)
        .map(|i| format!("north-{i}-f").parse().unwrap())
        .collect();
    lines.extend(
        store
            .uptake(&feeders, None, None)?
            .iter()
            .map(|day| format!("{day:?}")),
    );
    lines.extend(
        store
            .weight(&hives, None, None)?
            .iter()
            .map(|day| format!("{day:?}")),
    );
    let fills = store.fill_events(&feeders, Span::ALWAYS)?;
    lines.extend(fills.iter().map(|fill| format!("{fill:?}")));
    let learned = store.learned_of(&reading(0).device)?;
    lines.extend(learned.iter().map(|one| format!("{one:?}")));
    for kept in store.flags(None, Span::ALWAYS)? {
        lines.extend(
            kept.care
                .notes
                .iter()
                .map(|note| format!("{}: {note:?}", kept.id)),
        );
        lines.insert(format!("{} {:?}", kept.id, kept.flag));
    }
    let fills = store.recorded_fills(None, Span::ALWAYS)?;
    lines.extend(fills.iter().map(|fill| format!("{fill:?}")));
    let entries = store.quarantined(0, 1000)?;
    lines.extend(entries.iter().map(|entry| format!("{entry:?}")));
    for device in store.devices()? {
        lines.extend(device.attributes.iter().map(|said| format!("{said:?}")));
        let name = &device.device;
        lines.extend(device.impossible.iter().map(|at| format!("{name}: {at:?}")));
        lines.extend(
            device
                .last_seen
                .iter()
                .map(|at| format!("{name}: heard {at:?}")),
        );
    }
    lines.insert(format!("units: {:?}", store.setting("units")?));
    Ok(lines)
}

/// One to three bits anywhere in a closed store: they are noticed, or change no answer; and a repair
/// leaves a sound store whose every answer is one of those before.
#[test]
fn flipped_bits_are_noticed_or_harmless_and_a_repair_leaves_a_sound_store() {
    let made = tempfile::tempdir().unwrap();
    rich(made.path());
    let sound = std::fs::read(made.path().join("larder.sqlite")).unwrap();
    let before = answers(&EmbeddedStore::open(made.path(), Access::Read).unwrap()).unwrap();
    assert!(before.len() > 13_000, "{}", before.len());
    // splitmix64 (Steele, Lea and Flood, OOPSLA 2014); any fixed sequence would do.
    let mut state = 0x5eed_u64;
    let mut next = |below: usize| {
        state = state.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = state;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) % below as u64) as usize
    };
    let (mut harmless, mut whole, mut beyond_repair) = (0, 0, Vec::new());
    let rounds = 160;
    for round in 0..rounds {
        let mut bytes = sound.clone();
        let places: Vec<usize> = (0..1 + round % 3).map(|_| next(bytes.len() * 8)).collect();
        for bit in &places {
            bytes[bit / 8] ^= 1 << (bit % 8);
        }
        let dir = tempfile::tempdir().unwrap();
        std::fs::write(dir.path().join("larder.sqlite"), &bytes).unwrap();
        let noticed = !matches!(EmbeddedStore::damages(dir.path()), Ok(found) if found.is_empty());
        if !noticed {
            let store = EmbeddedStore::open(dir.path(), Access::Read).unwrap();
            assert!(
                answers(&store).unwrap() == before,
                "{places:?} changed answers unseen"
            );
            harmless += 1;
            continue;
        }
        match EmbeddedStore::repair(dir.path()) {
            Ok(done) => {
                let kept = done.kept.unwrap().join("larder.sqlite");
                assert!(
                    std::fs::read(kept).unwrap() == bytes,
                    "the damaged file is kept"
                );
                let found = EmbeddedStore::damages(dir.path()).unwrap();
                assert!(found.is_empty(), "{places:?}: {found:?}");
                let store = EmbeddedStore::open(dir.path(), Access::Existing).unwrap();
                store.check().unwrap();
                let after = answers(&store).unwrap();
                let strange: Vec<_> = after.difference(&before).collect();
                assert!(strange.is_empty(), "{places:?}: {strange:?}");
                let lost = before.difference(&after).count();
                let said = !(done.gone.is_empty() && done.again.is_empty());
                assert!(
                    lost == 0 || said,
                    "{places:?}: {lost} things are gone unsaid"
                );
                whole += usize::from(lost == 0);
                assert!(
                    !store.changes(1).unwrap().0.is_empty(),
                    "all is estimated again"
                );
            }
            Err(error) => {
                let left = std::fs::read(dir.path().join("larder.sqlite")).unwrap();
                assert!(left == bytes, "a repair that fails changes nothing");
                beyond_repair.push((places, error.to_string()));
            }
        }
    }
    println!("{harmless} harmless, {whole} wholly repaired, of {rounds}; {beyond_repair:?}");
    assert!(beyond_repair.len() < rounds / 10, "{beyond_repair:?}");
}

#[test]
fn a_flipped_bit_in_the_write_ahead_log_is_set_right() {
    let dir = tempfile::tempdir().unwrap();
    killed(dir.path(), 600);
    let file = dir.path().join("larder.sqlite-wal");
    let log = std::fs::read(&file).unwrap();
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
    ] {
        let dir = tempfile::tempdir().unwrap();
        killed(dir.path(), 600);
        let file = dir.path().join("larder.sqlite-wal");
        let mut flipped = std::fs::read(&file).unwrap();
        flipped[at] ^= 16;
        std::fs::write(&file, &flipped).unwrap();
        let done = EmbeddedStore::repair(dir.path()).unwrap();
        assert!(done.gone.is_empty(), "{done:?}");
        let kept = done.kept.unwrap().join("larder.sqlite-wal");
        assert!(std::fs::read(kept).unwrap() == flipped);
        assert!(EmbeddedStore::damages(dir.path()).unwrap().is_empty());
        let store = EmbeddedStore::open(dir.path(), Access::Existing).unwrap();
        assert_eq!(count(&store), 600, "byte {at}");
    }
}

/// Many wrong bytes in one frame in the middle cannot be set right: SQLite alone would keep what stands
/// before it.
#[test]
fn readings_behind_a_lost_frame_of_the_log_are_saved() {
    let sound = tempfile::tempdir().unwrap();
    killed(sound.path(), 600);
    let log = std::fs::read(sound.path().join("larder.sqlite-wal")).unwrap();
    let frame = 4096 + 24;
    let n = (log.len() - 32) / frame;
    for bad in [n / 4, n / 2, n - 40] {
        let dir = tempfile::tempdir().unwrap();
        let file = "larder.sqlite";
        std::fs::copy(sound.path().join(file), dir.path().join(file)).unwrap();
        let mut lost = log.clone();
        let at = 32 + bad * frame;
        lost[at + 24..at + 3000].fill(0x5a);
        std::fs::write(dir.path().join("larder.sqlite-wal"), &lost).unwrap();
        let error = EmbeddedStore::open(dir.path(), Access::Existing).unwrap_err();
        assert!(matches!(error, StoreError::Damaged { .. }), "{error}");
        let done = EmbeddedStore::repair(dir.path()).unwrap();
        assert!(!done.gone.is_empty());
        assert!(EmbeddedStore::damages(dir.path()).unwrap().is_empty());
        let store = EmbeddedStore::open(dir.path(), Access::Existing).unwrap();
        // A page holds many rows of the log, and the next commit writes it anew.
        assert!(
            count(&store) >= 598,
            "frame {bad} of {n}: {} are left, {done:?}",
            count(&store)
        );
        for sample in store.range(&reading(0).series(), Span::ALWAYS).unwrap() {
            let i = (sample.time.0 - START_MS) / 60_000;
            assert_eq!(sample.value, reading(i).value);
        }
    }
}

/// The power went after the new database was made and before it stood in its place.
#[test]
fn a_repair_that_was_cut_off_is_finished_by_the_next_opening() {
    let dir = tempfile::tempdir().unwrap();
    killed(dir.path(), 20);
    let made = tempfile::tempdir().unwrap();
    let store = EmbeddedStore::open(made.path(), Access::Create).unwrap();
    store.append_durable(&[reading(0)]).unwrap();
    drop(store);
    std::fs::copy(
        made.path().join("larder.sqlite"),
        dir.path().join("larder.sqlite.repaired"),
    )
    .unwrap();
    let store = EmbeddedStore::open(dir.path(), Access::Existing).unwrap();
    assert_eq!(
        count(&store),
        1,
        "the old log is not taken for the new one's"
    );
    store.check().unwrap();
    assert!(!dir.path().join("larder.sqlite.repaired").exists());
}
