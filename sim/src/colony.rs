//! One hive: its colony, its stores, its feeder and what its scale has to carry. Masses are kept
//! apart by where they came from and where they went, so that every gram can be accounted for.

use crate::dice::Dice;
use crate::syrup::Syrup;
use crate::weather::Sky;

/// What came and what went since the history began, kg.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct Ledger {
    /// Poured into the feeder.
    pub filled_kg: f64,
    /// Taken by the colony.
    pub taken_kg: f64,
    /// Lost through the leak.
    pub leaked_kg: f64,
    /// Nectar brought in.
    pub nectar_kg: f64,
    /// Water dried off the stores.
    pub dried_kg: f64,
    /// Honey eaten and breathed out.
    pub burned_kg: f64,
}

/// What is fixed about a hive.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Traits {
    /// Litres of syrup a day that the colony takes when it is warm and there is plenty.
    pub appetite_l_per_day: f64,
    /// Live bees, kg.
    pub bees_kg: f64,
    /// Boxes, frames, wax, brood and the empty feeder, kg.
    pub tare_kg: f64,
    /// Honey when the history began, kg.
    pub stores_kg: f64,
    /// How much warmer than the air the colony keeps the syrup, K.
    pub warmth_k: f64,
    /// Litres that the feeder holds.
    pub capacity_l: f64,
}

/// What is going on at a hive apart from its nature.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct Trouble {
    /// The colony does not touch the syrup.
    pub stalled: bool,
    /// The feeder loses syrup.
    pub leaking: bool,
}

/// Water in ripe honey as a share of its mass: under about 18.6 % it keeps (common practice).
const RIPE_WATER: f64 = 0.18;
/// The share of the capacity that bees cannot reach.
const DREGS: f64 = 0.01;
/// Loss of a leaking full feeder, l an hour.
const LEAK_L_PER_H: f64 = 0.075;

/// A hive as it changes.
#[derive(Clone, Debug)]
pub struct Colony {
    /// What is fixed.
    pub traits: Traits,
    /// What is in the feeder.
    pub syrup: Syrup,
    /// Syrup temperature, Cel.
    pub syrup_c: f64,
    /// Water on the lid, kg.
    pub rain_on_lid_kg: f64,
    /// What came and went.
    pub ledger: Ledger,
    stores_kg: f64,
    unripe_water_kg: f64,
    foragers_out_kg: f64,
    /// How keen the colony is today, about 1.
    mood: f64,
    /// Hours since the feeder last had something new in it.
    hours_since_fill: f64,
    dice: Dice,
}

impl Colony {
    /// A hive with `syrup` left in its feeder from before the history.
    pub fn new(traits: Traits, syrup: Syrup, dice: Dice) -> Self {
        Self {
            traits,
            syrup,
            syrup_c: 15.0,
            rain_on_lid_kg: 0.0,
            ledger: Ledger::default(),
            stores_kg: traits.stores_kg,
            unripe_water_kg: 0.0,
            foragers_out_kg: 0.0,
            mood: 1.0,
            hours_since_fill: 48.0,
            dice,
        }
    }

    /// What stands on the scale, kg: foragers in the field are not on it, rain on the lid is.
    pub fn gross_kg(&self) -> f64 {
        self.dry_kg() + self.rain_on_lid_kg - self.foragers_out_kg
    }

    /// The hive with all its bees at home and a dry lid, kg.
    pub fn dry_kg(&self) -> f64 {
        self.traits.tare_kg + self.traits.bees_kg + self.stores_kg + self.syrup.mass_kg()
    }

    /// Syrup in the feeder at its own temperature, l.
    pub fn litres(&self) -> f64 {
        self.syrup.litres_at(self.syrup_c)
    }

    /// Pours syrup in.
    pub fn fill(&mut self, poured: Syrup) {
        self.syrup += poured;
        self.ledger.filled_kg += poured.mass_kg();
        self.hours_since_fill = 0.0;
    }

    /// Lets `hours` pass under `sky`.
    pub fn step(&mut self, hours: f64, sky: &Sky, trouble: Trouble) {
        self.hours_since_fill += hours;
        self.warm_syrup(hours, sky);
        if !trouble.stalled {
            self.take_syrup(hours, sky);
        }
        if trouble.leaking {
            self.leak(hours);
        }
        self.forage(hours, sky);
        self.ripen_and_eat(hours, sky);
        self.wet_and_dry_lid(hours, sky);
        // A mean-reverting walk: keenness wanders by about a sixth, over a day or so.
        self.mood += (1.0 - self.mood) * hours / 30.0 + self.dice.normal(0.05 * hours.sqrt());
        self.mood = self.mood.clamp(0.4, 1.6);
    }

    /// Syrup follows the air, less the warmth of the cluster, over some three hours.
    fn warm_syrup(&mut self, hours: f64, sky: &Sky) {
        let towards_c = sky.air_c + self.traits.warmth_k;
        self.syrup_c += (towards_c - self.syrup_c) * (1.0 - (-hours / 3.0).exp());
    }

    /// Bees take little from syrup under 10 °C (common practice), more by day than by night, and
    /// need some hours to find a feeder that was just filled.
    fn take_syrup(&mut self, hours: f64, sky: &Sky) {
        let warm_enough = 1.0 / (1.0 + (-(self.syrup_c - 11.5) / 1.1).exp());
        let by_day = 0.75 + 0.6 * sky.daylight;
        let found = (0.3 + self.hours_since_fill / 6.0).min(1.0);
        let litres = self.traits.appetite_l_per_day * hours / 24.0
            * warm_enough
            * by_day
            * found
            * self.mood;
        let taken = self.draw_off(litres);
        self.ledger.taken_kg += taken.mass_kg();
        self.stores_kg += taken.mass_kg();
        let water_that_stays = taken.sugar_kg * RIPE_WATER / (1.0 - RIPE_WATER);
        self.unripe_water_kg += (taken.water_kg - water_that_stays).max(0.0);
    }

    /// Torricelli: the flow through a crack goes with the root of the depth.
    fn leak(&mut self, hours: f64) {
        let fullness = (self.litres() / self.traits.capacity_l).max(0.0);
        let leaked = self.draw_off(LEAK_L_PER_H * fullness.sqrt() * hours);
        self.ledger.leaked_kg += leaked.mass_kg();
    }

    fn draw_off(&mut self, litres: f64) -> Syrup {
        let there = self.litres();
        let reachable = (there - DREGS * self.traits.capacity_l).max(0.0);
        if reachable <= 0.0 {
            return Syrup::default();
        }
        let drawn = self.syrup.part(litres.clamp(0.0, reachable) / there);
        self.syrup -= drawn;
        drawn
    }

    /// Late flowers give a little; two thirds of nectar is water.
    fn forage(&mut self, hours: f64, sky: &Sky) {
        let flight = sky.flight();
        self.foragers_out_kg = 0.14 * self.traits.bees_kg * flight;
        let nectar_kg = 0.012 * self.traits.bees_kg * flight * hours;
        self.ledger.nectar_kg += nectar_kg;
        self.stores_kg += nectar_kg;
        self.unripe_water_kg += nectar_kg * 0.6;
    }

    /// Ripening takes some two days; eating some tens of grams a day.
    fn ripen_and_eat(&mut self, hours: f64, sky: &Sky) {
        let drying = (0.6 + 0.8 * sky.daylight) * hours / 50.0;
        let dried_kg = self.unripe_water_kg * (1.0 - (-drying).exp());
        self.unripe_water_kg -= dried_kg;
        let burned_kg = (0.015 + 0.022 * self.traits.bees_kg) * hours / 24.0;
        self.stores_kg -= dried_kg + burned_kg;
        self.ledger.dried_kg += dried_kg;
        self.ledger.burned_kg += burned_kg;
    }

    fn wet_and_dry_lid(&mut self, hours: f64, sky: &Sky) {
        const LID_M2: f64 = 0.21;
        const LID_HOLDS_KG: f64 = 0.18;
        let fallen_kg = sky.rain_mm_per_h * hours * LID_M2;
        self.rain_on_lid_kg = (self.rain_on_lid_kg + fallen_kg).min(LID_HOLDS_KG);
        if sky.rain_mm_per_h <= 0.0 {
            let drying = (0.15 + 0.6 * sky.daylight + 0.03 * sky.wind_m_s) * hours;
            self.rain_on_lid_kg *= (-drying).exp();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use larder_syrup::Strength;
    use proptest::prelude::*;

    fn traits(appetite_l_per_day: f64) -> Traits {
        Traits {
            appetite_l_per_day,
            bees_kg: 2.0,
            tare_kg: 20.0,
            stores_kg: 10.0,
            warmth_k: 5.0,
            capacity_l: 9.0,
        }
    }

    fn sky(air_c: f64, daylight: f64) -> Sky {
        Sky {
            air_c,
            humidity_pct: 70.0,
            rain_mm_per_h: 0.0,
            wind_m_s: 1.0,
            irradiance_w_m2: 500.0 * daylight,
            daylight,
        }
    }

    fn taken_l_in_a_day(air_c: f64, trouble: Trouble) -> f64 {
        let strength = Strength::by_mass(2.0, 1.0).unwrap();
        let full = Syrup::of_litres(8.0, strength);
        let mut colony = Colony::new(traits(1.5), full, Dice::of(1, "t"));
        for minute in 0..24 * 60 {
            let daylight = f64::from(u8::from((360..1080).contains(&minute)));
            colony.step(1.0 / 60.0, &sky(air_c, daylight), trouble);
        }
        colony.ledger.taken_kg / Syrup::of_litres(1.0, strength).mass_kg()
    }

    #[test]
    fn a_warm_colony_takes_what_colonies_take_and_a_cold_one_next_to_nothing() {
        let warm = taken_l_in_a_day(16.0, Trouble::default());
        assert!((0.9..2.5).contains(&warm), "{warm}");
        assert!(taken_l_in_a_day(0.0, Trouble::default()) < 0.1 * warm);
        let stalled = Trouble {
            stalled: true,
            leaking: false,
        };
        assert!(taken_l_in_a_day(16.0, stalled).abs() < 1e-12);
    }

    #[test]
    fn syrup_swells_as_the_density_equation_says() {
        // 10 l of 2:1 from 10 to 30 °C grow by 77 ml without any syrup added: derived from the
        // published density of sucrose solutions (ICUMSA SPS-4). The tolerance covers a first,
        // coarser density equation.
        let syrup = Syrup::of_litres(10.0, Strength::by_mass(2.0, 1.0).unwrap());
        let grown_ml = 1000.0 * (syrup.litres_at(30.0) - syrup.litres_at(10.0));
        assert!((grown_ml - 77.1).abs() < 12.0, "{grown_ml}");
    }

    proptest! {
        /// Nothing appears and nothing vanishes, whatever the weather and the trouble.
        #[test]
        fn mass_balances(
            appetite in 0.0f64..3.0,
            hours in prop::collection::vec((-5.0f64..30.0, 0.0f64..1.0, 0.0f64..4.0, any::<bool>(), 0.0f64..3.0), 1..200),
        ) {
            let strength = Strength::by_mass(2.0, 1.0).unwrap();
            let start = Syrup::of_litres(3.0, strength);
            let mut colony = Colony::new(traits(appetite), start, Dice::of(2, "p"));
            let dry_at_start = colony.dry_kg();
            for (air_c, daylight, rain, leaking, pour_l) in hours {
                if pour_l > 2.5 {
                    colony.fill(Syrup::of_litres(pour_l, strength));
                }
                let sky = Sky { rain_mm_per_h: rain, ..sky(air_c, daylight) };
                colony.step(1.0, &sky, Trouble { stalled: false, leaking });
                prop_assert!(colony.syrup.sugar_kg >= 0.0 && colony.syrup.water_kg >= 0.0);
            }
            let l = colony.ledger;
            let expected = dry_at_start + l.filled_kg + l.nectar_kg - l.leaked_kg - l.dried_kg - l.burned_kg;
            prop_assert!((colony.dry_kg() - expected).abs() < 1e-9, "{} {expected}", colony.dry_kg());
            let in_feeder = start.mass_kg() + l.filled_kg - l.taken_kg - l.leaked_kg;
            prop_assert!((colony.syrup.mass_kg() - in_feeder).abs() < 1e-9);
        }
    }
}
