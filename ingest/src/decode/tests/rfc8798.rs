//! Units: RFC 8428 section 12.1, and the secondary units of RFC 8798 section 3 as registered.

use super::*;

fn value_of(channel: &str, unit: &str, value: &str) -> f64 {
    let payload = format!(r#"[{{"bver":26,"n":"{channel}","u":"{unit}","v":{value}}}]"#);
    let decoded = sc1(payload);
    assert_eq!(
        decoded.readings.len(),
        1,
        "{channel} {unit}: {:?}",
        lines(&decoded)
    );
    decoded.readings[0].value
}

#[test]
fn section_3_example_of_dbm() {
    // "10 dBm … leading to a quantity of -20 dBW": the same the other way round.
    let dbm = value_of("rssi", "dBW", "-20");
    assert!((dbm - 10.0).abs() < 1e-12);
    let kept = value_of("rssi", "dBm", "10");
    assert!((kept - 10.0).abs() < 1e-12);
}

#[test]
fn secondary_units_of_known_quantities() {
    // Name, scale and offset from the registry's table.
    for (channel, unit, value, expected) in [
        ("battery", "mV", "3284", 3.284),
        ("wind", "km/h", "36", 10.0),
        ("wind", "m/h", "3600", 1.0),
        ("wind", "mm/h", "3600000", 1.0),
        ("depth", "mm", "145", 0.145),
        ("depth", "cm", "14.5", 0.145),
        ("humidity", "/100", "65", 65.0),
        ("humidity", "/1000", "650", 65.0),
        ("humidity", "/", "0.65", 65.0),
        ("temperature", "K", "273.15", 0.0),
        ("weight", "g", "41237", 41.237),
    ] {
        let got = value_of(channel, unit, value);
        assert!((got - expected).abs() < 1e-12, "{value} {unit}: {got}");
    }
}

#[test]
fn secondary_units_are_read_whatever_the_version_says() {
    for version in ["", r#""bver":10,"#] {
        let decoded = sc1(format!(r#"[{{{version}"n":"battery","u":"mV","v":3284}}]"#));
        assert_eq!(decoded.readings.len(), 1);
    }
}

#[test]
fn percent_is_a_ratio_in_senml() {
    // RFC 8428 section 12.1, note 1: `%` is the absolute ratio by another name, not a percentage.
    let got = value_of("humidity", "%", "0.65");
    assert!((got - 65.0).abs() < 1e-12);
    expect(
        &sc1(r#"[{"n":"valve","u":"%","v":0.5}]"#),
        &["sc-1 valve 0.5 / 2026-09-01T05:00:00Z"],
    );
    let mistaken = sc1(r#"[{"n":"humidity","u":"%","v":65}]"#);
    expect_refused(&mistaken, "65 percent are 0.65");
}

#[test]
fn units_of_unknown_channels_are_kept_as_sent() {
    for unit in [
        "W", "kWh", "lx", "pH", "count", "%EL", "1/min", "lat", "deg", "furlong",
    ] {
        let decoded = sc1(format!(r#"[{{"n":"x","u":"{unit}","v":2}}]"#));
        expect(
            &decoded,
            &[&format!("sc-1 x 2 {unit} 2026-09-01T05:00:00Z")],
        );
    }
}
