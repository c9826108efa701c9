//! Level sensing against published values: speed of sound by the ideal-gas formula and by
//! Lemmon's equation of state (2000), and what an uncompensated ultrasonic gauge gets wrong.

mod checks;

use checks::oracles;
use larder_syrup::level::{Reckons, air_distance, speed_of_sound_m_s, straight_line_speed_m_s};
use larder_syrup::units::DegreesCelsius;

#[test]
fn sound_is_as_fast_as_published() {
    for row in oracles(
        include_str!("../../tests/checks/speed_of_sound_air.csv"),
        19,
    ) {
        let at = DegreesCelsius(row.number("temperature_C"));
        if row.id().starts_with("linear") {
            row.check(straight_line_speed_m_s(at));
        } else {
            row.check(speed_of_sound_m_s(at));
        }
    }
}

#[test]
fn an_uncorrected_gauge_is_off_by_what_was_computed() {
    let mut checked = 0;
    for row in oracles(
        include_str!("../../tests/checks/level_sensor_effects.csv"),
        14,
    ) {
        if !row.id().starts_with("us") {
            continue; // expansion: `syrup/tests/density.rs`
        }
        let set_for = DegreesCelsius(row.number("temp_ref_C"));
        let air = DegreesCelsius(row.number("temp_actual_C"));
        let really_mm = row.number("input_value");
        // What it reads is the distance that, corrected, comes back to the real one.
        let reads_mm = really_mm / air_distance(1.0, Reckons::At(set_for), air);
        assert!((air_distance(reads_mm, Reckons::At(set_for), air) - really_mm).abs() < 1e-9);
        row.check((reads_mm - really_mm).abs());
        assert_eq!(reads_mm < really_mm, air > set_for, "{}", row.id());
        checked += 1;
    }
    assert_eq!(checked, 8);
}

/// A gauge that corrects itself by the straight-line rule is right at 0 °C; at 40 °C it takes sound
/// for 0.23 % faster than it is and sees everything that much too far.
#[test]
fn a_gauge_that_corrects_itself_is_nearly_right() {
    let off = |air: f64| air_distance(0.3, Reckons::ByStraightLine, DegreesCelsius(air)) - 0.3;
    assert!(off(0.0).abs() < 1e-12);
    assert!((off(40.0) + 0.3 * 0.00228).abs() < 1e-5, "{}", off(40.0));
}
