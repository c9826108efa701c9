//! What cheap instruments make of the truth, and how they fail.

use super::colony::Frame;
use super::sky::{STEP_H, Sky};
use larder_domain::ChannelKind;
use larder_sim::Dice;
use larder_syrup::Strength;
use larder_syrup::feeder::Shape;
use larder_syrup::physics::kg_per_litre;

/// Under a hive.
#[derive(Clone, Copy, Debug)]
pub struct Scale {
    pub minutes: usize,
    pub per_kelvin_kg: f64,
    pub noise_kg: f64,
    pub step_kg: f64,
    pub thermometer: bool,
    pub lost: f64,
    /// When in its step it measures, seconds.
    pub offset_s: i64,
}

/// What a level sensor shows.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Shown {
    Distance { mount_m: f64 },
    Depth,
    Weight,
}

/// What it sees while its feeder lies in the grass.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Offness {
    Floor,
    Far,
    Nonsense,
}

/// In or over a feeder.
#[derive(Clone, Copy, Debug)]
pub struct LevelSensor {
    pub shown: Shown,
    pub minutes: usize,
    pub noise: f64,
    pub step: f64,
    pub offset: f64,
    pub per_kelvin: f64,
    /// By how much the declared shape is off.
    pub share: f64,
    pub echoes: f64,
    pub thermometer: bool,
    pub lost: f64,
    pub offset_s: i64,
    pub when_off: Offness,
}

/// How an instrument fails.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Fault {
    Stuck,
    /// Every other value or so comes off something else.
    Echoes,
    /// Values that no such channel can have.
    Impossible,
    /// Possible ones that cannot be here.
    OutOfRange,
    /// Share of the full range an hour (level), kg an hour (scale).
    Drift(f64),
}

/// One fault in its time.
#[derive(Clone, Copy, Debug)]
pub struct Failing {
    pub fault: Fault,
    pub from: usize,
    pub until: usize,
}

/// What an instrument remembers between values.
#[derive(Default)]
pub struct Memory {
    last: f64,
    cell_c: f64,
}

impl Scale {
    pub fn read(
        &self,
        frame: &Frame,
        sky: &Sky,
        hands_kg: f64,
        failing: Option<(Fault, f64)>,
        memory: &mut Memory,
        dice: &mut Dice,
    ) -> f64 {
        // Half of what the sun does to the cell its thermometer does not see.
        let cell_c = sky.air_c + 2.0 * sky.sun * (1.0 - 0.8 * sky.cloud);
        let catch_up = 1.0 - (-(self.minutes as f64) / 60.0).exp();
        memory.cell_c += (cell_c - memory.cell_c) * catch_up;
        let noise = self.noise_kg * (1.0 + sky.wind_m_s / 6.0);
        let kg = frame.gross_kg
            + hands_kg
            + self.per_kelvin_kg * (memory.cell_c - 15.0)
            + dice.normal(noise);
        let shown = match failing {
            Some((Fault::Stuck, _)) => memory.last,
            Some((Fault::Impossible, _)) => dice.pick(&[-327.68, 1638.4]),
            Some((Fault::OutOfRange, _)) => dice.between(-60.0, 3.0),
            Some((Fault::Drift(kg_per_h), hours)) => kg + kg_per_h * hours,
            Some((Fault::Echoes, _)) => kg + dice.between(-25.0, 25.0),
            None => kg,
        };
        memory.last = round_to(shown, self.step_kg);
        memory.last
    }
}

impl LevelSensor {
    pub fn channel(&self) -> ChannelKind {
        match self.shown {
            Shown::Distance { .. } => ChannelKind::Distance,
            Shown::Depth => ChannelKind::Depth,
            Shown::Weight => ChannelKind::FeederWeight,
        }
    }

    pub fn read(
        &self,
        (shape, capacity_l, strength): (&Shape, f64, Strength),
        frame: &Frame,
        sky: &Sky,
        failing: Option<(Fault, f64)>,
        memory: &mut Memory,
        dice: &mut Dice,
    ) -> f64 {
        let seen_l = match failing {
            Some((Fault::Drift(share_per_h), hours)) => {
                frame.litres + share_per_h * hours * capacity_l
            }
            _ => frame.litres,
        };
        let depth_m = shape.depth_at((seen_l / (1.0 + self.share)).max(0.0)) + frame.foam_m;
        let full_m = shape.depth_at(capacity_l);
        let warm = self.per_kelvin * (frame.syrup_c - 15.0);
        let own = self.offset + warm + dice.normal(self.noise);
        let value = match self.shown {
            Shown::Depth if frame.off => self.off(0.0, 0.0, -0.3 * full_m, 2.0 * full_m, dice),
            Shown::Depth => depth_m + own,
            Shown::Weight if frame.off => self.off(
                0.0,
                -0.3 - 0.1 * capacity_l,
                -capacity_l,
                3.0 * capacity_l,
                dice,
            ),
            Shown::Weight => seen_l * kg_per_litre(Some(strength)) + own,
            Shown::Distance { mount_m } if frame.off => {
                self.off(mount_m, mount_m + 0.4, 0.02, 1.5, dice)
            }
            Shown::Distance { mount_m } => {
                let echo = dice.chance(self.echoes);
                let way = if echo {
                    mount_m * dice.between(0.2, 0.7)
                } else {
                    mount_m - depth_m
                };
                // Half of such sensors know the speed of sound; this one is off by what 15 K make.
                way * (1.0 + 0.0004 * (sky.air_c - 15.0)) - own
            }
        };
        let shown = match failing {
            Some((Fault::Stuck, _)) => memory.last,
            Some((Fault::Impossible, _)) => dice.pick(&[-99.0, 655.35]),
            Some((Fault::OutOfRange, _)) => self.far_out(full_m, capacity_l, dice),
            Some((Fault::Echoes, _)) if dice.chance(0.6) => self.echo(full_m, capacity_l, dice),
            _ => value,
        };
        let least = if self.channel() == ChannelKind::Distance
            && !matches!(failing, Some((Fault::Impossible, _)))
        {
            0.0
        } else {
            f64::MIN
        };
        memory.last = round_to(shown.max(least), self.step);
        memory.last
    }

    fn off(&self, floor: f64, far: f64, least: f64, most: f64, dice: &mut Dice) -> f64 {
        match self.when_off {
            Offness::Floor => floor + dice.normal(self.noise),
            Offness::Far => far + dice.normal(self.noise),
            Offness::Nonsense => dice.between(least, most),
        }
    }

    fn far_out(&self, full_m: f64, capacity_l: f64, dice: &mut Dice) -> f64 {
        match self.shown {
            Shown::Distance { mount_m } => mount_m + full_m * dice.between(1.5, 4.0),
            Shown::Depth => full_m * dice.between(2.0, 4.0),
            Shown::Weight => capacity_l * dice.between(3.0, 6.0),
        }
    }

    fn echo(&self, full_m: f64, capacity_l: f64, dice: &mut Dice) -> f64 {
        match self.shown {
            Shown::Distance { mount_m } => mount_m - full_m * dice.between(0.3, 1.3),
            Shown::Depth => full_m * dice.between(0.0, 1.2),
            Shown::Weight => capacity_l * dice.between(0.0, 1.6),
        }
    }
}

/// Hours that a fault has lasted at a step.
pub fn failing_at(faults: &[Failing], step: usize) -> Option<(Fault, f64)> {
    let now = faults.iter().find(|f| (f.from..f.until).contains(&step))?;
    Some((now.fault, (step - now.from) as f64 * STEP_H))
}

fn round_to(value: f64, step: f64) -> f64 {
    (value / step).round() * step
}
