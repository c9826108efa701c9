//! Level sensors over, in and under a feeder, and how they err.

use super::life::Moment;
use super::mishaps::steps;
use super::{STEP_H, STEPS_A_DAY};
use larder_sim::Dice;

#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Shown {
    Distance {
        mount_m: f64,
        optical: bool,
    },
    Depth,
    Weight,
    /// A strip that tells litres in steps of a share of the whole.
    Strip,
}

/// One level sensor and the vessel it watches.
#[derive(Clone, Debug)]
pub struct Gauge {
    pub shown: Shown,
    pub minutes: usize,
    pub noise: f64,
    pub quantum: f64,
    pub offset: f64,
    pub per_kelvin: f64,
    /// By how much the declared shape is off.
    pub share: f64,
    pub thermometer: bool,
    pub lost: f64,
    /// Depths, m, and litres.
    pub shape: Vec<(f64, f64)>,
    /// When it is off, the sensor hangs over nothing, lies beside it, or stays with the feeder.
    pub when_off: usize,
    pub spells: Vec<Spell>,
}

/// A time in which it is wrong.
#[derive(Clone, Copy, Debug)]
pub struct Spell {
    pub wrong: Wrong,
    pub from: usize,
    pub until: usize,
}

#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Wrong {
    Stuck,
    /// Comb, a crust or a drowned bee hold the float, or the echo comes off them.
    Bridged,
    /// The vessel stands beside its cell, or the echo takes a longer way.
    Below {
        m: f64,
    },
    /// Drops on the lens.
    Dew {
        m: f64,
    },
    /// Share of the whole a day.
    Creeps {
        per_day: f64,
    },
    Nonsense,
}

impl Wrong {
    pub fn of(dice: &mut Dice, optical: bool) -> (Self, f64) {
        match dice.whole(0, 5) {
            0 => (Self::Stuck, dice.between(8.0, 60.0)),
            1 => (Self::Bridged, dice.between(12.0, 72.0)),
            2 | 3 => (
                Self::Below {
                    m: dice.between(0.02, 0.06),
                },
                dice.between(4.0, 40.0),
            ),
            4 => (
                Self::Creeps {
                    per_day: dice.pick(&[-1.0, 1.0]) * dice.between(0.03, 0.12),
                },
                dice.between(48.0, 150.0),
            ),
            _ if optical => (
                Self::Dew {
                    m: dice.between(0.02, 0.08),
                },
                dice.between(3.0, 9.0),
            ),
            _ => (Self::Nonsense, dice.between(6.0, 50.0)),
        }
    }
}

impl Gauge {
    pub fn draw(capacity_l: f64, height_m: f64, shape: Vec<(f64, f64)>, dice: &mut Dice) -> Self {
        let shown = match dice.whole(0, 9) {
            0..=2 => Shown::Distance {
                mount_m: height_m + dice.between(0.02, 0.08),
                optical: false,
            },
            3 | 4 => Shown::Distance {
                mount_m: height_m + dice.between(0.02, 0.06),
                optical: true,
            },
            5 | 6 => Shown::Depth,
            7 | 8 => Shown::Weight,
            _ => Shown::Strip,
        };
        let quantum_m = dice.pick(&[0.001, 0.001, 0.002, 0.005]);
        let (noise, quantum, offset, per_kelvin) = match shown {
            Shown::Weight => (
                dice.log_between(0.004, 0.03),
                dice.pick(&[0.005, 0.02]),
                0.04,
                0.0015,
            ),
            Shown::Strip => (0.01 * capacity_l, 0.05 * capacity_l, 0.01 * capacity_l, 0.0),
            _ => (dice.log_between(0.0004, 0.003), quantum_m, 0.003, 0.00012),
        };
        Self {
            shown,
            minutes: dice.pick(&[5, 10, 15, 30]),
            noise,
            quantum,
            offset: dice.normal(offset) * if dice.chance(0.15) { 2.5 } else { 1.0 },
            per_kelvin: dice.normal(per_kelvin),
            share: dice.normal(0.025),
            thermometer: shown != Shown::Strip && dice.chance(0.4),
            lost: dice.log_between(0.002, 0.08),
            shape,
            when_off: dice.whole(0, 2),
            spells: Vec::new(),
        }
    }

    /// Spells over the days: some in a month each; dew comes back for several nights.
    pub fn fall_ill(&mut self, days: usize, dice: &mut Dice) {
        let optical = matches!(self.shown, Shown::Distance { optical: true, .. });
        let mut day = dice.between(2.0, 40.0);
        while (day as usize) + 1 < days {
            let (wrong, hours) = Wrong::of(dice, optical);
            let from = (day * STEPS_A_DAY as f64) as usize;
            if let Wrong::Dew { .. } = wrong {
                for night in 0..dice.whole(1, 4) {
                    let from = (day as usize + night) * STEPS_A_DAY + steps(dice.between(1.0, 5.0));
                    let until = from + steps(dice.between(0.5, 1.0) * hours.min(5.0));
                    self.spells.push(Spell { wrong, from, until });
                }
            } else {
                let until = from + steps(hours);
                self.spells.push(Spell { wrong, from, until });
            }
            day += hours / 24.0 + dice.between(8.0, 60.0);
        }
    }

    pub fn spell_at(&self, step: usize) -> Option<&Spell> {
        self.spells
            .iter()
            .find(|spell| (spell.from..spell.until).contains(&step))
    }

    fn depth_m(&self, litres: f64) -> f64 {
        let rows = &self.shape;
        let next = rows.partition_point(|row| row.1 < litres);
        let next = next.clamp(1, rows.len() - 1);
        let ((a, la), (b, lb)) = (rows[next - 1], rows[next]);
        a + (b - a) * (litres - la) / (lb - la)
    }

    fn full_m(&self) -> f64 {
        self.shape.last().map_or(0.1, |row| row.0)
    }

    fn capacity_l(&self) -> f64 {
        self.shape.last().map_or(1.0, |row| row.1)
    }

    /// What it says of a moment; `before` is the moment when its spell began, `last` what it said.
    pub fn read(
        &self,
        step: usize,
        now: &Moment,
        before: &Moment,
        (kg_per_l, last): (f64, f64),
        dice: &mut Dice,
    ) -> f64 {
        let spell = self.spell_at(step);
        let wrong = spell.map(|spell| spell.wrong);
        if wrong == Some(Wrong::Stuck) {
            return last;
        }
        let hours = spell.map_or(0.0, |spell| (step - spell.from) as f64 * STEP_H);
        let seen = if wrong == Some(Wrong::Bridged) {
            before
        } else {
            now
        };
        let creep = match wrong {
            Some(Wrong::Creeps { per_day }) => per_day * hours / 24.0,
            _ => 0.0,
        };
        let below_m = match wrong {
            Some(Wrong::Below { m }) => m,
            _ => 0.0,
        };
        let litres = seen.litres / (1.0 + self.share);
        let own = self.offset + self.per_kelvin * (now.syrup_c - 18.0) + dice.normal(self.noise);
        let nonsense = wrong == Some(Wrong::Nonsense) && dice.chance(0.8);
        let value = match self.shown {
            Shown::Distance { mount_m, .. } => {
                if nonsense || now.off && self.when_off == 0 {
                    dice.between(0.0, 2.5)
                } else if now.off && self.when_off == 1 {
                    mount_m + 0.4 + dice.normal(0.004)
                } else if below_m > 0.0 {
                    mount_m + below_m + own
                } else {
                    let dew = match wrong {
                        Some(Wrong::Dew { m }) => m + dice.normal(0.01),
                        _ => 0.0,
                    };
                    mount_m - self.depth_m(litres) - seen.foam_m - creep * self.full_m() - dew - own
                }
            }
            Shown::Depth if nonsense => dice.between(-0.5, 3.0),
            Shown::Depth if now.off => own,
            Shown::Depth => {
                let depth = self.depth_m(litres) + seen.foam_m + creep * self.full_m();
                if below_m > 0.0 {
                    -below_m + own
                } else {
                    depth + own
                }
            }
            Shown::Weight if nonsense => dice.between(-9.0, 30.0),
            Shown::Weight if now.off || below_m > 0.0 => -0.12 * self.capacity_l() - 0.15 + own,
            Shown::Weight => kg_per_l * (seen.litres + creep * self.capacity_l()) + own,
            Shown::Strip if nonsense => dice.between(0.0, self.capacity_l()),
            Shown::Strip if now.off || below_m > 0.0 => 0.0,
            Shown::Strip => {
                (litres + creep * self.capacity_l() + own).clamp(0.0, self.capacity_l())
            }
        };
        (value / self.quantum).round() * self.quantum
    }
}
