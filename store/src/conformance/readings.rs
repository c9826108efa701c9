//! Readings against a simple model.

use super::{DAY, MINUTE, NOW, Place, reading, series};
use crate::{Appended, Readings};
use larder_domain::{ChannelRef, Reading, Sample, Span, Timestamp, Unit};
use proptest::prelude::*;
use proptest::test_runner::{Config, TestRunner};
use std::collections::BTreeMap;

/// Puts a backend for readings through all checks, each in a place of its own.
pub fn check_readings<P: Place>(new_place: impl Fn() -> P)
where
    P::Store: Readings,
{
    check_readings_with(CASES, new_place);
}

/// Invented histories that a backend is put through.
const CASES: u32 = 48;

/// Checks a backend's readings with another number of invented histories, for those that are slow
/// to ask.
pub fn check_readings_with<P: Place>(cases: u32, new_place: impl Fn() -> P)
where
    P::Store: Readings,
{
    empty_is_no_error(&new_place().open());
    counts_inside_one_batch(&new_place().open());
    units_are_the_series_own(&new_place().open());
    peaks_of_a_long_series_stay(&new_place());
    anything_that_happens(cases, &new_place);
}

fn empty_is_no_error(store: &impl Readings) {
    let unknown = series("nobody", "weight");
    assert_eq!(store.append_durable(&[]).unwrap(), Appended::default());
    assert_eq!(store.series().unwrap(), []);
    assert_eq!(store.latest().unwrap(), []);
    assert_eq!(store.range(&unknown, Span::ALWAYS).unwrap(), []);
    assert_eq!(store.reduced(&unknown, Span::ALWAYS, 100).unwrap(), []);
}

fn counts_inside_one_batch(store: &impl Readings) {
    let weight = series("sc-1", "weight");
    let batch = [41.0, 41.0, 42.0, 41.0].map(|value| reading(&weight, NOW, value));
    let counted = store.append_durable(&batch).unwrap();
    let expected = Appended {
        new: 1,
        replaced: 2,
        repeated: 1,
        refused: Vec::new(),
    };
    assert_eq!(counted, expected);
    let stands = store.range(&weight, Span::ALWAYS).unwrap();
    assert_eq!(stands, [sample(NOW, 41.0)], "the last one stands");
}

fn units_are_the_series_own(store: &impl Readings) {
    let gas = series("sc-1", "co2");
    let with = |unit: &str, minute: i64, value: f64| Reading {
        unit: Unit::new(unit).unwrap(),
        ..reading(&gas, NOW + minute * MINUTE, value)
    };
    store.append_durable(&[with("g", 0, 5.0)]).unwrap();
    let batch = [with("kg", 1, 5.0), with("g", 1, 5000.0)];
    let counted = store.append_durable(&batch).unwrap();
    assert_eq!((counted.new, counted.repeated), (1, 1), "5 kg are 5000 g");
    let stands = store.range(&gas, Span::ALWAYS).unwrap();
    let expected = [sample(NOW, 5.0), sample(NOW + MINUTE, 5000.0)];
    assert_eq!(stands, expected);
    // A unit of another quantity would make 5 g of the past 5 V: that reading is handed back, and the
    // others of its batch are taken in.
    let batch = [with("V", 2, 1.5), with("kg", 3, 6.0)];
    let counted = store.append_durable(&batch).unwrap();
    assert_eq!(counted.new, 1);
    let [refused] = &counted.refused[..] else {
        panic!("one reading is refused: {counted:?}");
    };
    assert_eq!(refused.reading, batch[0]);
    let why = refused.why.to_string();
    assert!(
        why.contains("kept in g") && why.contains("is in V"),
        "{why}"
    );
    let entry = refused.clone().into_refused(Timestamp(NOW));
    assert_eq!(entry.content_type.as_deref(), Some(crate::READING_LINE));
    assert_eq!(entry.topic, "sc-1/co2");
    let latest = store.latest().unwrap().remove(0);
    assert_eq!((latest.unit.as_str(), latest.sample.value), ("g", 6000.0));
    // Neither does the order within the batch that brings the first reading matter.
    let other = series("sc-1", "level");
    let batch = [("V", 3.9), ("kg", 3.9)].map(|(unit, value)| Reading {
        unit: Unit::new(unit).unwrap(),
        ..reading(&other, NOW, value)
    });
    let counted = store.append_durable(&batch).unwrap();
    assert_eq!((counted.new, counted.refused.len()), (1, 1));
    let found = store.series().unwrap();
    let level = found.iter().find(|info| info.series == other).unwrap();
    assert_eq!(level.unit.as_str(), "V");
}

/// Four hundred days at half an hour, with spikes of one reading.
fn peaks_of_a_long_series_stay<P: Place>(place: &P)
where
    P::Store: Readings,
{
    let weight = series("sc-1", "weight");
    let spike = |i: i64| match i % 4_001 {
        17 => 90.0,
        2_017 => -20.0,
        _ => 40.0 + (i % 48) as f64 / 100.0,
    };
    let all: Vec<Reading> = (0..400 * 48)
        .map(|i| reading(&weight, NOW + i * 30 * MINUTE, spike(i)))
        .collect();
    let store = place.open();
    store.append_durable(&all).unwrap();
    for tidied in [false, true] {
        if tidied {
            place.tidy(&store);
        }
        for points in [40, 100, 1000, 5000] {
            let whole = Span::ALWAYS;
            let part = Span {
                start: Timestamp(NOW + 3 * DAY + 7),
                end: Timestamp(NOW + 390 * DAY + 7),
            };
            for span in [whole, part] {
                let full = store.range(&weight, span).unwrap();
                let few = store.reduced(&weight, span, points).unwrap();
                check_reduced(&full, &few, points);
            }
        }
    }
}

/// Every bucket keeps its least and greatest value: near every reading stands one at least as
/// high, and one at least as low.
fn check_reduced(full: &[Sample], few: &[Sample], points: usize) {
    let is_part = few.iter().all(|sample| {
        let found = full.binary_search_by_key(&sample.time, |s| s.time);
        found.is_ok_and(|at| full[at].value.to_bits() == sample.value.to_bits())
    });
    assert!(is_part, "nothing is invented");
    assert!(few.windows(2).all(|pair| pair[0].time < pair[1].time));
    assert_eq!((few.first(), few.last()), (full.first(), full.last()));
    if full.len() <= points {
        assert_eq!(few, full, "a short series comes whole");
        return;
    }
    assert!(few.len() <= 2 * points.max(4), "{} of {points}", few.len());
    let length = full[full.len() - 1].time.0 - full[0].time.0;
    let bucket = length / (points as i64 / 2 - 1).max(1) + 2 * DAY;
    for sample in full {
        let start = few.partition_point(|kept| kept.time.0 < sample.time.0 - bucket);
        let end = few.partition_point(|kept| kept.time.0 <= sample.time.0 + bucket);
        let near = || few[start..end].iter().map(|kept| kept.value);
        let kept = near().any(|v| v >= sample.value) && near().any(|v| v <= sample.value);
        assert!(kept, "{sample:?} has no peak near it with {points} points");
    }
}

fn sample(ms: i64, value: f64) -> Sample {
    Sample {
        time: Timestamp(ms),
        value,
    }
}

type Model = BTreeMap<ChannelRef, BTreeMap<i64, f64>>;

#[derive(Clone, Debug)]
enum Step {
    /// Pairs of a series' index and what it says.
    Append(Vec<(usize, i64, f64)>),
    Tidy,
    Reopen,
}

fn any_series() -> [ChannelRef; 4] {
    [
        series("sc-1", "weight"),
        series("sc-1", "temperature"),
        series("lg-7", "b/weight"),
        series("lg-7", "a/weight"),
    ]
}

/// Few different moments, so that many meet; some of them long ago.
fn any_time() -> impl Strategy<Value = i64> {
    prop_oneof![
        20 => (0i64..900).prop_map(|i| NOW + i * 5 * MINUTE),
        5 => (0i64..40).prop_map(|i| NOW + i),
        2 => (0i64..400).prop_map(|i| NOW - i * DAY),
        1 => Just(946_684_800_000),
    ]
}

fn any_value() -> impl Strategy<Value = f64> {
    prop_oneof![
        10 => (0i32..5).prop_map(|i| f64::from(i) / 100.0 + 41.0),
        2 => prop::sample::select(vec![0.0, -0.0, 0.1 + 0.2, 1.0 / 3.0, f64::MIN_POSITIVE, -99.999]),
        2 => -1e6..1e6f64,
    ]
}

fn any_step() -> impl Strategy<Value = Step> {
    let append = prop::collection::vec((0..4usize, any_time(), any_value()), 1..60);
    let run = (0..4usize, any_time(), 1i64..30, any_value()).prop_map(|(of, from, n, value)| {
        (0..n)
            .map(|i| (of, from + i * 5 * MINUTE, value + i as f64 / 8.0))
            .collect()
    });
    prop_oneof![
        5 => append.prop_map(Step::Append),
        3 => run.prop_map(Step::Append),
        2 => Just(Step::Tidy),
        1 => Just(Step::Reopen),
    ]
}

fn anything_that_happens<P: Place>(cases: u32, new_place: &impl Fn() -> P)
where
    P::Store: Readings,
{
    let steps = prop::collection::vec(any_step(), 1..14);
    let mut runner = TestRunner::new(Config {
        cases,
        failure_persistence: None,
        ..Config::default()
    });
    let outcome = runner.run(&steps, |steps| {
        let place = new_place();
        let mut store = place.open();
        let mut model = Model::new();
        for step in steps {
            match step {
                Step::Append(batch) => append(&store, &mut model, &batch),
                Step::Tidy => place.tidy(&store),
                Step::Reopen => {
                    drop(store);
                    store = place.open();
                }
            }
            check_against(&store, &model);
        }
        Ok(())
    });
    outcome.unwrap();
}

fn append(store: &impl Readings, model: &mut Model, batch: &[(usize, i64, f64)]) {
    let all = any_series();
    let mut expected = Appended::default();
    for &(of, ms, value) in batch {
        match model.entry(all[of].clone()).or_default().insert(ms, value) {
            None => expected.new += 1,
            Some(before) if before.to_bits() == value.to_bits() => expected.repeated += 1,
            Some(_) => expected.replaced += 1,
        }
    }
    let readings: Vec<Reading> = batch
        .iter()
        .map(|&(of, ms, value)| reading(&all[of], ms, value))
        .collect();
    assert_eq!(store.append_durable(&readings).unwrap(), expected);
}

fn check_against(store: &impl Readings, model: &Model) {
    let bits = |samples: &[Sample]| -> Vec<(i64, u64)> {
        let one = |sample: &Sample| (sample.time.0, sample.value.to_bits());
        samples.iter().map(one).collect()
    };
    for span in spans() {
        for (series, map) in model {
            let expected: Vec<Sample> = map
                .iter()
                .map(|(&ms, &value)| sample(ms, value))
                .filter(|sample| span.contains(sample.time))
                .collect();
            let found = store.range(series, span).unwrap();
            assert_eq!(bits(&found), bits(&expected), "{series} in {span:?}");
            for points in [5, 40] {
                check_reduced(
                    &found,
                    &store.reduced(series, span, points).unwrap(),
                    points,
                );
            }
        }
    }
    let known = store.series().unwrap();
    let latest = store.latest().unwrap();
    assert_eq!((known.len(), latest.len()), (model.len(), model.len()));
    for ((series, map), (known, latest)) in model.iter().zip(known.iter().zip(&latest)) {
        let (first, last) = (
            map.first_key_value().unwrap(),
            map.last_key_value().unwrap(),
        );
        assert_eq!((&known.series, &latest.series), (series, series));
        assert_eq!((known.first.0, known.last.0), (*first.0, *last.0));
        assert_eq!(
            (latest.sample.time.0, latest.sample.value.to_bits()),
            (*last.0, last.1.to_bits())
        );
        assert_eq!(
            (known.unit.as_str(), &latest.unit),
            (reading(series, 0, 0.0).unit.as_str(), &known.unit)
        );
    }
}

fn spans() -> [Span; 5] {
    let span = |start, end| Span {
        start: Timestamp(start),
        end: Timestamp(end),
    };
    [
        Span::ALWAYS,
        span(NOW + 10 * MINUTE, NOW + DAY),
        span(NOW - 200 * DAY, NOW + 1),
        span(NOW + DAY + 3, NOW + DAY + 3),
        span(NOW + 2 * DAY, NOW + DAY),
    ]
}
