//! Physics of sucrose solutions, each formula with its source and the range it holds for.
//! Outside its range a formula is held at the range's end instead of being trusted further.

mod density;

pub use density::{
    DENSITY_RANGE_C, density_kg_m3, expansion_per_kelvin, fraction_from_density, litres_moved,
    water_density_kg_m3,
};
