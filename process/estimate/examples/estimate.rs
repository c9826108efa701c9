//! Three days of a level sensor over a tray feeder: what the colony took each day, with intervals.

#![expect(clippy::print_stdout, reason = "an example shows what it found")]

mod yard;

use larder_domain::Sample;
use larder_estimate::report::report;
use larder_estimate::{Parameters, analyse_yard};
use std::error::Error;
use std::f64::consts::TAU;
use yard::{Declared, Seen};

fn main() -> Result<(), Box<dyn Error>> {
    let declared = Declared::new()?;
    let start = yard::start()?;
    // A colony that takes 1.2 l a day, more by day than by night, read every quarter of an hour.
    let level = (0..3 * 96).map(|i| {
        let hours = 0.25 * f64::from(i);
        let by_day = 0.1 * (TAU * (hours - 6.0) / 24.0).cos();
        let noise = 0.01 * f64::from(i * 37 % 11 - 5);
        let value = 9.0 - 0.05 * hours + by_day + noise;
        Sample {
            time: start.plus_hours(hours),
            value,
        }
    });
    let seen = Seen {
        level: level.collect(),
        ..Seen::default()
    };
    let input = declared.input(start, start.plus_hours(72.0), &seen);
    let analysis = analyse_yard(&input);
    let usual = Parameters::default();
    let found = report(&input, &analysis, input.span, |_| true, &usual.interval);
    for day in &found.uptake {
        if let (Some(took), Some(left)) = (day.uptake_l, day.remaining_l) {
            println!(
                "{}: took {:.2} l ({:.2} to {:.2}), {:.2} l left ({:.2} to {:.2})",
                day.date, took.value, took.lo, took.hi, left.value, left.lo, left.hi
            );
        }
    }
    Ok(())
}
