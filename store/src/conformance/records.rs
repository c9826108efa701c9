//! Everything that is not a reading.

use super::{NOW, Place, reading, series};
use crate::{
    Appended, Attribute, Quarantined, Readings, Records, Refused, ResultsPatch, StoreError,
};
use chrono::NaiveDate;
use larder_domain::{
    Act, Apiary, Assignment, Care, CareEntry, ChannelRef, DeviceId, Evidence, Feeder, FeederId,
    FeederKind, FillEvent, FillSource, Flag, FlagId, FlagKind, Geometry, Goal, Hive, HiveId,
    KeptFlag, Learned, LevelSensor, Measure, Move, RecordedFill, Said, Severity, Span, Timestamp,
    Trait, UptakeDay, Verdict, WeightDay, WeightQuality, Yard, YardId,
};
use larder_syrup::feeder::Shape;
use larder_syrup::{Estimate, Strength};

/// Puts a backend that keeps records through all checks.
pub fn check_records<P: Place>(new_place: impl Fn() -> P)
where
    P::Store: Readings + Records,
{
    let checks: [fn(&P); 9] = [
        apiary, fills, quarantine, devices, results, learned, flags, care, settings,
    ];
    for check in checks {
        check(&new_place());
    }
}

fn at(hours: i64) -> Timestamp {
    Timestamp(NOW + hours * 3_600_000)
}

fn hours(from: i64, to: i64) -> Span {
    Span {
        start: at(from),
        end: at(to),
    }
}

fn feeder(name: &str) -> FeederId {
    FeederId::new(name).unwrap()
}

fn hive(name: &str) -> HiveId {
    HiveId::new(name).unwrap()
}

fn yard(name: &str) -> YardId {
    YardId::new(name).unwrap()
}

fn device(name: &str) -> DeviceId {
    DeviceId::new(name).unwrap()
}

fn date(day: u32) -> NaiveDate {
    NaiveDate::from_ymd_opt(2026, 9, day).unwrap()
}

fn always(source: ChannelRef) -> Assignment {
    Assignment {
        source,
        during: Span::ALWAYS,
    }
}

/// One of every kind.
fn level_sensors() -> Vec<LevelSensor> {
    let sensor = |channel: &str, geometry| LevelSensor {
        assignment: always(series("lv-1", channel)),
        geometry,
    };
    let distance = Geometry::Distance {
        mount_m: 0.145,
        shape: Shape::table(&[(0.0, 0.0), (0.05, 3.1), (0.1, 7.5)]).unwrap(),
    };
    let depth = Geometry::Depth {
        shape: Shape::straight(0.0759).unwrap(),
    };
    vec![
        sensor("distance", distance),
        sensor("depth", depth),
        sensor("volume", Geometry::Volume),
        sensor("feeder_weight", Geometry::FeederWeight),
    ]
}

/// One of every kind of thing, with every field used somewhere.
fn some_apiary() -> Apiary {
    let plain = Yard {
        id: yard("north"),
        name: "North terrace \u{1F41D} \"quoted\"".into(),
        timezone: chrono_tz::America::New_York,
        position: None,
        weather: None,
    };
    let south = Yard {
        id: yard("south"),
        position: Some((41.2, -77.3)),
        weather: Some(device("wx-1")),
        ..plain.clone()
    };
    let moved = Hive {
        id: hive("north-01"),
        name: "The tall one".into(),
        yard: yard("north"),
        moves: vec![Move {
            yard: yard("south"),
            from: at(5),
        }],
        scales: vec![Assignment {
            during: hours(0, 9),
            ..always(series("sc-1", "a/weight"))
        }],
        goal: Some(Goal::WinterStores),
        target_weight_kg: Some(48.123_456_789),
        target_date: Some(date(30)),
        supers_on: true,
    };
    let bare = Hive {
        id: hive("north-02"),
        moves: vec![],
        scales: vec![],
        goal: None,
        target_weight_kg: None,
        target_date: None,
        supers_on: false,
        ..moved.clone()
    };
    let tray = Feeder {
        id: feeder("north-01-f"),
        hive: hive("north-01"),
        kind: FeederKind::Tray,
        capacity_l: 11.0,
        on_scale: false,
        sensors: level_sensors(),
    };
    let jar = Feeder {
        id: feeder("north-02-f"),
        kind: FeederKind::Jar,
        on_scale: true,
        sensors: vec![],
        ..tray.clone()
    };
    Apiary::new(
        vec![plain, south],
        vec![moved, bare],
        vec![tray, jar],
        vec![device("gw-1")],
    )
    .unwrap()
}

fn apiary<P: Place>(place: &P)
where
    P::Store: Records,
{
    let store = place.open();
    assert_eq!(store.apiary().unwrap(), Apiary::default());
    assert!(!store.set_apiary(&Apiary::default()).unwrap());
    assert!(store.set_apiary(&some_apiary()).unwrap());
    assert!(
        !store.set_apiary(&some_apiary()).unwrap(),
        "twice changes nothing"
    );
    drop(store);
    let store = place.open();
    assert_eq!(store.apiary().unwrap(), some_apiary());
    let fewer = Apiary::new(
        some_apiary().yards().cloned().collect(),
        vec![],
        vec![],
        vec![],
    )
    .unwrap();
    assert!(store.set_apiary(&fewer).unwrap());
    assert_eq!(store.apiary().unwrap(), fewer);
}

fn fills<P: Place>(place: &P)
where
    P::Store: Records,
{
    let fill = |name: &str, hour: i64, volume_l, strength: Option<&str>| RecordedFill {
        feeder: feeder(name),
        time: at(hour),
        volume_l,
        strength: strength.map(|text| Strength::parse(text).unwrap()),
    };
    let counted = |new, replaced, repeated| Appended {
        refused: Vec::new(),
        new,
        replaced,
        repeated,
    };
    let store = place.open();
    let first = fill("b", 1, Some(0.1 + 0.2), Some("5:3"));
    let second = fill("a", 2, None, None);
    let both = [first.clone(), second.clone()];
    assert_eq!(store.record_fills(&both).unwrap(), counted(2, 0, 0));
    assert_eq!(store.record_fills(&both).unwrap(), counted(0, 0, 2));
    let corrected = fill("a", 2, Some(7.5), None);
    assert_eq!(
        store
            .record_fills(&[corrected.clone(), corrected.clone()])
            .unwrap(),
        counted(0, 1, 1)
    );
    drop(store);
    let store = place.open();
    let all = store.recorded_fills(None, Span::ALWAYS).unwrap();
    assert_eq!(
        all,
        [corrected.clone(), first.clone()],
        "by feeder and time"
    );
    assert_eq!(
        store.recorded_fills(None, hours(0, 2)).unwrap(),
        std::slice::from_ref(&first)
    );
    assert_eq!(
        store
            .recorded_fills(Some(&feeder("a")), Span::ALWAYS)
            .unwrap(),
        [corrected]
    );
    assert!(store.remove_fill(&feeder("a"), at(2)).unwrap());
    assert!(!store.remove_fill(&feeder("a"), at(2)).unwrap());
    assert_eq!(store.recorded_fills(None, Span::ALWAYS).unwrap(), [first]);
}

fn quarantine<P: Place>(place: &P)
where
    P::Store: Readings + Records,
{
    let refused = |bytes: &[u8], hour: i64| Refused {
        received_at: at(hour),
        topic: "larder/sc-1/readings".into(),
        bytes: bytes.to_vec(),
        content_type: Some("application/senml+json".into()),
        retained: true,
        reason: "weight: the value is not a finite number".into(),
        record: Some(3),
        impossible: None,
        measured_at: None,
    };
    let store = place.open();
    store.quarantine_durable(&[]).unwrap();
    let noise = refused(&[0, 255, b'{'], 0);
    let whole = Refused {
        record: None,
        content_type: None,
        retained: false,
        ..refused(&[0, 255, b'{'], 1)
    };
    store
        .quarantine_durable(&[noise.clone(), whole.clone()])
        .unwrap();
    store
        .quarantine_durable(&[refused(&[0, 255, b'{'], 2), refused(&[], 3)])
        .unwrap();
    assert_eq!(store.quarantine_size().unwrap(), (3, 4));
    drop(store);

    let store = place.open();
    let all: Vec<Quarantined> = store.quarantined(0, 10).unwrap();
    let expected = [(noise, 2, 2), (whole, 1, 1), (refused(&[], 3), 1, 3)];
    assert_eq!(all.len(), expected.len());
    for (found, (refused, count, last)) in all.iter().zip(expected) {
        assert_eq!(
            (&found.refused, found.count, found.last_at),
            (&refused, count, at(last))
        );
    }
    assert_eq!(store.quarantined(0, 1).unwrap(), all[..1]);
    assert_eq!(store.quarantined(all[0].id, 10).unwrap(), all[1..]);
    store
        .release_quarantined(&[all[0].id, all[2].id, 999])
        .unwrap();
    assert_eq!(store.quarantined(0, 10).unwrap(), all[1..2]);
    store.quarantine_durable(&[refused(b"new", 4)]).unwrap();
    let newest = store.quarantined(all[2].id, 10).unwrap();
    assert_eq!(newest.len(), 1, "a number is never used twice");
    impossible_values_count(&store, &refused(b"12000", 5));
}

fn impossible_values_count(store: &(impl Readings + Records), refused: &Refused) {
    let own_time = |hour: i64| Refused {
        impossible: Some(series("sc-9", "weight")),
        measured_at: Some(at(hour)),
        ..refused.clone()
    };
    let many: Vec<Refused> = (0..400).map(own_time).collect();
    store.quarantine_durable(&many).unwrap();
    store.quarantine_durable(&[own_time(399)]).unwrap();
    let devices = store.devices().unwrap();
    let found = devices.iter().find(|d| d.device == device("sc-9")).unwrap();
    let n = found.impossible.len();
    assert!((100..400).contains(&n), "the newest few hundred, not {n}");
    assert_eq!(
        found.impossible[n - 1],
        (series("sc-9", "weight").channel, at(399))
    );
    let moments: std::collections::BTreeSet<Timestamp> =
        found.impossible.iter().map(|(_, at)| *at).collect();
    assert_eq!(moments.len(), n, "a value read again is not one more");
}

fn devices<P: Place>(place: &P)
where
    P::Store: Readings + Records,
{
    let says = |name: &str, value: &str, hour: i64| Attribute {
        device: device("sc-1"),
        name: name.into(),
        value_json: value.into(),
        time: at(hour),
    };
    let store = place.open();
    assert_eq!(store.devices().unwrap(), []);
    store.note_devices(&[], &[]).unwrap();
    store
        .append_durable(&[reading(&series("sc-7", "weight"), NOW, 1.0)])
        .unwrap();
    store.set_apiary(&some_apiary()).unwrap();
    let firmware = says("firmware", "\"1.2\"", 1);
    store
        .note_devices(
            &[(device("sc-1"), at(1)), (device("sc-1"), at(0))],
            &[firmware],
        )
        .unwrap();
    store
        .note_devices(
            &[(device("sc-1"), at(2))],
            &[says("firmware", "\"1.1\"", 0)],
        )
        .unwrap();
    store
        .note_devices(
            &[],
            &[says("firmware", "\"1.2\"", 2), says("button", "true", 2)],
        )
        .unwrap();
    let check = |store: &P::Store| {
        let devices = store.devices().unwrap();
        let names: Vec<&str> = devices.iter().map(|d| d.device.as_str()).collect();
        assert_eq!(
            names,
            ["gw-1", "lv-1", "sc-1", "sc-7", "wx-1"],
            "heard, declared or with readings"
        );
        assert_eq!(
            devices[2].last_seen,
            Some(at(2)),
            "the newest, whatever came last"
        );
        assert_eq!(devices[3].last_seen, None);
        assert_eq!(
            devices[2].attributes,
            [says("button", "true", 2), says("firmware", "\"1.2\"", 2)]
        );
    };
    check(&store);
    drop(store);
    check(&place.open());
}

fn estimate(value: f64) -> Option<Estimate> {
    Some(Estimate {
        value,
        lo: value - 0.1,
        hi: value + 0.3,
    })
}

fn uptake(name: &str, day: u32, value: f64) -> UptakeDay {
    UptakeDay {
        date: date(day),
        feeder: feeder(name),
        uptake_l: estimate(value),
        remaining_l: None,
        sugar_kg: Some(value * 0.7),
        sensed_share: 0.97,
    }
}

fn weight(name: &str, day: u32, value: f64) -> WeightDay {
    WeightDay {
        date: date(day),
        hive: hive(name),
        weight_kg: estimate(value),
        net_change_kg: None,
        handling_kg: -2.5,
        quality: WeightQuality::Poor,
    }
}

fn fill_event(name: &str, hour: i64, volume: Option<f64>) -> FillEvent {
    FillEvent {
        feeder: feeder(name),
        time: at(hour),
        volume_l: volume.and_then(estimate),
        strength: Some(Strength::parse("2:1").unwrap()),
        source: FillSource::Both,
    }
}

fn results<P: Place>(place: &P)
where
    P::Store: Records,
{
    let store = place.open();
    let unbounded = Estimate {
        value: 1.0,
        lo: f64::NEG_INFINITY,
        hi: f64::INFINITY,
    };
    let open_ended = UptakeDay {
        remaining_l: Some(unbounded),
        ..uptake("b", 2, 0.0)
    };
    let first = ResultsPatch {
        hives: vec![hive("h"), hive("i")],
        feeders: vec![feeder("a"), feeder("b")],
        dates: Some((date(1), date(3))),
        fills_span: Some(hours(0, 100)),
        uptake: vec![uptake("b", 1, 1.0), uptake("a", 1, 2.0), open_ended.clone()],
        weight: vec![
            weight("i", 1, 40.0),
            weight("h", 3, 41.0),
            weight("h", 1, 42.0),
        ],
        fills: vec![fill_event("b", 1, Some(5.0)), fill_event("a", 9, None)],
        learned: Vec::new(),
    };
    store.replace_results(&first).unwrap();
    drop(store);
    let store = place.open();
    let both = [feeder("a"), feeder("b")];
    let by_date = store.uptake(&both, None, None).unwrap();
    assert_eq!(
        by_date,
        [uptake("a", 1, 2.0), uptake("b", 1, 1.0), open_ended.clone()]
    );
    let one_day = store.uptake(&both, Some(date(2)), Some(date(2))).unwrap();
    assert_eq!(one_day, [open_ended]);
    assert_eq!(store.uptake(&[], None, None).unwrap(), [], "of no feeder");
    let hives = [hive("h"), hive("i")];
    let from_second = store.weight(&hives, Some(date(2)), None).unwrap();
    assert_eq!(from_second, [weight("h", 3, 41.0)]);
    let fills = store.fill_events(&both, Span::ALWAYS).unwrap();
    assert_eq!(
        fills,
        [fill_event("a", 9, None), fill_event("b", 1, Some(5.0))]
    );

    // What was found for these feeders, hives and days is replaced, and nothing else.
    let second = ResultsPatch {
        hives: vec![hive("h")],
        feeders: vec![feeder("b")],
        dates: Some((date(1), date(2))),
        fills_span: Some(hours(0, 2)),
        uptake: vec![uptake("b", 2, 3.0)],
        ..ResultsPatch::default()
    };
    store.replace_results(&second).unwrap();
    let by_date = store.uptake(&both, None, None).unwrap();
    assert_eq!(by_date, [uptake("a", 1, 2.0), uptake("b", 2, 3.0)]);
    let weights = store.weight(&hives, None, None).unwrap();
    assert_eq!(weights, [weight("i", 1, 40.0), weight("h", 3, 41.0)]);
    let fills = store.fill_events(&both, Span::ALWAYS).unwrap();
    assert_eq!(fills, [fill_event("a", 9, None)]);
    store.replace_results(&ResultsPatch::default()).unwrap();
    assert_eq!(store.uptake(&both, None, None).unwrap(), by_date);
}

fn learned<P: Place>(place: &P)
where
    P::Store: Records,
{
    let store = place.open();
    let of = |device: &str, what, day, value: f64| Learned {
        hive: hive("h"),
        source: super::series(device, "weight"),
        what,
        date: date(day),
        since: at(-24),
        value: estimate(value).unwrap(),
    };
    let patch = |days: (u32, u32), learned: &[Learned]| ResultsPatch {
        hives: vec![hive("h")],
        dates: Some((date(days.0), date(days.1))),
        learned: learned.to_vec(),
        ..ResultsPatch::default()
    };
    let first = of("sc-1", Trait::PerKelvin, 1, 0.01);
    let later = of("sc-1", Trait::PerKelvin, 2, 0.02);
    let other = of("sc-2", Trait::Noise, 1, 0.03);
    let all = [later.clone(), first.clone(), other.clone()];
    store.replace_results(&patch((1, 2), &all)).unwrap();
    drop(store);
    let store = place.open();
    assert_eq!(store.learned().unwrap(), [later.clone(), other.clone()]);
    let device = first.source.device.clone();
    assert_eq!(store.learned_of(&device).unwrap(), [first.clone(), later]);

    // The days of a hive that are estimated again take the place of what was there.
    let again = of("sc-1", Trait::PerKelvin, 2, 0.04);
    store
        .replace_results(&patch((2, 3), std::slice::from_ref(&again)))
        .unwrap();
    assert_eq!(store.learned_of(&device).unwrap(), [first, again]);
    store.replace_results(&patch((1, 3), &[])).unwrap();
    assert_eq!(store.learned().unwrap(), []);
}

fn flag(kind: FlagKind, place: Option<&str>, opened: i64, closed: Option<i64>) -> KeptFlag {
    let series = super::series("sc-1", "weight");
    let flag = Flag {
        kind,
        yard: place.map(yard),
        hive: place.map(|_| hive("h")),
        feeder: None,
        device: Some(device("sc-1")),
        opened_at: at(opened),
        closed_at: closed.map(at),
        severity: Severity::Warning,
        probability: 0.93,
        evidence: Evidence {
            channels: vec![series],
            over: Some(hours(opened - 24, opened)),
            ..Evidence::new("no reading for {hours}").with("hours", 26.0, Measure::Hours)
        },
    };
    KeptFlag {
        id: FlagId::first_of(&flag),
        flag,
        known_at: Some(at(opened + 1)),
        changed_at: at(opened + 1),
        withdrawn_at: None,
        care: Care::default(),
    }
}

fn flags<P: Place>(place: &P)
where
    P::Store: Records,
{
    let north = yard("north");
    let old = flag(FlagKind::Silent, Some("north"), -50, Some(-40));
    let open = flag(FlagKind::Empty, Some("north"), 2, None);
    let closed = flag(FlagKind::Silent, Some("north"), 1, Some(3));
    let nowhere = flag(FlagKind::LowBattery, None, 2, None);
    let elsewhere = flag(FlagKind::Leaking, Some("south"), 2, None);
    let store = place.open();
    let given = [&open, &old, &closed, &nowhere, &elsewhere].map(Clone::clone);
    store.keep_flags(&given).unwrap();
    store.keep_flags(&[]).unwrap();
    drop(store);
    let store = place.open();
    let of_north = store.flags(Some(&north), Span::ALWAYS).unwrap();
    assert_eq!(
        of_north,
        [old.clone(), closed.clone(), open.clone()],
        "by opening time"
    );
    assert_eq!(store.flags(None, Span::ALWAYS).unwrap().len(), 5);
    let in_one_hour = store.flags(Some(&north), hours(4, 5)).unwrap();
    assert_eq!(in_one_hour, std::slice::from_ref(&open), "still open");
    assert_eq!(
        store.flags(Some(&north), hours(-45, -41)).unwrap(),
        std::slice::from_ref(&old)
    );
    // It is found to have been wrong, and to have opened at another time; it keeps its name.
    let mut wrong = closed.clone();
    wrong.withdrawn_at = Some(at(9));
    wrong.flag.opened_at = at(0);
    store.keep_flags(std::slice::from_ref(&wrong)).unwrap();
    assert_eq!(store.flag(&closed.id).unwrap(), Some(wrong.clone()));
    assert_eq!(
        store.flags(Some(&north), Span::ALWAYS).unwrap(),
        [old, wrong, open]
    );
    let unknown: FlagId = "stalled:h:1".parse().unwrap();
    assert_eq!(store.flag(&unknown).unwrap(), None);
}

fn care<P: Place>(place: &P)
where
    P::Store: Records,
{
    let entry = |act, hour| CareEntry {
        act,
        said: Said {
            who: "Ada".to_owned(),
            at: at(hour),
        },
    };
    let store = place.open();
    let (one, other) = (
        flag(FlagKind::Leaking, Some("north"), 2, None),
        flag(FlagKind::Robbed, Some("north"), 3, None),
    );
    store.keep_flags(&[one.clone(), other.clone()]).unwrap();
    let acts = [
        entry(Act::Note("the lid was open, \"again\"".to_owned()), 4),
        entry(Act::Judge(Some(Verdict::Right)), 5),
        entry(Act::Snooze(Some(at(48))), 6),
        entry(Act::Acknowledge(true), 7),
    ];
    for act in &acts {
        assert!(store.care_for(&one.id, act).unwrap());
        assert!(!store.care_for(&one.id, act).unwrap(), "sent twice");
    }
    drop(store);
    let store = place.open();
    let kept = store.flag(&one.id).unwrap().unwrap();
    assert_eq!(kept.care, Care::of(acts.to_vec()));
    assert!(kept.care.is_quiet(at(100)));
    // What is found out anew leaves what was said alone, and takes no notice of what it is given.
    store.keep_flags(&[one.clone(), other.clone()]).unwrap();
    let listed = store.flags(None, Span::ALWAYS).unwrap();
    let care_of = |id: &FlagId| listed.iter().find(|f| f.id == *id).unwrap().care.clone();
    assert_eq!(
        (care_of(&one.id), care_of(&other.id)),
        (kept.care, Care::default())
    );
    for taken_back in [
        entry(Act::Acknowledge(false), 8),
        entry(Act::Snooze(None), 8),
        entry(Act::Judge(None), 8),
    ] {
        assert!(store.care_for(&one.id, &taken_back).unwrap());
    }
    let care = store.flag(&one.id).unwrap().unwrap().care;
    assert_eq!(
        (&care.acknowledged, &care.snoozed, &care.verdict),
        (&None, &None, &None)
    );
    assert_eq!(care.notes.len(), 1);
}

fn settings<P: Place>(place: &P)
where
    P::Store: Records,
{
    let store = place.open();
    assert_eq!(store.setting("units").unwrap(), None);
    store.set_setting("units", "us").unwrap();
    store.set_setting("units", "metric").unwrap();
    drop(store);
    let found: Result<Option<String>, StoreError> = place.open().setting("units");
    assert_eq!(found.unwrap().as_deref(), Some("metric"));
}
