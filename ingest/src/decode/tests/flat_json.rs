//! CONTRACT section 1, payload 3: flat JSON.

use super::*;

#[test]
fn the_contracts_example() {
    expect(
        &sc1(
            r#"{"time": "2026-09-01T05:00:00Z", "weight_kg": 41.237, "temperature_c": 18.4, "battery_v": 3.91}"#,
        ),
        &[
            "sc-1 weight 41.237 kg 2026-09-01T05:00:00Z",
            "sc-1 temperature 18.4 Cel 2026-09-01T05:00:00Z",
            "sc-1 battery 3.91 V 2026-09-01T05:00:00Z",
        ],
    );
}

#[test]
fn an_array_of_objects() {
    let decoded = sc1(
        r#"[{"time":1788238740,"weight_kg":1},{"time":1788238741,"weight_kg":"x"},5,{"weight_kg":3}]"#,
    );
    expect(
        &decoded,
        &[
            "sc-1 weight 1 kg 2026-09-01T04:59:00Z",
            "sc-1 weight 3 kg 2026-09-01T05:00:00Z",
            "#1: weight_kg must be a number, not \"x\"",
            "#2: a record is an object, not a number",
        ],
    );
}

#[test]
fn times_of_every_form() {
    for time in [
        r#""2026-09-01T05:00:00Z""#,
        r#""2026-09-01T07:00:00+02:00""#,
        r#""2026-09-01t05:00:00z""#,
        "1788238800",
        "1788238800.0",
        "1.7882388e9",
        "1788238800000",
        r#""1788238800""#,
        r#""1788238800000""#,
        "null",
    ] {
        expect(
            &sc1(format!(r#"{{"time":{time},"weight_kg":1}}"#)),
            &["sc-1 weight 1 kg 2026-09-01T05:00:00Z"],
        );
    }
    expect(
        &sc1(r#"{"weight_kg":1}"#),
        &["sc-1 weight 1 kg 2026-09-01T05:00:00Z"],
    );
    // Milliseconds start at 1e11, which is in 1973; the seconds before it are in the year 5138.
    expect_refused(
        &sc1(r#"{"time":100000000000,"weight_kg":1}"#),
        "1973-03-03T09:46:40Z",
    );
    expect_refused(&sc1(r#"{"time":99999999999,"weight_kg":1}"#), "5138");
}

#[test]
fn times_that_are_none() {
    for time in [
        r#""yesterday""#,
        r#""2026-09-01""#,
        r#""2026-09-01T05:00:00""#,
        r#""""#,
        "true",
        "{}",
        "[1788238800]",
        "1e400",
        "-9223372036854775808",
        "-1",
        "0",
    ] {
        let decoded = sc1(format!(r#"{{"time":{time},"weight_kg":1,"lid":true}}"#));
        expect_refused(&decoded, "time");
        assert_eq!(decoded.faults, [DecodeErrorClass::Time]);
        assert_eq!(decoded.refused[0].record, Some(0));
    }
}

#[test]
fn every_suffix() {
    for (key, value, expected) in [
        ("weight_kg", "2", "weight 2 kg"),
        ("weight_g", "1500", "weight 1.5 kg"),
        (
            "weight_lb",
            "100000000",
            "weight: 45359237 kg is not possible",
        ),
        ("weight_oz", "16", "weight 0.45359237 kg"),
        ("depth_m", "0.1", "depth 0.1 m"),
        ("distance_mm", "145", "distance 0.145 m"),
        ("distance_cm", "14.5", "distance 0.145 m"),
        ("distance_in", "10", "distance 0.254 m"),
        ("volume_l", "7.5", "volume 7.5 l"),
        ("volume_ml", "7500", "volume 7.5 l"),
        ("volume_gal", "1", "volume 3.785411784 l"),
        ("temperature_c", "18.4", "temperature 18.4 Cel"),
        ("temperature_f", "68", "temperature 20 Cel"),
        ("humidity_pct", "65", "humidity 65 %RH"),
        ("battery_v", "3.91", "battery 3.91 V"),
        ("wind_ms", "4", "wind 4 m/s"),
        ("irradiance_wm2", "812", "irradiance 812 W/m2"),
        ("rssi_dbm", "-91", "rssi -91 dBm"),
        ("rain_mm", "0.2", "rain 0.2 mm"),
        ("rain_in", "0.01", "rain 0.254 mm"),
        ("feeder_weight_g", "500", "feeder_weight 0.5 kg"),
        ("syrup_temperature_c", "21", "syrup_temperature 21 Cel"),
        ("a/weight_kg", "3", "a/weight 3 kg"),
        // Channels that are not known: kept in the suffix's own unit.
        ("box_lb", "10", "box 4.5359237 kg"),
        ("box_g", "10", "box 0.01 kg"),
        ("girth_in", "1", "girth 0.0254 m"),
        ("tank_gal", "1", "tank 3.785411784 l"),
        ("inlet_f", "212", "inlet 100 Cel"),
        ("soil_pct", "31.5", "soil 31.5 %"),
        ("solar_v", "5", "solar 5 V"),
        ("gust_ms", "9", "gust 9 m/s"),
        ("sky_wm2", "1", "sky 1 W/m2"),
        ("pressure_hpa", "1013.2", "pressure 1013.2 hPa"),
        ("noise_dbm", "-110", "noise -110 dBm"),
        // Bare names of known channels are in their own unit.
        ("weight", "41", "weight 41 kg"),
        ("b/humidity", "50", "b/humidity 50 %RH"),
        ("rain", "3", "rain 3 mm"),
    ] {
        let got = lines(&sc1(format!(r#"{{"{key}":{value}}}"#)));
        assert_eq!(got.len(), 1, "{key}: {got:?}");
        let line = got[0]
            .trim_start_matches("sc-1 ")
            .trim_start_matches("#0: ");
        assert!(line.starts_with(expected), "{key}: {line}");
    }
}

#[test]
fn keys_without_a_known_suffix_are_attributes() {
    for key in [
        "seq",
        "uptime_s",
        "weight_KG",
        "Weight",
        "_kg",
        "x_",
        "count_total",
        "weight_kg_",
    ] {
        let decoded = sc1(format!(r#"{{"{key}":5}}"#));
        expect(&decoded, &[&format!("sc-1 {key} = 5")]);
    }
}

#[test]
fn numbers_in_quotes_are_numbers() {
    for (value, expected) in [
        (r#""41.2""#, "41.2"),
        (r#"" 41.2 ""#, "41.2"),
        (r#""-3e1""#, "-30"),
    ] {
        expect(
            &sc1(format!(r#"{{"weight_kg":{value}}}"#)),
            &[&format!("sc-1 weight {expected} kg 2026-09-01T05:00:00Z")],
        );
    }
}

#[test]
fn null_is_no_reading_and_no_error() {
    expect(
        &sc1(r#"{"weight_kg":null,"temperature_c":18,"fw":null}"#),
        &["sc-1 temperature 18 Cel 2026-09-01T05:00:00Z"],
    );
    let decoded = sc1(r#"{"weight_kg":null}"#);
    expect(&decoded, &[]);
    assert_eq!(decoded.heard, [device("sc-1")]);
}

#[test]
fn negative_zero_is_zero() {
    for value in ["-0", "-0.0", "\"-0\"", "-1e-400"] {
        let decoded = sc1(format!(r#"{{"temperature_c":{value}}}"#));
        assert_eq!(decoded.readings[0].value.to_bits(), 0, "{value}");
    }
}

#[test]
fn a_bad_value_leaves_the_others_of_its_object() {
    let decoded =
        sc1(r#"{"weight_kg":5000,"temperature_c":18.4,"humidity_pct":-1,"rssi_dbm":"weak"}"#);
    expect(
        &decoded,
        &[
            "sc-1 temperature 18.4 Cel 2026-09-01T05:00:00Z",
            "#0: weight: 5000 kg is not possible; it must lie between -100 and 1000 kg; humidity: -1 %RH is not possible; it must lie between 0 and 105 %RH; rssi_dbm must be a number, not \"weak\"",
        ],
    );
    let series = decoded.refused[0].impossible.as_ref().unwrap();
    assert_eq!(series.to_string(), "sc-1 weight");
}

#[test]
fn a_key_given_twice_is_refused() {
    let decoded = sc1(r#"[{"weight_kg":1,"weight_kg":2},{"weight_kg":3}]"#);
    expect(
        &decoded,
        &[
            "sc-1 weight 3 kg 2026-09-01T05:00:00Z",
            "#0: the key \"weight_kg\" is given twice",
        ],
    );
}

#[test]
fn a_single_senml_record_gets_a_hint() {
    expect_refused(&sc1(r#"{"n":"weight","v":41}"#), "put [ ] around it");
}
