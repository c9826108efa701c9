//! Physics of sucrose solutions.

use crate::units::{DegreesCelsius, MassFraction};

/// Density of a sucrose solution, kg/m3 (= g/l).
pub fn density_kg_m3(sugar: MassFraction, temperature: DegreesCelsius) -> f64 {
    let w = sugar.value();
    let at_20 = 998.2 + w * (385.0 + w * (125.0 + w * 40.0));
    at_20 * (1.0 - 0.000_35 * (temperature.0 - 20.0))
}
