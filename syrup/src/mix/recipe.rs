//! Sugar and water, and what they make. Mass is what adds up; volumes follow from the density
//! equation and do not add.

use super::MixError;
use crate::physics::density_kg_m3;
use crate::solve;
use crate::strength::Strength;
use crate::units::{DegreesCelsius, Kilograms, Litres, MassFraction};

/// Where volumes are stated unless someone says otherwise.
pub(crate) const TWENTY: DegreesCelsius = DegreesCelsius(20.0);

/// The most sugar or water that is reckoned with: a thousand tonnes.
const MOST_KG: f64 = 1e6;

/// Sugar and water, both above zero.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Recipe {
    sugar: f64,
    water: f64,
}

/// Any two of four, and the temperature at which the finished volume is read.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Known {
    /// Sugar.
    pub sugar: Option<Kilograms>,
    /// Water.
    pub water: Option<Kilograms>,
    /// Finished volume at `measured_at`.
    pub volume: Option<Litres>,
    /// Sugar to water.
    pub strength: Option<Strength>,
    /// The syrup's temperature when its volume is read.
    pub measured_at: DegreesCelsius,
}

impl Recipe {
    /// Sugar and water by mass.
    pub fn new(sugar: Kilograms, water: Kilograms) -> Result<Self, MixError> {
        Ok(Self {
            sugar: mass("the sugar", sugar.0)?,
            water: mass("the water", water.0)?,
        })
    }

    /// The recipe that follows from two of sugar, water, finished volume and strength.
    pub fn from_known(known: &Known) -> Result<Self, MixError> {
        let t = known.measured_at;
        match (known.sugar, known.water, known.volume, known.strength) {
            (Some(sugar), Some(water), None, None) => Self::new(sugar, water),
            (Some(sugar), None, None, Some(strength)) => {
                Self::new(sugar, Kilograms(sugar.0 / strength.parts_per_water()))
            }
            (None, Some(water), None, Some(strength)) => {
                Self::new(Kilograms(water.0 * strength.parts_per_water()), water)
            }
            (None, None, Some(volume), Some(strength)) => Self::of_volume(volume, strength, t),
            (Some(sugar), None, Some(volume), None) => Self::topped_up(sugar, volume, t),
            (None, Some(water), Some(volume), None) => Self::sugared_up(water, volume, t),
            (sugar, water, volume, strength) => {
                let given = [
                    sugar.is_some(),
                    water.is_some(),
                    volume.is_some(),
                    strength.is_some(),
                ];
                let n_given = given.into_iter().filter(|g| *g).count();
                Err(if n_given < 2 {
                    MixError::TooFew
                } else {
                    MixError::TooMany
                })
            }
        }
    }

    /// A finished volume of a given strength.
    pub fn of_volume(
        volume: Litres,
        strength: Strength,
        at: DegreesCelsius,
    ) -> Result<Self, MixError> {
        let litres = mass("the volume", volume.0)?;
        let w = strength.mass_fraction();
        let kg = litres * density_kg_m3(w, at) / 1000.0;
        Self::new(Kilograms(kg * w.value()), Kilograms(kg * (1.0 - w.value())))
    }

    /// Sugar topped up with water to a mark.
    fn topped_up(sugar: Kilograms, volume: Litres, at: DegreesCelsius) -> Result<Self, MixError> {
        let kg_per_l = mass("the sugar", sugar.0)? / mass("the volume", volume.0)?;
        let sugar_per_l = |w: f64| w * kilograms_per_litre(w, at);
        if kg_per_l >= sugar_per_l(1.0) {
            return Err(MixError::NoRoom { sugar, volume });
        }
        let w = solve::increasing(sugar_per_l, kg_per_l, 0.0, 1.0);
        Self::new(sugar, Kilograms(sugar.0 * (1.0 - w) / w))
    }

    /// Water with as much sugar as makes a volume.
    fn sugared_up(water: Kilograms, volume: Litres, at: DegreesCelsius) -> Result<Self, MixError> {
        let kg_per_l = mass("the water", water.0)? / mass("the volume", volume.0)?;
        let less_water_per_l = |w: f64| -(1.0 - w) * kilograms_per_litre(w, at);
        if -kg_per_l <= less_water_per_l(0.0) {
            return Err(MixError::NoRoomForSugar {
                water: water_volume(water),
                volume,
            });
        }
        let w = solve::increasing(less_water_per_l, -kg_per_l, 0.0, 1.0);
        Self::new(Kilograms(water.0 * w / (1.0 - w)), water)
    }

    /// The sugar.
    pub fn sugar(self) -> Kilograms {
        Kilograms(self.sugar)
    }

    /// The water.
    pub fn water(self) -> Kilograms {
        Kilograms(self.water)
    }

    /// What it weighs.
    pub fn mass(self) -> Kilograms {
        Kilograms(self.sugar + self.water)
    }

    /// Sugar to water.
    pub fn strength(self) -> Strength {
        Strength::by_mass(self.sugar, self.water).expect("both are above zero and finite")
    }

    /// Sugar as a share of the whole.
    pub fn mass_fraction(self) -> MassFraction {
        self.strength().mass_fraction()
    }

    /// The volume that it has at a temperature, all dissolved.
    pub fn volume(self, at: DegreesCelsius) -> Litres {
        Litres(1000.0 * self.mass().0 / density_kg_m3(self.mass_fraction(), at))
    }

    /// Two recipes poured together.
    pub fn and(self, other: Self) -> Self {
        Self {
            sugar: self.sugar + other.sugar,
            water: self.water + other.water,
        }
    }

    /// This recipe with more sugar and water in it; either may be nothing.
    pub fn with(self, sugar: Kilograms, water: Kilograms) -> Result<Self, MixError> {
        Self::new(
            Kilograms(self.sugar + sugar.0),
            Kilograms(self.water + water.0),
        )
    }

    /// The sugar or the water that brings this to a strength: one of them is nothing.
    pub fn brought_to(self, strength: Strength) -> (Kilograms, Kilograms) {
        let parts = strength.parts_per_water();
        let sugar = self.water * parts - self.sugar;
        if sugar >= 0.0 {
            (Kilograms(sugar), Kilograms(0.0))
        } else {
            (Kilograms(0.0), Kilograms(self.sugar / parts - self.water))
        }
    }

    /// The sugar and water that turn this into `target`.
    pub fn filled_up_to(self, target: Self) -> Result<(Kilograms, Kilograms), MixError> {
        // Rounding of a leftover that is just enough is not too much.
        let slack = 1e-9 * target.mass().0;
        let (sugar, water) = (target.sugar - self.sugar, target.water - self.water);
        if sugar < -slack {
            Err(MixError::LeftoverTooMuch { of: "sugar" })
        } else if water < -slack {
            Err(MixError::LeftoverTooMuch { of: "water" })
        } else {
            Ok((Kilograms(sugar.max(0.0)), Kilograms(water.max(0.0))))
        }
    }

    /// This recipe, larger or smaller.
    pub(super) fn scaled(self, factor: f64) -> Self {
        Self {
            sugar: self.sugar * factor,
            water: self.water * factor,
        }
    }
}

/// Water as a volume at 20 °C, as it is measured out.
pub fn water_volume(water: Kilograms) -> Litres {
    Litres(water.0 / kilograms_per_litre(0.0, TWENTY))
}

/// Water measured out at 20 °C, as a mass.
pub(super) fn water_mass(water: Litres) -> Kilograms {
    Kilograms(water.0 * kilograms_per_litre(0.0, TWENTY))
}

fn kilograms_per_litre(w: f64, at: DegreesCelsius) -> f64 {
    let sugar = MassFraction::new(w.clamp(0.0, 1.0)).expect("held between 0 and 1");
    density_kg_m3(sugar, at) / 1000.0
}

fn mass(what: &'static str, kg: f64) -> Result<f64, MixError> {
    if !(kg.is_finite() && kg > 0.0) {
        Err(MixError::NotAboveZero { what })
    } else if kg > MOST_KG {
        Err(MixError::TooMuch {
            what,
            most: Kilograms(MOST_KG),
        })
    } else {
        Ok(kg)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const NOTHING: Known = Known {
        sugar: None,
        water: None,
        volume: None,
        strength: None,
        measured_at: TWENTY,
    };

    fn close(a: f64, b: f64) -> bool {
        (a - b).abs() <= 1e-9 * b.abs().max(1.0)
    }

    #[test]
    fn one_and_three_are_refused() {
        let sugar = Some(Kilograms(1.0));
        let water = Some(Kilograms(1.0));
        let volume = Some(Litres(2.0));
        let one = Known { sugar, ..NOTHING };
        let three = Known {
            sugar,
            water,
            volume,
            ..NOTHING
        };
        assert_eq!(Recipe::from_known(&one), Err(MixError::TooFew));
        assert_eq!(Recipe::from_known(&three), Err(MixError::TooMany));
    }

    #[test]
    fn what_does_not_fit_is_refused() {
        let too_sweet = Known {
            sugar: Some(Kilograms(20.0)),
            volume: Some(Litres(10.0)),
            ..NOTHING
        };
        assert!(matches!(
            Recipe::from_known(&too_sweet),
            Err(MixError::NoRoom { .. })
        ));
        let too_wet = Known {
            water: Some(Kilograms(10.0)),
            volume: Some(Litres(10.0)),
            ..NOTHING
        };
        assert!(matches!(
            Recipe::from_known(&too_wet),
            Err(MixError::NoRoomForSugar { .. })
        ));
    }

    proptest! {
        /// Every pair of the four gives the same recipe back.
        #[test]
        fn any_two_give_the_rest(sugar in 0.01f64..2000.0, ratio in 0.1f64..2.5, t in 0.0f64..60.0) {
            let at = DegreesCelsius(t);
            let recipe = Recipe::new(Kilograms(sugar), Kilograms(sugar / ratio)).unwrap();
            let known = Known { measured_at: at, ..NOTHING };
            let (s, w) = (Some(recipe.sugar()), Some(recipe.water()));
            let (v, r) = (Some(recipe.volume(at)), Some(recipe.strength()));
            for known in [
                Known { sugar: s, water: w, ..known },
                Known { sugar: s, volume: v, ..known },
                Known { sugar: s, strength: r, ..known },
                Known { water: w, volume: v, ..known },
                Known { water: w, strength: r, ..known },
                Known { volume: v, strength: r, ..known },
            ] {
                let got = Recipe::from_known(&known).unwrap();
                prop_assert!(close(got.sugar().0, recipe.sugar().0), "{known:?} {got:?}");
                prop_assert!(close(got.water().0, recipe.water().0), "{known:?} {got:?}");
                prop_assert!(close(got.volume(at).0, recipe.volume(at).0));
            }
        }

        #[test]
        fn what_goes_in_comes_out(a in 0.1f64..100.0, b in 0.1f64..100.0, ra in 0.2f64..2.5, rb in 0.2f64..2.5) {
            let one = Recipe::new(Kilograms(a), Kilograms(a / ra)).unwrap();
            let two = Recipe::new(Kilograms(b), Kilograms(b / rb)).unwrap();
            let both = one.and(two);
            prop_assert!(close(both.sugar().0, a + b));
            prop_assert!(close(both.mass().0, one.mass().0 + two.mass().0));
            let (lo, hi) = if ra < rb { (ra, rb) } else { (rb, ra) };
            let parts = both.strength().parts_per_water();
            prop_assert!(parts >= lo - 1e-9 && parts <= hi + 1e-9);
        }

        #[test]
        fn a_leftover_reaches_the_strength_asked_for(a in 0.1f64..100.0, from in 0.2f64..2.5, to in 0.2f64..2.5) {
            let left = Recipe::new(Kilograms(a), Kilograms(a / from)).unwrap();
            let wanted = Strength::by_mass(to, 1.0).unwrap();
            let (sugar, water) = left.brought_to(wanted);
            prop_assert!(sugar.0 == 0.0 || water.0 == 0.0);
            let made = left.with(sugar, water).unwrap();
            prop_assert!(close(made.strength().parts_per_water(), to));
        }

        #[test]
        fn filling_up_leaves_nothing_over(a in 0.1f64..10.0, from in 0.2f64..2.5, more in 2.0f64..50.0, to in 0.2f64..2.5) {
            let left = Recipe::new(Kilograms(a), Kilograms(a / from)).unwrap();
            let target = Recipe::new(Kilograms(a * more), Kilograms(a * more / to)).unwrap();
            match left.filled_up_to(target) {
                Ok((sugar, water)) => {
                    let made = left.with(sugar, water).unwrap();
                    prop_assert!(close(made.sugar().0, target.sugar().0));
                    prop_assert!(close(made.water().0, target.water().0));
                }
                Err(_) => prop_assert!(left.water().0 > target.water().0),
            }
        }

        #[test]
        fn more_sugar_in_the_same_pail_is_stronger(sugar in 1.0f64..20.0) {
            let made = |kg: f64| {
                let known = Known { sugar: Some(Kilograms(kg)), volume: Some(Litres(18.93)), ..NOTHING };
                Recipe::from_known(&known).unwrap()
            };
            prop_assert!(made(sugar + 0.1).mass_fraction() > made(sugar).mass_fraction());
            prop_assert!(made(sugar + 0.1).water().0 < made(sugar).water().0);
        }
    }
}
