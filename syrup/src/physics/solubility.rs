//! How much sugar water holds, and when a syrup throws crystals.
//!
//! Polynomial of Bubník & Kadlec (1995) in Mathlouthi & Reiser (eds), *Sucrose*, pages 101–125,
//! the basis of ICUMSA SPS-2, whose table runs from -13 to 100 °C. Older printed tables lie up
//! to half a point higher near 20 °C.

use super::{held_fraction, polynomial};
use crate::solve;
use crate::units::{DegreesCelsius, MassFraction};

/// Least and greatest temperature of the solubility table, °C.
pub const SOLUBILITY_RANGE_C: (f64, f64) = (-13.0, 100.0);

/// Percent by mass; by power of °C.
const PERCENT: [f64; 5] = [64.447, 0.082_22, 1.616_9e-3, -1.558e-6, -4.63e-8];

/// The most sugar that a solution holds at a temperature. Held at the ends of
/// [`SOLUBILITY_RANGE_C`].
pub fn solubility(temperature: DegreesCelsius) -> MassFraction {
    let t = temperature
        .0
        .clamp(SOLUBILITY_RANGE_C.0, SOLUBILITY_RANGE_C.1);
    held_fraction(polynomial(&PERCENT, t) / 100.0)
}

/// When a syrup can throw crystals.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Crystallises {
    /// Not above -13 °C: it is thin enough to stay clear.
    Never,
    /// The syrup can crystallise below this temperature; warmer, everything dissolves in time.
    Below(DegreesCelsius),
    /// At any temperature up to 100 °C: there is more sugar than water can hold.
    Always,
}

impl Crystallises {
    /// Whether it can throw crystals at `temperature`.
    pub fn at(self, temperature: DegreesCelsius) -> bool {
        match self {
            Self::Never => false,
            Self::Below(limit) => temperature < limit,
            Self::Always => true,
        }
    }
}

/// When a syrup of this strength can throw crystals. Many stay clear for days below that point,
/// then one rough spot or undissolved grain sets them off.
pub fn crystallises(sugar: MassFraction) -> Crystallises {
    let (coldest, hottest) = SOLUBILITY_RANGE_C;
    let held = |t: f64| solubility(DegreesCelsius(t)).value();
    if sugar.value() <= held(coldest) {
        Crystallises::Never
    } else if sugar.value() > held(hottest) {
        Crystallises::Always
    } else {
        let limit = solve::increasing(held, sugar.value(), coldest, hottest);
        Crystallises::Below(DegreesCelsius(limit))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn fraction(w: f64) -> MassFraction {
        MassFraction::new(w).unwrap()
    }

    #[test]
    fn one_to_one_stays_clear_and_pure_sugar_never_dissolves() {
        assert_eq!(crystallises(fraction(0.5)), Crystallises::Never);
        assert_eq!(crystallises(fraction(0.9)), Crystallises::Always);
        assert!(crystallises(fraction(0.9)).at(DegreesCelsius(99.0)));
    }

    proptest! {
        #[test]
        fn warmer_water_holds_more(t in -13.0f64..99.0) {
            prop_assert!(solubility(DegreesCelsius(t + 1.0)) > solubility(DegreesCelsius(t)));
        }

        #[test]
        fn the_limit_is_where_it_is_just_saturated(t in -12.9f64..99.9) {
            let full = solubility(DegreesCelsius(t));
            match crystallises(full) {
                Crystallises::Below(limit) => prop_assert!((limit.0 - t).abs() < 1e-9),
                other => prop_assert!(false, "{other:?}"),
            }
        }
    }
}
