//! Ten autumn days of one simulated hive with 8 l of 2:1 on top: what its scale and its feeder would
//! show each midnight, and where the syrup went.

#![expect(clippy::print_stdout, reason = "an example shows what it found")]

use larder_domain::Timestamp;
use larder_sim::colony::{Colony, Traits, Trouble};
use larder_sim::weather::{Climate, Exposure, LocalClock};
use larder_sim::{Dice, Syrup};
use larder_syrup::Strength;
use std::error::Error;

fn main() -> Result<(), Box<dyn Error>> {
    let start = Timestamp::parse_rfc3339("2026-09-01T00:00:00Z").ok_or("a moment")?;
    let mut climate = Climate::new(7, start, 10.0);
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
        capacity_l: 11.0,
    };
    let syrup = Syrup::of_litres(8.0, Strength::by_mass(2.0, 1.0)?);
    let mut colony = Colony::new(traits, syrup, Dice::of(7, "blue hive"));
    println!("day  hive kg  feeder l  air Cel");
    for quarter in 0..10 * 96 {
        let (day, hour) = (quarter / 96, 0.25 * (quarter % 96) as f64);
        let at = start.plus_ms(quarter * 900_000);
        let sky = climate.sky(exposure, at, LocalClock { day, hour });
        if quarter % 96 == 0 {
            let (kg, litres) = (colony.gross_kg(), colony.litres());
            println!("{day:3}  {kg:7.2}  {litres:8.2}  {:7.1}", sky.air_c);
        }
        colony.step(0.25, &sky, Trouble::default());
    }
    let ledger = colony.ledger;
    println!(
        "taken {:.2} kg, nectar {:.2} kg",
        ledger.taken_kg, ledger.nectar_kg
    );
    println!(
        "dried off {:.2} kg, eaten {:.2} kg",
        ledger.dried_kg, ledger.burned_kg
    );
    Ok(())
}
