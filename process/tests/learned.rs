//! What is learned of instruments, and that an exchanged one is learned anew.

mod common;

use common::{Random, START, Story};
use larder_domain::{Assignment, Estimate, Learned, Sample, Trait};
use larder_process::process_yard;
use larder_process::series::weather::LOAD_CELL_LAG_HOURS;

const DAYS: i64 = 50;
const EXCHANGED: i64 = 20;

fn holds(estimate: Estimate, truth: f64) -> bool {
    estimate.lo <= truth && truth <= estimate.hi
}

/// Ends at the exchange, and begins again there.
fn divided(assignment: &Assignment) -> [Assignment; 2] {
    let at = START.plus_ms(EXCHANGED * 86_400_000);
    let (mut old, mut new) = (assignment.clone(), assignment.clone());
    old.during.end = at;
    new.during.start = at;
    [old, new]
}

fn find(learned: &[Learned], channel: &str, what: Trait) -> Vec<Learned> {
    let wanted = |l: &&Learned| l.source.channel.as_str() == channel && l.what == what;
    learned.iter().filter(wanted).cloned().collect()
}

/// A hive that loses 8 g an hour, on a scale that follows the air within an hour or so, which cools by some
/// 10 K in a night, more in one and less in another.
fn weights(seed: u64, kg_per_kelvin: impl Fn(i64) -> f64) -> (Vec<Sample>, Vec<Sample>) {
    let mut random = Random(seed);
    let (mut weight, mut warmth) = (Vec::new(), Vec::new());
    let mut cell_celsius = 15.0;
    for quarter in 0..DAYS * 96 {
        let time = START.plus_ms(quarter * 900_000);
        let (day, hour) = (quarter / 96, (quarter % 96) as f64 / 4.0);
        let swing = 5.0 + 2.0 * (quarter as f64 / 96.0 * 0.9).sin();
        let celsius = 15.0 + swing * (std::f64::consts::TAU * (hour - 9.0) / 24.0).sin();
        cell_celsius += (celsius - cell_celsius) * (1.0 - (-0.25f64 / LOAD_CELL_LAG_HOURS).exp());
        let kg = 40.0 - 0.008 * quarter as f64 / 4.0
            + kg_per_kelvin(day) * (cell_celsius - 15.0)
            + 0.01 * random.normal();
        weight.push(Sample { time, value: kg });
        warmth.push(Sample {
            time,
            value: celsius,
        });
    }
    (weight, warmth)
}

#[test]
fn a_scale_that_was_exchanged_is_learned_anew() {
    let (before, behind) = (0.012, -0.006);
    let at = START.plus_ms(EXCHANGED * 86_400_000);
    let mut told = Story {
        days: DAYS as usize,
        appetite: vec![0.0; DAYS as usize],
        fills: Vec::new(),
        seed: 1,
    }
    .tell();
    let scale = told.hive.scales.first().expect("it has a scale").clone();
    told.hive.scales = divided(&scale).to_vec();
    let mut held = 0;
    for seed in 1..=10 {
        let truth = |day: i64| if day < EXCHANGED { before } else { behind };
        let (weight, warmth) = weights(seed, truth);
        let mut input = told.input_at(told.end());
        input.hives[0].weight = &weight;
        input.hives[0].scale_temperature = &warmth;
        let learned = find(&process_yard(&input).learned, "weight", Trait::PerKelvin);
        let (old, new): (Vec<_>, Vec<_>) = learned.into_iter().partition(|l| l.since < at);
        assert!(new.iter().all(|l| l.since == at), "{new:?}");
        let (old, new) = (old[0].value, new.last().expect("it was learned").value);
        assert!((old.value - before).abs() < 0.003 && (new.value - behind).abs() < 0.003);
        held += usize::from(holds(old, before)) + usize::from(holds(new, behind));
    }
    // Of twenty 90 % intervals fewer than fifteen hold the truth once in a hundred times.
    assert!(held >= 15, "{held} of 20");
}

#[test]
fn noise_and_zero_of_a_level_sensor_are_learned() {
    // It runs empty between its fills, so that its zero shows: 2 mm too high.
    let mut told = Story {
        days: 40,
        appetite: vec![0.04; 40],
        fills: vec![(1, 5.0), (12, 5.0), (24, 5.0)],
        seed: 9,
    }
    .tell();
    for sample in &mut told.level {
        sample.value += 0.002;
    }
    let learned = process_yard(&told.input_at(told.end())).learned;
    let offset = find(&learned, "depth", Trait::Offset);
    // What bees leave on the floor is taken for 1 % of the feeder; here they leave nothing.
    let last = offset.last().expect("it was learned").value;
    assert!((last.value - 0.002).abs() < 0.0015, "{last:?}");
    // The story's noise is 1.5 mm and rounding to a millimetre: 1.53 mm.
    let noise = find(&learned, "depth", Trait::Noise);
    let noise = noise.last().expect("it was learned").value.value;
    assert!((0.0012..0.0019).contains(&noise), "{noise}");
}
