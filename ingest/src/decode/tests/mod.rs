//! The decoders against the contract's sentences, published standards and hostile input.

mod bounds;
mod contract;
mod flat_json;
mod mappings;
mod rfc8428;
mod rfc8798;

use super::*;
use larder_domain::Timestamp;

/// 2026-09-01T05:00:00Z
pub(super) const NOW: Timestamp = Timestamp(1_788_238_800_000);

pub(super) fn device(name: &str) -> DeviceId {
    DeviceId::new(name).unwrap()
}

/// A configuration in which `gw-1` is a gateway.
pub(super) fn config() -> DecodeConfig {
    DecodeConfig {
        gateways: [device("gw-1")].into(),
        ..DecodeConfig::default()
    }
}

pub(super) fn message(topic: &str, payload: impl AsRef<[u8]>) -> Message {
    Message {
        topic: topic.to_owned(),
        cut_from: None,
        payload: payload.as_ref().to_vec(),
        content_type: None,
        retained: false,
        received_at: NOW,
    }
}

/// What becomes of a payload on the topic of `sc-1`.
pub(super) fn sc1(payload: impl AsRef<[u8]>) -> Decoded {
    decode(&message("larder/sc-1/readings", payload), &config(), NOW)
}

pub(super) fn gw1(payload: impl AsRef<[u8]>) -> Decoded {
    decode(&message("larder/gw-1/readings", payload), &config(), NOW)
}

/// Readings, attributes and refusals as short lines.
pub(super) fn lines(decoded: &Decoded) -> Vec<String> {
    let mut lines = Vec::new();
    for r in &decoded.readings {
        lines.push(format!(
            "{} {} {} {} {}",
            r.device,
            r.channel,
            r.value,
            r.unit,
            r.time.to_rfc3339()
        ));
    }
    for a in &decoded.attributes {
        lines.push(format!("{} {} = {}", a.device, a.name, a.value_json));
    }
    for r in &decoded.refused {
        let record = r.record.map_or("all".to_owned(), |i| format!("#{i}"));
        lines.push(format!("{record}: {}", r.reason));
    }
    lines
}

#[track_caller]
pub(super) fn expect(decoded: &Decoded, expected: &[&str]) {
    assert_eq!(lines(decoded), expected);
}

/// The whole message is refused, once, with a reason that holds `part`.
#[track_caller]
pub(super) fn expect_refused(decoded: &Decoded, part: &str) {
    let got = lines(decoded);
    assert_eq!(decoded.refused.len(), 1, "{got:?}");
    assert!(decoded.readings.is_empty(), "{got:?}");
    let reason = &decoded.refused[0].reason;
    assert!(reason.contains(part), "{reason:?} does not say {part:?}");
}
