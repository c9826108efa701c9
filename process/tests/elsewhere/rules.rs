//! The scorer's rules, each on a case of its own.

use crate::graft::graft;
use crate::score::{Counts, Score};
use crate::truth::{Condition, DayTruth, EventTruth, FillTruth, Truth};
use crate::world::World;
use larder_domain::{
    Apiary, FeederId, FillEvent, FillSource, Flag, FlagKind, Timestamp, UptakeDay,
};
use larder_estimate::YardOutput;
use larder_syrup::Estimate;

fn at(hours: f64) -> Timestamp {
    let start = Timestamp::parse_rfc3339("2026-09-01T00:00:00Z").expect("a moment");
    start.plus_hours(hours)
}

/// A graft's apiary, its first feeder with its hive and yard, and any flag of a feeder to be made over.
fn pattern() -> Pattern {
    let world = World::of(graft(1001)).expect("it is whole");
    let flags = world.process().flags;
    let flag = flags.into_iter().find(|flag| flag.feeder.is_some());
    let flag = flag.expect("some feeder has a flag in a month");
    let text = |id: &Option<String>| id.clone().unwrap_or_default();
    let names = [
        flag.yard.as_ref().map(ToString::to_string),
        flag.hive.as_ref().map(ToString::to_string),
        flag.feeder.as_ref().map(ToString::to_string),
    ];
    let names = names.each_ref().map(text);
    (world.apiary, names, flag)
}

fn leak([yard, hive, feeder]: &[String; 3], from: f64, until: f64) -> EventTruth {
    EventTruth {
        kind: Condition::Leaking,
        yard: yard.clone(),
        hive: hive.clone(),
        feeder: feeder.clone(),
        device: String::new(),
        start: at(from),
        end: at(until),
    }
}

type Pattern = (Apiary, [String; 3], Flag);

/// One leak from 100 to 110 h, one in doubt from 200 to 210 h; flags that open and close at some hours.
fn leaks((apiary, names, pattern): &Pattern, flags: &[(f64, Option<f64>)]) -> Counts {
    let truth = Truth {
        events: vec![leak(names, 100.0, 110.0)],
        doubtful: vec![leak(names, 200.0, 210.0)],
        span_days: 30.44,
        ..Truth::default()
    };
    let flags = flags.iter().map(|&(opened, closed)| Flag {
        kind: FlagKind::Leaking,
        device: None,
        opened_at: at(opened),
        closed_at: closed.map(at),
        ..pattern.clone()
    });
    let output = YardOutput {
        flags: flags.collect(),
        ..YardOutput::default()
    };
    Score::of(&truth, apiary, &output).kinds[&Condition::Leaking]
}

#[test]
fn a_flag_is_right_near_its_event_once_and_doubtful_where_nobody_knows() {
    let pattern = pattern();
    let counts = |flags: &[(f64, Option<f64>)]| {
        let c = leaks(&pattern, flags);
        (c.found, c.right, c.wrong)
    };
    assert_eq!(counts(&[]), (0, 0, 0));
    // Two hours before and a day behind are near; a second one is neither.
    assert_eq!(counts(&[(98.1, None)]), (1, 1, 0));
    assert_eq!(counts(&[(97.9, Some(99.0))]), (0, 0, 1));
    assert_eq!(counts(&[(133.9, None)]), (1, 1, 0));
    assert_eq!(counts(&[(134.1, None)]), (0, 0, 1));
    assert_eq!(counts(&[(101.0, None), (105.0, None)]), (1, 1, 0));
    // Six hours around a doubt.
    assert_eq!(counts(&[(194.1, None)]), (0, 0, 0));
    assert_eq!(counts(&[(193.9, None)]), (0, 0, 1));
    // One that was false when it opened finds nothing, though it still stands.
    assert_eq!(counts(&[(50.0, Some(104.0))]), (0, 0, 1));
}

fn day([yard, hive, feeder]: &[String; 3], date: &str, uptake_l: f64, left_l: f64) -> DayTruth {
    DayTruth {
        date: date.to_owned(),
        yard: yard.clone(),
        hive: hive.clone(),
        feeder: feeder.clone(),
        uptake_l,
        remaining_end_l: left_l,
        leaked_l: 0.0,
        robbed_l: 0.0,
        spilled_l: 0.0,
        evaporated_l: 0.0,
        filled_l: 0.0,
    }
}

#[test]
fn a_day_is_wrong_by_what_it_says_and_a_missing_one_by_more() {
    let (apiary, names, _) = pattern();
    let truth = Truth {
        days: vec![
            day(&names, "2026-09-01", 0.1, 0.2),
            day(&names, "2026-09-02", 0.2, 0.0),
            day(&names, "2026-09-03", 0.3, 0.0),
        ],
        span_days: 3.0,
        ..Truth::default()
    };
    let estimate = |value: f64, lo: f64, hi: f64| Some(Estimate { value, lo, hi });
    let told = |date: &str, uptake, left| UptakeDay {
        date: date.parse().expect("a date"),
        feeder: FeederId::new(&names[2]).expect("a name"),
        uptake_l: uptake,
        remaining_l: left,
        sugar_kg: None,
        sensed_share: 1.0,
    };
    let output = YardOutput {
        uptake: vec![
            told(
                "2026-09-01",
                estimate(0.15, 0.08, 0.2),
                estimate(0.1, 0.0, 0.15),
            ),
            told(
                "2026-09-02",
                estimate(0.25, 0.21, 0.3),
                estimate(0.0, 0.0, 0.1),
            ),
        ],
        ..YardOutput::default()
    };
    let days = Score::of(&truth, &apiary, &output).days;
    let errors: Vec<i64> = days
        .iter()
        .map(|d| (d.error_l * 1000.0).round() as i64)
        .collect();
    assert_eq!(errors, [50, 50, -550]);
    let covered: Vec<bool> = days.iter().map(|d| d.covered).collect();
    assert_eq!(covered, [true, false, false]);
    // 0.25 l out of the 0.1 l that were left the evening before.
    let above: Vec<bool> = days.iter().map(|d| d.above).collect();
    assert_eq!(above, [false, true, false]);
}

#[test]
fn the_nearest_fill_within_two_hours_is_the_one_that_was_poured() {
    let (apiary, names, _) = pattern();
    let fill = |hours: f64, volume_l: f64| FillTruth {
        time: at(hours),
        yard: names[0].clone(),
        hive: names[1].clone(),
        feeder: names[2].clone(),
        volume_l,
        strength: "2:1".to_owned(),
        mass_kg: 1.3 * volume_l,
        recorded: "none",
    };
    let truth = Truth {
        fills: vec![
            fill(10.0, 2.0),
            fill(11.0, 1.0),
            fill(50.0, 3.0),
            fill(90.0, 0.5),
        ],
        span_days: 5.0,
        ..Truth::default()
    };
    let told = |hours: f64, value: f64| FillEvent {
        feeder: FeederId::new(&names[2]).expect("a name"),
        time: at(hours),
        volume_l: Some(Estimate {
            value,
            lo: 0.9 * value,
            hi: 1.1 * value,
        }),
        strength: None,
        source: FillSource::Detected,
    };
    let output = YardOutput {
        fills: vec![told(10.9, 1.05), told(52.1, 3.0)],
        ..YardOutput::default()
    };
    let fills = Score::of(&truth, &apiary, &output).fills;
    let found: Vec<bool> = fills.iter().map(|fill| fill.found).collect();
    assert_eq!(
        found,
        [false, true, false],
        "one for each, and the small one is not asked for"
    );
    assert_eq!(fills[1].covered, Some(true));
}
