//! A feeder whose level sensor is exchanged for one of another kind: each is read with its own
//! geometry, and what is learned of one says nothing of the other.

mod common;

use common::{CAPACITY_L, START, Story};
use larder_domain::{
    Assignment, ChannelName, ChannelRef, DeviceId, Geometry, LevelSensor, Sample, Span, Trait,
};
use larder_process::{LevelInput, process_yard};

/// The depth sensor reads so much too deep, m, and the load cell so much too heavy, kg.
const DEPTH_OFFSET_M: f64 = 0.006;
const ZERO_KG: f64 = 0.06;
const DAYS: usize = 28;
const EXCHANGED_ON: usize = 14;
/// Density of 2:1 at 20 Cel, kg/l (the story's hive is fed for the winter and nobody wrote a
/// strength down): ICUMSA SPS-4 at 66.7 %.
const KG_PER_LITRE: f64 = 1.326;

#[test]
fn each_sensor_counts_with_its_own_geometry_and_its_own_error() {
    let story = Story {
        days: DAYS,
        appetite: vec![0.05; DAYS],
        fills: (0..DAYS).step_by(5).map(|day| (day, 5.5)).collect(),
        seed: 5,
    };
    let mut told = story.tell();
    let exchanged = START.plus_ms(EXCHANGED_ON as i64 * 86_400_000);
    let (first, second): (Vec<Sample>, Vec<Sample>) = told
        .level
        .iter()
        .partition(|sample| sample.time < exchanged);
    let first: Vec<Sample> = first
        .iter()
        .map(|s| Sample {
            value: s.value + DEPTH_OFFSET_M,
            ..*s
        })
        .collect();
    let litres_per_metre = common::AREA_M2 * 1000.0;
    let second: Vec<Sample> = second
        .iter()
        .map(|s| Sample {
            value: s.value * litres_per_metre * KG_PER_LITRE + ZERO_KG,
            ..*s
        })
        .collect();
    told.feeder.sensors[0].assignment.during.end = exchanged;
    told.feeder.sensors.push(LevelSensor {
        assignment: Assignment {
            source: ChannelRef {
                device: DeviceId::new("cell").expect("a name"),
                channel: ChannelName::new("feeder_weight").expect("a name"),
            },
            during: Span {
                start: exchanged,
                end: Span::ALWAYS.end,
            },
        },
        geometry: Geometry::FeederWeight,
    });
    let one = told.feeder.clone();
    told.feeder.sensors.truncate(1);
    let mut input = told.input_at(told.end());
    input.hives[0].feeders[0].feeder = &one;
    input.hives[0].feeders[0].levels = [(&one.sensors[0], &first), (&one.sensors[1], &second)]
        .map(|(sensor, samples)| LevelInput {
            sensor,
            samples,
            syrup_temperature: &[],
        })
        .to_vec();
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
