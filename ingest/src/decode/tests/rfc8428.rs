//! The examples of RFC 8428 (Sensor Measurement Lists), sections 5.1 and 6, and its rules.
//! The records are facts of the standard; what they become follows from our contract.

use super::*;

const OW: &str = "10e2073a01080063";

fn from(device: &str, payload: impl AsRef<[u8]>) -> Decoded {
    let topic = format!("larder/{device}/readings");
    decode(&message(&topic, payload), &config(), NOW)
}

#[test]
fn section_5_1_1_single_data_point() {
    // The device alone names no channel: quarantined by our contract.
    let payload = r#"[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]"#;
    expect_refused(&from(OW, payload), "no channel");
}

#[test]
fn section_5_1_2_multiple_data_points_now() {
    let payload = r#"[
        {"bn":"urn:dev:ow:10e2073a01080063:","n":"voltage","u":"V","v":120.1},
        {"n":"current","u":"A","v":1.2}
    ]"#;
    let expected = [
        "10e2073a01080063 voltage 120.1 V 2026-09-01T05:00:00Z",
        "10e2073a01080063 current 1.2 A 2026-09-01T05:00:00Z",
    ];
    expect(&from(OW, payload), &expected);
    expect(&gw1(payload), &expected);
    let refused = sc1(payload);
    assert_eq!(refused.refused.len(), 2);
    assert!(refused.readings.is_empty());
}

const CURRENTS: [&str; 7] = [
    "10e2073a0108006 voltage 120.1 V 2010-06-08T18:01:16.001Z",
    "10e2073a0108006 current 1.2 A 2010-06-08T18:01:11.001Z",
    "10e2073a0108006 current 1.3 A 2010-06-08T18:01:12.001Z",
    "10e2073a0108006 current 1.4 A 2010-06-08T18:01:13.001Z",
    "10e2073a0108006 current 1.5 A 2010-06-08T18:01:14.001Z",
    "10e2073a0108006 current 1.6 A 2010-06-08T18:01:15.001Z",
    "10e2073a0108006 current 1.7 A 2010-06-08T18:01:16.001Z",
];

#[test]
fn section_5_1_2_multiple_data_points_with_a_base_time() {
    let payload = r#"[
        {"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,"bu":"A","bver":5,"n":"voltage","u":"V","v":120.1},
        {"n":"current","t":-5,"v":1.2},
        {"n":"current","t":-4,"v":1.3},
        {"n":"current","t":-3,"v":1.4},
        {"n":"current","t":-2,"v":1.5},
        {"n":"current","t":-1,"v":1.6},
        {"n":"current","v":1.7}
    ]"#;
    expect(&from("10e2073a0108006", payload), &CURRENTS);
}

#[test]
fn section_6_the_same_in_cbor() {
    let dump = "
        87 a7 21 78 1b 75 72 6e 3a 64 65 76 3a 6f 77 3a
        31 30 65 32 30 37 33 61 30 31 30 38 30 30 36 3a
        22 fb 41 d3 03 a1 5b 00 10 62 23 61 41 20 05 00
        67 76 6f 6c 74 61 67 65 01 61 56 02 fb 40 5e 06
        66 66 66 66 66 a3 00 67 63 75 72 72 65 6e 74 06
        24 02 fb 3f f3 33 33 33 33 33 33 a3 00 67 63 75
        72 72 65 6e 74 06 23 02 fb 3f f4 cc cc cc cc cc
        cd a3 00 67 63 75 72 72 65 6e 74 06 22 02 fb 3f
        f6 66 66 66 66 66 66 a3 00 67 63 75 72 72 65 6e
        74 06 21 02 f9 3e 00 a3 00 67 63 75 72 72 65 6e
        74 06 20 02 fb 3f f9 99 99 99 99 99 9a a3 00 67
        63 75 72 72 65 6e 74 06 00 02 fb 3f fb 33 33 33
        33 33 33";
    let bytes: Vec<u8> = dump
        .split_whitespace()
        .map(|byte| u8::from_str_radix(byte, 16).unwrap())
        .collect();
    assert_eq!(bytes.len(), 0xc3);
    expect(&from("10e2073a0108006", bytes), &CURRENTS);
}

#[test]
fn section_5_1_3_multiple_measurements_without_names() {
    let payload = r#"[
        {"bn":"urn:dev:ow:10e2073a01080063","bt":1.320067464e+09,"bu":"%RH","v":20},
        {"u":"lon","v":24.30621},
        {"u":"lat","v":60.07965},
        {"u":"%EL","t":150,"v":98}
    ]"#;
    let decoded = from(OW, payload);
    assert_eq!(decoded.refused.len(), 4, "no record names a channel");
}

#[test]
fn section_5_1_4_resolved_data_is_the_same_as_base_fields() {
    // The pack of section 5.1.3 with a channel's name put in, as it is and resolved.
    let packed = r#"[
        {"bn":"urn:dev:ow:10e2073a01080063:","bt":1.320067464e+09,"bu":"%RH","n":"humidity","v":20},
        {"n":"humidity","t":60,"v":20.3},
        {"n":"battery_left","u":"%EL","t":150,"v":98}
    ]"#;
    let resolved = r#"[
        {"n":"urn:dev:ow:10e2073a01080063:humidity","u":"%RH","t":1.320067464e+09,"v":20},
        {"n":"urn:dev:ow:10e2073a01080063:humidity","u":"%RH","t":1.320067524e+09,"v":20.3},
        {"n":"urn:dev:ow:10e2073a01080063:battery_left","u":"%EL","t":1.320067614e+09,"v":98}
    ]"#;
    let expected = [
        "10e2073a01080063 humidity 20 %RH 2011-10-31T13:24:24Z",
        "10e2073a01080063 humidity 20.3 %RH 2011-10-31T13:25:24Z",
        "10e2073a01080063 battery_left 98 %EL 2011-10-31T13:26:54Z",
    ];
    expect(&from(OW, packed), &expected);
    expect(&from(OW, resolved), &expected);
}

#[test]
fn section_5_1_5_multiple_data_types() {
    let payload = r#"[
        {"bn":"urn:dev:ow:10e2073a01080063:","n":"temp","u":"Cel","v":23.1},
        {"n":"label","vs":"Machine Room"},
        {"n":"open","vb":false},
        {"n":"nfv-reader","vd":"aGkgCg"}
    ]"#;
    expect(
        &from(OW, payload),
        &[
            "10e2073a01080063 temp 23.1 Cel 2026-09-01T05:00:00Z",
            r#"10e2073a01080063 label = "Machine Room""#,
            "10e2073a01080063 open = false",
            r#"10e2073a01080063 nfv-reader = "aGkgCg""#,
        ],
    );
}

#[test]
fn section_5_1_6_collection_of_resources() {
    // Addresses of IPv6 are no devices of ours, not even from a gateway.
    let payload = r#"[
        {"bn":"2001:db8::2/","bt":1.320078429e+09,"n":"temperature","u":"Cel","v":25.2},
        {"n":"humidity","u":"%RH","v":30},
        {"bn":"2001:db8::1/","n":"temperature","u":"Cel","v":12.3},
        {"n":"humidity","u":"%RH","v":67}
    ]"#;
    assert_eq!(gw1(payload).refused.len(), 4);
    // With devices that are: the last record has the third one's base name and the first one's time.
    let ours = payload
        .replace("2001:db8::2/", "st-2:")
        .replace("2001:db8::1/", "st-1:");
    expect(
        &gw1(ours),
        &[
            "st-2 temperature 25.2 Cel 2011-10-31T16:27:09Z",
            "st-2 humidity 30 %RH 2011-10-31T16:27:09Z",
            "st-1 temperature 12.3 Cel 2011-10-31T16:27:09Z",
            "st-1 humidity 67 %RH 2011-10-31T16:27:09Z",
        ],
    );
}

#[test]
fn section_5_1_7_a_record_with_base_fields_alone() {
    let payload = r#"[
        {"bn":"urn:dev:ow:10e2073a01080063:"},
        {"n":"temp","u":"Cel","v":23.1},
        {"n":"heat","u":"/","v":1},
        {"n":"fan","u":"/","v":0}
    ]"#;
    expect(
        &from(OW, payload),
        &[
            "10e2073a01080063 temp 23.1 Cel 2026-09-01T05:00:00Z",
            "10e2073a01080063 heat 1 / 2026-09-01T05:00:00Z",
            "10e2073a01080063 fan 0 / 2026-09-01T05:00:00Z",
        ],
    );
}

#[test]
fn section_4_1_base_fields_hold_until_replaced() {
    expect(
        &sc1(r#"[
            {"bn":"a/","bu":"g","bv":1000,"bt":1788238700,"n":"weight","v":1},
            {"n":"weight","t":1,"v":2},
            {"n":"weight","u":"kg","t":2,"v":-990},
            {"bn":"b/","bv":0,"n":"weight","v":7},
            {"bt":1788238800,"bu":"kg","n":"weight","v":8}
        ]"#),
        &[
            "sc-1 a/weight 1.001 kg 2026-09-01T04:58:20Z",
            "sc-1 a/weight 1.002 kg 2026-09-01T04:58:21Z",
            "sc-1 a/weight 10 kg 2026-09-01T04:58:22Z",
            "sc-1 b/weight 0.007 kg 2026-09-01T04:58:20Z",
            "sc-1 b/weight 8 kg 2026-09-01T05:00:00Z",
        ],
    );
}

#[test]
fn section_4_2_one_value_or_a_sum() {
    expect_refused(
        &sc1(r#"[{"n":"weight","v":1,"vs":"x"}]"#),
        "one value, not v and vs",
    );
    expect_refused(&sc1(r#"[{"n":"weight"}]"#), "without a value");
    expect_refused(
        &sc1(r#"[{"n":"weight","t":-5,"u":"kg"}]"#),
        "without a value",
    );
    expect(
        &sc1(r#"[{"n":"power","u":"W","s":7}]"#),
        &["sc-1 power = 7"],
    );
    expect(
        &sc1(r#"[{"n":"power","u":"W","s":7,"v":2}]"#),
        &["sc-1 power 2 W 2026-09-01T05:00:00Z", "sc-1 power = 7"],
    );
}

#[test]
fn section_4_5_4_missing_parts_count_as_zero() {
    expect(
        &sc1(r#"[{"bv":40,"bs":100,"n":"weight"},{"n":"weight","t":-1,"v":1,"s":5}]"#),
        &[
            "sc-1 weight 40 kg 2026-09-01T05:00:00Z",
            "sc-1 weight 41 kg 2026-09-01T04:59:59Z",
            "sc-1 weight = 100",
            "sc-1 weight = 105",
        ],
    );
}

#[test]
fn section_4_5_3_relative_and_absolute_times() {
    // 2^28 seconds is the first absolute time: 1978-07-04T21:24:16Z.
    expect_refused(
        &sc1(r#"[{"n":"weight","t":268435456,"v":1}]"#),
        "1978-07-04T21:24:16Z",
    );
    for (t, expected) in [
        ("0", "2026-09-01T05:00:00Z"),
        ("-5", "2026-09-01T04:59:55Z"),
        ("-0.001", "2026-09-01T04:59:59.999Z"),
        ("-86400", "2026-08-31T05:00:00Z"),
        ("600", "2026-09-01T05:10:00Z"),
    ] {
        let decoded = sc1(format!(r#"[{{"n":"weight","t":{t},"v":1}}]"#));
        assert_eq!(decoded.readings[0].time.to_rfc3339(), expected, "{t}");
    }
    for t in ["601", "268435455"] {
        expect_refused(
            &sc1(format!(r#"[{{"n":"weight","t":{t},"v":1}}]"#)),
            "10 minutes ahead",
        );
    }
}

#[test]
fn section_4_4_versions_and_labels_that_must_be_understood() {
    for version in ["1", "5", "10", "26"] {
        let decoded = sc1(format!(r#"[{{"bver":{version},"n":"weight","v":1}}]"#));
        assert_eq!(decoded.readings.len(), 1, "{version}");
    }
    for version in [
        "0", "-1", "11", "25", "27", "42", "10.5", "\"10\"", "null", "1e400",
    ] {
        let decoded = sc1(format!(
            r#"[{{"n":"weight","v":1}},{{"bver":{version},"n":"weight","t":-1,"v":1}}]"#
        ));
        expect_refused(&decoded, "bver");
        assert_eq!(decoded.refused[0].record, None);
    }
    expect_refused(
        &sc1(r#"[{"bver":10,"n":"weight","v":1},{"bver":5,"n":"weight","v":1}]"#),
        "two versions",
    );
    let decoded = sc1(r#"[{"n":"weight","v":1},{"n":"weight","t":-1,"v":1,"secret_":0}]"#);
    expect_refused(&decoded, "\"secret_\" must be understood");
    assert_eq!(decoded.refused[0].record, None);
    // Others that are not known are ignored.
    assert_eq!(
        sc1(r#"[{"n":"weight","v":1,"secret":0,"ct":"60"}]"#)
            .readings
            .len(),
        1
    );
}

#[test]
fn section_4_4_the_same_in_cbor() {
    // [{0: "weight", 2: 1, "x_": 0}]
    let must = b"\x81\xa3\x00\x66weight\x02\x01\x62x_\x00";
    expect_refused(&sc1(must), "\"x_\" must be understood");
    // [{0: "weight", 2: 1, "x": 0, 17: 0}]
    let may = b"\x81\xa4\x00\x66weight\x02\x01\x61x\x00\x11\x00";
    assert_eq!(sc1(may).readings.len(), 1);
}

#[test]
fn section_6_numbers_may_be_decimal_fractions() {
    // [{0: "weight", 2: 4([-3, 41237]), 6: 4([-3, -1500])}]
    let payload = b"\x81\xa3\x00\x66weight\x02\xc4\x82\x22\x19\xa1\x15\x06\xc4\x82\x22\x39\x05\xdb";
    expect(
        &sc1(payload),
        &["sc-1 weight 41.237 kg 2026-09-01T04:59:58.500Z"],
    );
}

#[test]
fn section_6_data_is_bytes() {
    // [{0: "tag", 8: h'68692 00a'}] is the "aGkgCg" of section 5.1.5.
    let payload = b"\x81\xa2\x00\x63tag\x08\x44hi \x0a";
    expect(&sc1(payload), &[r#"sc-1 tag = "aGkgCg""#]);
}

#[test]
fn types_are_those_of_table_1() {
    for (record, reason) in [
        (r#"{"n":5,"v":1}"#, "n must be text, not a number"),
        (r#"{"n":"weight","v":"1"}"#, "v must be a number, not text"),
        (r#"{"n":"weight","v":null}"#, "v must be a number, not null"),
        (r#"{"n":"weight","vs":1}"#, "vs must be text, not a number"),
        (
            r#"{"n":"weight","vb":1}"#,
            "vb must be true or false, not a number",
        ),
        (r#"{"n":"weight","vd":"a+b/"}"#, "vd is not base64url"),
        (
            r#"{"n":"weight","v":1,"u":3}"#,
            "u must be text, not a number",
        ),
        (
            r#"{"n":"weight","v":1,"t":"now"}"#,
            "t must be a number, not text",
        ),
        (
            r#"{"n":"weight","v":1,"ut":"often"}"#,
            "ut must be a number, not text",
        ),
        (r#"{"n":"weight","v":1,"u":"kg kg"}"#, "a unit must be"),
        (r#"{"n":"weight","s":"x"}"#, "s must be a number, not text"),
    ] {
        let decoded = sc1(format!(r#"[{record},{{"n":"battery","v":3}}]"#));
        assert_eq!(decoded.readings.len(), 1, "{record}");
        let refused = &decoded.refused[0];
        assert_eq!(refused.record, Some(0));
        assert!(
            refused.reason.contains(reason),
            "{record}: {}",
            refused.reason
        );
    }
}

#[test]
fn what_rests_on_a_broken_base_field_is_not_guessed() {
    let decoded = sc1(r#"[
        {"bn":7,"n":"weight","v":1},
        {"n":"weight","t":-1,"v":2},
        {"bn":"a/","n":"weight","v":3},
        {"bt":"noon","n":"weight","v":4},
        {"n":"weight","v":5},
        {"bt":1788238800,"n":"weight","v":6}
    ]"#);
    expect(
        &decoded,
        &[
            "sc-1 a/weight 3 kg 2026-09-01T05:00:00Z",
            "sc-1 a/weight 6 kg 2026-09-01T05:00:00Z",
            "#0: bn must be text, not a number",
            "#1: it rests on the base name of record 0, which cannot be read",
            "#3: bt must be a number, not text",
            "#4: it rests on the base time of record 3, which cannot be read",
        ],
    );
}
