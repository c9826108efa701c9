//! Live and batch end at the same results.

use super::*;
use crate::demo::{DemoApiary, DemoMessage, DemoOptions};
use larder_domain::{ChannelRef, Reading, Sample};
use larder_ingest::decode::{DecodeConfig, Message, decode};
use larder_store::{
    Access, Appended, EmbeddedStore, LatestSample, Receipt, Removal, Removed, SeriesInfo,
    StoreError,
};

const START: Timestamp = Timestamp(1_788_238_800_000);

struct Told {
    store: EmbeddedStore,
    _folder: tempfile::TempDir,
}

fn store() -> Told {
    let folder = tempfile::tempdir().unwrap();
    Told {
        store: EmbeddedStore::open(folder.path(), Access::Create).unwrap(),
        _folder: folder,
    }
}

type Rows = (Vec<String>, Vec<String>, Vec<String>, Vec<String>);

fn results(told: &Told, apiary: &Apiary) -> Rows {
    let feeders: Vec<_> = apiary.feeders().map(|f| f.id.clone()).collect();
    let hives: Vec<_> = apiary.hives().map(|h| h.id.clone()).collect();
    (
        told.store
            .uptake(&feeders, None, None)
            .unwrap()
            .iter()
            .map(|r| format!("{r:?}"))
            .collect(),
        told.store
            .weight(&hives, None, None)
            .unwrap()
            .iter()
            .map(|r| format!("{r:?}"))
            .collect(),
        told.store
            .fill_events(&feeders, Span::ALWAYS)
            .unwrap()
            .iter()
            .map(|r| format!("{r:?}"))
            .collect(),
        told.store
            .flags(None, Span::ALWAYS)
            .unwrap()
            .iter()
            .filter(|kept| kept.stands())
            .map(|kept| {
                let flag = &kept.flag;
                format!("{:?} {:?} {:?}", flag.kind, flag.feeder, flag.opened_at)
            })
            .collect(),
    )
}

fn readings_of(message: &DemoMessage) -> Vec<Reading> {
    let message = Message {
        topic: message.topic.clone(),
        cut_from: None,
        payload: message.payload.clone(),
        content_type: Some(message.content_type.to_owned()),
        retained: false,
        received_at: message.at,
    };
    decode(&message, &DecodeConfig::default(), START).readings
}

/// Weeks of the demo, taken in two days at a time and processed each time, and once more
/// with a day that comes late, against one run over all of it.
#[test]
fn live_and_batch_end_at_the_same_results() {
    let options = DemoOptions::new(40, 1, 2, 7).unwrap();
    let mut demo = DemoApiary::new(options, START);
    let apiary = demo.apiary();
    let messages: Vec<_> = demo.history().collect();
    let fills = demo.take_fills();
    let (live, batch) = (store(), store());
    batch.store.set_apiary(&apiary).unwrap();
    batch.store.record_fills(&fills).unwrap();
    for message in &messages {
        batch.store.append_durable(&readings_of(message)).unwrap();
    }
    let all = Pipeline {
        readings: &batch.store,
        records: &batch.store,
        clock: START,
    };
    all.process_everything(START).unwrap();

    live.store.set_apiary(&apiary).unwrap();
    live.store.record_fills(&fills).unwrap();
    let part = Pipeline {
        readings: &live.store,
        records: &live.store,
        clock: START,
    };
    let mut turns = Turns::default();
    let late_from = START.plus_ms(-12 * 86_400_000);
    let late = Span {
        start: late_from,
        end: late_from.plus_ms(86_400_000),
    };
    let mut next = messages[0].at;
    for message in messages.iter().filter(|message| !late.contains(message.at)) {
        if message.at >= next {
            part.process_news(&mut turns, message.at, 0).unwrap();
            next = message.at.plus_ms(48 * 3_600_000);
        }
        live.store.append_durable(&readings_of(message)).unwrap();
    }
    part.process_news(&mut turns, START, 0).unwrap();
    for message in messages.iter().filter(|message| late.contains(message.at)) {
        live.store.append_durable(&readings_of(message)).unwrap();
    }
    part.process_news(&mut turns, START, 0).unwrap();

    let learned = |told: &Told| {
        let devices = told.store.learned().unwrap().into_iter();
        let devices: std::collections::BTreeSet<_> = devices.map(|l| l.source.device).collect();
        let all = devices
            .iter()
            .flat_map(|d| told.store.learned_of(d).unwrap());
        all.map(|l| format!("{l:?}")).collect::<Vec<_>>()
    };
    assert_eq!(learned(&live), learned(&batch), "learned");
    let (live, batch) = (results(&live, &apiary), results(&batch, &apiary));
    assert!(!batch.0.is_empty() && !batch.1.is_empty() && !batch.2.is_empty());
    assert_eq!(live.0, batch.0, "uptake");
    assert_eq!(live.1, batch.1, "weight");
    assert_eq!(live.2, batch.2, "fills");
    assert_eq!(live.3, batch.3, "flags");
}

/// A store of which one series can't be read, or makes the estimators fail.
struct Spoilt<'a> {
    inner: &'a EmbeddedStore,
    series: ChannelRef,
    panics: bool,
    /// How often all series were asked for.
    listed: std::sync::atomic::AtomicUsize,
    /// What was read of sound series, one entry a question.
    asked: std::sync::Mutex<Vec<ChannelRef>>,
}

impl Readings for Spoilt<'_> {
    fn append_received(
        &self,
        readings: &[Reading],
        receipts: &[Receipt],
    ) -> Result<Appended, StoreError> {
        self.inner.append_received(readings, receipts)
    }

    fn remove(&self, removal: &Removal<'_>) -> Result<Removed, StoreError> {
        self.inner.remove(removal)
    }

    fn receipts(&self) -> Result<Vec<Receipt>, StoreError> {
        self.inner.receipts()
    }

    fn series(&self) -> Result<Vec<SeriesInfo>, StoreError> {
        self.listed
            .fetch_add(1, std::sync::atomic::Ordering::Relaxed);
        self.inner.series()
    }

    fn range(&self, series: &ChannelRef, span: Span) -> Result<Vec<Sample>, StoreError> {
        if *series == self.series {
            assert!(
                !self.panics,
                "a fault of the estimators, played by the test"
            );
            return Err(StoreError::Damaged {
                dir: "here".into(),
                what: "a block does not match its checksum".into(),
            });
        }
        self.asked.lock().unwrap().push(series.clone());
        self.inner.range(series, span)
    }

    fn reduced(
        &self,
        series: &ChannelRef,
        span: Span,
        points: usize,
    ) -> Result<Vec<Sample>, StoreError> {
        self.inner.reduced(series, span, points)
    }

    fn latest(&self) -> Result<Vec<LatestSample>, StoreError> {
        self.inner.latest()
    }
}

/// One damaged series, or a fault in one yard, stops nobody else, and takes no old result away.
#[test]
fn one_damaged_series_stops_no_other() {
    let mut demo = DemoApiary::new(DemoOptions::new(10, 2, 3, 3).unwrap(), START);
    let apiary = demo.apiary();
    let told = store();
    told.store.set_apiary(&apiary).unwrap();
    for message in demo.history().collect::<Vec<_>>() {
        told.store.append_durable(&readings_of(&message)).unwrap();
    }
    told.store.record_fills(&demo.take_fills()).unwrap();
    let whole = Pipeline {
        readings: &told.store,
        records: &told.store,
        clock: START,
    };
    whole.process_everything(START).unwrap();
    let before = results(&told, &apiary);
    let hive = apiary.hives().next().unwrap();
    let spoilt = |panics| Spoilt {
        inner: &told.store,
        series: hive.scales[0].source.clone(),
        panics,
        listed: std::sync::atomic::AtomicUsize::new(0),
        asked: std::sync::Mutex::default(),
    };
    let yards: Vec<_> = apiary.yards().map(|yard| yard.id.clone()).collect();

    let damaged = spoilt(false);
    let part = Pipeline {
        readings: &damaged,
        records: &told.store,
        clock: START,
    };
    let mut turns = Turns::default();
    let done = part.process_news(&mut turns, START, 0).unwrap();
    assert_eq!(done.yards, yards);
    let listed = damaged.listed.load(std::sync::atomic::Ordering::Relaxed);
    assert_eq!(listed, 1, "once a run, however many yards there are");
    let mut asked = damaged.asked.lock().unwrap().clone();
    asked.sort();
    let n = asked.len();
    asked.dedup();
    assert_eq!(asked.len(), n, "each series is read once");
    assert!(!done.hives.contains(&hive.id));
    assert_eq!(done.hives.len(), apiary.hives().count() - 1);
    let [(yard, left_out)] = &done.left_out[..] else {
        panic!("{:?}", done.left_out);
    };
    assert_eq!(*yard, hive.yard);
    assert!(
        left_out
            .iter()
            .any(|part| part.hive.as_ref() == Some(&hive.id))
    );
    assert_eq!(turns.troubles().count(), 1);
    // Its neighbours are estimated without it; what stood there of it stays.
    let of_hive = |all: Rows| -> Vec<String> {
        let all = [all.0, all.1, all.2, all.3].concat();
        all.into_iter()
            .filter(|row| row.contains(hive.id.as_str()))
            .collect()
    };
    assert_eq!(of_hive(results(&told, &apiary)), of_hive(before));

    let faulty = spoilt(true);
    let part = Pipeline {
        readings: &faulty,
        records: &told.store,
        clock: START,
    };
    let done = part.process_news(&mut turns, START.plus_ms(1), 0).unwrap();
    assert_eq!(done.yards, yards[1..]);
    assert!(turns.must_wait(&yards[0], START.plus_ms(2)));
    let mended = whole.process_news(&mut turns, START.plus_ms(2), 0).unwrap();
    assert_eq!(mended.yards, yards[1..], "it waits");
    turns.clear();
    let mended = whole.process_news(&mut turns, START.plus_ms(3), 0).unwrap();
    assert_eq!((mended.yards, turns.troubles().count()), (yards, 0));
}

fn told_of(demo: &mut DemoApiary, without: impl Fn(&DemoMessage) -> bool) -> Told {
    let told = store();
    told.store.set_apiary(&demo.apiary()).unwrap();
    for message in demo.history().filter(|message| !without(message)) {
        told.store.append_durable(&readings_of(&message)).unwrap();
    }
    told.store.record_fills(&demo.take_fills()).unwrap();
    told
}

fn processed(told: &Told, now: Timestamp) -> Processed {
    let pipeline = Pipeline {
        readings: &told.store,
        records: &told.store,
        clock: now,
    };
    pipeline.process_everything(now).unwrap()
}

/// What a clock chip says after its battery died made 26 years of uptake, 28 times the work, and flags
/// open since 2000.
#[test]
fn a_reading_from_the_year_2000_changes_nothing_but_the_sensors_flag() {
    let options = || DemoOptions::new(12, 1, 2, 5).unwrap();
    let mut demo = DemoApiary::new(options(), START);
    let apiary = demo.apiary();
    let clean = told_of(&mut demo, |_| false);
    let without = processed(&clean, START);

    let told = told_of(&mut DemoApiary::new(options(), START), |_| false);
    let scale = apiary.hives().next().unwrap().scales[0].source.clone();
    let dead_battery = Timestamp::parse_rfc3339("2000-01-01T00:00:05Z").unwrap();
    let stray = Reading {
        device: scale.device.clone(),
        channel: scale.channel,
        unit: larder_domain::Unit::new("kg").unwrap(),
        time: dead_battery,
        value: 41.0,
    };
    told.store.append_durable(&[stray]).unwrap();
    let with = processed(&told, START);
    assert_eq!(with.days, without.days);
    assert_eq!(results(&told, &apiary), results(&clean, &apiary));

    // The same was heard live: the sensor is told of.
    let received_at = START.plus_ms(-86_400_000);
    let said = larder_store::Attribute {
        device: scale.device.clone(),
        name: larder_store::CLOCK_OFF.into(),
        value_json: "\"2000-01-01T00:00:05Z\"".into(),
        time: received_at,
    };
    told.store.note_devices(&[], &[said]).unwrap();
    processed(&told, START);
    let flags = told.store.flags(None, Span::ALWAYS).unwrap();
    let of_clock = flags.iter().find(|kept| {
        kept.flag.kind == larder_domain::FlagKind::SensorFault
            && kept.flag.device.as_ref() == Some(&scale.device)
            && kept.flag.evidence.template.contains("clock said")
    });
    assert_eq!(of_clock.unwrap().flag.opened_at, received_at);
}

/// A yard that says nothing for five weeks is not estimated in them, and what it says before and
/// after is.
#[test]
fn a_hole_of_weeks_is_not_bridged() {
    let day = |n: i64| START.plus_ms(-n * 86_400_000);
    let mut demo = DemoApiary::new(DemoOptions::new(60, 1, 2, 11).unwrap(), START);
    let apiary = demo.apiary();
    let told = told_of(&mut demo, |message| {
        (day(50)..day(15)).contains(&message.at)
    });
    // The demo's keeper wrote fills down meanwhile; nobody did here.
    for fill in told.store.recorded_fills(None, Span::ALWAYS).unwrap() {
        if (day(50)..day(15)).contains(&fill.time) {
            told.store.remove_fill(&fill.feeder, fill.time).unwrap();
        }
    }
    processed(&told, START);
    let feeders: Vec<_> = apiary.feeders().map(|f| f.id.clone()).collect();
    let zone = apiary.yards().next().unwrap().timezone;
    let uptake = told.store.uptake(&feeders, None, None).unwrap();
    let has = |n: i64| uptake.iter().any(|row| row.date == day(n).local_date(zone));
    assert!(has(55) && has(10) && has(1), "before and after");
    assert!(has(35), "three weeks of silence are still judged");
    assert!((17..27).all(|n| !has(n)), "the rest is not known");
    let in_hole = day(25)..day(16);
    let flags = told.store.flags(None, Span::ALWAYS).unwrap();
    let open = flags.iter().filter(|kept| kept.stands()).filter(|kept| {
        // That devices were silent is known; nothing else is.
        kept.flag.kind != larder_domain::FlagKind::Silent
            && kept.flag.opened_at < in_hole.start
            && kept.flag.closed_at.is_none_or(|at| at > in_hole.end)
    });
    assert_eq!(
        open.map(|kept| &kept.flag).collect::<Vec<_>>(),
        Vec::<&Flag>::new()
    );
}

/// What was estimated while the clock was in 2106 goes with the next run.
#[test]
fn results_beyond_today_are_removed() {
    let mut demo = DemoApiary::new(DemoOptions::new(8, 1, 2, 5).unwrap(), START);
    let apiary = demo.apiary();
    let told = told_of(&mut demo, |_| false);
    processed(&told, START);
    let before = results(&told, &apiary);
    let hives: Vec<_> = apiary.hives().map(|h| h.id.clone()).collect();
    let feeders: Vec<_> = apiary.feeders().map(|f| f.id.clone()).collect();
    let date = |text: &str| text.parse::<NaiveDate>().unwrap();
    let row = told.store.uptake(&feeders, None, None).unwrap().remove(0);
    let patch = ResultsPatch {
        hives,
        feeders,
        dates: Some((date("2106-01-01"), date("2106-12-31"))),
        uptake: vec![larder_domain::UptakeDay {
            date: date("2106-02-03"),
            ..row
        }],
        ..ResultsPatch::default()
    };
    told.store.replace_results(&patch).unwrap();
    assert_ne!(results(&told, &apiary), before);
    processed(&told, START);
    assert_eq!(results(&told, &apiary), before);
}

/// What was learned rests on readings, not on when it is looked at: a run some minutes after the last
/// reading learns what the live one learned.
#[test]
fn what_was_learned_does_not_move_with_the_clock() {
    let mut demo = DemoApiary::new(DemoOptions::new(40, 1, 3, 5).unwrap(), START);
    let told = told_of(&mut demo, |_| false);
    processed(&told, START);
    let first = told.store.learned().unwrap();
    processed(&told, START.plus_ms(7 * 60_000));
    let second = told.store.learned().unwrap();
    assert!(!first.is_empty());
    for (one, other) in first.iter().zip(&second) {
        assert_eq!(one, other);
    }
}

/// A fill written down for one yard makes that yard be estimated, around that day, and no other.
#[test]
fn a_fill_concerns_its_own_yard_only() {
    let mut demo = DemoApiary::new(DemoOptions::new(40, 3, 2, 9).unwrap(), START);
    let apiary = demo.apiary();
    let told = told_of(&mut demo, |_| false);
    let pipeline = Pipeline {
        readings: &told.store,
        records: &told.store,
        clock: START,
    };
    let mut turns = Turns::default();
    pipeline.process_news(&mut turns, START, 300_000).unwrap();
    let yard = apiary.yards().nth(1).unwrap().id.clone();
    let at = START.plus_ms(-86_400_000);
    let span = Span {
        start: at,
        end: at.plus_ms(1),
    };
    let noted = BTreeMap::from([(yard.clone(), span)]);
    let soon = START.plus_ms(2_000);
    let done = pipeline
        .process_noted(&mut turns, &noted, soon, 300_000)
        .unwrap();
    assert_eq!(done.yards, [yard]);
    let whole = processed(&told, soon).days / 3;
    assert!(done.days < whole, "{} of {whole} days", done.days);
}
