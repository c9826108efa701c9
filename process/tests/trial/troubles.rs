//! What goes wrong with hives, drawn: one trouble at a time.

use super::colony::{Colony, Effects};
use super::sky::{PER_DAY, PER_HOUR, Sky};
use larder_sim::Dice;

/// What may befall a hive.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Trouble {
    Leak {
        l_per_h: f64,
        hours: f64,
        licked: f64,
    },
    Robbers {
        l_per_h: f64,
        honey_kg_per_h: f64,
        hours: f64,
    },
    BlownOff {
        in_wind: bool,
    },
    Sour,
    Stall {
        keen: f64,
        days: f64,
    },
}

/// A trouble that waits for its moment, that goes on, or that is over.
struct Planned {
    trouble: Trouble,
    not_before: usize,
}

/// One that goes on.
#[derive(Clone, Copy, Debug)]
pub struct Going {
    pub trouble: Trouble,
    pub since: usize,
    until: usize,
}

/// What a hive lives through.
pub struct Fate {
    waiting: Vec<Planned>,
    going: Option<Going>,
    /// Those that came to pass, with the first step after.
    pub past: Vec<(Going, usize)>,
    dice: Dice,
}

/// A trouble that found no moment in so many days does not come.
const PATIENCE_DAYS: usize = 9;
/// Between two of them there are at least so many days.
const APART_DAYS: f64 = 5.0;

impl Fate {
    /// Two or three in six weeks, in turn so that every kind comes about as often.
    pub fn draw(days: usize, turn: usize, mut dice: Dice) -> Self {
        let mut waiting = Vec::new();
        let mut day = dice.between(2.5, 12.0);
        let mut turn = turn;
        while day < days as f64 - 5.0 {
            waiting.push(Planned {
                trouble: Trouble::draw(turn, &mut dice),
                not_before: (day * PER_DAY as f64) as usize,
            });
            turn += 1;
            day += APART_DAYS + dice.between(3.0, 12.0);
        }
        waiting.reverse();
        Self {
            waiting,
            going: None,
            past: Vec::new(),
            dice,
        }
    }

    /// Starts and ends troubles; what they do to the hive in this step.
    pub fn effects(&mut self, step: usize, hour: f64, sky: &Sky, colony: &mut Colony) -> Effects {
        if let Some(going) = self.going
            && going.is_over(step, sky, colony)
        {
            self.end(step);
        }
        if self.going.is_none()
            && let Some(next) = self.waiting.last()
            && step >= next.not_before
        {
            let trouble = next.trouble;
            let waited = step - next.not_before;
            // Not at the first moment that fits: that is when the keeper has just been there.
            if trouble.may_start(waited, hour, sky, colony) && self.dice.chance(trouble.hurry()) {
                self.waiting.pop();
                self.start(trouble, step, colony);
            } else if step > next.not_before + PATIENCE_DAYS * PER_DAY {
                self.waiting.pop();
            }
        }
        self.going.map_or(Effects::NONE, |going| going.effects())
    }

    /// The keeper is there: puts the feeder back, and finds most leaks.
    pub fn visited(&mut self, step: usize, dice: &mut Dice) {
        let mended = self.going.is_some_and(|going| match going.trouble {
            Trouble::BlownOff { .. } => true,
            Trouble::Leak { .. } => dice.chance(0.6),
            _ => false,
        });
        if mended {
            self.end(step);
        }
    }

    /// The story is over.
    pub fn finish(&mut self, step: usize) {
        self.end(step);
    }

    fn start(&mut self, trouble: Trouble, step: usize, colony: &mut Colony) {
        let hours = match trouble {
            Trouble::Leak { hours, .. } | Trouble::Robbers { hours, .. } => hours,
            Trouble::Stall { days, .. } => 24.0 * days,
            Trouble::BlownOff { .. } => f64::from(u32::MAX),
            Trouble::Sour => {
                colony.infect();
                0.0
            }
        };
        self.going = Some(Going {
            trouble,
            since: step,
            until: step.saturating_add((hours * PER_HOUR as f64) as usize),
        });
    }

    fn end(&mut self, step: usize) {
        if let Some(going) = self.going.take() {
            self.past.push((going, step));
            let apart = (APART_DAYS * PER_DAY as f64) as usize;
            if let Some(next) = self.waiting.last_mut() {
                next.not_before = next.not_before.max(step + apart);
            }
        }
    }
}

impl Trouble {
    fn draw(turn: usize, dice: &mut Dice) -> Self {
        match turn % 7 {
            0 | 4 => Self::Leak {
                l_per_h: dice.log_between(0.005, 0.4),
                hours: dice.log_between(5.0, 120.0),
                licked: if dice.chance(0.3) {
                    dice.between(0.0, 0.4)
                } else {
                    0.0
                },
            },
            1 | 5 => Self::Robbers {
                l_per_h: dice.log_between(0.3, 3.0),
                honey_kg_per_h: if dice.chance(0.6) {
                    dice.log_between(0.1, 1.2)
                } else {
                    0.0
                },
                hours: dice.between(0.8, 5.0),
            },
            2 => Self::Stall {
                keen: dice.between(0.0, 0.1),
                days: dice.between(2.5, 7.0),
            },
            3 => Self::Sour,
            _ => Self::BlownOff {
                in_wind: dice.chance(0.6),
            },
        }
    }

    /// The chance that it starts in a step that fits.
    fn hurry(self) -> f64 {
        let mean_hours = if matches!(self, Self::Robbers { .. }) {
            2.0
        } else {
            14.0
        };
        1.0 / (mean_hours * PER_HOUR as f64)
    }

    fn may_start(self, waited: usize, hour: f64, sky: &Sky, colony: &Colony) -> bool {
        let full = colony.litres() / colony.traits.capacity_l;
        match self {
            Self::Leak { .. } => full > 0.3,
            Self::Robbers { .. } => {
                full > 0.25 && sky.flight() > 0.5 && (9.0..16.0).contains(&hour)
            }
            Self::BlownOff { in_wind } => {
                full > 0.2 && (!in_wind || sky.wind_m_s > 7.0 || waited > 4 * PER_DAY)
            }
            Self::Sour => full > 0.4,
            Self::Stall { .. } => full > 0.5,
        }
    }
}

impl Going {
    fn is_over(self, step: usize, sky: &Sky, colony: &Colony) -> bool {
        let dry = colony.litres() < 0.004 * colony.traits.capacity_l;
        step >= self.until
            || match self.trouble {
                Trouble::Leak { .. } => dry,
                Trouble::Robbers { honey_kg_per_h, .. } => {
                    sky.flight() < 0.05 || dry && honey_kg_per_h < 0.3
                }
                _ => false,
            }
    }

    fn effects(self) -> Effects {
        let none = Effects::NONE;
        match self.trouble {
            Trouble::Leak {
                l_per_h, licked, ..
            } => Effects {
                leak_l_per_h: l_per_h,
                licked,
                ..none
            },
            Trouble::Robbers {
                l_per_h,
                honey_kg_per_h,
                ..
            } => Effects {
                robbed_l_per_h: l_per_h,
                robbed_honey_kg_per_h: honey_kg_per_h,
                ..none
            },
            Trouble::BlownOff { .. } => Effects { off: true, ..none },
            Trouble::Stall { keen, .. } => Effects { keen, ..none },
            Trouble::Sour => none,
        }
    }
}
