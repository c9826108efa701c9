//! One tree for JSON and CBOR. What is broken inside a record stays inside that record
//! ([`Value::Unreadable`]); only what breaks the message's outline is an error of the whole message.

mod cbor;
mod json;

pub(super) use cbor::cbor;
pub(super) use json::json;

use std::borrow::Cow;

/// Nesting that is looked into. Everything deeper is unreadable, not an overflow of the stack.
const MAX_DEPTH: usize = 32;

/// A value as it was sent.
#[derive(Clone, PartialEq, Debug)]
pub(super) enum Value<'a> {
    Null,
    Bool(bool),
    /// The digits as written, so that times are not bent by binary fractions and `1e400` in one
    /// record does not spoil the others.
    Number(Cow<'a, str>),
    Text(Cow<'a, str>),
    Bytes(Vec<u8>),
    List(Vec<Value<'a>>),
    /// Members in the order sent, repeated names included.
    Map(Vec<(Cow<'a, str>, Value<'a>)>),
    /// Cannot be read.
    Unreadable {
        why: String,
        /// Whether it was a map: what its members would have said is lost.
        was_map: bool,
    },
}

impl<'a> Value<'a> {
    fn unreadable(why: impl Into<String>) -> Self {
        Self::Unreadable {
            why: why.into(),
            was_map: false,
        }
    }

    fn unreadable_map(why: impl Into<String>) -> Self {
        Self::Unreadable {
            why: why.into(),
            was_map: true,
        }
    }

    /// The member `name` of a map.
    pub fn member(&self, name: &str) -> Option<&Value<'a>> {
        match self {
            Self::Map(members) => members.iter().find(|(n, _)| n == name).map(|(_, v)| v),
            _ => None,
        }
    }

    /// The value in words, for a reason.
    pub fn what(&self) -> &'static str {
        match self {
            Self::Null => "null",
            Self::Bool(_) => "true or false",
            Self::Number(_) => "a number",
            Self::Text(_) => "text",
            Self::Bytes(_) => "bytes",
            Self::List(_) => "a list",
            Self::Map(_) => "an object",
            Self::Unreadable { .. } => "something unreadable",
        }
    }

    /// As JSON text; `Err` with the reason where a part of it is unreadable.
    pub fn to_json(&self) -> Result<String, String> {
        let mut out = String::new();
        self.write_json(&mut out)?;
        Ok(out)
    }

    fn write_json(&self, out: &mut String) -> Result<(), String> {
        match self {
            Self::Null => out.push_str("null"),
            Self::Bool(value) => out.push_str(if *value { "true" } else { "false" }),
            Self::Number(digits) if finite(digits).is_none() => {
                return Err("a number in it is not finite".into());
            }
            Self::Number(digits) => out.push_str(digits),
            Self::Text(text) => out.push_str(&quote(text)),
            Self::Bytes(bytes) => out.push_str(&quote(&base64_url(bytes))),
            Self::List(items) => {
                out.push('[');
                for (i, item) in items.iter().enumerate() {
                    if i > 0 {
                        out.push(',');
                    }
                    item.write_json(out)?;
                }
                out.push(']');
            }
            Self::Map(members) => {
                out.push('{');
                for (i, (name, value)) in members.iter().enumerate() {
                    if i > 0 {
                        out.push(',');
                    }
                    out.push_str(&quote(name));
                    out.push(':');
                    value.write_json(out)?;
                }
                out.push('}');
            }
            Self::Unreadable { why, .. } => return Err(why.clone()),
        }
        Ok(())
    }
}

/// Text as a JSON string.
pub(super) fn quote(text: &str) -> String {
    serde_json::Value::from(text).to_string()
}

/// Bytes as RFC 8428 writes them in JSON: base64url without padding.
pub(super) fn base64_url(bytes: &[u8]) -> String {
    use base64::Engine;
    base64::engine::general_purpose::URL_SAFE_NO_PAD.encode(bytes)
}

/// The first name that comes twice.
pub(super) fn repeated_name<'v>(members: &'v [(Cow<'_, str>, Value<'_>)]) -> Option<&'v str> {
    let mut seen = std::collections::BTreeSet::new();
    members
        .iter()
        .map(|(name, _)| name.as_ref())
        .find(|name| !seen.insert(*name))
}

/// The digits of a number as a finite f64; `None`: too large to be one, or no number at all.
pub(super) fn finite(digits: &str) -> Option<f64> {
    digits.parse::<f64>().ok().filter(|value| value.is_finite())
}
