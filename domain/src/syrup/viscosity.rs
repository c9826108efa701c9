//! How thick a syrup is: what slows it through a pail's holes and makes it hard to pump in the cold.

use crate::units::{DegreesCelsius, MassFraction};

/// Viscosity of a sucrose solution, mPa s (water at 20 °C: 1.0).
///
/// Génotelle's equation in Mathlouthi & Reiser (eds), *Sucrose* (1995), pages 126–154, for 0 to
/// 100 °C and up to about 85 %; held at those ends. Within 3 % of the CRC Handbook's table from
/// 20 °C up and within 14 % of it down to freezing (`domain/tests/physics.rs`).
pub fn viscosity_mpa_s(sugar: MassFraction, temperature: DegreesCelsius) -> f64 {
    let t = temperature.0.clamp(0.0, 100.0);
    let percent = 100.0 * sugar.value().min(0.85);
    // The mole fraction of sucrose, times a constant.
    let concentration = percent / (1900.0 - 18.0 * percent);
    let cold = (30.0 - t) / (91.0 + t);
    10f64.powf(22.46 * concentration - 0.114 + cold * (1.1 + 43.1 * concentration.powf(1.25)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn thicker_with_sugar_thinner_with_warmth(w in 0.0f64..0.84, t in 0.0f64..99.0) {
            let at = |w: f64, t: f64| viscosity_mpa_s(MassFraction::new(w).unwrap(), DegreesCelsius(t));
            prop_assert!(at(w + 0.01, t) > at(w, t));
            prop_assert!(at(w, t + 1.0) < at(w, t));
        }
    }
}
