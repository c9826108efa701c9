//! Units against the exact factors of NIST SP 811, appendix B, through the same door that people
//! type into.

mod checks;

use larder_syrup::physics::{SUCROSE_G_PER_MOL, WATER_G_PER_MOL};
use larder_syrup::units::typed;

#[test]
fn factors_are_the_exact_ones() {
    let rows = checks::rows(include_str!("../../tests/checks/conversions.csv"));
    let mut checked = 0;
    for row in &rows {
        let value = || row.number("value");
        let (got, expected) = match row.id() {
            "lb" => (typed::mass("1 lb").unwrap().0, value()),
            "us-gal" => (typed::volume("1 gal").unwrap().0, value()),
            "imp-gal" => (typed::volume("1 imp gal").unwrap().0, value()),
            "us-qt" => (typed::volume("1 qt").unwrap().0, value()),
            "us-pt" => (typed::volume("1 pt").unwrap().0, value()),
            "us-cup" => (typed::volume("1 cup").unwrap().0, value()),
            "us-floz" => (typed::volume("1 fl oz").unwrap().0, value()),
            "imp-pt" => (typed::volume("1 imp pt").unwrap().0, value()),
            "inch" => (typed::length("1 in").unwrap().0, value()),
            "F" => (typed::temperature("212 F").unwrap().0, 100.0),
            "sucrose-M" => (SUCROSE_G_PER_MOL, value()),
            "water-M" => (WATER_G_PER_MOL, value()),
            // Wind and sunshine are channels' business: `domain/src/channel.rs`.
            "mph" | "langley" => continue,
            other => panic!("a new row: {other}"),
        };
        let rounding = 1e-12 * expected;
        let allowed = row.text("tolerance").parse().unwrap_or(rounding);
        assert!((got - expected).abs() <= allowed, "{}: {got}", row.id());
        checked += 1;
    }
    assert_eq!(checked, 12);
}
