//! What must hold for any feeder: nothing is given back, nothing gets lost, not knowing shows, and
//! it does not matter when readings came.

mod common;

use common::{CAPACITY_L, START, Story};
use larder_domain::{Span, Timestamp};
use larder_process::process_yard;
use larder_process::window::{affected_dates, context_of};
use proptest::prelude::*;
use proptest::test_runner::RngSeed;

fn story() -> impl Strategy<Value = Story> {
    let fill = (1usize..3, 2.0f64..0.9 * CAPACITY_L);
    (prop::collection::vec(0.0f64..0.08, 8), fill, any::<u64>()).prop_map(
        |(appetite, fill, seed)| Story {
            days: 8,
            appetite,
            fills: vec![fill],
            seed,
        },
    )
}

/// One fill that outlasts every appetite drawn: 0.03 l an hour for the 6.4 days after it is 4.6 l.
fn story_with_syrup_to_the_end() -> impl Strategy<Value = Story> {
    let appetite = prop::collection::vec(0.0f64..0.03, 8);
    (appetite, 4.9f64..0.9 * CAPACITY_L, any::<u64>()).prop_map(|(appetite, litres, seed)| Story {
        days: 8,
        appetite,
        fills: vec![(1, litres)],
        seed,
    })
}

const DAY_MS: i64 = 86_400_000;

proptest! {
    // The same stories in every run: over noise these properties hold nearly always, not always (see
    // docs/estimator.md), and a run must not depend on the draw. Raise `cases` or take the seed out to
    // look for more; what is found goes into a test of its own below.
    #![proptest_config(ProptestConfig {
        cases: 24,
        rng_seed: RngSeed::Fixed(1),
        failure_persistence: None,
        ..ProptestConfig::default()
    })]

    #[test]
    fn uptake_is_never_negative_and_intervals_hold_their_value(story in story()) {
        let told = story.tell();
        let output = process_yard(&told.input_at(told.end()));
        for day in &output.uptake {
            for found in [day.uptake_l, day.remaining_l].into_iter().flatten() {
                prop_assert!(found.lo >= 0.0 && found.lo <= found.value && found.value <= found.hi);
            }
            prop_assert!((0.0..=1.0).contains(&day.sensed_share));
        }
    }

    #[test]
    fn what_was_poured_is_taken_or_left(story in story()) {
        let told = story.tell();
        let output = process_yard(&told.input_at(told.end()));
        let poured: f64 = output.fills.iter().filter_map(|f| f.volume_l).map(|v| v.value).sum();
        let taken: f64 = output.uptake.iter().filter_map(|d| d.uptake_l).map(|u| u.value).sum();
        let left = output.now[0].remaining_l.expect("the level is watched").value;
        prop_assert!((poured - taken - left).abs() < 0.05 * CAPACITY_L, "{poured} {taken} {left}");
        let truly: f64 = told.taken.iter().sum();
        prop_assert!((taken - truly).abs() < 0.05 * CAPACITY_L, "{taken}, truly {truly}");
    }

    #[test]
    fn a_gap_widens_the_interval(story in story_with_syrup_to_the_end()) {
        let mut told = story.tell();
        let date = START.plus_ms(5 * DAY_MS).local_date(told.yard.timezone);
        let width = |told: &common::Told| {
            let output = process_yard(&told.input_at(told.end()));
            let day = output.uptake.iter().find(|day| day.date == date).expect("it is asked for");
            let found = day.uptake_l.expect("it is estimated even so");
            (found.hi - found.lo, day.sensed_share)
        };
        let watched = width(&told);
        let (from, to) = (START.plus_ms(4 * DAY_MS + DAY_MS / 2), START.plus_ms(6 * DAY_MS));
        told.level.retain(|sample| sample.time < from || sample.time >= to);
        let blind = width(&told);
        prop_assert!(blind.1 < watched.1);
        prop_assert!(blind.0 > watched.0, "blind {} watched {}", blind.0, watched.0);
    }

    /// Also where the feeder ran empty unseen, which both ends of the gap tell.
    #[test]
    fn an_unseen_day_is_never_known_for_certain(story in story()) {
        let mut told = story.tell();
        let date = START.plus_ms(5 * DAY_MS).local_date(told.yard.timezone);
        let (from, to) = (START.plus_ms(4 * DAY_MS + DAY_MS / 2), START.plus_ms(6 * DAY_MS));
        told.level.retain(|sample| sample.time < from || sample.time >= to);
        let output = process_yard(&told.input_at(told.end()));
        let day = output.uptake.iter().find(|day| day.date == date).expect("it is asked for");
        let found = day.uptake_l.expect("it is estimated even so");
        prop_assert!(found.hi - found.lo > 0.02, "{found:?}");
    }

    #[test]
    fn results_of_a_day_rest_on_its_context_only(story in story(), day in 0i64..8) {
        let told = story.tell();
        let whole = process_yard(&told.input_at(told.end()));
        let at = START.plus_ms(day * DAY_MS);
        let date = at.local_date(told.yard.timezone);
        let span = Span { start: at, end: at.plus_ms(DAY_MS) };
        let context = context_of(date..=date, told.yard.timezone);
        prop_assert!(context.start <= span.start && span.end <= context.end);
        let alone = process_yard(&told.input(span, told.end()));
        let same = whole.uptake.iter().filter(|d| d.date == date);
        prop_assert!(alone.uptake.iter().eq(same));
    }
}

#[test]
fn a_gap_while_the_colony_takes_much_doubles_the_interval() {
    let story = Story {
        days: 8,
        appetite: vec![0.04; 8],
        fills: vec![(1, 5.0)],
        seed: 3,
    };
    let mut told = story.tell();
    let width = |told: &common::Told| {
        let day = process_yard(&told.input_at(told.end())).uptake[4].uptake_l;
        day.map(|found| found.hi - found.lo)
            .expect("it is estimated even so")
    };
    let watched = width(&told);
    let (from, to) = (
        START.plus_ms(3 * DAY_MS + DAY_MS / 2),
        START.plus_ms(5 * DAY_MS),
    );
    told.level
        .retain(|sample| sample.time < from || sample.time >= to);
    assert!(width(&told) > 2.0 * watched, "{} {watched}", width(&told));
}

#[test]
fn day_by_day_ends_where_one_run_does() {
    let story = Story {
        days: 40,
        appetite: (0..40)
            .map(|day| 0.02 + 0.001 * f64::from(day % 7))
            .collect(),
        fills: vec![(1, 5.0), (12, 4.5), (24, 5.0)],
        seed: 11,
    };
    let told = story.tell();
    let zone = told.yard.timezone;
    let whole = process_yard(&told.input_at(told.end()));
    let mut kept = std::collections::BTreeMap::new();
    for day in 1..=40 {
        let now = START.plus_ms(day * DAY_MS);
        let news = Span {
            start: now.plus_ms(-DAY_MS),
            end: now,
        };
        let dates = affected_dates(news, zone);
        let asked = Span {
            start: START.max(moment(*dates.start())),
            end: now,
        };
        for row in process_yard(&told.input(asked, now)).uptake {
            kept.insert(row.date, row);
        }
    }
    assert_eq!(whole.uptake.len(), kept.len());
    for row in &whole.uptake {
        assert_eq!(Some(row), kept.get(&row.date), "{}", row.date);
    }
}

#[test]
fn late_data_changes_only_the_dates_that_it_affects() {
    let story = Story {
        days: 100,
        appetite: vec![0.02; 100],
        fills: [1, 12, 24, 40, 55, 70, 85].map(|day| (day, 5.0)).to_vec(),
        seed: 5,
    };
    let told = story.tell();
    let late = Span {
        start: START.plus_ms(15 * DAY_MS),
        end: START.plus_ms(16 * DAY_MS),
    };
    let mut early = story.tell();
    early.level.retain(|sample| !late.contains(sample.time));
    let before = process_yard(&early.input_at(early.end())).uptake;
    let after = process_yard(&told.input_at(told.end())).uptake;
    let affected = affected_dates(late, told.yard.timezone);
    let mut untouched = 0;
    for (old, new) in before.iter().zip(&after) {
        if !affected.contains(&new.date) {
            assert_eq!(old, new);
            untouched += 1;
        }
    }
    assert!(untouched >= 7, "{untouched}");
    assert_ne!(before, after);
}

fn moment(date: chrono::NaiveDate) -> Timestamp {
    Timestamp(
        date.and_time(chrono::NaiveTime::MIN)
            .and_utc()
            .timestamp_millis()
            + 4 * 3_600_000,
    )
}

/// A mean that noise has pushed below zero once left no interval at all: as if an unseen day of no
/// uptake were known for certain.
#[test]
fn a_day_unseen_and_without_uptake_is_not_known_for_certain() {
    let mut appetite = vec![0.0; 8];
    (appetite[2], appetite[3], appetite[6]) = (0.016_224_266, 0.073_553_309, 0.062_372_478);
    let story = Story {
        days: 8,
        appetite,
        fills: vec![(2, 2.351_430_230_142_919_5)],
        seed: 1_256_264_634_937_930_434,
    };
    let mut told = story.tell();
    let width = |told: &common::Told| {
        let day = process_yard(&told.input_at(told.end())).uptake[5].uptake_l;
        let found = day.expect("it is estimated even so");
        found.hi - found.lo
    };
    let watched = width(&told);
    let (from, to) = (
        START.plus_ms(4 * DAY_MS + DAY_MS / 2),
        START.plus_ms(6 * DAY_MS),
    );
    told.level
        .retain(|sample| sample.time < from || sample.time >= to);
    let blind = width(&told);
    assert!(
        watched > 0.0 && blind > watched - 0.005,
        "blind {blind} watched {watched}"
    );
}

/// A colony that nearly stops over a third of a litre looked like an empty feeder, and what was left
/// counted as taken. The floor is where the feeder was empty before the first fill.
#[test]
fn a_feeder_that_is_nearly_left_alone_is_not_taken_for_empty() {
    let story = Story {
        days: 8,
        appetite: vec![
            0.0,
            0.0,
            0.020_373_251_241_253_616,
            0.038_570_373_199_048_165,
            0.068_703_451_161_325_52,
            0.007_824_085_684_661_98,
            0.029_782_846_024_799_223,
            0.006_670_803_652_354_731,
        ],
        fills: vec![(2, 4.252_579_792_572_925)],
        seed: 2_673_349_469_590_561_903,
    };
    let told = story.tell();
    let output = process_yard(&told.input_at(told.end()));
    let taken: f64 = output
        .uptake
        .iter()
        .filter_map(|d| d.uptake_l)
        .map(|u| u.value)
        .sum();
    let error = (taken - told.taken.iter().sum::<f64>()) / CAPACITY_L;
    assert!(error.abs() < 0.03, "{error}");
}
