//! Reading a message by a mapping.

use super::config::TimeFormat;
use super::decode_error::{DecodeError, quoted};
use super::decoded::Collector;
use super::flat;
use super::mapping::{DeviceSource, MappedChannel, Mapping, TimeSource};
use super::moment::{self, not_a_time};
use super::pointer::Pointer;
use super::uplink::{self, Sorted};
use super::wire::Value;
use larder_domain::{DeviceId, Timestamp};

pub(super) fn read(
    mapping: &Mapping,
    topic: &str,
    root: &Value,
    collector: &mut Collector,
) -> Result<(), DecodeError> {
    if !matches!(root, Value::Map(_) | Value::List(_)) {
        return Err(DecodeError::unreadable(format!(
            "a mapped message must be a JSON object or array, not {}",
            root.what()
        )));
    }
    let extra = match mapping.ready.map(|ready| uplink::sort(ready, topic, root)) {
        None => uplink::Extra::default(),
        Some(Err(fault)) => return Err(fault),
        Some(Ok(Sorted::Event(event))) => {
            collector.event(event);
            return Ok(());
        }
        Some(Ok(Sorted::Uplink(extra))) => extra,
    };
    for (index, record) in records(mapping, root)?.enumerate() {
        collector.record(index, |collector| {
            let record = Record {
                mapping,
                topic,
                root,
                record,
                extra: &extra,
            };
            record.read(collector)
        });
    }
    Ok(())
}

fn records<'v, 'a>(
    mapping: &Mapping,
    root: &'v Value<'a>,
) -> Result<impl Iterator<Item = &'v Value<'a>>, DecodeError> {
    let list = match &mapping.records {
        None => std::slice::from_ref(root),
        Some(pointer) => match pointer.find(root) {
            Some(Value::List(items)) if !items.is_empty() => &items[..],
            Some(Value::List(_)) => {
                return Err(DecodeError::unreadable(format!(
                    "the list at {pointer} is empty"
                )));
            }
            Some(other) => {
                return Err(DecodeError::unreadable(format!(
                    "the mapping expects a list at {pointer}, not {}",
                    other.what()
                )));
            }
            None => {
                return Err(DecodeError::unreadable(format!(
                    "the mapping expects a list at {pointer}, and there is none"
                )));
            }
        },
    };
    Ok(list.iter())
}

struct Record<'r, 'a> {
    mapping: &'r Mapping,
    topic: &'r str,
    root: &'r Value<'a>,
    record: &'r Value<'a>,
    extra: &'r uplink::Extra,
}

impl<'r, 'a> Record<'r, 'a> {
    /// In the record, else in the whole message; null counts as absent.
    fn find(&self, pointer: &Pointer) -> Option<&'r Value<'a>> {
        [self.record, self.root]
            .into_iter()
            .filter_map(|start| pointer.find(start))
            .find(|found| !matches!(found, Value::Null))
    }

    fn read(&self, collector: &mut Collector) -> Result<(), DecodeError> {
        let device = self.device()?;
        collector.heard(&device);
        let time = self.time()?;
        let moment = |collector: &Collector| time.map_or_else(|| collector.receipt(), Ok);
        let mut found = 0;
        for channel in &self.mapping.channels {
            if let Some(value) = self.find(&channel.pointer) {
                found += 1;
                let taken = moment(collector)
                    .and_then(|time| take(channel, value, &device, time, collector));
                if let Err(fault) = taken {
                    collector.fault(fault);
                }
            }
        }
        for object in self.mapping.flat.iter().filter_map(|p| self.find(p)) {
            found += 1;
            if let Err(fault) = flat::read(object, &device, time, collector) {
                collector.fault(fault);
            }
        }
        if self.extra.is_envelope {
            self.extra.take(&device, moment(collector)?, collector)?;
        }
        match &self.extra.undecoded {
            _ if found > 0 => Ok(()),
            Some(why) => Err(DecodeError::unreadable(why.clone())),
            None if self.extra.is_envelope => Ok(()),
            None => Err(DecodeError::unreadable(
                "none of the mapping's channels is in the message".into(),
            )),
        }
    }

    fn device(&self) -> Result<DeviceId, DecodeError> {
        let given = match &self.mapping.device {
            DeviceSource::Fixed(device) => return Ok(device.clone()),
            DeviceSource::Level(level) => {
                self.topic.split('/').nth(level - 1).ok_or_else(|| {
                    DecodeError::name(format!("the topic has no level {level} to name the device"))
                })?
            }
            DeviceSource::Pointer(pointer) => match self.find(pointer) {
                Some(Value::Text(text)) => text.as_ref(),
                Some(Value::Number(digits)) => digits.as_ref(),
                _ => {
                    return Err(DecodeError::name(format!(
                        "there is no device at {pointer}"
                    )));
                }
            },
        };
        DeviceId::new(given).map_err(|error| DecodeError::name(error.to_string()))
    }

    /// `None`: not given.
    fn time(&self) -> Result<Option<Timestamp>, DecodeError> {
        self.mapping
            .times
            .iter()
            .find_map(|source| self.find(&source.pointer).map(|value| (source, value)))
            .map_or(Ok(None), |(source, value)| read_time(source, value))
    }
}

fn read_time(source: &TimeSource, value: &Value) -> Result<Option<Timestamp>, DecodeError> {
    let text = match value {
        Value::Number(text) | Value::Text(text) => text.trim(),
        other => {
            return Err(DecodeError::time(format!(
                "the time at {} is {}",
                source.pointer,
                other.what()
            )));
        }
    };
    match source.format {
        TimeFormat::Any => return flat::own_time(Some(value)),
        TimeFormat::Rfc3339 => Timestamp::parse_rfc3339(text),
        TimeFormat::UnixS => moment::unix_seconds(text),
        TimeFormat::UnixMs => moment::unix_milliseconds(text),
    }
    .map(Some)
    .ok_or_else(|| not_a_time(text))
}

fn take(
    mapped: &MappedChannel,
    value: &Value,
    device: &DeviceId,
    time: Timestamp,
    collector: &mut Collector,
) -> Result<(), DecodeError> {
    let MappedChannel {
        channel,
        unit,
        scale,
        offset,
        pointer,
    } = mapped;
    let number = flat::number(value).map_err(|problem| {
        DecodeError::number(format!(
            "{channel} ({}) {problem}",
            quoted(&pointer.to_string())
        ))
    })?;
    let value = number * scale + offset;
    collector.reading(device, channel, unit.clone(), time, value)
}
