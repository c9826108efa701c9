//! Densities against published tables: the equation itself (Emmerich 1994, ICUMSA SPS-4), the CRC
//! Handbook's sucrose table, the tables of the II Physics Laboratory in Toruń, and IAPWS-95 water.

mod checks;

use checks::oracles;
use larder_syrup::physics::{
    density_kg_m3, expansion_per_kelvin, fraction_from_density, litres_moved, water_density_kg_m3,
};
use larder_syrup::units::{DegreesCelsius, Litres, MassFraction};

fn percent(value: f64) -> MassFraction {
    MassFraction::new(value / 100.0).expect("a table's percentage")
}

#[test]
fn every_published_density_is_met() {
    for row in oracles(include_str!("../../tests/checks/sucrose_density.csv"), 142) {
        let sugar = percent(row.number("sucrose_mass_percent"));
        let temperature = DegreesCelsius(row.number("temperature_C"));
        row.check(density_kg_m3(sugar, temperature));
    }
}

#[test]
fn the_published_densities_give_their_strength_back() {
    for row in oracles(include_str!("../../tests/checks/sucrose_density.csv"), 142) {
        let temperature = DegreesCelsius(row.number("temperature_C"));
        let percent = row.number("sucrose_mass_percent");
        if percent > 0.0 {
            let found = fraction_from_density(row.number("value"), temperature).unwrap();
            // The tables' own tolerance of 0.5 kg/m3 is 0.13 points of sugar at its flattest.
            assert!(
                (found.value() * 100.0 - percent).abs() < 0.13,
                "{}",
                row.id()
            );
        }
    }
}

#[test]
fn the_coefficients_are_those_printed() {
    let rows = oracles(
        include_str!("../../tests/checks/sucrose_density_coefficients.csv"),
        27,
    );
    let term = |row: &checks::Row, theta: f64, w: f64| match row.text("group") {
        "sucrose term" => {
            row.number("value")
                * theta.powf(row.number("power_of_theta_or_t"))
                * w.powf(row.number("power_of_w"))
        }
        _ => 0.0,
    };
    for t in [0.0, 17.0, 20.0, 40.0, 85.0] {
        for w in [0.1, 0.5, 0.65, 0.8] {
            let by_sugar: f64 = rows.iter().map(|r| term(r, (t - 20.0) / 100.0, w)).sum();
            let water: f64 = rows
                .iter()
                .filter(|r| r.text("group") == "water numerator")
                .map(|r| r.number("value") * t.powf(r.number("power_of_theta_or_t")))
                .sum();
            let b = rows.iter().find(|r| r.id() == "b").unwrap().number("value");
            let expected = water / (1.0 + b * t) + by_sugar;
            let got = density_kg_m3(percent(100.0 * w), DegreesCelsius(t));
            assert!((got - expected).abs() < 1e-9, "{t} {w}: {got} {expected}");
        }
    }
}

#[test]
fn water_is_iapws_water() {
    for row in oracles(include_str!("../../tests/checks/water_density.csv"), 11) {
        let temperature = DegreesCelsius(row.number("temperature_C"));
        row.check(water_density_kg_m3(temperature));
    }
}

#[test]
fn syrup_expands_as_the_equation_says() {
    let rows = oracles(
        include_str!("../../tests/checks/level_sensor_effects.csv"),
        14,
    );
    let mut checked = 0;
    for row in &rows {
        let (kind, syrup) = row.id().split_once('-').unwrap();
        let sugar = match syrup {
            "1:1" => percent(50.0),
            "60 %" => percent(60.0),
            "2:1" => percent(200.0 / 3.0),
            _ => continue, // ultrasonic rows: `domain/tests/level.rs`
        };
        let (ten, thirty) = (DegreesCelsius(10.0), DegreesCelsius(30.0));
        let grown = |litres: f64| litres_moved(sugar, Litres(litres), ten, thirty).0 - litres;
        let expected = row.number("value");
        let got = match kind {
            "beta" => expansion_per_kelvin(sugar, DegreesCelsius(20.0)) * 1e4,
            "dV" => grown(10.0) * 1000.0,
            other => panic!("a new kind of row: {other}"),
        };
        assert!(
            (got - expected).abs() <= row.number("tolerance"),
            "{}: {got}",
            row.id()
        );
        checked += 1;
    }
    assert_eq!(checked, 6);
}

/// A kilogram of dissolved sugar takes up 0.622 to 0.630 L in strong syrup (CRC Handbook's table,
/// apparent specific volume): the density equation knows nothing of that number.
#[test]
fn dissolved_sugar_takes_the_room_that_was_published() {
    let rows = checks::rows(include_str!("../../tests/checks/sugar_bulk.csv"));
    let row = rows
        .iter()
        .find(|row| row.id() == "apparent")
        .expect("a row");
    assert!(row.is_oracle());
    let twenty = DegreesCelsius(20.0);
    for w in [0.50, 0.55, 0.60, 0.65, 0.67] {
        let litres = 1000.0 / density_kg_m3(percent(100.0 * w), twenty);
        let water = (1.0 - w) * 1000.0 / water_density_kg_m3(twenty);
        let per_kg = (litres - water) / w;
        assert!(
            per_kg > row.number("low") && per_kg < row.number("high"),
            "{w}: {per_kg}"
        );
    }
}
