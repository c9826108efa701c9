//! JSON (RFC 8259), through serde_json's raw values: its own number type would refuse a whole
//! message for one `1e400`, and would hide repeated names.

use super::{MAX_DEPTH, Value};
use crate::decode::decode_error::DecodeError;
use serde::de::{Deserialize, Deserializer, MapAccess, Visitor};
use serde_json::value::RawValue;
use std::borrow::Cow;
use std::fmt;

/// Reads a message. Whatever is broken inside a record is [`Value::Unreadable`] there.
pub(in crate::decode) fn json(payload: &[u8]) -> Result<Value<'_>, DecodeError> {
    let text = std::str::from_utf8(payload).map_err(|error| {
        DecodeError::unreadable(format!(
            "the message is not text (byte {} is not UTF-8) and not SenML CBOR",
            error.valid_up_to()
        ))
    })?;
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    if text.trim().is_empty() {
        return Err(DecodeError::unreadable("the message is empty".into()));
    }
    let raw: &RawValue = serde_json::from_str(text)
        .map_err(|error| DecodeError::unreadable(format!("the message is not JSON: {error}")))?;
    Ok(value(raw, 0))
}

fn value(raw: &RawValue, depth: usize) -> Value<'_> {
    let text = raw.get();
    let unreadable = |error: serde_json::Error| {
        // The position counts inside this part only and would mislead.
        let problem = error.to_string();
        let problem = problem.split(" at line ").next().unwrap_or(&problem);
        let why = format!("not JSON: {problem}");
        if text.starts_with('{') {
            Value::unreadable_map(why)
        } else {
            Value::unreadable(why)
        }
    };
    match text.as_bytes().first() {
        Some(b'{' | b'[') if depth >= MAX_DEPTH => {
            Value::unreadable(format!("nested more than {MAX_DEPTH} levels deep"))
        }
        Some(b'{') => match serde_json::from_str::<Members<'_>>(text) {
            Ok(Members(members)) => Value::Map(
                members
                    .into_iter()
                    .map(|(name, raw)| (name, value(raw, depth + 1)))
                    .collect(),
            ),
            Err(error) => unreadable(error),
        },
        Some(b'[') => match serde_json::from_str::<Vec<&RawValue>>(text) {
            Ok(items) => Value::List(items.into_iter().map(|raw| value(raw, depth + 1)).collect()),
            Err(error) => unreadable(error),
        },
        Some(b'"') => match serde_json::from_str::<Text<'_>>(text) {
            Ok(Text(text)) => Value::Text(text),
            Err(error) => unreadable(error),
        },
        Some(b't') => Value::Bool(true),
        Some(b'f') => Value::Bool(false),
        Some(b'n') => Value::Null,
        _ => Value::Number(Cow::Borrowed(text)),
    }
}

/// An object's members in order, repeated names included.
struct Members<'a>(Vec<(Cow<'a, str>, &'a RawValue)>);

impl<'de> Deserialize<'de> for Members<'de> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct InOrder;
        impl<'de> Visitor<'de> for InOrder {
            type Value = Members<'de>;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("an object")
            }

            fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Members<'de>, A::Error> {
                let mut members = Vec::new();
                while let Some((Text(name), raw)) = map.next_entry::<Text<'de>, &'de RawValue>()? {
                    members.push((name, raw));
                }
                Ok(Members(members))
            }
        }
        deserializer.deserialize_map(InOrder)
    }
}

/// Text that is borrowed where it holds no escapes.
struct Text<'a>(Cow<'a, str>);

impl<'de> Deserialize<'de> for Text<'de> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Borrowing;
        impl<'de> Visitor<'de> for Borrowing {
            type Value = Text<'de>;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("text")
            }

            fn visit_borrowed_str<E>(self, text: &'de str) -> Result<Text<'de>, E> {
                Ok(Text(Cow::Borrowed(text)))
            }

            fn visit_str<E>(self, text: &str) -> Result<Text<'de>, E> {
                Ok(Text(Cow::Owned(text.to_owned())))
            }
        }
        deserializer.deserialize_str(Borrowing)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &str) -> Value<'_> {
        json(text.as_bytes()).unwrap()
    }

    #[test]
    fn values_come_as_written() {
        let root = read(r#" {"a":1e400,"a":[true,null,"x\ny"]} "#);
        let Value::Map(members) = &root else {
            panic!("{root:?}")
        };
        assert_eq!(members[0].1, Value::Number("1e400".into()));
        assert_eq!(super::super::repeated_name(members), Some("a"));
        assert_eq!(members[1].1.to_json().unwrap(), r#"[true,null,"x\ny"]"#);
        assert!(root.to_json().is_err());
    }

    #[test]
    fn what_is_broken_inside_stays_inside() {
        let deep = format!(
            r#"[{{"v":{}1{}}},{{"v":2}}]"#,
            "[".repeat(5000),
            "]".repeat(5000)
        );
        for text in [r#"[{"v":"\ud800"},{"v":2}]"#.to_owned(), deep] {
            let root = read(&text);
            let Value::List(items) = &root else {
                panic!("{root:?}")
            };
            assert!(items[0].to_json().is_err());
            assert_eq!(items[1].to_json().unwrap(), r#"{"v":2}"#);
        }
    }

    #[test]
    fn what_is_no_json_is_an_error() {
        for text in [
            "",
            " ",
            "{",
            "[1,]",
            "{\"a\":01}",
            "nul",
            "{} x",
            "{'a':1}",
            "\u{0}",
        ] {
            assert!(json(text.as_bytes()).is_err(), "{text:?}");
        }
        assert!(json(b"{\"a\":\"\xff\"}").is_err());
    }
}
