//! SenML packs (RFC 8428; versions by RFC 9100; secondary units by RFC 8798), from JSON or CBOR.

use super::decoded::Collector;
use super::fault::{Fault, FaultClass, quoted};
use super::moment::{Seconds, not_a_time};
use super::senml_name::resolve;
use super::wire::{self, Value};
use larder_domain::{ChannelName, DeviceId, Timestamp, Unit};

pub(super) use super::senml_name::Speaker;

/// Version 10 is RFC 8428; 26 is 10 with feature 4 of RFC 9100, secondary units.
const NEWEST_PLAIN_VERSION: f64 = 10.0;
const WITH_SECONDARY_UNITS: f64 = 26.0;

const LABELS: [&str; 15] = [
    "bn", "bt", "bu", "bv", "bs", "bver", "n", "u", "v", "vs", "vb", "vd", "s", "t", "ut",
];
/// Labels that apply to later records too.
const BASE_LABELS: [&str; 5] = ["bn", "bt", "bu", "bv", "bs"];

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
pub(super) fn read(root: &Value, speaker: Speaker, collector: &mut Collector) -> Result<(), Fault> {
    let records = match root {
        Value::List(records) => records,
        Value::Unreadable { why, .. } => return Err(Fault::unreadable(why.clone())),
        other => {
            return Err(Fault::unreadable(format!(
                "a SenML pack is an array of records, not {}: put [ ] around it",
                other.what()
            )));
        }
    };
    if records.is_empty() {
        return Err(Fault::unreadable("the SenML pack has no records".into()));
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
fn check_pack(records: &[Value]) -> Result<(), Fault> {
    let members = records.iter().filter_map(|record| match record {
        Value::Map(members) => Some(members),
        _ => None,
    });
    let mut version: Option<f64> = None;
    for (label, value) in members.flatten() {
        if label.ends_with('_') {
            return Err(Fault::unreadable(format!(
                "the label {} must be understood to read this SenML pack, and is not",
                quoted(label)
            )));
        }
        if label == "bver" {
            let given = known_version(value)?;
            if version.is_some_and(|earlier| earlier.total_cmp(&given).is_ne()) {
                return Err(Fault::unreadable(
                    "the SenML pack names two versions (bver)".into(),
                ));
            }
            version = Some(given);
        }
    }
    Ok(())
}

fn known_version(value: &Value) -> Result<f64, Fault> {
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
            Fault::unreadable(format!(
                "the SenML version (bver) must be 1 to 10 or 26, not {given}"
            ))
        })
}

/// The base fields in effect. Where one could not be read, the records that rest on it cannot be
/// read either: `Err` holds the index of the record that broke it.
struct Base {
    name: Result<String, usize>,
    time: Result<Seconds, usize>,
    unit: Result<Option<String>, usize>,
    value: Result<Option<f64>, usize>,
    sum: Result<Option<f64>, usize>,
}

impl Default for Base {
    fn default() -> Self {
        Self {
            name: Ok(String::new()),
            time: Ok(Seconds::ZERO),
            unit: Ok(None),
            value: Ok(None),
            sum: Ok(None),
        }
    }
}

fn rests_on<T: Clone>(base: &Result<T, usize>, label: &str) -> Result<T, Fault> {
    base.clone().map_err(|index| {
        Fault::unreadable(format!(
            "it rests on the {label} of record {index}, which cannot be read"
        ))
    })
}

impl Base {
    /// Takes in a record's base fields. What is wrong with them is a fault of this record.
    fn update(&mut self, fields: &Fields, index: usize) -> Result<(), Fault> {
        let mut first_fault = None;
        let mut broken = |fault: Fault| {
            first_fault.get_or_insert(fault);
            index
        };
        if let Some(name) = fields.text("bn").transpose() {
            self.name = name.map(str::to_owned).map_err(&mut broken);
        }
        if let Some(time) = fields.seconds("bt").transpose() {
            self.time = time.map_err(&mut broken);
        }
        if let Some(unit) = fields.text("bu").transpose() {
            self.unit = unit.map(|u| Some(u.to_owned())).map_err(&mut broken);
        }
        if let Some(value) = fields.number("bv").transpose() {
            self.value = value.map(Some).map_err(&mut broken);
        }
        if let Some(sum) = fields.number("bs").transpose() {
            self.sum = sum.map(Some).map_err(&mut broken);
        }
        first_fault.map_or(Ok(()), Err)
    }

    /// A record of which nothing can be read may have held base fields: those that its text names
    /// are no longer known.
    fn forget(&mut self, names: impl Fn(&str) -> bool, index: usize) {
        for label in BASE_LABELS {
            if names(label) {
                match label {
                    "bn" => self.name = Err(index),
                    "bt" => self.time = Err(index),
                    "bu" => self.unit = Err(index),
                    "bv" => self.value = Err(index),
                    _ => self.sum = Err(index),
                }
            }
        }
    }
}

/// The fields of one record, by label.
struct Fields<'v, 'a>(&'v [(std::borrow::Cow<'a, str>, Value<'a>)]);

impl<'v> Fields<'v, '_> {
    fn find(&self, label: &str) -> Option<&'v Value<'v>> {
        self.0.iter().find(|(n, _)| n == label).map(|(_, v)| v)
    }

    fn text(&self, label: &str) -> Result<Option<&'v str>, Fault> {
        match self.find(label) {
            None => Ok(None),
            Some(Value::Text(text)) => Ok(Some(text)),
            Some(other) => Err(wrong_type(label, "text", other)),
        }
    }

    fn digits(&self, label: &str) -> Result<Option<&'v str>, Fault> {
        match self.find(label) {
            None => Ok(None),
            Some(Value::Number(digits)) => Ok(Some(digits)),
            Some(other) => Err(wrong_type(label, "a number", other)),
        }
    }

    fn number(&self, label: &str) -> Result<Option<f64>, Fault> {
        let Some(digits) = self.digits(label)? else {
            return Ok(None);
        };
        match wire::finite(digits) {
            Some(value) => Ok(Some(value)),
            None => Err(Fault::number(format!(
                "{label} is not a finite number: {}",
                quoted(digits)
            ))),
        }
    }

    fn seconds(&self, label: &str) -> Result<Option<Seconds>, Fault> {
        match self.digits(label)? {
            None => Ok(None),
            Some(digits) => Seconds::parse(digits)
                .map(Some)
                .ok_or_else(|| not_a_time(digits)),
        }
    }
}

fn wrong_type(label: &str, wanted: &str, given: &Value) -> Fault {
    match given {
        Value::Unreadable { why, .. } => Fault::unreadable(format!("{label}: {why}")),
        other => Fault::unreadable(format!("{label} must be {wanted}, not {}", other.what())),
    }
}

fn read_record(
    record: &Value,
    index: usize,
    base: &mut Base,
    speaker: Speaker,
    collector: &mut Collector,
) -> Result<(), Fault> {
    let fields = match record {
        Value::Map(members) => {
            if let Some(label) = wire::repeated_name(members) {
                base.forget(|base_label| base_label == label, index);
                return Err(Fault::unreadable(format!(
                    "the label {} is given twice",
                    quoted(label)
                )));
            }
            Fields(members)
        }
        Value::Unreadable { why, was_map } => {
            base.forget(|_| *was_map, index);
            return Err(Fault::unreadable(why.clone()));
        }
        other => {
            return Err(Fault::unreadable(format!(
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

/// What a record says, apart from its name and time.
struct Content {
    number: Option<f64>,
    /// A text, boolean or data value, as JSON text.
    other: Option<String>,
    sum: Option<f64>,
}

/// `None`: the record only sets base fields.
fn content(fields: &Fields, base: &Base) -> Result<Option<Content>, Fault> {
    let given: Vec<&str> = ["v", "vs", "vb", "vd"]
        .into_iter()
        .filter(|label| fields.find(label).is_some())
        .collect();
    if let [first, second, ..] = given[..] {
        return Err(Fault::unreadable(format!(
            "a record has one value, not {first} and {second}"
        )));
    }
    let own_sum = fields.number("s")?;
    let has_regular = fields
        .0
        .iter()
        .any(|(label, _)| !BASE_LABELS.contains(&label.as_ref()) && label != "bver");
    if given.is_empty() && own_sum.is_none() && !has_regular && !fields.0.is_empty() {
        return Ok(None);
    }
    let other = match given.first() {
        Some(&"vs") => fields.text("vs")?.map(wire::quote),
        Some(&"vb") => Some(boolean(fields)?),
        Some(&"vd") => Some(wire::quote(&data(fields)?)),
        _ => None,
    };
    // RFC 8428 section 4.5.4: of value and base value, what is missing counts as zero.
    let base_value = rests_on(&base.value, "base value")?;
    let base_sum = rests_on(&base.sum, "base sum")?;
    let number = match (fields.number("v")?, base_value) {
        _ if other.is_some() => None,
        (None, None) => None,
        (None, Some(_)) if own_sum.is_some() => None,
        (value, base) => Some(value.unwrap_or(0.0) + base.unwrap_or(0.0)),
    };
    let sum = match (own_sum, base_sum) {
        (None, None) => None,
        (sum, base) => Some(sum.unwrap_or(0.0) + base.unwrap_or(0.0)),
    };
    if number.is_none() && other.is_none() && sum.is_none() {
        return Err(Fault::unreadable(
            "a record without a value: it needs v, vs, vb, vd or s".into(),
        ));
    }
    Ok(Some(Content { number, other, sum }))
}

fn boolean(fields: &Fields) -> Result<String, Fault> {
    match fields.find("vb") {
        Some(Value::Bool(value)) => Ok(value.to_string()),
        other => Err(wrong_type(
            "vb",
            "true or false",
            other.unwrap_or(&Value::Null),
        )),
    }
}

/// Data as base64url text: that is what it is in JSON; in CBOR it is bytes.
fn data(fields: &Fields) -> Result<String, Fault> {
    use base64::Engine;
    use base64::engine::general_purpose::{URL_SAFE, URL_SAFE_NO_PAD};
    match fields.find("vd") {
        Some(Value::Bytes(bytes)) => Ok(wire::base64_url(bytes)),
        Some(Value::Text(text)) => URL_SAFE_NO_PAD
            .decode(text.as_bytes())
            .or_else(|_| URL_SAFE.decode(text.as_bytes()))
            .map(|bytes| wire::base64_url(&bytes))
            .map_err(|_| Fault::unreadable("vd is not base64url".into())),
        other => Err(wrong_type(
            "vd",
            "base64url text",
            other.unwrap_or(&Value::Null),
        )),
    }
}

/// Base time and time; below 2^28 seconds relative to the receipt (RFC 8428 section 4.5.3).
fn time(fields: &Fields, base: &Base, collector: &Collector) -> Result<Timestamp, Fault> {
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
fn unit(fields: &Fields, base: &Base, channel: &ChannelName) -> Result<Option<Unit>, Fault> {
    let given = match fields.text("u")? {
        Some(unit) => Some(unit.to_owned()),
        None => rests_on(&base.unit, "base unit")?,
    };
    match given.as_deref() {
        None | Some("") => Ok(None),
        Some("%") => Ok(Unit::new("/").ok()),
        Some(unit) => Unit::new(unit)
            .map(Some)
            .map_err(|error| Fault::new(FaultClass::Unit, format!("{channel}: {error}"))),
    }
}

fn take(
    content: &Content,
    device: &DeviceId,
    channel: &ChannelName,
    unit: Option<Unit>,
    time: Timestamp,
    collector: &mut Collector,
) -> Result<(), Fault> {
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

fn json_number(value: f64, name: &str) -> Result<String, Fault> {
    serde_json::Number::from_f64(value + 0.0)
        .map(|number| {
            let text = number.to_string();
            text.strip_suffix(".0").map_or(text.clone(), str::to_owned)
        })
        .ok_or_else(|| Fault::number(format!("{name}: the value is not a finite number")))
}
