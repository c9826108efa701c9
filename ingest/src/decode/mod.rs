//! From bytes to readings. Pure: a message, a configuration and the clock go in; readings,
//! attributes and refusals come out. Nothing here can panic on what a device sends, and nothing
//! grows beyond a small multiple of the message.

mod config;
mod content_type;
mod decode_error;
mod decoded;
mod flat;
mod mapped;
mod mapping;
mod moment;
mod pointer;
mod senml;
mod topic;
mod uplink;
mod wire;

pub use config::{ChannelFile, DecodeConfig, DeviceFile, MappingFile, TimeFile, TimeFormat};
pub use decode_error::DecodeErrorClass;
pub use decoded::{Decoded, Event};
pub use mapping::{DeviceSource, MappedChannel, Mapping, Ready, TimeSource};
pub(crate) use moment::unix as unix_time;
pub use pointer::{BadPointer, Pointer};
pub use topic::{BadFilter, BadPrefix, TopicFilter, TopicPrefix};

use content_type::Shape;
use decode_error::DecodeError;
use decoded::Collector;
use larder_domain::{DeviceId, Timestamp};
use topic::Route;
use wire::Value;

/// The largest payload that is read, in bytes. Longer ones are quarantined.
pub const MAX_PAYLOAD_BYTES: usize = 64 * 1024;

/// A message as it came.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Message {
    /// The topic it was published on.
    pub topic: String,
    /// The bytes, of an oversized message perhaps only the first of them.
    pub payload: Vec<u8>,
    /// How long the payload was, where only its start is kept.
    pub cut_from: Option<usize>,
    /// The MQTT 5 content type; `None`: not given, or MQTT 3.1.1.
    pub content_type: Option<String>,
    /// The broker kept it and sends it again: its time of receipt says nothing.
    pub retained: bool,
    /// When it came, by our clock.
    pub received_at: Timestamp,
}

impl Message {
    /// Of an oversized payload only what the quarantine keeps takes room: the rest is let go at once.
    #[must_use]
    pub fn without_excess(mut self) -> Self {
        if self.payload.len() > MAX_PAYLOAD_BYTES {
            self.cut_from = Some(self.payload.len());
            self.payload.truncate(MAX_PAYLOAD_BYTES);
            self.payload.shrink_to_fit();
        }
        self
    }

    /// How long the payload was when it came.
    fn bytes(&self) -> usize {
        self.cut_from.unwrap_or(self.payload.len())
    }
}

/// Reads a message. `now` is the clock against which times from the future are judged; for a live
/// message it is the time of receipt, for a replay the present.
pub fn decode(message: &Message, config: &DecodeConfig, now: Timestamp) -> Decoded {
    let mut collector = Collector::new(message, now);
    if let Err(fault) = read(message, config, &mut collector) {
        collector.refuse_message(fault);
    }
    collector.finish()
}

/// Reads a message, but keeps only what one of its records says (or why that one is refused).
pub fn decode_record(
    message: &Message,
    config: &DecodeConfig,
    now: Timestamp,
    index: u32,
) -> Decoded {
    let mut collector = Collector::new(message, now).only(index);
    if let Err(fault) = read(message, config, &mut collector) {
        collector.refuse_message(fault);
    }
    collector.finish()
}

fn read(
    message: &Message,
    config: &DecodeConfig,
    collector: &mut Collector,
) -> Result<(), DecodeError> {
    if message.bytes() > MAX_PAYLOAD_BYTES {
        return Err(DecodeError::new(
            DecodeErrorClass::Oversized,
            format!(
                "the message has {} bytes; at most {MAX_PAYLOAD_BYTES} (64 KiB) are read",
                message.bytes()
            ),
        ));
    }
    match config.route(&message.topic)? {
        Route::Readings(device) => read_own(message, config, device, collector),
        Route::Mapped(mapping) => {
            let root = wire::json(&message.payload)?;
            mapped::read(mapping, &message.topic, &root, collector)
        }
    }
}

/// A message on a device's own topic.
fn read_own(
    message: &Message,
    config: &DecodeConfig,
    device: DeviceId,
    collector: &mut Collector,
) -> Result<(), DecodeError> {
    let is_gateway = config.gateways.contains(&device);
    let speaker = senml::Speaker {
        device: &device,
        is_gateway,
    };
    match content_type::shape(message.content_type.as_deref(), &message.payload) {
        Shape::SenmlCbor => senml::read(&wire::cbor(&message.payload)?, speaker, collector),
        Shape::SenmlJson => senml::read(&wire::json(&message.payload)?, speaker, collector),
        Shape::Json => {
            let root = wire::json(&message.payload)?;
            if senml::looks_like_pack(&root) {
                senml::read(&root, speaker, collector)
            } else {
                read_flat(&root, &device, collector)
            }
        }
    }
}

/// One flat object or an array of them.
fn read_flat(
    root: &Value,
    device: &DeviceId,
    collector: &mut Collector,
) -> Result<(), DecodeError> {
    match root {
        Value::Map(_) => {
            collector.record(0, |collector| flat::read(root, device, None, collector));
            Ok(())
        }
        Value::List(objects) if objects.iter().any(|o| matches!(o, Value::Map(_))) => {
            for (index, object) in objects.iter().enumerate() {
                collector.record(index, |collector| {
                    flat::read(object, device, None, collector)
                });
            }
            Ok(())
        }
        Value::Unreadable { why, .. } => Err(DecodeError::unreadable(why.clone())),
        Value::List(objects) if objects.is_empty() => Err(DecodeError::unreadable(
            "the message is an empty list".into(),
        )),
        other => Err(DecodeError::unreadable(format!(
            "a message must be a JSON object or an array of objects, not {}",
            other.what()
        ))),
    }
}

#[cfg(test)]
mod tests;
