//! SenML packs (RFC 8428; versions by RFC 9100; secondary units by RFC 8798), from JSON or CBOR.

mod base;
mod content;
mod name;

pub(super) use name::Speaker;

use super::decode_error::{DecodeError, DecodeErrorClass, quoted};
use super::decoded::Collector;
use super::moment::Seconds;
use super::wire::{self, Value};
use base::{Base, Fields, rests_on};
use content::{Content, content};
use larder_domain::{ChannelName, DeviceId, Timestamp, Unit};
use name::resolve;

/// Version 10 is RFC 8428; 26 is 10 with feature 4 of RFC 9100, secondary units.
const NEWEST_PLAIN_VERSION: f64 = 10.0;
const WITH_SECONDARY_UNITS: f64 = 26.0;

const LABELS: [&str; 15] = [
    "bn", "bt", "bu", "bv", "bs", "bver", "n", "u", "v", "vs", "vb", "vd", "s", "t", "ut",
];

/// Whether JSON without a telling content type is a pack: the members of its first object are
/// SenML's labels, with a name or a value among them.
pub(super) fn looks_like_pack(root: &Value) -> bool {
    let first = match root {
        Value::List(records) => records.iter().find(|r| matches!(r, Value::Map(_))),
        object => Some(object),
    };
    let Some(Value::Map(members)) = first else {
        return false;
    };
    let has = |label: &str| members.iter().any(|(name, _)| name == label);
    let all_known = !members.is_empty()
        && members
            .iter()
            .all(|(name, _)| LABELS.contains(&name.as_ref()) || name.ends_with('_'));
    let is_named = has("n") || has("bn");
    match root {
        Value::List(_) => all_known || (!has("time") && (is_named || has("bver"))),
        _ => all_known && is_named,
    }
}

/// Reads a pack.
pub(super) fn read(
    root: &Value,
    speaker: Speaker,
    collector: &mut Collector,
) -> Result<(), DecodeError> {
    let records = match root {
        Value::List(records) => records,
        Value::Unreadable { why, .. } => return Err(DecodeError::unreadable(why.clone())),
        other => {
            return Err(DecodeError::unreadable(format!(
                "a SenML pack is an array of records, not {}: put [ ] around it",
                other.what()
            )));
        }
    };
    if records.is_empty() {
        return Err(DecodeError::unreadable(
            "the SenML pack has no records".into(),
        ));
    }
    check_pack(records)?;
    let mut base = Base::default();
    for (index, record) in records.iter().enumerate() {
        collector.record(index, |collector| {
            read_record(record, index, &mut base, speaker, collector)
        });
    }
    Ok(())
}

/// What makes a whole pack unusable: labels that must be understood, and versions (RFC 8428 section 4.4).
fn check_pack(records: &[Value]) -> Result<(), DecodeError> {
    let members = records.iter().filter_map(|record| match record {
        Value::Map(members) => Some(members),
        _ => None,
    });
    let mut version: Option<f64> = None;
    for (label, value) in members.flatten() {
        if label.ends_with('_') {
            return Err(DecodeError::unreadable(format!(
                "the label {} must be understood to read this SenML pack, and is not",
                quoted(label)
            )));
        }
        if label == "bver" {
            let given = known_version(value)?;
            if version.is_some_and(|earlier| earlier.total_cmp(&given).is_ne()) {
                return Err(DecodeError::unreadable(
                    "the SenML pack names two versions (bver)".into(),
                ));
            }
            version = Some(given);
        }
    }
    Ok(())
}

fn known_version(value: &Value) -> Result<f64, DecodeError> {
    let version = match value {
        Value::Number(digits) => wire::finite(digits),
        _ => None,
    };
    version
        .filter(|v| v.fract().abs() < f64::EPSILON && *v >= 1.0)
        .filter(|v| *v <= NEWEST_PLAIN_VERSION || v.total_cmp(&WITH_SECONDARY_UNITS).is_eq())
        .ok_or_else(|| {
            let given = match value {
                Value::Number(digits) => quoted(digits),
                other => other.what().to_owned(),
            };
            DecodeError::unreadable(format!(
                "the SenML version (bver) must be 1 to 10 or 26, not {given}"
            ))
        })
}

fn read_record(
    record: &Value,
    index: usize,
    base: &mut Base,
    speaker: Speaker,
    collector: &mut Collector,
) -> Result<(), DecodeError> {
    let fields = match record {
        Value::Map(members) => {
            if let Some(label) = wire::repeated_name(members) {
                base.forget(|base_label| base_label == label, index);
                return Err(DecodeError::unreadable(format!(
                    "the label {} is given twice",
                    quoted(label)
                )));
            }
            Fields(members)
        }
        Value::Unreadable { why, was_map } => {
            base.forget(|_| *was_map, index);
            return Err(DecodeError::unreadable(why.clone()));
        }
        other => {
            return Err(DecodeError::unreadable(format!(
                "a SenML record is an object, not {}",
                other.what()
            )));
        }
    };
    base.update(&fields, index)?;
    let Some(content) = content(&fields, base)? else {
        return Ok(());
    };
    let name = rests_on(&base.name, "base name")? + fields.text("n")?.unwrap_or("");
    let (device, channel) = resolve(&name, speaker)?;
    collector.heard(&device);
    let time = time(&fields, base, collector)?;
    fields.seconds("ut")?;
    let unit = unit(&fields, base, &channel)?;
    take(&content, &device, &channel, unit, time, collector)
}

/// Base time and time; below 2^28 seconds relative to the receipt (RFC 8428 section 4.5.3).
fn time(fields: &Fields, base: &Base, collector: &Collector) -> Result<Timestamp, DecodeError> {
    let own = fields.seconds("t")?.unwrap_or(Seconds::ZERO);
    let time = rests_on(&base.time, "base time")?.plus(own);
    if time.is_relative() {
        collector.receipt().map(|receipt| time.from(receipt))
    } else {
        Ok(time.since_1970())
    }
}

/// The record's unit, else the base unit. SenML's `%` is the ratio `/` by another name (RFC 8428
/// section 12.1, note 1), not a percentage.
fn unit(fields: &Fields, base: &Base, channel: &ChannelName) -> Result<Option<Unit>, DecodeError> {
    let given = match fields.text("u")? {
        Some(unit) => Some(unit.to_owned()),
        None => rests_on(&base.unit, "base unit")?,
    };
    match given.as_deref() {
        None | Some("") => Ok(None),
        Some("%") => Ok(Unit::new("/").ok()),
        Some(unit) => Unit::new(unit).map(Some).map_err(|error| {
            DecodeError::new(DecodeErrorClass::Unit, format!("{channel}: {error}"))
        }),
    }
}

fn take(
    content: &Content,
    device: &DeviceId,
    channel: &ChannelName,
    unit: Option<Unit>,
    time: Timestamp,
    collector: &mut Collector,
) -> Result<(), DecodeError> {
    let name = channel.as_str();
    if let Some(json) = &content.other {
        collector.attribute(device, name, json.clone(), time)?;
    }
    if let Some(sum) = content.sum {
        collector.attribute(device, name, json_number(sum, name)?, time)?;
    }
    match content.number {
        None => Ok(()),
        // A number without a unit on a channel that is not known: a sequence number, say.
        Some(value) if unit.is_none() && channel.kind().is_none() => {
            collector.attribute(device, name, json_number(value, name)?, time)
        }
        Some(value) => {
            let is_ratio = unit.as_ref().is_some_and(|unit| unit.as_str() == "/");
            collector
                .reading(device, channel, unit, time, value)
                .map_err(|fault| {
                    if is_ratio {
                        fault.with(RATIO_HINT)
                    } else {
                        fault
                    }
                })
        }
    }
}

/// A frequent mistake: `"u":"%","v":65`.
const RATIO_HINT: &str = "in SenML % and / are ratios: 65 percent are 0.65, or 65 %RH";

fn json_number(value: f64, name: &str) -> Result<String, DecodeError> {
    serde_json::Number::from_f64(value + 0.0)
        .map(|number| {
            let text = number.to_string();
            text.strip_suffix(".0").map_or(text.clone(), str::to_owned)
        })
        .ok_or_else(|| DecodeError::number(format!("{name}: the value is not a finite number")))
}
