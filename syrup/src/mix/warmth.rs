//! How warm a mix ends: the heat of water, sugar and leftovers before and after. The pail and the
//! air take some too, so a real mix ends a few degrees cooler.

use super::{MixError, Recipe};
use crate::physics::{crystal_heat_j_per_kg, heat_of_solution_j_per_kg, solution_heat_j_per_kg};
use crate::solve;
use crate::units::{DegreesCelsius, Kilograms, MassFraction};

/// What is known and wanted about temperatures.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Wish {
    /// The hot water there is; `None`: as hot as it takes, up to boiling.
    pub hot: Option<DegreesCelsius>,
    /// The cold water there is.
    pub cold: DegreesCelsius,
    /// The sugar's temperature.
    pub sugar: DegreesCelsius,
    /// A leftover syrup's temperature.
    pub leftover: DegreesCelsius,
    /// How warm the mix should end; `None`: as it comes with all water hot.
    pub end: Option<DegreesCelsius>,
}

/// How warm it gets.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Warmth {
    /// All water together.
    pub water_at: DegreesCelsius,
    /// The finished mix.
    pub ends_at: DegreesCelsius,
    /// The part of the water that is hot.
    pub hot: Kilograms,
    /// The hot water's temperature.
    pub hot_at: DegreesCelsius,
    /// The rest is cold.
    pub cold: Kilograms,
}

const BOILING: DegreesCelsius = DegreesCelsius(100.0);

/// What is poured together.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) struct Poured {
    pub leftover: Option<Recipe>,
    pub sugar: Kilograms,
    pub water: Kilograms,
    pub made: Recipe,
}

pub(super) fn warmth(poured: &Poured, wish: &Wish) -> Result<Warmth, MixError> {
    match (wish.hot, wish.end) {
        (hot, None) => {
            let hot = hot.unwrap_or(wish.cold);
            Ok(Warmth {
                water_at: hot,
                ends_at: poured.ends_at(hot, wish),
                hot: poured.water,
                hot_at: hot,
                cold: Kilograms(0.0),
            })
        }
        (hot, Some(end)) => {
            let needed = poured.water_needed(end, wish)?;
            let hottest = hot.unwrap_or(BOILING);
            if needed > hottest {
                return Err(MixError::NotHotEnough { needed, hottest });
            }
            let Some(hot) = hot else {
                return Ok(Warmth {
                    water_at: needed,
                    ends_at: end,
                    hot: poured.water,
                    hot_at: needed,
                    cold: Kilograms(0.0),
                });
            };
            if needed < wish.cold {
                return Err(MixError::NotColdEnough {
                    needed,
                    coldest: wish.cold,
                });
            }
            let share = if hot > wish.cold {
                (needed.0 - wish.cold.0) / (hot.0 - wish.cold.0)
            } else {
                1.0
            };
            Ok(Warmth {
                water_at: needed,
                ends_at: end,
                hot: Kilograms(poured.water.0 * share),
                hot_at: hot,
                cold: Kilograms(poured.water.0 * (1.0 - share)),
            })
        }
    }
}

impl Poured {
    /// Where the heat of the finished mix equals the heat poured together.
    fn ends_at(&self, water_at: DegreesCelsius, wish: &Wish) -> DegreesCelsius {
        let water_heat = self.water.0 * solution_heat_j_per_kg(pure_water(), water_at);
        let brought = water_heat + self.heat_besides_water(wish);
        let made = |t: f64| heat(self.made, DegreesCelsius(t));
        DegreesCelsius(solve::increasing(made, brought, -40.0, BOILING.0))
    }

    /// The water's temperature that makes it end at `end`.
    fn water_needed(&self, end: DegreesCelsius, wish: &Wish) -> Result<DegreesCelsius, MixError> {
        if self.water.0 <= 0.0 {
            return Err(MixError::NoWaterToWarm);
        }
        let wanted = (heat(self.made, end) - self.heat_besides_water(wish)) / self.water.0;
        let water = |t: f64| solution_heat_j_per_kg(pure_water(), DegreesCelsius(t));
        // Beyond boiling on purpose: the error says how hot it would have to be.
        Ok(DegreesCelsius(solve::increasing(
            water, wanted, -200.0, 1000.0,
        )))
    }

    fn heat_besides_water(&self, wish: &Wish) -> f64 {
        self.sugar.0 * crystal_heat_j_per_kg(wish.sugar)
            + self.leftover.map_or(0.0, |left| heat(left, wish.leftover))
    }
}

/// Heat of a syrup beside its crystals and water apart at 25 °C, J.
fn heat(recipe: Recipe, at: DegreesCelsius) -> f64 {
    let w = recipe.mass_fraction();
    recipe.mass().0 * solution_heat_j_per_kg(w, at)
        + recipe.sugar().0 * heat_of_solution_j_per_kg(w)
}

fn pure_water() -> MassFraction {
    MassFraction::new(0.0).expect("0 is a fraction")
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn poured(sugar: f64, water: f64) -> Poured {
        let (sugar, water) = (Kilograms(sugar), Kilograms(water));
        Poured {
            leftover: None,
            sugar,
            water,
            made: Recipe::new(sugar, water).unwrap(),
        }
    }

    fn wish(hot: Option<f64>, end: Option<f64>) -> Wish {
        Wish {
            hot: hot.map(DegreesCelsius),
            cold: DegreesCelsius(15.0),
            sugar: DegreesCelsius(20.0),
            leftover: DegreesCelsius(20.0),
            end: end.map(DegreesCelsius),
        }
    }

    #[test]
    fn dissolving_cools_the_mix() {
        // By hand, from 25 °C: sugar brings 2 × 1.237 × -5 kJ and water 4.184 × -5 kJ, dissolving
        // takes 2 × 20.4 kJ, and 3 kg of 2:1 hold 2.61 kJ/(kg K) each: -74.1 / 7.83 = -9.5 K.
        let ends = warmth(&poured(2.0, 1.0), &wish(Some(20.0), None))
            .unwrap()
            .ends_at;
        assert!((ends.0 - 15.5).abs() < 0.1, "{ends:?}");
    }

    #[test]
    fn limits_are_said() {
        assert!(matches!(
            warmth(&poured(2.0, 1.0), &wish(None, Some(70.0))),
            Err(MixError::NotHotEnough { .. })
        ));
        assert!(matches!(
            warmth(&poured(1.0, 1.0), &wish(Some(60.0), Some(5.0))),
            Err(MixError::NotColdEnough { .. })
        ));
        let sugar_only = Poured {
            leftover: Some(Recipe::new(Kilograms(1.0), Kilograms(1.0)).unwrap()),
            sugar: Kilograms(1.0),
            water: Kilograms(0.0),
            made: Recipe::new(Kilograms(2.0), Kilograms(1.0)).unwrap(),
        };
        assert!(matches!(
            warmth(&sugar_only, &wish(None, Some(30.0))),
            Err(MixError::NoWaterToWarm)
        ));
        assert!(warmth(&sugar_only, &wish(None, None)).unwrap().ends_at.0 < 20.0);
    }

    proptest! {
        #[test]
        fn the_water_found_ends_where_it_should(sugar in 0.5f64..2.2, end in 18.0f64..45.0) {
            let what = poured(sugar, 1.0);
            if let Ok(found) = warmth(&what, &wish(None, Some(end))) {
                let back = warmth(&what, &wish(Some(found.water_at.0), None)).unwrap();
                prop_assert!((back.ends_at.0 - end).abs() < 1e-9);
            }
        }

        #[test]
        fn hot_and_cold_make_the_water_needed(sugar in 0.5f64..2.2, end in 20.0f64..35.0) {
            let what = poured(sugar, 1.0);
            if let Ok(found) = warmth(&what, &wish(Some(80.0), Some(end))) {
                prop_assert!((found.hot.0 + found.cold.0 - 1.0).abs() < 1e-12);
                prop_assert!(found.hot.0 >= 0.0 && found.cold.0 >= 0.0);
                let mean = found.hot.0 * 80.0 + found.cold.0 * 15.0;
                prop_assert!((mean - found.water_at.0).abs() < 1e-9);
            }
        }

        #[test]
        fn hotter_water_ends_hotter(sugar in 0.5f64..2.2, t in 20.0f64..95.0) {
            let at = |t: f64| warmth(&poured(sugar, 1.0), &wish(Some(t), None)).unwrap().ends_at.0;
            prop_assert!(at(t + 1.0) > at(t));
        }
    }
}
