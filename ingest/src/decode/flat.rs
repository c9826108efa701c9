//! Flat JSON: one object whose keys are a channel and its unit (`weight_kg`), with an optional `time`.

use super::decode_error::{DecodeError, quoted};
use super::decoded::Collector;
use super::moment::{self, not_a_time};
use super::wire::{self, Value};
use larder_domain::{ChannelName, DeviceId, Timestamp, Unit};
use std::borrow::Cow;

/// The key that holds the time.
const TIME: &str = "time";

/// What a key's suffix means: the unit sent, and the unit in which a channel that is not known is kept.
const SUFFIXES: [(&str, &str, &str); 19] = [
    ("kg", "kg", "kg"),
    ("g", "g", "kg"),
    ("lb", "lb", "kg"),
    ("oz", "oz", "kg"),
    ("m", "m", "m"),
    ("mm", "mm", "m"),
    ("cm", "cm", "m"),
    ("in", "in", "m"),
    ("l", "l", "l"),
    ("ml", "ml", "l"),
    ("gal", "gal", "l"),
    ("c", "Cel", "Cel"),
    ("f", "degF", "Cel"),
    ("pct", "%", "%"),
    ("v", "V", "V"),
    ("ms", "m/s", "m/s"),
    ("wm2", "W/m2", "W/m2"),
    ("hpa", "hPa", "hPa"),
    ("dbm", "dBm", "dBm"),
];

/// Reads one object. `time` is when it was measured where the object does not say so itself; `None`:
/// the time of receipt.
pub(super) fn read(
    object: &Value,
    device: &DeviceId,
    time: Option<Timestamp>,
    collector: &mut Collector,
) -> Result<(), DecodeError> {
    let Value::Map(members) = object else {
        return Err(match object {
            Value::Unreadable { why, .. } => DecodeError::unreadable(why.clone()),
            other => {
                DecodeError::unreadable(format!("a record is an object, not {}", other.what()))
            }
        });
    };
    if let Some(key) = wire::repeated_name(members) {
        return Err(DecodeError::unreadable(format!(
            "the key {} is given twice",
            quoted(key)
        )));
    }
    if members.iter().all(|(key, _)| key == TIME) {
        return Err(DecodeError::unreadable("there are no values in it".into()));
    }
    if is_only_nested(members) {
        return Err(DecodeError::unreadable(format!(
            "{} holds an object and there is no value beside it; say where its values are with a [[mapping]] in larder.toml",
            members
                .iter()
                .find(|(key, _)| key != TIME)
                .map_or_else(String::new, |(key, _)| quoted(key))
        )));
    }
    collector.heard(device);
    let time = match (own_time(object.member(TIME))?, time) {
        (Some(time), _) | (None, Some(time)) => time,
        (None, None) => collector.receipt()?,
    };
    collector.check_time(time)?;
    for (key, value) in members.iter().filter(|(key, _)| key != TIME) {
        if let Err(fault) = read_member(key, value, device, time, collector) {
            collector.fault(fault);
        }
    }
    Ok(())
}

/// Whether all that is said stands one level deeper, as in `{"readings": {"weight_kg": 41.2}}`: taken
/// as attributes, the readings in it would be lost unseen.
fn is_only_nested(members: &[(Cow<'_, str>, Value<'_>)]) -> bool {
    let holds_object = |value: &Value<'_>| match value {
        Value::Map(_) => true,
        Value::List(items) => items.iter().any(|item| matches!(item, Value::Map(_))),
        _ => false,
    };
    let mut said = members
        .iter()
        .filter(|(key, value)| key != TIME && !matches!(value, Value::Null))
        .peekable();
    said.peek().is_some()
        && said
            .all(|(key, value)| holds_object(value) && matches!(meaning(key), Ok(Key::Attribute)))
}

/// RFC 3339, Unix seconds, or (from 1e11 on) milliseconds; numbers also in quotes. Absent and null:
/// not given.
pub(super) fn own_time(value: Option<&Value>) -> Result<Option<Timestamp>, DecodeError> {
    let time = match value {
        None | Some(Value::Null) => return Ok(None),
        Some(Value::Number(digits)) => moment::unix(digits).ok_or_else(|| not_a_time(digits)),
        Some(Value::Text(text)) => Timestamp::parse_rfc3339(text)
            .or_else(|| moment::unix(text.trim()))
            .ok_or_else(|| not_a_time(text)),
        Some(Value::Unreadable { why, .. }) => Err(DecodeError::unreadable(format!("time: {why}"))),
        Some(other) => Err(DecodeError::time(format!(
            "the time must be RFC 3339 text or a number, not {}",
            other.what()
        ))),
    };
    time.map(Some)
}

/// What a key means.
enum Key {
    /// A reading of this channel, sent in the first unit, kept (if not known) in the second.
    Reading(ChannelName, Option<(Unit, Unit)>),
    /// No unit and no known channel.
    Attribute,
}

fn meaning(key: &str) -> Result<Key, DecodeError> {
    if let Ok(channel) = ChannelName::new(key)
        && channel.kind().is_some()
    {
        return Ok(Key::Reading(channel, None));
    }
    let with_unit = key.rsplit_once('_').and_then(|(channel, suffix)| {
        let (_, sent, kept) = SUFFIXES.iter().find(|(s, _, _)| *s == suffix)?;
        let units = (Unit::new(sent).ok()?, Unit::new(kept).ok()?);
        (!channel.is_empty()).then_some((channel, units))
    });
    match with_unit {
        None => Ok(Key::Attribute),
        Some((channel, units)) => ChannelName::new(channel)
            .map(|channel| Key::Reading(channel, Some(units)))
            .map_err(|error| DecodeError::name(error.to_string())),
    }
}

fn read_member(
    key: &str,
    value: &Value,
    device: &DeviceId,
    time: Timestamp,
    collector: &mut Collector,
) -> Result<(), DecodeError> {
    match (meaning(key)?, value) {
        (_, Value::Null) => Ok(()),
        (Key::Attribute, value) => {
            let json = attribute_json(key, value)?;
            collector.attribute(device, key, json, time)
        }
        (Key::Reading(channel, units), value) => {
            let value =
                number(value).map_err(|problem| DecodeError::number(format!("{key} {problem}")))?;
            let (unit, value) = match units {
                Some((sent, kept)) if channel.kind().is_none() => {
                    let converted = sent.convert(value, &kept).unwrap_or(f64::NAN);
                    (Some(kept), converted)
                }
                Some((sent, _)) => (Some(sent), value),
                None => (None, value),
            };
            collector.reading(device, &channel, unit, time, value)
        }
    }
}

/// A number, also in quotes. `Err` is the end of a sentence that starts with its name.
pub(super) fn number(value: &Value) -> Result<f64, String> {
    let digits = match value {
        Value::Number(digits) => digits,
        Value::Text(text) => text,
        Value::Unreadable { why, .. } => return Err(format!("cannot be read: {why}")),
        other => return Err(format!("must be a number, not {}", other.what())),
    };
    let parsed = digits.trim().parse::<f64>();
    match parsed {
        Ok(value) if value.is_finite() => Ok(value),
        Ok(_) => Err(format!("is not a finite number: {}", quoted(digits))),
        Err(_) => Err(format!("must be a number, not {}", quoted(digits))),
    }
}

fn attribute_json(key: &str, value: &Value) -> Result<String, DecodeError> {
    if let Value::Number(digits) = value
        && wire::finite(digits).is_none()
    {
        return Err(DecodeError::number(format!(
            "{key} is not a finite number: {}",
            quoted(digits)
        )));
    }
    value
        .to_json()
        .map_err(|why| DecodeError::unreadable(format!("{}: {why}", quoted(key))))
}
