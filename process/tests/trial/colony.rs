//! One hive as it truly is: its colony, its stores, its feeder and what weighs on its scale.

use super::batch::Batch;
use super::sky::{STEP_H, Sky};
use larder_sim::{Dice, Syrup};

use larder_syrup::Strength;
use larder_syrup::physics::kg_per_litre;

/// What does not change.
#[derive(Clone, Copy, Debug)]
pub struct Traits {
    pub appetite_l_per_day: f64,
    pub bees_kg: f64,
    pub tare_kg: f64,
    pub honey_kg: f64,
    /// Of the empty feeder.
    pub feeder_kg: f64,
    pub capacity_l: f64,
    pub on_scale: bool,
    /// How much warmer than the air the syrup stays, K, and how late it follows, hours.
    pub warmth_k: f64,
    pub lag_h: f64,
    /// At this temperature of the syrup half of the appetite is left, Cel.
    pub half_at_c: f64,
    /// How the day's uptake leans to the light hours: 0 evenly, 1 by day only.
    pub by_day: f64,
    /// Stores dry with this time constant, hours, and by night at this share of the day's pace.
    pub dries_h: f64,
    pub dries_by_night: f64,
    pub breath_kg_per_day: f64,
    /// Share of the bees in the field in the best of weather.
    pub in_field: f64,
    /// Share of the capacity that the bees cannot reach.
    pub dregs: f64,
    /// What a wet lid carries at most, and what clear nights lay on it, kg.
    pub lid_holds_kg: f64,
    pub dew_kg: f64,
    /// Days at 25 °C after which half of the batches of this strength ferment.
    pub sour_days: f64,
    pub strength: Strength,
}

/// What happens to the hive in one step.
#[derive(Clone, Copy)]
pub struct Effects {
    /// Through a full feeder's hole.
    pub leak_l_per_h: f64,
    /// Of the syrup leaked, what the bees lick up.
    pub licked: f64,
    pub robbed_l_per_h: f64,
    pub robbed_honey_kg_per_h: f64,
    /// The feeder lies in the grass.
    pub off: bool,
    /// Share of its appetite that the colony has for reasons of its own.
    pub keen: f64,
    /// Brought in at this step's flight weather at most.
    pub nectar_kg_per_day: f64,
}

impl Effects {
    pub const NONE: Self = Self {
        leak_l_per_h: 0.0,
        licked: 0.0,
        robbed_l_per_h: 0.0,
        robbed_honey_kg_per_h: 0.0,
        off: false,
        keen: 1.0,
        nectar_kg_per_day: 0.0,
    };
}

/// The truth of one step.
#[derive(Clone, Copy, Default)]
pub struct Frame {
    /// In the feeder, at 20 °C.
    pub litres: f64,
    /// On the scale.
    pub gross_kg: f64,
    pub syrup_c: f64,
    /// Share of the appetite that the syrup's temperature leaves.
    pub ease: f64,
    pub taken_l: f64,
    pub leaked_l: f64,
    pub robbed_l: f64,
    /// Poured in, and tipped out by hands before that.
    pub poured_l: f64,
    pub dumped_l: f64,
    /// What hands put on the scale, syrup and boxes, kg.
    pub handled_kg: f64,
    /// What of the step's nectar is left once it is ripe.
    pub nectar_kg: f64,
    pub off: bool,
    /// The batch's age as a share of the age at which it ferments.
    pub aged: f64,
    /// Warmth from fermenting, K.
    pub heat_k: f64,
    /// Foam on the syrup, m.
    pub foam_m: f64,
}

pub struct Colony {
    pub traits: Traits,
    sugar_kg: f64,
    water_kg: f64,
    syrup_c: f64,
    honey_kg: f64,
    unripe_kg: f64,
    lid_kg: f64,
    out_kg: f64,
    mood: f64,
    since_fill_h: f64,
    batch: Batch,
    hands: Hands,
    dice: Dice,
}

/// What hands did since the last step.
#[derive(Clone, Copy, Default)]
struct Hands {
    poured_l: f64,
    dumped_l: f64,
    kg: f64,
}

/// Water in ripe honey (common practice: under 18.6 %).
const RIPE: f64 = 0.175;

impl Colony {
    pub fn new(traits: Traits, mut dice: Dice) -> Self {
        Self {
            sugar_kg: 0.0,
            water_kg: 0.0,
            syrup_c: 14.0,
            honey_kg: traits.honey_kg,
            unripe_kg: 0.2,
            lid_kg: 0.0,
            out_kg: 0.0,
            mood: 1.0,
            since_fill_h: 100.0,
            batch: Batch::draw(&mut dice),
            hands: Hands::default(),
            traits,
            dice,
        }
    }

    pub fn litres(&self) -> f64 {
        litres(self.sugar_kg, self.water_kg)
    }

    pub fn fermenting(&self) -> bool {
        self.batch.active > 0.4
    }

    /// Brings the batch to the point at which it ferments: dirty equipment, or old syrup poured.
    pub fn infect(&mut self) {
        self.batch.ripe_at = self.batch.ripe_at.min(self.batch.aged.max(1e-3));
    }

    pub fn pour(&mut self, poured_l: f64, poured_c: f64) {
        let before = self.litres();
        let kg = poured_l * kg_per_litre(Some(self.traits.strength));
        let sugar = self.traits.strength.mass_fraction().value();
        self.sugar_kg += kg * sugar;
        self.water_kg += kg * (1.0 - sugar);
        let share = before / (before + poured_l);
        self.syrup_c = share * self.syrup_c + (1.0 - share) * poured_c;
        if share < 0.15 {
            self.batch = Batch::draw(&mut self.dice);
        } else if self.fermenting() {
            // Its yeasts are in the fresh syrup at once.
            self.batch.active *= share;
        } else {
            self.batch.aged *= share;
        }
        self.since_fill_h = 0.0;
        self.hands.poured_l += poured_l;
        self.hands.kg += kg;
    }

    pub fn tip_out(&mut self) {
        self.hands.dumped_l += self.litres();
        self.hands.kg -= self.sugar_kg + self.water_kg;
        (self.sugar_kg, self.water_kg) = (0.0, 0.0);
    }

    /// Boxes or frames, kg.
    pub fn add_kg(&mut self, kg: f64) {
        self.traits.tare_kg += kg;
        self.hands.kg += kg;
    }

    /// Lets a step pass.
    pub fn step(&mut self, sky: &Sky, effects: &Effects) -> Frame {
        if effects.off {
            self.tip_out();
        }
        self.since_fill_h += STEP_H;
        self.warm(sky);
        let there = self.litres() > 0.02 * self.traits.capacity_l;
        self.batch.age(self.syrup_c, self.traits.sour_days, there);
        let (ease, taken_l) = self.take(sky, effects);
        let leaked_l = self.leak(effects);
        let (robbed_l, robbed_kg) = self.be_robbed(effects);
        let nectar_kg = self.forage(sky, effects);
        self.ripen(sky);
        self.wet(sky);
        self.mood += (1.0 - self.mood) * STEP_H / 36.0 + self.dice.normal(0.04 * STEP_H.sqrt());
        let fullness = (self.litres() / self.traits.capacity_l / 0.3).clamp(0.0, 1.0);
        let heat_k = self.batch.active * self.batch.peak_k * fullness.sqrt();
        let hands = std::mem::take(&mut self.hands);
        let robbers_kg = if robbed_kg > 0.0 { 0.1 } else { 0.0 };
        Frame {
            litres: self.litres(),
            gross_kg: self.gross_kg(effects.off) + robbers_kg + self.dice.normal(0.2 * robbers_kg),
            syrup_c: self.syrup_c + heat_k,
            ease,
            taken_l,
            leaked_l,
            robbed_l,
            poured_l: hands.poured_l,
            dumped_l: hands.dumped_l,
            handled_kg: hands.kg,
            nectar_kg,
            off: effects.off,
            aged: self.batch.aged / self.batch.ripe_at,
            heat_k,
            foam_m: self.batch.active * self.batch.foam_m,
        }
    }

    fn gross_kg(&self, off: bool) -> f64 {
        let t = &self.traits;
        let feeder = if t.on_scale && !off {
            t.feeder_kg + self.sugar_kg + self.water_kg
        } else {
            0.0
        };
        t.tare_kg + t.bees_kg - self.out_kg + self.honey_kg + self.unripe_kg + self.lid_kg + feeder
    }

    fn warm(&mut self, sky: &Sky) {
        let sunny = 3.0 * sky.sun * (1.0 - 0.8 * sky.cloud);
        let towards = sky.air_c + self.traits.warmth_k + sunny;
        self.syrup_c += (towards - self.syrup_c) * STEP_H / self.traits.lag_h;
    }

    /// Gives back the ease and the litres taken.
    fn take(&mut self, sky: &Sky, effects: &Effects) -> (f64, f64) {
        let t = self.traits;
        let ease = 1.0 / (1.0 + ((t.half_at_c - self.syrup_c) / 1.3).exp());
        let light = if sky.sun > 0.0 { 1.9 } else { 0.0 };
        let rhythm = (1.0 - t.by_day) + t.by_day * light;
        let found = (0.25 + self.since_fill_h / 8.0).min(1.0);
        let flowers = 1.0 / (1.0 + effects.nectar_kg_per_day / 0.6);
        let likes = 1.0 - 0.92 * self.batch.active;
        let mood = self.mood.clamp(0.4, 1.7);
        let wanted_l = t.appetite_l_per_day * STEP_H / 24.0
            * (ease * rhythm * found * flowers * likes * mood * effects.keen);
        let (sugar, water) = self.draw(wanted_l, t.dregs);
        self.stow(sugar, water);
        (ease, litres(sugar, water))
    }

    /// The water that ripe honey keeps stays, the rest dries off later.
    fn stow(&mut self, sugar_kg: f64, water_kg: f64) {
        let ripe = sugar_kg / (1.0 - RIPE);
        self.honey_kg += ripe.min(sugar_kg + water_kg);
        self.unripe_kg += (sugar_kg + water_kg - ripe).max(0.0);
    }

    /// By Torricelli: with the root of the depth.
    fn leak(&mut self, effects: &Effects) -> f64 {
        let depth = (self.litres() / self.traits.capacity_l).clamp(0.0, 1.0);
        let (sugar, water) = self.draw(effects.leak_l_per_h * depth.sqrt() * STEP_H, 0.002);
        self.stow(effects.licked * sugar, effects.licked * water);
        litres(sugar, water)
    }

    /// Gives back the litres of syrup, and the mass with the honey.
    fn be_robbed(&mut self, effects: &Effects) -> (f64, f64) {
        let (sugar, water) = self.draw(effects.robbed_l_per_h * STEP_H, self.traits.dregs);
        let honey = (effects.robbed_honey_kg_per_h * STEP_H).min(self.honey_kg);
        self.honey_kg -= honey;
        (litres(sugar, water), sugar + water + honey)
    }

    fn draw(&mut self, wanted_l: f64, dregs: f64) -> (f64, f64) {
        let there = self.litres();
        let reach = (there - dregs * self.traits.capacity_l).max(0.0);
        if wanted_l <= 0.0 || reach <= 0.0 {
            return (0.0, 0.0);
        }
        let share = wanted_l.min(reach) / there;
        let drawn = (share * self.sugar_kg, share * self.water_kg);
        self.sugar_kg -= drawn.0;
        self.water_kg -= drawn.1;
        drawn
    }

    /// Two fifths of nectar are sugar (common practice: 20 to 50 %).
    fn forage(&mut self, sky: &Sky, effects: &Effects) -> f64 {
        let flight = sky.flight();
        let towards = self.traits.in_field * self.traits.bees_kg * flight;
        self.out_kg += (towards - self.out_kg) * 0.35;
        // A fine day has some six full hours of flight.
        let nectar = effects.nectar_kg_per_day * flight * STEP_H / 6.0;
        self.stow(0.4 * nectar, 0.6 * nectar);
        0.4 / (1.0 - RIPE) * nectar
    }

    fn ripen(&mut self, sky: &Sky) {
        let t = &self.traits;
        let pace = if sky.sun > 0.0 { 1.0 } else { t.dries_by_night };
        let air = 1.5 - sky.humidity_pct / 140.0;
        self.unripe_kg *= (-pace * air * STEP_H / t.dries_h).exp();
        self.honey_kg -= t.breath_kg_per_day * STEP_H / 24.0;
    }

    fn wet(&mut self, sky: &Sky) {
        let t = &self.traits;
        let clear_night = sky.sun <= 0.0 && sky.cloud < 0.4 && sky.humidity_pct > 80.0;
        let dew = if clear_night {
            t.dew_kg * STEP_H / 6.0
        } else {
            0.0
        };
        self.lid_kg = (self.lid_kg + 0.05 * sky.rain_mm + dew).min(t.lid_holds_kg);
        if sky.rain_mm <= 0.0 {
            let drying = 0.05 + 0.6 * sky.sun + 0.02 * sky.wind_m_s;
            self.lid_kg *= (-drying * STEP_H).exp();
        }
    }
}

/// At 20 °C.
fn litres(sugar_kg: f64, water_kg: f64) -> f64 {
    Syrup { sugar_kg, water_kg }.litres_at(20.0)
}
