//! Grafts: feeders' lives that never were, on real hives that nobody fed. The weights are real ones with
//! all that sun, rain, nectar, hands and cables did to them; what is added is known to the gram.
//!
//! The life of the feeder, its crew, its mishaps and its gauges are models of their own. They share
//! nothing with the estimators but the density of syrup, and nothing with the two other simulators but
//! the dice and syrup's books.

mod air;
mod base;
mod crew;
mod gauges;
mod life;
mod mishaps;
mod platform;
mod told;
mod written;
mod yard;

use crate::raw::Raw;
pub use base::Herd;
use larder_sim::Dice;
use yard::{Place, Yard};

pub const STEP_MS: i64 = 300_000;
pub const HOUR_MS: i64 = 3_600_000;
pub const STEP_H: f64 = 1.0 / 12.0;
pub const STEPS_A_DAY: usize = 288;

/// One world of one or two yards, on hives of the repository.
pub fn graft(seed: u64) -> Raw {
    graft_on(Herd::own(), seed)
}

/// One world of one or two yards.
pub fn graft_on(herd: &Herd, seed: u64) -> Raw {
    let mut dice = Dice::of(seed, "graft");
    let autumn = dice.chance(0.5);
    let first = if autumn { &herd.autumn } else { &herd.spring };
    let two_seasons = dice.chance(0.3);
    let days = if two_seasons {
        dice.whole(25, herd.may.days())
    } else {
        dice.whole(30, 48)
    };
    let from = dice.whole(0, first.days() - days);
    let place = Place::draw(&mut dice, first, from, autumn, days);
    let hives = herd.hives(first, from, days);
    let mut yards = vec![Yard::live(seed, 0, &place, hives)];
    if two_seasons {
        let from = dice.whole(0, herd.may.days() - days);
        let hives = herd.hives(&herd.may, from, days);
        yards.push(Yard::live(seed, 1, &place, hives));
    } else if dice.chance(0.5) {
        // A few hives without scales, far from all others.
        yards.push(Yard::without_scales(seed, 1, &place));
    }
    written::write(seed, &place, &yards)
}
