//! What a record says, apart from its name and time.

use super::super::decode_error::DecodeError;
use super::super::wire::{self, Value};
use super::base::{BASE_LABELS, Base, Fields, rests_on, wrong_type};

/// What a record says, apart from its name and time.
pub(super) struct Content {
    pub number: Option<f64>,
    /// A text, boolean or data value, as JSON text.
    pub other: Option<String>,
    pub sum: Option<f64>,
}

/// `None`: the record only sets base fields.
pub(super) fn content(fields: &Fields, base: &Base) -> Result<Option<Content>, DecodeError> {
    let given: Vec<&str> = ["v", "vs", "vb", "vd"]
        .into_iter()
        .filter(|label| fields.find(label).is_some())
        .collect();
    if let [first, second, ..] = given[..] {
        return Err(DecodeError::unreadable(format!(
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
        return Err(DecodeError::unreadable(
            "a record without a value: it needs v, vs, vb, vd or s".into(),
        ));
    }
    Ok(Some(Content { number, other, sum }))
}

fn boolean(fields: &Fields) -> Result<String, DecodeError> {
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
fn data(fields: &Fields) -> Result<String, DecodeError> {
    use base64::Engine;
    use base64::engine::general_purpose::{URL_SAFE, URL_SAFE_NO_PAD};
    match fields.find("vd") {
        Some(Value::Bytes(bytes)) => Ok(wire::base64_url(bytes)),
        Some(Value::Text(text)) => URL_SAFE_NO_PAD
            .decode(text.as_bytes())
            .or_else(|_| URL_SAFE.decode(text.as_bytes()))
            .map(|bytes| wire::base64_url(&bytes))
            .map_err(|_| DecodeError::unreadable("vd is not base64url".into())),
        other => Err(wrong_type(
            "vd",
            "base64url text",
            other.unwrap_or(&Value::Null),
        )),
    }
}
