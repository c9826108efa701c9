//! Density of sucrose solutions and of water, the inverse, and thermal expansion.
//!
//! The equation is Emmerich's of 1994, adopted by ICUMSA as SPS-4, as printed in Bubník et al.,
//! *Sugar Technologists Manual* (1995), page 164; the water term is Kell's of 1975.
//! It agrees with handbook tables to 0.3 kg/m3 up to 70 % (`domain/tests/density.rs`).

use super::{held_fraction, polynomial};
use crate::units::{DegreesCelsius, Litres, MassFraction};

/// Least and greatest temperature at which the equation is used, °C. Kell's water term was fitted
/// from 0 to 150 °C and is smooth below; the sugar terms hold from 0 to about 85 °C. A temperature
/// beyond this range (a sensor in the frost) is held at its end.
pub const DENSITY_RANGE_C: (f64, f64) = (-20.0, 100.0);

/// Density of a sucrose solution, kg/m3 (= g/l). Fitted from 0 to 85 °C and up to 85 % sugar;
/// temperatures are held within [`DENSITY_RANGE_C`].
pub fn density_kg_m3(sugar: MassFraction, temperature: DegreesCelsius) -> f64 {
    DensityOf::sugar(sugar).at(temperature)
}

/// The density of one solution over temperatures: [`density_kg_m3`] with all that only its sugar
/// makes worked out.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct DensityOf {
    sugar: f64,
    terms: [f64; SUGAR_TERMS.len()],
}

impl DensityOf {
    /// Of a solution of so much sugar.
    pub fn sugar(sugar: MassFraction) -> Self {
        let sugar = sugar.value();
        Self {
            sugar,
            terms: SUGAR_TERMS.map(|row| polynomial(&row, sugar)),
        }
    }

    /// At a temperature, kg/m3.
    pub fn at(&self, temperature: DegreesCelsius) -> f64 {
        let theta = (held(temperature) - 20.0) / 100.0;
        water_density_kg_m3(temperature) + polynomial(&self.terms, theta) * self.sugar
    }
}

/// Density of syrup at 20 °C, kg/m3, where most comparisons are made and no term of the temperature
/// is left.
#[inline]
pub fn density_at_20_kg_m3(sugar: MassFraction) -> f64 {
    let by_sugar = polynomial(&SUGAR_TERMS[0], sugar.value());
    water_density_kg_m3(DegreesCelsius(20.0)) + by_sugar * sugar.value()
}

/// Density of water at atmospheric pressure, kg/m3 (Kell 1975), within 0.006 kg/m3 of IAPWS-95
/// from 0 to 50 °C.
pub fn water_density_kg_m3(temperature: DegreesCelsius) -> f64 {
    let t = held(temperature);
    polynomial(&KELL_NUMERATOR, t) / (1.0 + KELL_DENOMINATOR * t)
}

/// The sugar in a solution of known density and temperature: what a hydrometer tells.
/// `None` where no solution is that light or that heavy at that temperature.
pub fn fraction_from_density(
    density_kg_m3: f64,
    temperature: DegreesCelsius,
) -> Option<MassFraction> {
    let density_of = |w: f64| self::density_kg_m3(held_fraction(w), temperature);
    let possible = density_of(0.0)..=density_of(1.0);
    possible.contains(&density_kg_m3).then(|| {
        held_fraction(crate::solve::increasing(
            density_of,
            density_kg_m3,
            0.0,
            1.0,
        ))
    })
}

/// How the volume grows with temperature, 1/K, at `temperature`.
pub fn expansion_per_kelvin(sugar: MassFraction, temperature: DegreesCelsius) -> f64 {
    const HALF_STEP_K: f64 = 0.5;
    let at = |t: f64| density_kg_m3(sugar, DegreesCelsius(t));
    let t = held(temperature).clamp(
        DENSITY_RANGE_C.0 + HALF_STEP_K,
        DENSITY_RANGE_C.1 - HALF_STEP_K,
    );
    (at(t - HALF_STEP_K) - at(t + HALF_STEP_K)) / (2.0 * HALF_STEP_K * at(t))
}

/// The volume that syrup measured at one temperature has at another, nothing added or taken.
pub fn litres_moved(
    sugar: MassFraction,
    volume: Litres,
    from: DegreesCelsius,
    to: DegreesCelsius,
) -> Litres {
    Litres(volume.0 * density_kg_m3(sugar, from) / density_kg_m3(sugar, to))
}

fn held(temperature: DegreesCelsius) -> f64 {
    temperature.0.clamp(DENSITY_RANGE_C.0, DENSITY_RANGE_C.1)
}

/// kg/m3; row: power of (t - 20 °C)/100, column: power of the mass fraction, from 1.
const SUGAR_TERMS: [[f64; 6]; 5] = [
    [385.1761, 135.3705, 40.9299, -3.9643, 13.4853, -17.2890],
    [-46.2720, -7.1720, 1.1597, 5.1126, 17.5254, 0.0],
    [59.7712, 7.2491, 12.3630, -35.4791, 0.0, 0.0],
    [-47.2207, -21.6977, 27.6301, 0.0, 0.0, 0.0],
    [18.3184, 12.3081, 0.0, 0.0, 0.0, 0.0],
];

/// kg/m3; by power of t in °C.
const KELL_NUMERATOR: [f64; 6] = [
    999.839_52,
    16.952_577,
    -7.990_512_7e-3,
    -4.624_175_7e-5,
    1.058_460_1e-7,
    -2.810_300_6e-10,
];
const KELL_DENOMINATOR: f64 = 0.016_887_236;

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn fraction(w: f64) -> MassFraction {
        MassFraction::new(w).unwrap()
    }

    #[test]
    fn temperatures_out_of_range_are_held() {
        let cold = density_kg_m3(fraction(0.5), DegreesCelsius(-60.0));
        let end = density_kg_m3(fraction(0.5), DegreesCelsius(DENSITY_RANGE_C.0));
        assert!((cold - end).abs() < 1e-12);
        assert!(expansion_per_kelvin(fraction(0.5), DegreesCelsius(-60.0)) > 0.0);
    }

    #[test]
    fn densities_of_no_solution_give_no_fraction() {
        assert_eq!(fraction_from_density(950.0, DegreesCelsius(20.0)), None);
        assert_eq!(fraction_from_density(2000.0, DegreesCelsius(20.0)), None);
        assert_eq!(fraction_from_density(f64::NAN, DegreesCelsius(20.0)), None);
    }

    proptest! {
        #[test]
        fn density_at_20_is_density(w in 0.0f64..1.0) {
            let there = density_kg_m3(fraction(w), DegreesCelsius(20.0));
            prop_assert!((density_at_20_kg_m3(fraction(w)) - there).abs() < 1e-9);
        }

        #[test]
        fn density_grows_with_sugar(w in 0.0f64..0.999, t in -20.0f64..100.0) {
            let at = |w| density_kg_m3(fraction(w), DegreesCelsius(t));
            prop_assert!(at(w + 0.001) > at(w));
        }

        #[test]
        fn density_falls_with_warmth(w in 0.3f64..0.75, t in 0.0f64..84.0) {
            let at = |t| density_kg_m3(fraction(w), DegreesCelsius(t));
            prop_assert!(at(t + 1.0) < at(t));
        }

        #[test]
        fn the_inverse_undoes_density(w in 0.0f64..1.0, t in -20.0f64..100.0) {
            let density = density_kg_m3(fraction(w), DegreesCelsius(t));
            let back = fraction_from_density(density, DegreesCelsius(t)).unwrap();
            prop_assert!((back.value() - w).abs() < 1e-10);
        }

        #[test]
        fn moving_a_volume_there_and_back_keeps_it(
            w in 0.0f64..0.8, v in 0.0f64..1000.0, a in 0.0f64..60.0, b in 0.0f64..60.0
        ) {
            let (a, b) = (DegreesCelsius(a), DegreesCelsius(b));
            let there = litres_moved(fraction(w), Litres(v), a, b);
            let back = litres_moved(fraction(w), there, b, a);
            prop_assert!((back.0 - v).abs() < 1e-9);
        }
    }
}
