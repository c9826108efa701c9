//! What goes wrong at a hive, and when.

use super::air::{Air, hour_of};
use super::life::Upset;
use super::{STEP_H, STEPS_A_DAY};
use larder_sim::Dice;

#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Mishap {
    Leak {
        l_per_h: f64,
        inside: bool,
    },
    Robbers {
        l_per_h: f64,
        honey_kg_per_h: f64,
    },
    /// Wind or a cow: the feeder lies in the grass until someone comes.
    Off,
    /// They have their reasons, and leave it.
    Unwilling {
        keen: f64,
    },
    Swarm {
        kg: f64,
    },
    /// The hive lies beside its scale, or someone took it, until it is put back.
    Gone {
        rest_kg: f64,
    },
}

/// One of them in its time, in steps.
#[derive(Clone, Copy, Debug)]
pub struct Going {
    pub mishap: Mishap,
    pub from: usize,
    pub until: usize,
    /// Whether a visit ends it.
    pub mended: bool,
}

/// Steps that hours take.
pub fn steps(hours: f64) -> usize {
    (hours / STEP_H).round() as usize
}

/// About one trouble in three weeks at each hive, of all kinds alike.
pub fn draw(days: usize, air: &[Air], weighed: bool, dice: &mut Dice) -> Vec<Going> {
    let mut all = Vec::new();
    let mut day = dice.between(3.0, 16.0);
    while (day as usize) + 2 < days {
        let midnight = day as usize * STEPS_A_DAY;
        let warm_noon = air[midnight + STEPS_A_DAY * 14 / 24].celsius > 13.0;
        let by_day = midnight + steps(dice.between(9.0, 16.0));
        let any_hour = midnight + steps(dice.between(0.0, 23.9));
        let going = match dice.whole(0, 9) {
            0 | 1 => Some(Going {
                mishap: Mishap::Leak {
                    l_per_h: dice.log_between(0.006, 0.04),
                    inside: dice.chance(0.3),
                },
                from: any_hour,
                until: any_hour + steps(24.0 * dice.between(2.0, 8.0)),
                mended: dice.chance(0.5),
            }),
            2 => Some(Going {
                mishap: Mishap::Leak {
                    l_per_h: dice.log_between(0.06, 0.6),
                    inside: dice.chance(0.2),
                },
                from: any_hour,
                until: any_hour + steps(24.0 * dice.between(1.0, 5.0)),
                mended: true,
            }),
            3 | 4 if warm_noon => Some(Going {
                mishap: Mishap::Robbers {
                    l_per_h: dice.log_between(0.12, 0.9),
                    honey_kg_per_h: dice.log_between(0.05, 0.6),
                },
                from: by_day,
                until: by_day + steps(dice.between(0.8, 5.0)),
                mended: false,
            }),
            5 => Some(Going {
                mishap: Mishap::Off,
                from: any_hour,
                until: usize::MAX,
                mended: true,
            }),
            6 | 7 => Some(Going {
                mishap: Mishap::Unwilling {
                    keen: dice.pick(&[0.0, 0.02, 0.08]),
                },
                from: any_hour,
                until: any_hour + steps(24.0 * dice.between(2.0, 6.0)),
                mended: false,
            }),
            8 if warm_noon && weighed => Some(Going {
                mishap: Mishap::Swarm {
                    kg: dice.between(1.0, 4.0),
                },
                from: midnight + steps(dice.between(10.0, 15.0)),
                until: midnight + steps(15.0),
                mended: false,
            }),
            9 if weighed && dice.chance(0.4) => Some(Going {
                mishap: Mishap::Gone {
                    rest_kg: dice.pick(&[0.0, 0.0, 1.5, 6.0]),
                },
                from: any_hour,
                until: usize::MAX,
                mended: true,
            }),
            _ => None,
        };
        all.extend(going);
        day += dice.between(7.0, 30.0);
    }
    all
}

impl Going {
    pub fn at(&self, step: usize) -> bool {
        (self.from..self.until).contains(&step)
    }

    /// What it does to the feeder.
    pub fn upset(&self, step: usize, air: &Air, upset: &mut Upset) {
        match self.mishap {
            Mishap::Leak { l_per_h, inside } => {
                upset.leak_l_per_h += l_per_h;
                upset.leaks_inside = inside;
            }
            // At dusk and in the rain they go home.
            Mishap::Robbers {
                l_per_h,
                honey_kg_per_h,
            } if air.sun > 0.05 && air.rain_mm <= 0.0 && hour_of(step) < 19.0 => {
                upset.robbed_l_per_h += l_per_h;
                upset.robbed_honey_kg_per_h += honey_kg_per_h;
            }
            Mishap::Off | Mishap::Gone { .. } => upset.off = true,
            Mishap::Unwilling { keen } => upset.keen *= keen,
            Mishap::Robbers { .. } | Mishap::Swarm { .. } => {}
        }
    }
}
