//! CONTRACT section 1, payload 4: mapped topics and shapes.

use super::*;

fn with_mappings(toml_text: &str) -> Result<DecodeConfig, String> {
    #[derive(serde::Deserialize)]
    struct Settings {
        mapping: Vec<MappingFile>,
    }
    let settings: Settings = toml::from_str(toml_text).unwrap();
    match MappingFile::check_all(&settings.mapping) {
        Ok(mappings) => Ok(DecodeConfig {
            mappings,
            ..config()
        }),
        Err(problems) => {
            let lines: Vec<String> = problems.iter().map(ToString::to_string).collect();
            Err(lines.join("\n"))
        }
    }
}

const OWN: &str = r#"
[[mapping]]
topic = "site/+/scale"
device = { level = 2 }
time = { pointer = "/at", format = "unix_ms" }
[[mapping.channel]]
name = "weight"
pointer = "/load/0/raw"
unit = "g"
scale = 0.5
offset = -100
[[mapping.channel]]
name = "a/temperature"
pointer = "/t"
[[mapping.channel]]
name = "co2"
pointer = "/co~12"
unit = "ppm"

[[mapping]]
topic = "bridge/#"
device = { pointer = "/id" }
records = "/list"
time = { pointer = "/when" }
flat = "/values"
"#;

#[test]
fn values_are_scaled_shifted_and_converted() {
    let config = with_mappings(OWN).unwrap();
    assert_eq!(
        config.filters(),
        ["larder/+/readings", "site/+/scale", "bridge/#"]
    );
    let read = |payload: &str| decode(&message("site/sc-7/scale", payload), &config, NOW);
    expect(
        &read(r#"{"at":1788238799123,"load":[{"raw":"83000"}],"t":18.5,"co/2":412}"#),
        &[
            "sc-7 weight 41.4 kg 2026-09-01T04:59:59.123Z",
            "sc-7 a/temperature 18.5 Cel 2026-09-01T04:59:59.123Z",
            "sc-7 co2 412 ppm 2026-09-01T04:59:59.123Z",
        ],
    );
    // Channels that are not there are not missed; nothing at all is an error.
    expect(
        &read(r#"{"t":null,"load":[{"raw":200}]}"#),
        &["sc-7 weight 0 kg 2026-09-01T05:00:00Z"],
    );
    expect_refused(&read(r#"{"other":1}"#), "none of the mapping's channels");
    expect_refused(&read("[]"), "none of the mapping's channels");
    expect_refused(&read("7"), "object or array");
    expect_refused(&read(r#"{"at":"noon","t":1}"#), "time");
    let decoded = read(r#"{"t":"warm","load":[{"raw":1e9}],"co/2":3}"#);
    assert_eq!(decoded.readings.len(), 1);
    assert!(
        decoded.refused[0]
            .reason
            .contains("a/temperature (\"/t\") must be a number")
    );
    assert_eq!(
        decoded.faults,
        [DecodeErrorClass::Impossible, DecodeErrorClass::Number]
    );
}

#[test]
fn records_of_a_list_are_read_one_by_one() {
    let config = with_mappings(OWN).unwrap();
    let read = |payload: &str| decode(&message("bridge/x/y", payload), &config, NOW);
    expect(
        &read(
            r#"{"when":"2026-09-01T04:00:00Z","list":[
                {"id":"d-1","values":{"weight_kg":1,"fw":"2"}},
                {"id":"d 2","values":{"weight_kg":2}},
                {"id":3,"values":{"weight_kg":3,"time":1788238800}},
                {"values":{"weight_kg":4}},
                {"id":"d-5","when":1788235200}
            ]}"#,
        ),
        &[
            "d-1 weight 1 kg 2026-09-01T04:00:00Z",
            "3 weight 3 kg 2026-09-01T05:00:00Z",
            r#"d-1 fw = "2""#,
            "#1: a device's name must be 1 to 64 of A-Z a-z 0-9 . _ -, not \"d 2\"",
            "#3: there is no device at /id",
            "#4: none of the mapping's channels is in the message",
        ],
    );
    expect_refused(&read(r#"{"id":"d-1"}"#), "expects a list at /list");
}

#[test]
fn every_mistake_in_a_mapping_is_reported() {
    let problems = with_mappings(
        r##"
        [[mapping]]
        use = "the-thing-stack"
        [[mapping]]
        topic = "a/#/b"
        device = { level = 0 }
        time = { pointer = "at" }
        [[mapping.channel]]
        name = "wei ght"
        pointer = "x"
        unit = "a b"
        scale = 0
        [[mapping.channel]]
        name = "co2"
        pointer = "/x"
        [[mapping.channel]]
        name = "weight"
        pointer = "/x"
        unit = "l"
        [[mapping]]
        topic = "a"
        device = { level = 1, name = "x" }
        "##,
    )
    .unwrap_err();
    insta::assert_snapshot!(problems);
}

const SERVERS: &str = r#"
[[mapping]]
use = "the-things-stack-v3"
[[mapping.channel]]
name = "weight"
pointer = "/uplink_message/decoded_payload/scale/grams"
unit = "g"

[[mapping]]
use = "chirpstack-v4"
"#;

/// An uplink with the members that The Things Stack's data format documents.
const TTS_UP: &str = r#"{
    "end_device_ids": {"device_id": "sc-north-01", "application_ids": {"application_id": "bees"},
        "dev_eui": "0004A30B001C0530", "join_eui": "800000000000000C", "dev_addr": "00BCB929"},
    "correlation_ids": ["as:up:01E0"],
    "received_at": "2026-09-01T04:59:59.900Z",
    "uplink_message": {
        "session_key_id": "AXA50", "f_port": 2, "f_cnt": 17, "frm_payload": "AQ==",
        "decoded_payload": {"temperature_c": 18.4, "battery": 3.91, "scale": {"grams": 41237}, "lid": false},
        "rx_metadata": [
            {"gateway_ids": {"gateway_id": "gw-a"}, "rssi": -108, "channel_rssi": -108, "snr": 5.2},
            {"gateway_ids": {"gateway_id": "gw-b"}, "rssi": -91, "snr": 9}
        ],
        "settings": {"data_rate": {"lora": {"bandwidth": 125000, "spreading_factor": 7}}},
        "received_at": "2026-09-01T04:59:59.123456789Z",
        "last_battery_percentage": {"f_cnt": 16, "value": 84.5, "received_at": "2026-09-01T04:00:00Z"}
    }
}"#;

fn tts(topic: &str, payload: &str) -> Decoded {
    let config = with_mappings(SERVERS).unwrap();
    decode(&message(topic, payload), &config, NOW)
}

const TTS_TOPIC: &str = "v3/bees@tenant/devices/sc-north-01/up";

#[test]
fn the_things_stack_uplinks_are_read() {
    expect(
        &tts(TTS_TOPIC, TTS_UP),
        &[
            "sc-north-01 weight 41.237 kg 2026-09-01T04:59:59.123Z",
            "sc-north-01 temperature 18.4 Cel 2026-09-01T04:59:59.123Z",
            "sc-north-01 battery 3.91 V 2026-09-01T04:59:59.123Z",
            "sc-north-01 rssi -91 dBm 2026-09-01T04:59:59.123Z",
            r#"sc-north-01 scale = {"grams":41237}"#,
            "sc-north-01 lid = false",
            "sc-north-01 f_cnt = 17",
            "sc-north-01 f_port = 2",
            "sc-north-01 battery_pct = 84.5",
        ],
    );
    // A time of the device's own counts more; an open source installation has no tenant.
    let own_time = TTS_UP.replace(
        r#""temperature_c""#,
        r#""time": 1788238000, "temperature_c""#,
    );
    let decoded = tts("v3/bees/devices/sc-north-01/up", &own_time);
    assert_eq!(decoded.readings[1].time, Timestamp(1_788_238_000_000));
}

#[test]
fn the_things_stack_leaves_out_what_is_zero_or_empty() {
    let first = r#"{"received_at":"2026-09-01T05:00:00Z","uplink_message":{"frm_payload":"AQ==","decoded_payload":{"weight_kg":0}}}"#;
    expect(
        &tts(TTS_TOPIC, first),
        &[
            "sc-north-01 weight 0 kg 2026-09-01T05:00:00Z",
            "sc-north-01 f_cnt = 0",
        ],
    );
    let empty = r#"{"received_at":"2026-09-01T05:00:00Z","uplink_message":{"f_cnt":3}}"#;
    let decoded = tts(TTS_TOPIC, empty);
    expect(&decoded, &[]);
    assert_eq!(decoded.event, Some(Event::Empty));
}

#[test]
fn what_the_things_stack_did_not_decode_is_quarantined() {
    let raw = r#"{"received_at":"2026-09-01T05:00:00Z","uplink_message":{"f_port":1,"frm_payload":"AQ==","rx_metadata":[{"rssi":-90}]}}"#;
    let decoded = tts(TTS_TOPIC, raw);
    assert_eq!(decoded.refused.len(), 1);
    assert!(decoded.refused[0].reason.contains("payload formatter"));
    assert_eq!(decoded.readings[0].channel.as_str(), "rssi");
    expect_refused(&tts(TTS_TOPIC, "{}"), "uplink_message");
}

#[test]
fn the_things_stack_events_are_neither_readings_nor_errors() {
    for (topic, payload, event) in [
        ("v3/bees@t/devices/d/join", "{}", Event::Join),
        ("v3/bees@t/devices/d/down/ack", "{}", Event::Acknowledgement),
        ("v3/bees@t/devices/d/service/data", "{}", Event::Other),
        (
            TTS_TOPIC,
            r#"{"simulated":true,"uplink_message":{"decoded_payload":{"weight_kg":1}}}"#,
            Event::Simulated,
        ),
    ] {
        let decoded = tts(topic, payload);
        expect(&decoded, &[]);
        assert_eq!(decoded.event, Some(event), "{topic}");
    }
}

const CHIRPSTACK_UP: &str = r#"{
    "deduplicationId": "3ac7e3c4-4401-4b8d-9386-a5c902f9202d",
    "time": "2026-09-01T04:59:58.5+00:00",
    "deviceInfo": {"tenantId": "52f1", "tenantName": "Apiary", "applicationId": "17c8", "applicationName": "Scales",
        "deviceProfileId": "1436", "deviceProfileName": "Scale", "deviceName": "Hive 3", "devEui": "0101010101010101", "tags": {}},
    "devAddr": "00189440", "adr": true, "dr": 1, "fPort": 1, "data": "qg==",
    "object": {"weight_kg": 41.2, "humidity_pct": 300},
    "rxInfo": [{"gatewayId": "0016c001f153a14c", "uplinkId": 42, "rssi": -57, "snr": 10, "crcStatus": "CRC_OK"}],
    "txInfo": {"frequency": 868100000}
}"#;

fn chirpstack(event: &str, payload: &str) -> Decoded {
    let config = with_mappings(SERVERS).unwrap();
    let topic = format!("application/17c8/device/0101010101010101/event/{event}");
    decode(&message(&topic, payload), &config, NOW)
}

#[test]
fn chirpstack_uplinks_are_read() {
    let decoded = chirpstack("up", CHIRPSTACK_UP);
    expect(
        &decoded,
        &[
            "0101010101010101 weight 41.2 kg 2026-09-01T04:59:58.500Z",
            "0101010101010101 rssi -57 dBm 2026-09-01T04:59:58.500Z",
            "0101010101010101 f_cnt = 0",
            "0101010101010101 f_port = 1",
            "#0: humidity: 300 %RH is not possible; it must lie between 0 and 105 %RH",
        ],
    );
}

#[test]
fn chirpstack_without_a_codec_and_older_versions() {
    let raw = CHIRPSTACK_UP.replace("\"object\"", "\"ignored\"");
    let decoded = chirpstack("up", &raw);
    assert!(
        decoded.refused[0]
            .reason
            .contains("a codec in the device profile")
    );
    let v3 = r#"{"devEUI":"AQEBAQEBAQE=","objectJSON":"{}","data":"qg=="}"#;
    expect_refused(&chirpstack("up", v3), "only ChirpStack v4");
}

#[test]
fn chirpstack_events_are_neither_readings_nor_errors() {
    for (name, event) in [
        ("join", Event::Join),
        ("ack", Event::Acknowledgement),
        ("txack", Event::Acknowledgement),
        ("log", Event::Other),
        ("location", Event::Other),
        ("integration", Event::Other),
    ] {
        let decoded = chirpstack(name, r#"{"deviceInfo":{}}"#);
        expect(&decoded, &[]);
        assert_eq!(decoded.event, Some(event), "{name}");
    }
    let status =
        r#"{"time":"2026-09-01T05:00:00Z","deviceInfo":{},"margin":20,"batteryLevel":75.5}"#;
    expect(
        &chirpstack("status", status),
        &[
            "0101010101010101 battery_pct = 75.5",
            "0101010101010101 margin_db = 20",
        ],
    );
}

#[test]
fn a_ready_mapping_can_be_adapted() {
    let config = with_mappings(
        r#"
        [[mapping]]
        use = "chirpstack-v4"
        topic = "lora/+/device/+/event/+"
        device = { pointer = "/deviceInfo/tags/scale" }
        "#,
    )
    .unwrap();
    let payload = CHIRPSTACK_UP.replace(r#""tags": {}"#, r#""tags": {"scale": "sc-3"}"#);
    let decoded = decode(
        &message("lora/17c8/device/0101010101010101/event/up", payload),
        &config,
        NOW,
    );
    assert_eq!(decoded.readings[0].device, device("sc-3"));
}
