//! A 5 gal pail of 2:1 from 4 lb bags: what goes in, and what the bees make of it.

#![expect(clippy::print_stdout, reason = "an example shows what it found")]

use larder_syrup::Strength;
use larder_syrup::mix::{Ask, Vessel, answer};
use larder_syrup::units::{Kilograms, UnitSystem, typed};
use std::error::Error;

fn main() -> Result<(), Box<dyn Error>> {
    let us = UnitSystem::Us;
    let pail = Vessel::parse("1 x 5 gal pail", us)?;
    let ask = Ask {
        volume: Some(typed::volume("4.5 gal")?),
        strength: Some(Strength::parse("2:1")?),
        bags: vec![typed::mass("4 lb")?],
        vessels: vec![pail],
        ..Ask::default()
    };
    let syrup = answer(&ask)?;
    for bags in &syrup.bags {
        println!("Sugar: {} bags of {}", bags.count, us.mass(bags.bag));
    }
    println!("Water: {}", us.volume(syrup.add_water_volume()));
    let sugar = 100.0 * syrup.made.mass_fraction().value();
    println!(
        "Makes: {}, {sugar:.1} % sugar by mass",
        us.volume(syrup.volume())
    );
    let stores = syrup.stores.kg;
    let [least, most] = [stores.lo, stores.hi].map(|kg| us.mass(Kilograms(kg)));
    println!(
        "Stores: {} ({least} to {most})",
        us.mass(Kilograms(stores.value))
    );
    for caution in &syrup.cautions {
        println!("Mind: {}", caution.sentence(us));
    }
    Ok(())
}
