//! What goes wrong with devices, drawn.

use super::instruments::{Failing, Fault};
use super::sky::{PER_DAY, PER_HOUR};
use larder_sim::Dice;

/// What goes wrong with a device.
pub struct Ailments {
    pub silences: Vec<(usize, usize)>,
    pub faults: Vec<Failing>,
    /// Volts at the start, volts a day, and when the cell is changed.
    pub battery: (f64, f64, usize),
}

/// What a device is, which decides how it fails.
#[derive(Clone, Copy, PartialEq)]
pub enum Kind {
    Scale,
    Level,
    /// A weather station, which only falls silent and runs low.
    Station,
}

impl Ailments {
    pub fn draw(days: usize, kind: Kind, dice: &mut Dice) -> Self {
        let steps = days * PER_DAY;
        let within = |dice: &mut Dice, hours: f64| {
            let from = dice.whole(PER_DAY / 2, steps);
            (from, (from + (hours * PER_HOUR as f64) as usize).min(steps))
        };
        let mut silences = Vec::new();
        if dice.chance(0.35) {
            let hours = dice.log_between(7.0, 90.0);
            silences.push(within(dice, hours));
        }
        for _ in 0..dice.whole(0, 3) {
            let hours = dice.log_between(0.7, 5.0);
            silences.push(within(dice, hours));
        }
        let mut faults = Vec::new();
        if kind != Kind::Station && dice.chance(0.3) {
            let fault = fault(kind, dice);
            let hours = match fault {
                Fault::Drift(_) => dice.between(30.0, 110.0),
                _ => dice.log_between(8.0, 96.0),
            };
            let (from, until) = within(dice, hours);
            faults.push(Failing { fault, from, until });
        }
        let weak = dice.chance(0.15);
        let per_day = if weak {
            dice.between(0.01, 0.04)
        } else {
            dice.between(0.001, 0.004)
        };
        let low_on = dice.between(0.2, 0.9) * days as f64;
        let volts = if weak {
            3.5 + per_day * low_on
        } else {
            dice.between(3.8, 4.15)
        };
        let changed = ((low_on + dice.between(1.5, 6.0)) * PER_DAY as f64) as usize;
        Self {
            silences,
            faults,
            battery: (volts, per_day, if weak { changed } else { usize::MAX }),
        }
    }

    pub fn silent(&self, step: usize) -> bool {
        self.silences.iter().any(|s| (s.0..s.1).contains(&step))
    }

    pub fn volts(&self, step: usize) -> f64 {
        let (volts, per_day, changed) = self.battery;
        if step < changed {
            (volts - per_day * step as f64 / PER_DAY as f64).max(3.1)
        } else {
            4.1
        }
    }
}

fn fault(kind: Kind, dice: &mut Dice) -> Fault {
    let either = |dice: &mut Dice| if dice.chance(0.5) { 1.0 } else { -1.0 };
    match dice.whole(0, 5) {
        0 => Fault::Stuck,
        1 => Fault::Echoes,
        2 => Fault::Impossible,
        3 => Fault::OutOfRange,
        // A scale: 0.3 to 2 kg a day. A level: 8 to 50 % of its range.
        _ if kind == Kind::Scale => Fault::Drift(either(dice) * dice.log_between(0.3, 2.0) / 24.0),
        _ => Fault::Drift(either(dice) * dice.log_between(0.08, 0.5) / 24.0),
    }
}
