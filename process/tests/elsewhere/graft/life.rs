//! A feeder's life as the graft invents it: bees that find the syrup and tell each other, a comb that
//! has only so much room for what is not ripe yet, and honey that dries.

use super::air::Air;
use super::{STEP_H, STEPS_A_DAY};
use larder_domain::FeederKind;
use larder_sim::{Dice, Syrup};

/// What does not change about a colony and its feeder.
#[derive(Clone, Copy)]
pub struct Habits {
    pub kind: FeederKind,
    pub capacity_l: f64,
    pub feeder_kg: f64,
    pub on_scale: bool,
    /// Of a fine day, with the syrup found and room in the comb.
    pub appetite_l_per_day: f64,
    /// Most that gets through holes, l/h.
    pub holes_l_per_h: f64,
    /// Under the first none is taken, over the second as much as they like.
    pub cold_c: (f64, f64),
    /// 0: day and night alike; 1: by day only.
    pub by_day: f64,
    /// Hours in which twice as many know of it.
    pub tell_h: f64,
    /// Water that the comb has room for until it has dried off, kg.
    pub room_kg: f64,
    /// Hours in which two thirds of it dry off.
    pub dry_h: f64,
    /// Of the sugar, what the work of ripening burns.
    pub burnt: f64,
    /// How much warmer than the air, and how slowly it follows.
    pub warmth_k: f64,
    pub lag_h: f64,
    pub dregs_l: f64,
    pub evaporates_l_per_day: f64,
    /// Day degrees over 8 °C that a batch keeps.
    pub keeps_day_k: f64,
}

/// What else happens to the feeder in one step.
#[derive(Clone, Copy)]
pub struct Upset {
    pub leak_l_per_h: f64,
    /// Whether what leaks lies on the floor of the hive before it is gone.
    pub leaks_inside: bool,
    pub robbed_l_per_h: f64,
    pub robbed_honey_kg_per_h: f64,
    pub off: bool,
    /// Share of their appetite that they have.
    pub keen: f64,
}

impl Upset {
    pub const NONE: Self = Self {
        leak_l_per_h: 0.0,
        leaks_inside: false,
        robbed_l_per_h: 0.0,
        robbed_honey_kg_per_h: 0.0,
        off: false,
        keen: 1.0,
    };
}

/// One step's truth.
#[derive(Clone, Copy, Default)]
pub struct Moment {
    pub litres: f64,
    /// What the feeder's life adds to the real hive, kg.
    pub load_kg: f64,
    pub syrup_c: f64,
    /// Share of the appetite that the cold leaves.
    pub ease: f64,
    pub taken_l: f64,
    pub leaked_l: f64,
    pub robbed_l: f64,
    pub spilled_l: f64,
    pub evaporated_l: f64,
    pub filled_l: f64,
    pub off: bool,
    pub sour: bool,
    /// Share of its keeping time that the batch has behind it.
    pub aged: f64,
    pub foam_m: f64,
}

pub struct Life {
    habits: Habits,
    syrup: Syrup,
    syrup_c: f64,
    honey_kg: f64,
    wet_kg: f64,
    floor_kg: f64,
    know: f64,
    aged_day_k: f64,
    keeps_day_k: f64,
    ferments: f64,
    foam_m: f64,
    hot_k: f64,
    mood: f64,
    filled_l: f64,
    spilled_l: f64,
    dice: Dice,
}

/// Water in ripe honey.
const RIPE: f64 = 0.18;

impl Life {
    pub fn new(habits: Habits, mut dice: Dice) -> Self {
        let keeps = habits.keeps_day_k * dice.normal(0.45).exp();
        Self {
            syrup: Syrup::default(),
            syrup_c: 15.0,
            honey_kg: 0.0,
            wet_kg: 0.0,
            floor_kg: 0.0,
            know: 0.1,
            aged_day_k: 0.0,
            keeps_day_k: keeps,
            ferments: 0.0,
            foam_m: dice.between(0.0, 0.004),
            hot_k: dice.between(0.0, 1.8),
            mood: 1.0,
            filled_l: 0.0,
            spilled_l: 0.0,
            habits,
            dice,
        }
    }

    pub fn litres(&self) -> f64 {
        self.syrup.litres_at(20.0)
    }

    pub fn sour(&self) -> bool {
        self.aged_day_k >= self.keeps_day_k
    }

    pub fn pour(&mut self, fresh: Syrup, celsius: f64) {
        let before = self.syrup.mass_kg();
        let share = before / (before + fresh.mass_kg());
        self.syrup += fresh;
        self.syrup_c = share * self.syrup_c + (1.0 - share) * celsius;
        if share < 0.2 {
            self.aged_day_k = 0.0;
            self.ferments = 0.0;
            self.keeps_day_k = self.habits.keeps_day_k * self.dice.normal(0.45).exp();
        } else if !self.sour() {
            self.aged_day_k *= share;
        }
        self.filled_l += fresh.litres_at(20.0);
    }

    /// Tipped into the grass by whoever smelled it; gives back how much, kg.
    pub fn dump(&mut self) -> f64 {
        self.spilled_l += self.litres();
        std::mem::take(&mut self.syrup).mass_kg()
    }

    pub fn step(&mut self, step: usize, air: &Air, upset: &Upset) -> Moment {
        if upset.off {
            self.dump();
        }
        if step.is_multiple_of(STEPS_A_DAY) {
            self.mood = (0.55 * self.mood.ln() + self.dice.normal(0.22)).exp();
        }
        let towards = air.celsius + self.habits.warmth_k + 2.0 * air.sun;
        self.syrup_c += (towards - self.syrup_c) * STEP_H / self.habits.lag_h;
        let there = self.litres() > 0.03 * self.habits.capacity_l;
        if there {
            self.aged_day_k += (self.syrup_c - 8.0).max(0.0) * STEP_H / 24.0;
        } else {
            self.aged_day_k = 0.0;
        }
        let target = if there && self.sour() { 1.0 } else { 0.0 };
        self.ferments += (target - self.ferments) * STEP_H / 18.0;
        let ease = self.ease();
        let taken_l = self.take(air, ease, upset);
        let leak = self.draw(upset.leak_l_per_h * self.head() * STEP_H, 0.0);
        if upset.leaks_inside {
            self.floor_kg += leak.mass_kg();
        }
        let robbed = self.draw(upset.robbed_l_per_h * STEP_H, self.habits.dregs_l);
        self.honey_kg -= upset.robbed_honey_kg_per_h * STEP_H;
        let evaporated_l = self.evaporate();
        self.ripen(air);
        let filled_l = std::mem::take(&mut self.filled_l);
        Moment {
            litres: self.litres(),
            load_kg: self.load_kg(upset.off),
            syrup_c: self.syrup_c + self.ferments * self.hot_k,
            ease,
            taken_l,
            leaked_l: leak.litres_at(20.0),
            robbed_l: robbed.litres_at(20.0),
            spilled_l: std::mem::take(&mut self.spilled_l),
            evaporated_l,
            filled_l,
            off: upset.off,
            sour: there && self.sour(),
            aged: self.aged_day_k / self.keeps_day_k,
            foam_m: self.ferments * self.foam_m,
        }
    }

    fn load_kg(&self, off: bool) -> f64 {
        let feeder = if self.habits.on_scale && !off {
            self.habits.feeder_kg + self.syrup.mass_kg()
        } else {
            0.0
        };
        feeder + self.honey_kg + self.wet_kg + self.floor_kg
    }

    fn ease(&self) -> f64 {
        let (none, free) = self.habits.cold_c;
        let x = ((self.syrup_c - none) / (free - none)).clamp(0.0, 1.0);
        x * x * (3.0 - 2.0 * x)
    }

    /// A hole lets through the more the higher the syrup stands over it.
    fn head(&self) -> f64 {
        (self.litres() / self.habits.capacity_l)
            .clamp(0.0, 1.0)
            .sqrt()
    }

    fn take(&mut self, air: &Air, ease: f64, upset: &Upset) -> f64 {
        let h = self.habits;
        let there = self.litres() > h.dregs_l + 0.01;
        // Bees tell each other of what they found; of an empty feeder they forget within hours.
        if there && ease > 0.05 && !upset.off {
            self.know += self.know * (1.0 - self.know) * STEP_H / h.tell_h;
        } else if !there {
            self.know += (0.08 - self.know) * STEP_H / 7.0;
        }
        let light = if air.sun > 0.0 {
            1.0 + 0.9 * air.sun
        } else {
            0.15
        };
        let rhythm = (1.0 - h.by_day) + h.by_day * light;
        let room = (1.0 - self.wet_kg / h.room_kg).clamp(0.03, 1.0);
        let likes = 1.0 - 0.9 * self.ferments;
        let jitter = (1.0 + self.dice.normal(0.25)).clamp(0.2, 2.0);
        let wanted = h.appetite_l_per_day / 24.0
            * (ease * self.know * rhythm * room * likes * self.mood * upset.keen * jitter);
        let taken = self.draw(wanted.min(h.holes_l_per_h) * STEP_H, h.dregs_l);
        let litres = taken.litres_at(20.0);
        let kept = taken.sugar_kg * (1.0 - h.burnt) / (1.0 - RIPE);
        self.honey_kg += kept.min(taken.mass_kg());
        self.wet_kg += (taken.mass_kg() - kept).max(0.0);
        litres
    }

    fn draw(&mut self, litres: f64, dregs_l: f64) -> Syrup {
        let there = self.litres();
        let reach = (there - dregs_l).max(0.0);
        if litres <= 0.0 || reach <= 0.0 {
            return Syrup::default();
        }
        let part = self.syrup.part(litres.min(reach) / there);
        self.syrup -= part;
        part
    }

    fn evaporate(&mut self) -> f64 {
        let before = self.litres();
        let kg = self.habits.evaporates_l_per_day * STEP_H / 24.0;
        self.syrup.water_kg -= kg.min(0.2 * self.syrup.water_kg);
        before - self.litres()
    }

    fn ripen(&mut self, air: &Air) {
        let dry_air = (1.35 - air.humidity_pct / 120.0).max(0.3);
        let warm = (0.4 + air.celsius / 40.0).clamp(0.3, 1.3);
        self.wet_kg *= (-dry_air * warm * STEP_H / self.habits.dry_h).exp();
        self.floor_kg *= (-STEP_H / 3.0).exp();
    }
}
