//! The people: when they come, what they pour, what they write down, and what their hands do to a
//! scale.

use super::air::Air;
use super::life::{Habits, Life};
use super::mishaps::steps;
use super::{STEP_MS, STEPS_A_DAY};
use larder_sim::{Dice, Syrup};
use larder_syrup::Strength;

/// How a crew works.
pub struct Crew {
    gap_days: (usize, usize),
    /// What is meant to go into each feeder at a visit, l.
    round_l: f64,
    /// Cans are filled to the half or the whole litre.
    can_l: f64,
    pub strength: Strength,
    /// The share of fills that nobody writes down, and of those without a volume.
    forgets: f64,
    no_volume: f64,
    wrong: f64,
    /// Writes at the table in the evening.
    evening: f64,
}

impl Crew {
    pub fn draw(autumn: bool, dice: &mut Dice) -> Self {
        let thick = autumn || dice.chance(0.2);
        let parts = if thick { (2.0, 1.0) } else { (1.0, 1.0) };
        Self {
            gap_days: dice.pick(&[(3, 5), (5, 8), (6, 8), (7, 12)]),
            round_l: dice.pick(&[1.0, 2.0, 3.0, 4.0, 6.0, 8.0]),
            can_l: dice.pick(&[0.25, 0.5, 1.0]),
            strength: Strength::by_mass(parts.0, parts.1).expect("strengths of the trade"),
            forgets: dice.pick(&[0.0, 0.05, 0.15, 0.4]),
            no_volume: dice.pick(&[0.0, 0.1, 0.3]),
            wrong: dice.pick(&[0.0, 0.03, 0.1]),
            evening: dice.pick(&[0.0, 0.0, 0.1, 0.3]),
        }
    }

    /// Steps at which they reach the yard: by day, not in the rain.
    pub fn visits(&self, days: usize, air: &[Air], dice: &mut Dice) -> Vec<usize> {
        let mut all = Vec::new();
        let mut day = dice.whole(1, 4);
        while day < days {
            let first = day * STEPS_A_DAY + steps(dice.between(8.5, 16.5));
            let last = day * STEPS_A_DAY + steps(18.5);
            all.extend((first..last).find(|&step| air[step].rain_mm <= 0.0));
            day += dice.whole(self.gap_days.0, self.gap_days.1);
        }
        all
    }
}

/// A fill as it was, and as it was written down.
#[derive(Clone, Copy)]
pub struct Fill {
    pub step: usize,
    pub litres: f64,
    pub mass_kg: f64,
    /// Old syrup that was tipped out first.
    pub dumped_kg: f64,
    pub note: Option<(i64, Option<f64>)>,
}

/// Whether the note book came along on that visit, and whether its times are of the evening.
#[derive(Clone, Copy)]
pub struct Book {
    pub is_there: bool,
    pub evening: bool,
}

impl Crew {
    pub fn book(&self, dice: &mut Dice) -> Book {
        Book {
            is_there: !dice.chance(0.5 * self.forgets),
            evening: dice.chance(self.evening),
        }
    }

    /// Fills one feeder. `hour` is the visit's local hour.
    pub fn fill(
        &self,
        habits: &Habits,
        life: &mut Life,
        (step, hour): (usize, f64),
        book: Book,
        dice: &mut Dice,
    ) -> Option<Fill> {
        if dice.chance(0.08) {
            return None; // left out: still heavy, too weak, no syrup left
        }
        let sour = life.sour() && dice.chance(0.6);
        let dumped_kg = if sour { life.dump() } else { 0.0 };
        let partial = if dice.chance(0.2) {
            dice.between(0.2, 0.8)
        } else {
            1.0
        };
        let room = dice.between(0.88, 0.98) * habits.capacity_l - life.litres();
        let wanted = (partial * self.round_l).min(room);
        let meant = (wanted / self.can_l).floor() * self.can_l;
        if meant < 0.24 && dumped_kg <= 0.0 {
            return None;
        }
        let litres = (meant * (1.0 + dice.normal(0.04))).min(room + 0.02 * habits.capacity_l);
        let litres = litres.max(0.0);
        let fresh = Syrup::of_litres(litres, self.strength);
        if litres > 0.0 {
            life.pour(fresh, dice.between(8.0, 32.0));
        }
        let noted = litres > 0.0 && book.is_there && !dice.chance(self.forgets);
        let off_min = dice.normal(8.0);
        let late_h = if book.evening {
            (20.5 - hour).max(0.0)
        } else {
            0.0
        };
        let at = step as i64 * STEP_MS + ((late_h * 60.0 + off_min) * 60_000.0) as i64;
        let factor = if dice.chance(self.wrong) {
            dice.pick(&[0.5, 2.0, 0.7, 1.5])
        } else {
            1.0
        };
        let volume = (!dice.chance(self.no_volume)).then_some(meant * factor);
        Some(Fill {
            step,
            litres: fresh.litres_at(20.0),
            mass_kg: fresh.mass_kg(),
            dumped_kg,
            note: noted.then_some((at / 60_000 * 60_000, volume)),
        })
    }
}

/// What hands do to a scale from one step to another, kg; and what stays.
#[derive(Clone)]
pub struct Hands {
    pub from: usize,
    pub until: usize,
    pub kg: Vec<f64>,
    pub stays_kg: f64,
}

/// An inspection: boxes off and on again, a lid, someone who leans.
pub fn inspect(step: usize, hive_kg: f64, dice: &mut Dice) -> Hands {
    let (hours, least, most) = match dice.whole(0, 4) {
        0 => (dice.between(0.1, 0.3), 2.0, 40.0),
        1 => (dice.between(0.1, 0.5), -4.0, -1.5),
        2 | 3 => (dice.between(0.2, 0.9), -0.6 * hive_kg, -0.2 * hive_kg),
        _ => (dice.between(0.9, 3.0), -0.75 * hive_kg, -0.3 * hive_kg),
    };
    let n = steps(hours).max(1);
    let mut kg = dice.between(least, most);
    let moves = (0..n).map(|_| {
        if dice.chance(0.2) {
            kg = dice.between(least, most);
        }
        kg + dice.normal(0.05)
    });
    Hands {
        from: step,
        until: step + n,
        kg: moves.collect(),
        stays_kg: if dice.chance(0.15) {
            dice.pick(&[-2.2, -1.1, 1.2, 2.4, 7.5])
        } else {
            0.0
        },
    }
}
