//! Live and batch end at the same results.

use super::*;
use crate::demo::{DemoApiary, DemoOptions};
use larder_ingest::decode::{DecodeConfig, Message, decode};
use larder_store::{Access, EmbeddedStore};

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

fn results(told: &Told, apiary: &Apiary) -> (Vec<String>, Vec<String>, Vec<String>, Vec<String>) {
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

/// Weeks of the demo, taken in two days at a time and processed each time, and once more
/// with a day that comes late, against one run over all of it.
#[test]
fn live_and_batch_end_at_the_same_results() {
    let options = DemoOptions::new(24, 1, 2, 7).unwrap();
    let mut demo = DemoApiary::new(options, START);
    let apiary = demo.apiary();
    let messages: Vec<_> = demo.history().collect();
    let fills = demo.take_fills();
    let (live, batch) = (store(), store());
    let config = DecodeConfig::default();
    let readings_of = |message: &crate::demo::DemoMessage| {
        let message = Message {
            topic: message.topic.clone(),
            cut_from: None,
            payload: message.payload.clone(),
            content_type: Some(message.content_type.to_owned()),
            retained: false,
            received_at: message.at,
        };
        decode(&message, &config, START).readings
    };

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
    let mut turns = Turns::new();
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

    let (live, batch) = (results(&live, &apiary), results(&batch, &apiary));
    assert!(!batch.0.is_empty() && !batch.1.is_empty() && !batch.2.is_empty());
    assert_eq!(live.0, batch.0, "uptake");
    assert_eq!(live.1, batch.1, "weight");
    assert_eq!(live.2, batch.2, "fills");
    assert_eq!(live.3, batch.3, "flags");
}
