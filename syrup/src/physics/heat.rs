//! Heat in syrup: what it takes to warm it, and what dissolving sugar costs.
//!
//! Everything is counted from 25 °C with crystals and water apart, so a mix ends where the heat
//! brought in equals the heat of the solution. Losses to the air and the pail are not in it.

use super::activity::{A, B, Q, SUCROSE_G_PER_MOL, mole_fraction, water_heat};
use crate::units::{DegreesCelsius, MassFraction};

/// Where the heats are counted from, °C.
const FROM_C: f64 = 25.0;

/// Heat capacity of a sucrose solution, J/(kg K); of water at 0 %.
///
/// Sugar Technologists Manual (Bubník et al. 1995) with the purity of white sugar; coefficients as
/// printed in Llano-Restrepo (2005), *Ind. Eng. Chem. Res.* 44, 9244.
pub fn heat_capacity_j_per_kg_k(sugar: MassFraction, temperature: DegreesCelsius) -> f64 {
    4184.0 + sugar.value() * (7.5 * temperature.0 - 2511.0)
}

/// Heat in a solution beside the same solution at 25 °C, J/kg: the integral of its capacity.
pub fn solution_heat_j_per_kg(sugar: MassFraction, temperature: DegreesCelsius) -> f64 {
    // The capacity is linear in temperature, so its value halfway is its mean.
    let halfway = DegreesCelsius(0.5 * (temperature.0 + FROM_C));
    heat_capacity_j_per_kg_k(sugar, halfway) * (temperature.0 - FROM_C)
}

/// Heat in dry sugar beside the same sugar at 25 °C, J/kg.
///
/// Capacity 0.2712 + 0.00103 t kcal/(kg K) from 0 to 100 °C (Mohos 2010, *Confectionery and
/// Chocolate Engineering*, appendix 2); at 25 °C that is 1.243 kJ/(kg K), as measured by Putnam &
/// Boerio-Goates (1993).
pub fn crystal_heat_j_per_kg(temperature: DegreesCelsius) -> f64 {
    const J_PER_KCAL: f64 = 4186.8;
    let capacity_halfway = J_PER_KCAL * (0.271_2 + 0.001_03 * 0.5 * (temperature.0 + FROM_C));
    capacity_halfway * (temperature.0 - FROM_C)
}

/// Heat that a kilogram of sugar takes up in dissolving to a solution of this strength, J/kg, at
/// 25 °C: what makes a fresh mix cold.
///
/// 5.4 kJ/mol into much water (tables of heats of solution), and what less water costs on top,
/// from the water-activity equation by Gibbs–Duhem: 2.5 kJ/kg at 1:1 and 4.7 kJ/kg at 2:1. Good to
/// about 4 kJ/kg (the slope of solubility gives that much more at saturation), a degree in the
/// finished mix.
pub fn heat_of_solution_j_per_kg(sugar: MassFraction) -> f64 {
    const INTO_MUCH_WATER_J_PER_MOL: f64 = 5400.0;
    let per_mol = INTO_MUCH_WATER_J_PER_MOL + apparent_heat_j_per_mol(mole_fraction(sugar));
    per_mol / (SUCROSE_G_PER_MOL / 1000.0)
}

/// Relative apparent molar heat of the sucrose, J/mol: the integral over x of the Gibbs–Duhem
/// relation x dL_sucrose = -(1 - x) dL_water, and the water's own part.
fn apparent_heat_j_per_mol(x: f64) -> f64 {
    if x <= 0.0 {
        return 0.0;
    }
    let sucrose =
        -Q * x * (2.0 + x * ((3.0 * A - 2.0) / 2.0 + x * ((4.0 * B - 3.0 * A) / 3.0 - x * B)));
    sucrose + water_heat(x) * (1.0 - x) / x
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn fraction(w: f64) -> MassFraction {
        MassFraction::new(w).unwrap()
    }

    #[test]
    fn the_heats_are_those_in_the_comments() {
        let infinite = 5400.0 / 0.342_297;
        let extra = |w: f64| (heat_of_solution_j_per_kg(fraction(w)) - infinite) / 1000.0;
        assert!((extra(0.5) - 2.5).abs() < 0.1, "{}", extra(0.5));
        assert!((extra(2.0 / 3.0) - 4.7).abs() < 0.1, "{}", extra(2.0 / 3.0));
    }

    #[test]
    fn sugar_takes_the_heat_that_was_measured() {
        // Putnam & Boerio-Goates (1993), J. Chem. Thermodyn. 25, 607: 425.5 J/(mol K) at 25 °C
        // (from memory; the NIST WebBook gives the paper as its source).
        let near = crystal_heat_j_per_kg(DegreesCelsius(25.5)) / 0.5;
        let measured = 425.5 / 0.342_297;
        assert!((near / measured - 1.0).abs() < 0.01, "{near} {measured}");
    }

    proptest! {
        #[test]
        fn less_water_makes_dissolving_dearer(w in 0.01f64..0.7) {
            let at = |w: f64| heat_of_solution_j_per_kg(fraction(w));
            prop_assert!(at(w + 0.01) > at(w));
        }

        /// Gibbs–Duhem, checked with finite differences instead of the closed form.
        #[test]
        fn the_closed_form_obeys_gibbs_duhem(x in 0.01f64..0.15) {
            const STEP: f64 = 1e-5;
            let total = |x: f64| x * apparent_heat_j_per_mol(x);
            // d(total)/dx = L_sucrose - L_water, total = x L_sucrose + (1 - x) L_water.
            let slope = (total(x + STEP) - total(x - STEP)) / (2.0 * STEP);
            let water = total(x) - x * slope;
            prop_assert!((water - water_heat(x)).abs() < 1e-3 * water_heat(x).abs() + 1e-3);
        }
    }
}
