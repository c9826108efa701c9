//! CONTRACT section 1, sentence by sentence, apart from the payload formats.

use super::*;
use larder_domain::reading::AHEAD_LIMIT_MS;

const GOOD: &str = r#"{"time":"2026-09-01T05:00:00Z","weight_kg":41.237}"#;
const GOOD_LINE: &str = "sc-1 weight 41.237 kg 2026-09-01T05:00:00Z";

#[test]
fn the_topic_is_prefix_device_readings() {
    expect(&sc1(GOOD), &[GOOD_LINE]);
    for topic in [
        "larder/sc-1",
        "larder/sc-1/reading",
        "larder/sc-1/readings/",
        "larder/readings",
        "larder/a/b/readings",
        "other/sc-1/readings",
        "Larder/sc-1/readings",
        "",
    ] {
        expect_refused(&decode(&message(topic, GOOD), &config(), NOW), "topic");
    }
}

#[test]
fn the_prefix_is_configurable() {
    let config = DecodeConfig {
        prefix: TopicPrefix::new("hill/feeders").unwrap(),
        ..config()
    };
    let decoded = decode(&message("hill/feeders/sc-1/readings", GOOD), &config, NOW);
    expect(&decoded, &[GOOD_LINE]);
    expect_refused(
        &decode(&message("larder/sc-1/readings", GOOD), &config, NOW),
        "hill/feeders/<device>/readings",
    );
    assert_eq!(config.filters(), ["hill/feeders/+/readings"]);
}

#[test]
fn a_device_is_1_to_64_of_a_few_characters() {
    for name in ["a", "A.b_c-9", &"x".repeat(64), "-", "."] {
        let decoded = decode(
            &message(&format!("larder/{name}/readings"), GOOD),
            &config(),
            NOW,
        );
        assert_eq!(decoded.readings.len(), 1, "{name}");
        assert_eq!(decoded.heard, [device(name)]);
    }
    for name in ["", "a b", "é", "a:b", "a\u{0}", &"x".repeat(65)] {
        let decoded = decode(
            &message(&format!("larder/{name}/readings"), GOOD),
            &config(),
            NOW,
        );
        expect_refused(&decoded, "a device's name must be 1 to 64");
        assert_eq!(decoded.heard, []);
    }
}

#[test]
fn the_content_type_decides_where_it_is_known() {
    let with_type = |payload: &[u8], content_type: &str| {
        let message = Message {
            content_type: Some(content_type.to_owned()),
            ..message("larder/sc-1/readings", payload)
        };
        decode(&message, &config(), NOW)
    };
    let senml = br#"[{"n":"weight","v":41.237}]"#;
    let cbor = [
        0x81, 0xa2, 0x00, 0x66, b'w', b'e', b'i', b'g', b'h', b't', 0x02, 0x18, 0x29,
    ];
    for content_type in [
        "application/senml+json",
        "APPLICATION/SENML+JSON;charset=utf-8",
        "application/json",
        "text/plain",
        "application/x-unheard-of",
        "",
    ] {
        expect(&with_type(senml, content_type), &[GOOD_LINE]);
    }
    for content_type in [
        "application/senml+cbor",
        "Application/SenML+CBOR ; a=b",
        "image/png",
    ] {
        expect(
            &with_type(&cbor, content_type),
            &["sc-1 weight 41 kg 2026-09-01T05:00:00Z"],
        );
    }
    expect(
        &with_type(GOOD.as_bytes(), "Application/JSON; charset=UTF-8"),
        &[GOOD_LINE],
    );
    // A type that is known is believed.
    expect_refused(
        &with_type(GOOD.as_bytes(), "application/senml+json"),
        "array",
    );
    expect_refused(&with_type(senml, "application/senml+cbor"), "CBOR");
    expect_refused(&with_type(&cbor, "application/senml+json"), "UTF-8");
}

#[test]
fn without_a_content_type_looking_decides() {
    expect(&sc1(r#"[{"n":"weight","v":41.237}]"#), &[GOOD_LINE]);
    expect(&sc1(GOOD), &[GOOD_LINE]);
    expect(&sc1(format!("[{GOOD}]")), &[GOOD_LINE]);
    expect(
        &sc1([0x81, 0xa2, 0x00, 0x61, b'x', 0x02, 0x01]),
        &["sc-1 x = 1"],
    );
}

#[test]
fn known_channels_have_bounds() {
    for (channel, unit, least, most) in [
        ("weight", "kg", -100.0, 1000.0),
        ("feeder_weight", "kg", -10.0, 200.0),
        ("depth", "m", -0.5, 5.0),
        ("distance", "m", 0.0, 10.0),
        ("volume", "l", -5.0, 2000.0),
        ("temperature", "Cel", -60.0, 90.0),
        ("syrup_temperature", "Cel", -60.0, 90.0),
        ("humidity", "%RH", 0.0, 105.0),
        ("rain", "mm", 0.0, 500.0),
        ("wind", "m/s", 0.0, 120.0),
        ("irradiance", "W/m2", -20.0, 2000.0),
        ("battery", "V", 0.0, 60.0),
        ("rssi", "dBm", -200.0, 20.0),
    ] {
        for name in [
            channel.to_owned(),
            format!("a/{channel}"),
            format!("x/y/{channel}"),
        ] {
            for value in [least, most] {
                let decoded = sc1(format!(r#"[{{"n":"{name}","v":{value}}}]"#));
                assert_eq!(decoded.readings.len(), 1, "{name} {value}");
                assert_eq!(decoded.readings[0].unit.as_str(), unit);
            }
            for value in [least - 0.001, most + 0.001] {
                let decoded = sc1(format!(r#"[{{"n":"{name}","u":"{unit}","v":{value}}}]"#));
                expect_refused(&decoded, "is not possible");
                let refused = &decoded.refused[0];
                assert_eq!(refused.record, Some(0));
                let series = refused.impossible.as_ref().unwrap();
                assert_eq!(series.to_string(), format!("sc-1 {name}"));
                assert_eq!(decoded.faults, [DecodeErrorClass::Impossible]);
                assert_eq!(decoded.heard, [device("sc-1")]);
            }
        }
    }
}

#[test]
fn other_units_of_the_same_quantity_are_converted() {
    for (name, unit, value, expected) in [
        ("weight", "g", "41237", 41.237),
        ("weight", "lb", "100", 45.359_237),
        ("weight", "oz", "16", 0.453_592_37),
        ("volume", "m3", "0.011", 11.0),
        ("volume", "ml", "500", 0.5),
        ("volume", "gal", "2", 7.570_823_568),
        ("distance", "mm", "145", 0.145),
        ("distance", "in", "10", 0.254),
        ("temperature", "K", "293.15", 20.0),
        ("temperature", "degF", "68", 20.0),
        ("humidity", "/", "0.65", 65.0),
        ("humidity", "%RH", "65", 65.0),
        ("rain", "in", "1", 25.4),
        ("battery", "mV", "3910", 3.91),
        ("wind", "km/h", "36", 10.0),
        ("rssi", "dBW", "-120", -90.0),
    ] {
        let decoded = sc1(format!(r#"[{{"n":"{name}","u":"{unit}","v":{value}}}]"#));
        let got = decoded.readings[0].value;
        assert!(
            (got - expected).abs() < 1e-12 * expected.abs().max(100.0),
            "{name} {unit}: {got}"
        );
    }
}

#[test]
fn a_unit_of_another_quantity_is_quarantined() {
    for (name, unit) in [
        ("weight", "l"),
        ("humidity", "Cel"),
        ("battery", "%EL"),
        ("rain", "m/s"),
    ] {
        let decoded = sc1(format!(r#"[{{"n":"{name}","u":"{unit}","v":1}}]"#));
        expect_refused(&decoded, "does not measure what");
        assert_eq!(decoded.faults, [DecodeErrorClass::Unit]);
    }
}

#[test]
fn unknown_channels_are_kept_in_the_unit_sent() {
    expect(
        &sc1(r#"[{"n":"co2","u":"ppm","v":412},{"n":"b/girth","u":"cm","v":3}]"#),
        &[
            "sc-1 co2 412 ppm 2026-09-01T05:00:00Z",
            "sc-1 b/girth 3 cm 2026-09-01T05:00:00Z",
        ],
    );
}

#[test]
fn a_channels_name_is_1_to_64_of_a_few_characters() {
    for name in ["9", "aB.c_d-e/f", &"x".repeat(64)] {
        let decoded = sc1(format!(r#"[{{"n":"{name}","u":"V","v":1}}]"#));
        assert_eq!(decoded.readings.len(), 1, "{name}");
    }
    for name in ["_x", "-x", "/x", ".x", "a b", "a,b", "ü", &"x".repeat(65)] {
        let decoded = sc1(format!(r#"[{{"n":"{name}","u":"V","v":1}}]"#));
        expect_refused(&decoded, "a channel's name must be 1 to 64");
    }
}

#[test]
fn times_are_kept_to_the_millisecond_and_finer_digits_are_cut() {
    for (time, expected) in [
        ("1788238800.1239", "2026-09-01T05:00:00.123Z"),
        ("1.7882388001239e9", "2026-09-01T05:00:00.123Z"),
        (
            "\"2026-09-01T05:00:00.999999999Z\"",
            "2026-09-01T05:00:00.999Z",
        ),
        ("1788238800123.9", "2026-09-01T05:00:00.123Z"),
    ] {
        let decoded = sc1(format!(r#"{{"time":{time},"weight":1}}"#));
        assert_eq!(decoded.readings[0].time.to_rfc3339(), expected, "{time}");
    }
}

#[test]
fn clocks_ahead_and_clocks_never_set() {
    let at = |ms: i64| sc1(format!(r#"{{"time":{ms},"weight_kg":1,"fw":"2"}}"#));
    assert_eq!(at(NOW.0 + AHEAD_LIMIT_MS).readings.len(), 1);
    assert_eq!(at(Timestamp::YEAR_2000.0).readings.len(), 1);
    for (ms, reason) in [
        (NOW.0 + AHEAD_LIMIT_MS + 1, "10 minutes ahead"),
        (Timestamp::YEAR_2000.0 - 1, "never set"),
    ] {
        let decoded = at(ms);
        expect_refused(&decoded, reason);
        assert_eq!(decoded.attributes, []);
        assert_eq!(decoded.refused[0].record, Some(0));
    }
    expect_refused(&sc1(r#"{"time":0,"weight_kg":1}"#), "never set");
    expect_refused(
        &sc1(r#"[{"n":"weight","bt":300000000,"v":1}]"#),
        "never set",
    );
}

#[test]
fn a_retained_message_needs_a_time() {
    let retained = |payload: &str| {
        let message = Message {
            retained: true,
            ..message("larder/sc-1/readings", payload)
        };
        decode(&message, &config(), NOW)
    };
    expect(&retained(GOOD), &[GOOD_LINE]);
    for payload in [
        r#"{"weight_kg":41.237}"#,
        r#"{"time":null,"weight_kg":41.237}"#,
        r#"[{"n":"weight","v":41.237}]"#,
        // A time relative to a sending that nobody saw.
        r#"[{"n":"weight","t":-5,"v":41.237}]"#,
    ] {
        let decoded = retained(payload);
        expect_refused(&decoded, "a retained message without a time");
        assert!(decoded.refused[0].retained);
    }
    expect(
        &retained(r#"[{"n":"weight","t":1788238800,"v":41.237}]"#),
        &[GOOD_LINE],
    );
}

#[test]
fn of_an_oversized_payload_the_start_is_quarantined() {
    let padded = |bytes: usize| {
        let mut payload = GOOD.as_bytes().to_vec();
        payload.resize(bytes, b' ');
        payload
    };
    expect(&sc1(padded(65_536)), &[GOOD_LINE]);
    let decoded = sc1(padded(65_537));
    expect_refused(&decoded, "64 KiB");
    let refused = &decoded.refused[0];
    assert_eq!(refused.record, None);
    assert_eq!(refused.bytes, padded(65_536));
    let decoded = sc1(padded(3_000_000));
    expect_refused(&decoded, "3000000 bytes");
    assert_eq!(decoded.refused[0].bytes.len(), 65_536);
}

/// The rest of an oversized message can be let go before it is read, and is still told of.
#[test]
fn an_oversized_message_takes_no_more_room_than_is_kept() {
    let whole = message("larder/sc-1/readings", vec![b' '; 1_000_000]);
    let cut = whole.clone().without_excess();
    assert_eq!(cut.payload.capacity(), 65_536);
    assert_eq!(decode(&cut, &config(), NOW), decode(&whole, &config(), NOW));
}

/// Readings one level deeper would be lost unseen as an attribute.
#[test]
fn values_that_are_only_objects_are_quarantined_with_a_hint() {
    for payload in [
        r#"{"readings":{"weight_kg":41.2}}"#,
        r#"{"time":"2026-09-01T05:00:00Z","readings":{"weight_kg":41.2},"more":null}"#,
        r#"{"readings":[{"weight_kg":41.2}]}"#,
        r#"{"a":{"weight_kg":41.2},"b":{}}"#,
    ] {
        let decoded = sc1(payload);
        expect_refused(&decoded, "mapping");
        assert_eq!(decoded.attributes, []);
    }
    let beside = sc1(r#"{"weight_kg":41.2,"position":{"row":3}}"#);
    assert_eq!((beside.readings.len(), beside.attributes.len()), (1, 1));
    let list = sc1(r#"{"tags":["a","b"]}"#);
    assert_eq!((list.refused.len(), list.attributes.len()), (0, 1));
}

#[test]
fn a_refusal_keeps_topic_bytes_time_and_one_line() {
    let message = Message {
        content_type: Some("text/x".into()),
        ..message("larder/sc-1/readings", "{\"weight_kg\":\"two\nlines\"}")
    };
    let decoded = decode(&message, &config(), NOW.plus_ms(5));
    let refused = &decoded.refused[0];
    assert_eq!(refused.topic, message.topic);
    assert_eq!(refused.bytes, message.payload);
    assert_eq!(refused.content_type, message.content_type);
    assert_eq!(refused.received_at, NOW);
    assert!(!refused.reason.contains('\n') && !refused.reason.is_empty());
}

#[test]
fn one_bad_record_leaves_the_good_ones() {
    let decoded = sc1(r#"[
        {"bn":"sc-1/","bt":1788238800,"n":"weight","v":41.237},
        {"n":"weight","t":-60,"v":1e400},
        {"n":"temperature","t":-60,"v":"warm"},
        7,
        {"n":"humidity","u":"kg","v":1},
        {"n":"battery","t":-60,"v":3.9}
    ]"#);
    expect(
        &decoded,
        &[
            GOOD_LINE,
            "sc-1 battery 3.9 V 2026-09-01T04:59:00Z",
            "#1: v is not a finite number: \"1e400\"",
            "#2: v must be a number, not text",
            "#3: a SenML record is an object, not a number",
            "#4: humidity: the unit kg does not measure what %RH does",
        ],
    );
    for refused in &decoded.refused {
        assert_eq!(refused.bytes, decoded.refused[0].bytes);
    }
}

#[test]
fn one_entry_for_a_message_where_nothing_parses() {
    for payload in [
        "",
        "hello",
        "[{\"n\":\"weight\",\"v\":1},",
        "[[[",
        "null",
        "42",
        "[1,2]",
        "{}",
        "[]",
    ] {
        let decoded = sc1(payload);
        assert_eq!(decoded.refused.len(), 1, "{payload}");
        assert!(decoded.readings.is_empty() && decoded.attributes.is_empty());
    }
    assert_eq!(sc1("hello").refused[0].record, None);
    assert_eq!(sc1("hello").heard, []);
}

#[test]
fn a_gateway_names_others_by_a_colon() {
    expect(
        &gw1(
            r#"[{"bn":"sc-9:","n":"weight","v":2},{"n":"a/weight","v":3},{"bn":"","n":"rssi","v":-70}]"#,
        ),
        &[
            "sc-9 weight 2 kg 2026-09-01T05:00:00Z",
            "sc-9 a/weight 3 kg 2026-09-01T05:00:00Z",
            "gw-1 rssi -70 dBm 2026-09-01T05:00:00Z",
        ],
    );
    assert_eq!(
        gw1(r#"[{"n":"sc-9:weight","v":2}]"#).heard,
        [device("sc-9")]
    );
    expect_refused(
        &sc1(r#"[{"n":"sc-9:weight","v":2}]"#),
        "sc-1 is not declared as a gateway",
    );
}

#[test]
fn what_is_no_reading_becomes_an_attribute() {
    expect(
        &sc1(r#"[
            {"n":"firmware","vs":"1.2.3"},
            {"n":"lid","vb":true},
            {"n":"blob","vd":"aGkgCg"},
            {"n":"seq","v":17},
            {"n":"energy","u":"W","s":12.5},
            {"n":"weight","vs":"scale off"}
        ]"#),
        &[
            r#"sc-1 firmware = "1.2.3""#,
            "sc-1 lid = true",
            r#"sc-1 blob = "aGkgCg""#,
            "sc-1 seq = 17",
            "sc-1 energy = 12.5",
            r#"sc-1 weight = "scale off""#,
        ],
    );
    expect(
        &sc1(
            r#"{"firmware":"1.2.3","seq":17,"lid":false,"gps":{"lat":1,"x":[null]},"version":"42"}"#,
        ),
        &[
            r#"sc-1 firmware = "1.2.3""#,
            "sc-1 seq = 17",
            "sc-1 lid = false",
            r#"sc-1 gps = {"lat":1,"x":[null]}"#,
            r#"sc-1 version = "42""#,
        ],
    );
}

#[test]
fn text_where_a_number_is_promised_is_an_error() {
    for payload in [
        r#"{"weight_kg":"abc"}"#,
        r#"{"weight":"abc"}"#,
        r#"{"weight_kg":true}"#,
        r#"{"girth_cm":"wide"}"#,
        r#"{"weight_kg":""}"#,
        r#"{"weight_kg":{}}"#,
        r#"{"weight_kg":[1]}"#,
        r#"{"weight_kg":"NaN"}"#,
        r#"{"weight_kg":"inf"}"#,
        r#"{"weight_kg":1e400}"#,
        r#"{"weight_kg":"1,5"}"#,
    ] {
        let decoded = sc1(payload);
        expect_refused(&decoded, "number");
        assert_eq!(decoded.attributes, []);
        assert_eq!(decoded.faults, [DecodeErrorClass::Number]);
    }
}
