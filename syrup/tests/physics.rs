//! Solubility, viscosity and water activity against published tables and equations: Bubník &
//! Kadlec 1995, Sokolovsky 1958, Antokolskaya 1964, the CRC Handbook, Génotelle 1995, Bingham &
//! Jackson 1918, Norrish 1966, Beuchat 1981.

mod checks;

use checks::oracles;
use larder_syrup::physics::{
    Crystallises, SUCROSE_G_PER_MOL, WATER_G_PER_MOL, crystallises, heat_of_solution_j_per_kg,
    solubility, viscosity_mpa_s, water_activity,
};
use larder_syrup::units::{DegreesCelsius, MassFraction};

fn percent(value: f64) -> MassFraction {
    MassFraction::new(value / 100.0).expect("a table's percentage")
}

#[test]
fn water_holds_as_much_sugar_as_published() {
    for row in oracles(
        include_str!("../../tests/checks/sucrose_solubility.csv"),
        27,
    ) {
        if row.id() == "sat-T-2to1" {
            let Crystallises::Below(limit) = crystallises(percent(200.0 / 3.0)) else {
                panic!("2:1 is saturated at some temperature");
            };
            row.check(limit.0);
        } else {
            let temperature = DegreesCelsius(row.number("temperature_C"));
            row.check(solubility(temperature).value() * 100.0);
        }
    }
}

#[test]
fn syrup_is_as_thick_as_published() {
    for row in oracles(include_str!("../../tests/checks/sucrose_viscosity.csv"), 56) {
        let sugar = percent(row.number("sucrose_mass_percent"));
        row.check(viscosity_mpa_s(
            sugar,
            DegreesCelsius(row.number("temperature_C")),
        ));
    }
}

#[test]
fn water_is_as_active_as_published() {
    for row in oracles(include_str!("../../tests/checks/water_activity.csv"), 13) {
        let sugar = percent(row.number("sucrose_mass_percent"));
        row.check(water_activity(sugar, DegreesCelsius(25.0)));
    }
}

#[test]
fn strengths_stand_where_the_limits_of_growth_say() {
    // Beuchat 1981 and handbook table 9.3: what the guide for keepers says rests on this.
    let limits = checks::rows(include_str!("../../tests/checks/microbial_aw_limits.csv"));
    let limit = |id: &str| {
        let row = limits.iter().find(|row| row.id() == id).expect("a row");
        row.number("minimum_aw")
    };
    let thin = water_activity(percent(50.0), DegreesCelsius(25.0));
    let thick = water_activity(percent(200.0 / 3.0), DegreesCelsius(25.0));
    assert!(thin > limit("most-bacteria") && thin > limit("most-yeasts"));
    assert!(thick < limit("most-yeasts") && thick > limit("most-moulds"));
    assert!(thick > limit("osmophilic-yeasts"), "even 2:1 can ferment");
}

/// The heat that the last grain takes up at saturation follows from how solubility climbs with
/// temperature (van 't Hoff with activities): a witness that knows nothing of the tabulated heat.
#[test]
fn the_heat_of_solution_fits_the_slope_of_solubility() {
    let at = DegreesCelsius(25.0);
    let full = solubility(at).value();
    let mole_fraction = |w: f64| {
        let sucrose = w / SUCROSE_G_PER_MOL;
        sucrose / (sucrose + (1.0 - w) / WATER_G_PER_MOL)
    };
    let slope =
        |f: &dyn Fn(f64) -> f64, x: f64, step: f64| (f(x + step) - f(x - step)) / (2.0 * step);
    let x = mole_fraction(full);
    let x_per_w = slope(&mole_fraction, full, 1e-5);
    let ln_water = |w: f64| water_activity(percent(100.0 * w), at).ln();
    let ln_sucrose_per_x = -(1.0 - x) / x * slope(&ln_water, full, 1e-5) / x_per_w;
    let w_per_kelvin = slope(&|t| solubility(DegreesCelsius(t)).value(), at.0, 0.5);
    let kelvin = at.0 + 273.15;
    let by_solubility = 8.314 * kelvin * kelvin * ln_sucrose_per_x * x_per_w * w_per_kelvin;

    // The same heat from the model: the last mole's, d(moles × heat per mole)/d(moles).
    let moles_heat = |moles: f64| {
        let grams = moles * SUCROSE_G_PER_MOL;
        let w = grams / (grams + 1000.0);
        grams / 1000.0 * heat_of_solution_j_per_kg(percent(100.0 * w))
    };
    let moles = full / (1.0 - full) * 1000.0 / SUCROSE_G_PER_MOL;
    let by_model = slope(&moles_heat, moles, 1e-3);
    assert!(
        (by_model - by_solubility).abs() < 1600.0,
        "{by_model} {by_solubility} J/mol"
    );
}
