//! Physics of sucrose solutions, each formula with its source and the range it holds for.
//! Outside its range a formula is held at the range's end instead of being trusted further.

mod activity;
mod density;
mod heat;
mod solubility;
mod viscosity;

pub use activity::{SUCROSE_G_PER_MOL, WATER_G_PER_MOL, water_activity};
pub use density::{
    DENSITY_RANGE_C, DensityOf, density_at_20_kg_m3, density_kg_m3, expansion_per_kelvin,
    fraction_from_density, litres_moved, water_density_kg_m3,
};
pub use heat::{
    crystal_heat_j_per_kg, heat_capacity_j_per_kg_k, heat_of_solution_j_per_kg,
    solution_heat_j_per_kg,
};
pub use solubility::{Crystallises, SOLUBILITY_RANGE_C, crystallises, solubility};
pub use viscosity::viscosity_mpa_s;

use crate::strength::Strength;
use crate::units::MassFraction;

/// Density at 20 °C, kg/l, of syrup whose strength may not have been written down.
pub fn kg_per_litre(strength: Option<Strength>) -> f64 {
    density_at_20_kg_m3(Strength::mass_fraction_or_unknown(strength)) / 1000.0
}

fn held_fraction(w: f64) -> MassFraction {
    MassFraction::new(w.clamp(0.0, 1.0)).expect("held between 0 and 1")
}

/// Lowest power first.
#[inline]
fn polynomial(coefficients: &[f64], x: f64) -> f64 {
    coefficients.iter().rev().fold(0.0, |sum, c| sum * x + c)
}
