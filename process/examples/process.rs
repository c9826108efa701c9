//! Six days of a simulated hive whose feeder is filled on the first morning, and the processing of its
//! yard: each day's uptake beside what the colony really took, and the flags.

#![expect(clippy::print_stdout, reason = "an example shows what it found")]

#[path = "../estimate/examples/yard/mod.rs"]
mod yard;

use larder_domain::{RecordedFill, Sample};
use larder_process::process_yard;
use larder_sim::colony::{Colony, Traits, Trouble};
use larder_sim::weather::{Climate, Exposure, LocalClock};
use larder_sim::{Dice, Syrup};
use larder_syrup::Strength;
use std::error::Error;
use yard::{Declared, Seen};

const DAYS: i64 = 6;
const FILLED_AT: i64 = 9 * 4;

fn main() -> Result<(), Box<dyn Error>> {
    let declared = Declared::new()?;
    let (start, strength) = (yard::start()?, Strength::by_mass(2.0, 1.0)?);
    let mut climate = Climate::new(7, start, DAYS as f64);
    let exposure = Exposure {
        warmer_k: 0.0,
        frost_hollow_k: 1.5,
        windy: 0.6,
    };
    let traits = Traits {
        appetite_l_per_day: 1.2,
        bees_kg: 2.0,
        tare_kg: 22.0,
        stores_kg: 9.0,
        warmth_k: 5.0,
        capacity_l: declared.feeder.capacity_l,
    };
    let mut colony = Colony::new(traits, Syrup::default(), Dice::of(7, "hive"));
    let mut noise = Dice::of(7, "instruments");
    let mut seen = Seen::default();
    let mut taken_kg = vec![0.0];
    for quarter in 0..DAYS * 96 {
        let time = start.plus_ms(quarter * 900_000);
        if quarter == FILLED_AT {
            colony.fill(Syrup::of_litres(8.0, strength));
            let feeder = declared.feeder.id.clone();
            seen.recorded.push(RecordedFill {
                feeder,
                time,
                volume_l: Some(8.0),
                strength: Some(strength),
            });
        }
        seen.weight.push(Sample {
            time,
            value: colony.gross_kg() + noise.normal(0.01),
        });
        seen.level.push(Sample {
            time,
            value: colony.litres() + noise.normal(0.03),
        });
        let (day, hour) = (quarter / 96, 0.25 * (quarter % 96) as f64);
        colony.step(
            0.25,
            &climate.sky(exposure, time, LocalClock { day, hour }),
            Trouble::default(),
        );
        if quarter % 96 == 95 {
            taken_kg.push(colony.ledger.taken_kg);
        }
    }

    let output = process_yard(&declared.input(start, start.plus_hours(24.0 * DAYS as f64), &seen));
    let kg_per_l = Syrup::of_litres(1.0, strength).mass_kg();
    for (day, taken) in output.uptake.iter().zip(taken_kg.windows(2)) {
        let truth = (taken[1] - taken[0]) / kg_per_l;
        if let Some(took) = day.uptake_l {
            let (value, lo, hi) = (took.value, took.lo, took.hi);
            println!(
                "{}: {value:.2} l ({lo:.2} to {hi:.2}), in truth {truth:.2} l",
                day.date
            );
        }
    }
    for flag in &output.flags {
        let closed = flag
            .closed_at
            .map_or("open".into(), |at| format!("until {}", at.to_rfc3339()));
        println!(
            "{} from {} {closed}: {}",
            flag.kind.name(),
            flag.opened_at.to_rfc3339(),
            flag.evidence.plain()
        );
    }
    Ok(())
}
