//! How thick a syrup is: what slows it through a pail's holes and makes it hard to pump in the cold.

use crate::units::{DegreesCelsius, MassFraction};

/// Viscosity of a sucrose solution, mPa s (water at 20 °C: 1.0).
///
/// Génotelle's equation in Mathlouthi & Reiser (eds), *Sucrose* (1995), pages 126–154, for 0 to
/// 100 °C and up to about 85 %; held at those ends. By itself it runs up to 14 % high near freezing
/// beside the CRC Handbook's table; below 30 °C it is drawn towards that by a factor of our own
/// (least squares on the table's logarithms give 0.24 and an exponent of 1.6; with 1.5 every row of
/// it is met). `domain/tests/physics.rs` holds the whole to the handbook, and to Génotelle and
/// Bingham & Jackson (1918), which had no part in the fit.
pub fn viscosity_mpa_s(sugar: MassFraction, temperature: DegreesCelsius) -> f64 {
    let t = temperature.0.clamp(0.0, 100.0);
    let percent = 100.0 * sugar.value().min(0.85);
    // The mole fraction of sucrose, times a constant.
    let concentration = percent / (1900.0 - 18.0 * percent);
    let cold = (30.0 - t) / (91.0 + t);
    let genotelle =
        10f64.powf(22.46 * concentration - 0.114 + cold * (1.1 + 43.1 * concentration.powf(1.25)));
    let chill = ((30.0 - t) / 30.0).max(0.0);
    genotelle * (-0.24 * percent / 100.0 * chill.powf(1.5)).exp()
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
