//! A feeder whose level sensor is exchanged for one of another kind: each is read with its own
//! geometry, and what is learned of one says nothing of the other.

mod common;

use common::{CAPACITY_L, START, Story};
use larder_domain::{
    Assignment, ChannelName, ChannelRef, DeviceId, Geometry, LevelSensor, Sample, Span, Timestamp,
    Trait,
};
use larder_estimate::LevelInput;
use larder_process::process_yard;

/// The depth sensor reads so much too deep, m, and the load cell so much too heavy, kg.
const DEPTH_OFFSET_M: f64 = 0.006;
const ZERO_KG: f64 = 0.06;
const DAYS: usize = 28;
const EXCHANGED_ON: usize = 14;
/// Density of 2:1 at 20 Cel, kg/l (the story's hive is fed for the winter and nobody wrote a
/// strength down): ICUMSA SPS-4 at 66.7 %.
const KG_PER_LITRE: f64 = 1.326;

fn sensor(
    device: &str,
    channel: &str,
    during: std::ops::Range<Timestamp>,
    geometry: Geometry,
) -> LevelSensor {
    LevelSensor {
        assignment: Assignment {
            source: ChannelRef {
                device: DeviceId::new(device).expect("a name"),
                channel: ChannelName::new(channel).expect("a name"),
            },
            during: Span {
                start: during.start,
                end: during.end,
            },
        },
        geometry,
    }
}

#[test]
fn each_sensor_counts_with_its_own_geometry_and_its_own_error() {
    exchange(0);
}

/// Somebody tries a sensor, sees that it is the wrong one, and puts another in.
#[test]
fn a_sensor_that_is_relieved_within_minutes_moves_nothing_to_another() {
    exchange(10);
}

/// Exchanges the depth sensor for a load cell, with a spare depth sensor in between for some minutes.
fn exchange(spare_minutes: i64) {
    let story = Story {
        days: DAYS,
        appetite: vec![0.05; DAYS],
        fills: (0..DAYS).step_by(5).map(|day| (day, 5.5)).collect(),
        seed: 5,
    };
    let told = story.tell();
    let exchanged = START.plus_ms(EXCHANGED_ON as i64 * 86_400_000);
    let cell_since = exchanged.plus_ms(spare_minutes * 60_000);
    let read = |during: Span, value: &dyn Fn(f64) -> f64| -> Vec<Sample> {
        let read = told.level.iter().filter(|s| during.contains(s.time));
        let sample = |s: &Sample| Sample {
            value: value(s.value),
            ..*s
        };
        read.map(sample).collect()
    };
    let depth = told.feeder.sensors[0].geometry.clone();
    let kg_per_metre = common::AREA_M2 * 1000.0 * KG_PER_LITRE;
    let (from, until) = (Span::ALWAYS.start, Span::ALWAYS.end);
    let mut sensors = vec![
        sensor("level", "depth", from..exchanged, depth.clone()),
        sensor("spare", "depth", exchanged..cell_since, depth),
        sensor(
            "cell",
            "feeder_weight",
            cell_since..until,
            Geometry::FeederWeight,
        ),
    ];
    let mut samples = vec![
        read(sensors[0].assignment.during, &|m| m + DEPTH_OFFSET_M),
        read(sensors[1].assignment.during, &|m| m),
        read(sensors[2].assignment.during, &|m| {
            m * kg_per_metre + ZERO_KG
        }),
    ];
    assert_eq!(samples[1].is_empty(), spare_minutes == 0);
    if samples[1].is_empty() {
        sensors.remove(1);
        samples.remove(1);
    }
    let mut one = told.feeder.clone();
    one.sensors = sensors;
    let mut input = told.input_at(told.end());
    input.hives[0].feeders[0].feeder = &one;
    let levels = one.sensors.iter().zip(&samples);
    input.hives[0].feeders[0].levels = levels
        .map(|(sensor, samples)| LevelInput {
            sensor,
            samples,
            syrup_temperature: &[],
        })
        .collect();
    let output = process_yard(&input);

    for (day, taken) in output.uptake.iter().zip(&told.taken).skip(1) {
        let found = day.uptake_l.expect("it was watched").value;
        assert!(
            (found - taken).abs() < 0.12,
            "{}: {found} l, truly {taken} l",
            day.date
        );
    }
    let learned = |device: &str, what: Trait| {
        let mut all = output.learned.iter();
        let one = all.find(|one| one.source.device.as_str() == device && one.what == what);
        one.unwrap_or_else(|| panic!("{what:?} of {device}")).value
    };
    let depth = learned("level", Trait::Offset);
    assert!((depth.lo..=depth.hi).contains(&DEPTH_OFFSET_M), "{depth:?}");
    let cell = learned("cell", Trait::Offset);
    assert!((cell.lo..=cell.hi).contains(&ZERO_KG), "{cell:?}");
    // What flags see of the level: the sensors' errors taken out, each with its own.
    assert!(
        output.flags.iter().all(|flag| flag.device.is_none()),
        "{:?}",
        output.flags
    );
    let left = output.now[0].remaining_l.expect("it is watched");
    assert!(left.lo >= 0.0 && left.hi <= 1.02 * CAPACITY_L);
}
