//! One SenML message of a hive scale: its readings, what the device says of itself, and one record that
//! is refused without taking the others with it.

#![expect(clippy::print_stdout, reason = "an example shows what it found")]

use larder_domain::Timestamp;
use larder_ingest::decode::{DecodeConfig, Message, decode};

const PACK: &str = r#"[
    {"bn": "urn:dev:ow:sc-north-01/", "bt": 1788233400, "n": "weight", "u": "kg", "v": 41.237},
    {"n": "temperature", "u": "Cel", "v": 18.4},
    {"n": "battery", "u": "V", "v": 3.91},
    {"n": "humidity", "u": "%RH", "v": 400},
    {"n": "firmware", "vs": "2.4.1"}
]"#;

fn main() {
    let now = Timestamp(1_788_233_405_000);
    let message = Message {
        topic: "larder/sc-north-01/readings".into(),
        payload: PACK.into(),
        cut_from: None,
        content_type: Some("application/senml+json".into()),
        retained: false,
        received_at: now,
    };
    let decoded = decode(&message, &DecodeConfig::default(), now);
    for reading in &decoded.readings {
        let (time, device) = (reading.time.to_rfc3339(), &reading.device);
        println!(
            "{time} {device} {}: {} {}",
            reading.channel, reading.value, reading.unit
        );
    }
    for attribute in &decoded.attributes {
        println!(
            "{} {}: {}",
            attribute.device, attribute.name, attribute.value_json
        );
    }
    for refused in &decoded.refused {
        println!("quarantined: {}", refused.reason);
    }
}
