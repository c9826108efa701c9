//! Hostile input: never a panic, never memory beyond a small multiple of the message.

use super::*;
use crate::corpus;
use proptest::prelude::*;
use std::collections::BTreeSet;

#[test]
fn the_corpus_of_malformed_messages_gets_the_expected_verdicts() {
    let cases = corpus::malformed(1, 3_000);
    let mut distinct = BTreeSet::new();
    for case in &cases {
        let decoded = decode(&case.message(NOW), &corpus::config(), NOW);
        let told = format!("{} ({:?})", case.what, lines(&decoded));
        assert_eq!(decoded.refused.len(), case.refused, "{told}");
        assert_eq!(decoded.readings.len(), case.readings, "{told}");
        for refused in &decoded.refused {
            assert!(
                !refused.reason.is_empty() && !refused.reason.contains('\n'),
                "{told}"
            );
            assert_eq!(refused.record.is_none(), case.whole, "{told}");
        }
        distinct.insert((&case.topic, &case.payload));
    }
    assert!(
        distinct.len() >= 1_000,
        "only {} are different",
        distinct.len()
    );
}

#[test]
fn a_pack_of_nothing_but_bad_records_stays_small() {
    let mut payload = b"[{\"n\":\"weight\"}".to_vec();
    while payload.len() < 65_000 {
        payload.extend_from_slice(b",{}");
    }
    payload.push(b']');
    let decoded = sc1(&payload);
    let held: usize = decoded.refused.iter().map(|r| r.bytes.len()).sum();
    assert!(held < 10 * 1024 * 1024, "{held}");
    let last = decoded.refused.last().unwrap();
    assert_eq!(last.record, None);
    assert!(
        last.reason.contains("more records of this message"),
        "{}",
        last.reason
    );
}

#[test]
fn nesting_is_bounded() {
    for (open, close) in [("[", "]"), ("{\"a\":", "}")] {
        let levels = 60_000 / (open.len() + close.len());
        let deep = format!("{}1{}", open.repeat(levels), close.repeat(levels));
        assert_eq!(sc1(&deep).refused.len(), 1);
        let inside = format!(
            r#"{{"weight_kg":1,"x":{}1{}}}"#,
            open.repeat(90),
            close.repeat(90)
        );
        let decoded = sc1(inside);
        assert_eq!((decoded.readings.len(), decoded.refused.len()), (1, 1));
    }
    for byte in [0x81, 0x9f, 0xa1, 0xbf, 0xc1, 0xd8] {
        assert_eq!(sc1(vec![byte; 65_536]).refused.len(), 1);
    }
}

/// JSON that looks much like the real thing.
fn json_like() -> impl Strategy<Value = String> {
    let leaf = prop_oneof![
        Just("null".to_owned()),
        Just("true".to_owned()),
        "-?(0|[1-9][0-9]{0,24})(\\.[0-9]{1,5})?([eE][-+]?[0-9]{1,4})?",
        "\"[a-z0-9:/_.%-]{0,20}\"",
        Just("\"2026-09-01T05:00:00Z\"".to_owned()),
        Just("\"\\ud800\"".to_owned()),
    ];
    let key = prop_oneof![
        "(bn|bt|bu|bv|bs|bver|n|u|v|vs|vb|vd|s|t|ut)",
        "(time|weight_kg|temperature_c|humidity_pct|rain_in|x_)",
        "[a-z_]{0,12}",
    ];
    leaf.prop_recursive(4, 60, 8, move |inner| {
        prop_oneof![
            prop::collection::vec(inner.clone(), 0..6).prop_map(|v| format!("[{}]", v.join(","))),
            prop::collection::vec((key.clone(), inner), 0..8).prop_map(|members| {
                let members: Vec<String> = members
                    .iter()
                    .map(|(key, value)| format!("\"{key}\":{value}"))
                    .collect();
                format!("{{{}}}", members.join(","))
            }),
        ]
    })
}

fn everything_is_accounted_for(decoded: &Decoded) -> Result<(), TestCaseError> {
    for reading in &decoded.readings {
        prop_assert!(reading.value.is_finite());
        prop_assert!(reading.time >= Timestamp::YEAR_2000);
    }
    for attribute in &decoded.attributes {
        let json: Result<serde_json::Value, _> = serde_json::from_str(&attribute.value_json);
        prop_assert!(json.is_ok(), "{}", attribute.value_json);
    }
    for refused in &decoded.refused {
        prop_assert!(!refused.reason.contains(['\n', '\r']) && !refused.reason.is_empty());
    }
    Ok(())
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2_000))]

    #[test]
    fn any_bytes(payload in prop::collection::vec(any::<u8>(), 0..300), kind in 0usize..4) {
        let message = Message {
            content_type: [None, Some("application/senml+json"), Some("application/senml+cbor"), Some("x")][kind]
                .map(str::to_owned),
            ..message("larder/gw-1/readings", payload)
        };
        let decoded = decode(&message, &config(), NOW);
        everything_is_accounted_for(&decoded)?;
    }

    #[test]
    fn bytes_that_start_like_cbor(mut payload in prop::collection::vec(any::<u8>(), 1..300), n in 0u8..24) {
        payload[0] = 0x80 | n;
        everything_is_accounted_for(&gw1(payload))?;
    }

    #[test]
    fn anything_like_json(payload in json_like()) {
        let decoded = gw1(&payload);
        everything_is_accounted_for(&decoded)?;
        if !payload.contains('{') {
            prop_assert_eq!(decoded.refused.len(), 1, "{}", payload);
        }
    }

    /// Good records stay whatever stands between them.
    #[test]
    fn good_records_survive_bad_neighbours(bad in json_like(), at in 0usize..3) {
        let mut records = vec![
            r#"{"n":"weight","v":1}"#.to_owned(),
            r#"{"n":"battery","v":2}"#.to_owned(),
        ];
        // Base fields and whole-pack rules are meant to reach beyond their record.
        records.insert(at, bad.replace("\"b", "\"c").replace('_', "-"));
        let message = Message {
            content_type: Some("application/senml+json".into()),
            ..message("larder/sc-1/readings", format!("[{}]", records.join(",")))
        };
        let decoded = decode(&message, &config(), NOW);
        for channel in ["weight", "battery"] {
            prop_assert!(decoded.readings.iter().any(|r| r.channel.as_str() == channel));
        }
    }

    #[test]
    fn mapped_messages_too(payload in json_like()) {
        let mut config = config();
        config.mappings = Ready::ALL.map(Ready::mapping).to_vec();
        for topic in ["v3/a/devices/d/up", "application/a/device/d/event/up", "application/a/device/d/event/status"] {
            everything_is_accounted_for(&decode(&message(topic, &payload), &config, NOW))?;
        }
    }
}
