//! What a scale says under a real hive that carries an invented feeder.

use super::base::BaseHive;
use super::mishaps::{Mishap, steps};
use super::yard::Hive;
use super::{STEP_MS, STEPS_A_DAY};
use larder_sim::Dice;

pub struct Platform {
    pub base: BaseHive,
    quantum_kg: f64,
    lost: f64,
    pub faults: Vec<(Fault, usize, usize)>,
    pub outages: Vec<(usize, usize)>,
}

#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Fault {
    Stuck,
    Creeps { kg_per_day: f64 },
    Nonsense,
}

impl Platform {
    pub fn draw(base: BaseHive, days: usize, dice: &mut Dice) -> Self {
        let mut faults = Vec::new();
        if dice.chance(0.3) {
            let from = dice.whole(3 * STEPS_A_DAY, (days - 2) * STEPS_A_DAY);
            let (fault, hours) = match dice.whole(0, 2) {
                0 => (Fault::Stuck, dice.between(8.0, 60.0)),
                1 => (
                    Fault::Creeps {
                        kg_per_day: dice.pick(&[-1.0, 1.0]) * dice.between(0.2, 0.8),
                    },
                    dice.between(60.0, 160.0),
                ),
                _ => (Fault::Nonsense, dice.between(6.0, 40.0)),
            };
            faults.push((fault, from, from + steps(hours)));
        }
        Self {
            base,
            quantum_kg: dice.pick(&[0.01, 0.02, 0.05]),
            lost: dice.log_between(0.002, 0.05),
            faults,
            outages: outages(days, dice),
        }
    }

    /// Its readings: milliseconds from the first midnight, kg.
    pub fn read(&self, hive: &Hive, dice: &mut Dice) -> Vec<(i64, f64)> {
        let mut all: Vec<(i64, f64)> = Vec::new();
        let mut last = 0.0;
        for &(ms, base_kg) in &self.base.samples {
            let step = (ms / STEP_MS) as usize;
            let silent = self.outages.iter().any(|o| (o.0..o.1).contains(&step));
            if step >= hive.moments.len() || silent || dice.chance(self.lost) {
                continue;
            }
            let fault = self.faults.iter().find(|f| (f.1..f.2).contains(&step));
            let true_kg = hive.gross_kg(step, base_kg);
            let kg = match fault {
                _ if base_kg < 0.0 => base_kg,
                Some((Fault::Stuck, ..)) => last,
                Some((Fault::Creeps { kg_per_day }, from, _)) => {
                    true_kg + kg_per_day * (step - from) as f64 / STEPS_A_DAY as f64
                }
                Some((Fault::Nonsense, ..)) if dice.chance(0.8) => dice.between(-40.0, 150.0),
                _ => true_kg,
            };
            last = (kg / self.quantum_kg).round() * self.quantum_kg;
            all.push((ms, last));
        }
        all
    }
}

impl Hive {
    /// What stands on its scale, hands included.
    fn gross_kg(&self, step: usize, base_kg: f64) -> f64 {
        let mut kg = self.still_kg(step, base_kg);
        for hands in &self.hands {
            if (hands.from..hands.until).contains(&step) {
                kg += hands.kg[step - hands.from];
            }
        }
        kg
    }

    /// The same when nobody touches it.
    pub fn still_kg(&self, step: usize, base_kg: f64) -> f64 {
        let gone = self.goings.iter().find_map(|going| match going.mishap {
            Mishap::Gone { rest_kg } if going.at(step) => Some(rest_kg),
            _ => None,
        });
        if let Some(rest_kg) = gone {
            return rest_kg;
        }
        let swarmed = self.goings.iter().map(|going| match going.mishap {
            // They pour out within a quarter of an hour.
            Mishap::Swarm { kg } if step >= going.from => {
                kg * ((step - going.from + 1) as f64 / 3.0).min(1.0)
            }
            _ => 0.0,
        });
        let stays = self.hands.iter().filter(|hands| step >= hands.until);
        base_kg + self.moments[step].load_kg - swarmed.sum::<f64>()
            + stays.map(|hands| hands.stays_kg).sum::<f64>()
    }
}

/// Times in which a device is not heard.
pub fn outages(days: usize, dice: &mut Dice) -> Vec<(usize, usize)> {
    let mut all = Vec::new();
    let mut day = dice.between(1.0, 40.0);
    while day < days as f64 {
        let from = (day * STEPS_A_DAY as f64) as usize;
        let hours = dice.log_between(1.0, 70.0);
        all.push((from, from + steps(hours)));
        day += hours / 24.0 + dice.between(5.0, 50.0);
    }
    all
}
