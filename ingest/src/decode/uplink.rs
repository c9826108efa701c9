//! Envelopes of LoRaWAN network servers: what is an uplink, what is an event, and what an envelope
//! says beside the payload. Both servers leave out members that are empty, zero or false.

use super::decode_error::DecodeError;
use super::decoded::{Collector, Event};
use super::flat;
use super::mapping::Ready;
use super::wire::{self, Value};
use larder_domain::{ChannelKind, ChannelName, DeviceId, Timestamp};

/// What a message of a network server is.
pub(super) enum Sorted {
    Event(Event),
    Uplink(Extra),
}

/// What an uplink's envelope says beside the payload.
#[derive(Default)]
pub(super) struct Extra {
    /// The strongest signal that a gateway received, dBm.
    rssi_dbm: Option<f64>,
    /// Attributes: name and JSON text.
    attributes: Vec<(&'static str, String)>,
    /// Set where the payload was not decoded: why nothing can be read.
    pub undecoded: Option<String>,
    /// The envelope was understood: a message without channels is no error.
    pub is_envelope: bool,
}

impl Extra {
    pub fn take(
        &self,
        device: &DeviceId,
        time: Timestamp,
        collector: &mut Collector,
    ) -> Result<(), DecodeError> {
        for (name, json) in &self.attributes {
            collector.attribute(device, name, json.clone(), time)?;
        }
        if let Some(dbm) = self.rssi_dbm {
            let channel = ChannelName::new(ChannelKind::Rssi.name()).expect("a literal name");
            collector.reading(device, &channel, None, time, dbm)?;
        }
        Ok(())
    }
}

pub(super) fn sort(ready: Ready, topic: &str, root: &Value) -> Result<Sorted, DecodeError> {
    match ready {
        Ready::TheThingsStackV3 => the_things_stack(topic, root),
        Ready::ChirpStackV4 => chirpstack(topic, root),
    }
}

fn the_things_stack(topic: &str, root: &Value) -> Result<Sorted, DecodeError> {
    let kind = topic.split('/').skip(4).collect::<Vec<_>>().join("/");
    match kind.as_str() {
        "up" => {}
        "join" => return Ok(Sorted::Event(Event::Join)),
        "down/ack" | "down/nack" | "down/sent" | "down/queued" | "down/failed" => {
            return Ok(Sorted::Event(Event::Acknowledgement));
        }
        _ => return Ok(Sorted::Event(Event::Other)),
    }
    if root.member("simulated") == Some(&Value::Bool(true)) {
        return Ok(Sorted::Event(Event::Simulated));
    }
    let Some(uplink) = root.member("uplink_message") else {
        return Err(DecodeError::unreadable(
            "there is no uplink_message in it: is this an uplink of The Things Stack v3".into(),
        ));
    };
    let payload = Payload {
        decoded: uplink.member("decoded_payload"),
        raw: uplink.member("frm_payload"),
        decoder: "a payload formatter",
    };
    let mut attributes = counters(uplink, "f_cnt", "f_port");
    let battery = uplink
        .member("last_battery_percentage")
        .and_then(|b| b.member("value"));
    attributes.extend(number_attribute("battery_pct", battery));
    payload.sorted(uplink.member("rx_metadata"), attributes)
}

fn chirpstack(topic: &str, root: &Value) -> Result<Sorted, DecodeError> {
    match topic.rsplit('/').next() {
        Some("up") => {}
        Some("join") => return Ok(Sorted::Event(Event::Join)),
        Some("ack" | "txack") => return Ok(Sorted::Event(Event::Acknowledgement)),
        Some("status") => return Ok(Sorted::Uplink(chirpstack_status(root))),
        _ => return Ok(Sorted::Event(Event::Other)),
    }
    if root.member("deviceInfo").is_none() {
        return Err(DecodeError::unreadable(
            "there is no deviceInfo in it: only ChirpStack v4 with its JSON marshaler is understood"
                .into(),
        ));
    }
    let payload = Payload {
        decoded: root.member("object"),
        raw: root.member("data"),
        decoder: "a codec in the device profile",
    };
    let attributes = counters(root, "fCnt", "fPort");
    payload.sorted(root.member("rxInfo"), attributes)
}

/// A device's battery and link as the network server knows them; no reading.
fn chirpstack_status(root: &Value) -> Extra {
    let mut attributes = Vec::new();
    attributes.extend(number_attribute("battery_pct", root.member("batteryLevel")));
    attributes.extend(number_attribute("margin_db", root.member("margin")));
    Extra {
        attributes,
        is_envelope: true,
        ..Extra::default()
    }
}

/// An uplink's payload.
struct Payload<'v, 'a> {
    /// What the device's decoder made of it.
    decoded: Option<&'v Value<'a>>,
    /// The bytes, base64.
    raw: Option<&'v Value<'a>>,
    /// What the network server calls the thing that decodes.
    decoder: &'static str,
}

impl Payload<'_, '_> {
    fn sorted(
        self,
        gateways: Option<&Value>,
        attributes: Vec<(&'static str, String)>,
    ) -> Result<Sorted, DecodeError> {
        let is_decoded = matches!(self.decoded, Some(Value::Map(members)) if !members.is_empty());
        if !is_decoded && self.raw.is_none() {
            return Ok(Sorted::Event(Event::Empty));
        }
        let undecoded = (!is_decoded).then(|| {
            format!(
                "the payload is not decoded: give the network server {} for this device",
                self.decoder
            )
        });
        Ok(Sorted::Uplink(Extra {
            rssi_dbm: gateways.and_then(strongest),
            attributes,
            undecoded,
            is_envelope: true,
        }))
    }
}

/// The frame counter and port; the first frame's counter of 0 is left out by both servers.
fn counters(uplink: &Value, counter: &str, port: &str) -> Vec<(&'static str, String)> {
    let zero = Value::Number("0".into());
    let counter = uplink.member(counter).unwrap_or(&zero);
    number_attribute("f_cnt", Some(counter))
        .into_iter()
        .chain(number_attribute("f_port", uplink.member(port)))
        .collect()
}

fn number_attribute(name: &'static str, value: Option<&Value>) -> Option<(&'static str, String)> {
    match value {
        Some(Value::Number(digits)) if wire::finite(digits).is_some() => {
            Some((name, digits.to_string()))
        }
        _ => None,
    }
}

fn strongest(gateways: &Value) -> Option<f64> {
    let Value::List(gateways) = gateways else {
        return None;
    };
    gateways
        .iter()
        .filter_map(|gateway| flat::number(gateway.member("rssi")?).ok())
        .max_by(f64::total_cmp)
}
