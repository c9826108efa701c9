//! Water activity: how much of its water a syrup leaves to yeasts and moulds.

use crate::units::{DegreesCelsius, MassFraction};

/// Molar mass of sucrose, g/mol (IUPAC atomic masses).
pub const SUCROSE_G_PER_MOL: f64 = 342.297;
/// Molar mass of water, g/mol (IUPAC atomic masses).
pub const WATER_G_PER_MOL: f64 = 18.0153;

/// J/(mol K), exact in the SI.
const GAS_CONSTANT: f64 = 8.314_462_618;

/// Water activity of a sucrose solution, 0 to 1.
///
/// Starzak & Peacock (1997), fitted to a century of measurements over the whole range of
/// strengths: ln(activity coefficient of water) = Q/(R T) · x² · (1 + a x + b x²) with x the mole
/// fraction of sucrose. Within 0.003 of Norrish's equation up to 67 % (`domain/tests/physics.rs`).
pub fn water_activity(sugar: MassFraction, temperature: DegreesCelsius) -> f64 {
    let x = mole_fraction(sugar);
    let kelvin = temperature.0.clamp(-20.0, 100.0) + 273.15;
    (1.0 - x) * (water_heat(x) / (GAS_CONSTANT * kelvin)).exp()
}

/// Sucrose among all molecules, 0 to 1.
pub(super) fn mole_fraction(sugar: MassFraction) -> f64 {
    let sucrose = sugar.value() / SUCROSE_G_PER_MOL;
    let water = (1.0 - sugar.value()) / WATER_G_PER_MOL;
    sucrose / (sucrose + water)
}

/// Partial molar heat of the water beside pure water, J/mol (Gibbs–Helmholtz on the equation
/// above, whose Q does not depend on temperature).
pub(super) fn water_heat(x: f64) -> f64 {
    Q * x * x * (1.0 + A * x + B * x * x)
}

/// J/mol.
pub(super) const Q: f64 = -17_638.0;
pub(super) const A: f64 = -1.003_8;
pub(super) const B: f64 = -0.246_53;

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn pure_water_is_all_free() {
        let water = MassFraction::new(0.0).unwrap();
        assert!((water_activity(water, DegreesCelsius(25.0)) - 1.0).abs() < 1e-12);
    }

    proptest! {
        #[test]
        fn stronger_syrup_leaves_less_water(w in 0.0f64..0.9, t in 0.0f64..60.0) {
            let at = |w: f64| water_activity(MassFraction::new(w).unwrap(), DegreesCelsius(t));
            prop_assert!(at(w + 0.01) < at(w));
        }
    }
}
