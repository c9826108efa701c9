//! Three days of a feeder that runs empty and whose sensor falls silent at noon of the last: what the
//! rules say of it, as a keeper reads it.

#![expect(clippy::print_stdout, reason = "an example shows what it found")]

#[path = "../../estimate/examples/yard/mod.rs"]
mod yard;

use larder_domain::{RecordedFill, Sample, Timestamp};
use larder_estimate::{DeviceInput, analyse_yard};
use larder_flags::{FlagTexts, YardParameters, raise};
use larder_syrup::Strength;
use larder_syrup::units::UnitSystem;
use std::error::Error;
use std::f64::consts::TAU;
use yard::{Declared, Seen};

fn main() -> Result<(), Box<dyn Error>> {
    let declared = Declared::new()?;
    let start = yard::start()?;
    // 3 l are poured at eight; the colony takes 1.4 l a day, more by day than by night.
    let level = (0..60 * 4).map(|i| {
        let hours = 0.25 * f64::from(i);
        let by_day = 0.1 * (TAU * (hours - 6.0) / 24.0).cos();
        let left = (3.0 - 1.4 / 24.0 * (hours - 8.0) + by_day).max(0.0);
        let noise = 0.01 * f64::from(i * 37 % 11 - 5);
        let value = if hours < 8.0 { 0.0 } else { left } + noise;
        Sample {
            time: start.plus_hours(hours),
            value,
        }
    });
    let poured = RecordedFill {
        feeder: declared.feeder.id.clone(),
        time: start.plus_hours(8.0),
        volume_l: Some(3.0),
        strength: Some(Strength::by_mass(2.0, 1.0)?),
    };
    let seen = Seen {
        level: level.collect(),
        recorded: vec![poured],
        ..Seen::default()
    };
    let reported_at: Vec<Timestamp> = seen.level.iter().map(|reading| reading.time).collect();
    let mut input = declared.input(start, start.plus_hours(72.0), &seen);
    input.devices.push(DeviceInput {
        device: &declared.feeder.sensors[0].assignment.source.device,
        reported_at: &reported_at,
        battery: &[],
        impossible: &[],
        clock_off: None,
    });
    for flag in raise(&input, &analyse_yard(&input), &YardParameters::default()) {
        let texts = FlagTexts::of(flag.kind);
        let why = flag
            .evidence
            .sentence(UnitSystem::Metric, declared.yard.timezone);
        println!("{} {}: {why}", flag.opened_at.to_rfc3339(), texts.word);
        println!("    {}", texts.act);
    }
    Ok(())
}
