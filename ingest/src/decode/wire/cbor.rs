//! CBOR (RFC 8949), through minicbor's decoder. SenML's integer labels become their names (RFC 8428
//! table 4); other integer keys become `#17` and are ignored like every unknown label.

use super::{MAX_DEPTH, Value};
use crate::decode::decode_error::DecodeError;
use minicbor::Decoder;
use minicbor::data::Type;
use minicbor::decode::Error;
use std::borrow::Cow;

/// Nesting beyond which a message is not even skipped through.
const MAX_SKIPPED_DEPTH: usize = 400;
const SELF_DESCRIBED: u64 = 55_799;
const POSITIVE_BIGNUM: u64 = 2;
const NEGATIVE_BIGNUM: u64 = 3;
const DECIMAL_FRACTION: u64 = 4;

/// Reads a message.
pub(in crate::decode) fn cbor(payload: &[u8]) -> Result<Value<'_>, DecodeError> {
    let mut decoder = Decoder::new(payload);
    let broken = |error: Error| {
        let problem = if error.is_end_of_input() {
            "it ends too early".to_owned()
        } else {
            error.to_string()
        };
        DecodeError::unreadable(format!("the message is not CBOR: {problem}"))
    };
    let root = value(&mut decoder, 0).map_err(broken)?;
    match payload.len() - decoder.position() {
        0 => Ok(root),
        left => Err(DecodeError::unreadable(format!(
            "{left} bytes follow the end of the CBOR message"
        ))),
    }
}

fn value<'a>(decoder: &mut Decoder<'a>, depth: usize) -> Result<Value<'a>, Error> {
    if depth > MAX_SKIPPED_DEPTH {
        return Err(Error::message("nested too deep"));
    }
    let read = match decoder.datatype()? {
        Type::Array | Type::ArrayIndef => list(decoder, depth)?,
        Type::Map | Type::MapIndef => map(decoder, depth)?,
        Type::Tag => tagged(decoder, depth)?,
        _ => scalar(decoder)?,
    };
    let is_deep = depth >= MAX_DEPTH && matches!(read, Value::List(_) | Value::Map(_));
    Ok(if is_deep {
        Value::unreadable(format!("nested more than {MAX_DEPTH} levels deep"))
    } else {
        read
    })
}

fn scalar<'a>(decoder: &mut Decoder<'a>) -> Result<Value<'a>, Error> {
    Ok(match decoder.datatype()? {
        Type::Bool => Value::Bool(decoder.bool()?),
        Type::Null => {
            decoder.null()?;
            Value::Null
        }
        Type::Undefined => {
            decoder.undefined()?;
            Value::Null
        }
        Type::F16 => float(f64::from(decoder.f16()?)),
        Type::F32 => float(f64::from(decoder.f32()?)),
        Type::F64 => float(decoder.f64()?),
        Type::String => match decoder.str() {
            Ok(text) => Value::Text(Cow::Borrowed(text)),
            Err(error) if is_bad_text(&error) => bad_text(),
            Err(error) => return Err(error),
        },
        Type::StringIndef => long_text(decoder)?,
        Type::Bytes | Type::BytesIndef => {
            let mut bytes = Vec::new();
            for part in decoder.bytes_iter()? {
                bytes.extend_from_slice(part?);
            }
            Value::Bytes(bytes)
        }
        Type::Simple => {
            let number = decoder.simple()?;
            Value::unreadable(format!("the simple value {number} has no meaning in SenML"))
        }
        Type::Break => return Err(Error::message("an end without a beginning")),
        Type::Unknown(byte) => {
            return Err(Error::message(format!(
                "the byte {byte:#04x} starts nothing"
            )));
        }
        _ => Value::Number(Cow::Owned(i128::from(decoder.int()?).to_string())),
    })
}

/// The shortest digits that stand for this number and no other: 0.1 is `1e-1`, as in JSON.
fn float<'a>(value: f64) -> Value<'a> {
    Value::Number(Cow::Owned(format!("{value:e}")))
}

fn bad_text<'a>() -> Value<'a> {
    Value::unreadable("text that is not UTF-8")
}

/// After such an error the decoder stands behind the text: the outline is whole.
fn is_bad_text(error: &Error) -> bool {
    !error.is_end_of_input() && !error.is_type_mismatch()
}

/// Text in parts. RFC 8428 wants it whole, but its meaning is clear.
fn long_text<'a>(decoder: &mut Decoder<'a>) -> Result<Value<'a>, Error> {
    let mut text = String::new();
    let mut is_good = true;
    for part in decoder.str_iter()? {
        match part {
            Ok(part) => text.push_str(part),
            Err(error) if is_bad_text(&error) => is_good = false,
            Err(error) => return Err(error),
        }
    }
    Ok(if is_good {
        Value::Text(Cow::Owned(text))
    } else {
        bad_text()
    })
}

/// Whether another item of a list or map follows. A declared length reserves nothing.
fn another(decoder: &mut Decoder<'_>, left: &mut Option<u64>) -> Result<bool, Error> {
    match left {
        Some(0) => Ok(false),
        Some(n) => {
            *n -= 1;
            Ok(true)
        }
        None if decoder.datatype()? == Type::Break => {
            decoder.set_position(decoder.position() + 1);
            Ok(false)
        }
        None => Ok(true),
    }
}

fn list<'a>(decoder: &mut Decoder<'a>, depth: usize) -> Result<Value<'a>, Error> {
    let mut left = decoder.array()?;
    let mut items = Vec::new();
    while another(decoder, &mut left)? {
        items.push(value(decoder, depth + 1)?);
    }
    Ok(Value::List(items))
}

fn map<'a>(decoder: &mut Decoder<'a>, depth: usize) -> Result<Value<'a>, Error> {
    let mut left = decoder.map()?;
    let mut members = Vec::new();
    let mut bad_key = None;
    while another(decoder, &mut left)? {
        let key = value(decoder, depth + 1)?;
        let item = value(decoder, depth + 1)?;
        match key {
            Value::Text(name) => members.push((name, item)),
            Value::Number(digits) => members.push((label(&digits), item)),
            other => bad_key = Some(other.what()),
        }
    }
    Ok(match bad_key {
        None => Value::Map(members),
        Some(what) => Value::unreadable_map(format!("a label is {what}, not an integer or text")),
    })
}

/// RFC 8428 table 4.
fn label<'a>(number: &str) -> Cow<'a, str> {
    match number {
        "-1" => "bver".into(),
        "-2" => "bn".into(),
        "-3" => "bt".into(),
        "-4" => "bu".into(),
        "-5" => "bv".into(),
        "-6" => "bs".into(),
        "0" => "n".into(),
        "1" => "u".into(),
        "2" => "v".into(),
        "3" => "vs".into(),
        "4" => "vb".into(),
        "5" => "s".into(),
        "6" => "t".into(),
        "7" => "ut".into(),
        "8" => "vd".into(),
        other => format!("#{other}").into(),
    }
}

/// Decimal fractions (RFC 8428 section 6) and big integers are numbers; the tag that only says
/// "this is CBOR" is passed over; no other tag has a meaning here.
fn tagged<'a>(decoder: &mut Decoder<'a>, depth: usize) -> Result<Value<'a>, Error> {
    let tag = decoder.tag()?.as_u64();
    let inner = value(decoder, depth + 1)?;
    Ok(match (tag, inner) {
        (SELF_DESCRIBED, inner) if depth == 0 => inner,
        (POSITIVE_BIGNUM, Value::Bytes(bytes)) if bytes.len() <= 15 => big_number(&bytes, false),
        (NEGATIVE_BIGNUM, Value::Bytes(bytes)) if bytes.len() <= 15 => big_number(&bytes, true),
        (DECIMAL_FRACTION, Value::List(parts)) => match &parts[..] {
            [Value::Number(exponent), Value::Number(mantissa)]
                if is_whole(exponent) && is_whole(mantissa) =>
            {
                Value::Number(Cow::Owned(format!("{mantissa}e{exponent}")))
            }
            _ => Value::unreadable("a decimal fraction needs an exponent and a mantissa"),
        },
        (tag, _) => Value::unreadable(format!("the tag {tag} has no meaning in SenML")),
    })
}

fn is_whole(digits: &str) -> bool {
    digits.bytes().all(|b| b.is_ascii_digit() || b == b'-')
}

fn big_number<'a>(bytes: &[u8], negative: bool) -> Value<'a> {
    let number = bytes
        .iter()
        .fold(0_i128, |sum, byte| (sum << 8) | i128::from(*byte));
    let number = if negative { -1 - number } else { number };
    Value::Number(Cow::Owned(number.to_string()))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(bytes: &[u8]) -> Value<'_> {
        cbor(bytes).unwrap()
    }

    #[test]
    fn numbers_of_every_kind() {
        // RFC 8949 appendix A.
        for (bytes, expected) in [
            (&[0x00][..], "0"),
            (&[0x18, 0x64], "100"),
            (
                &[0x1b, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff],
                "18446744073709551615",
            ),
            (
                &[0x3b, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff],
                "-18446744073709551616",
            ),
            (&[0xf9, 0x3e, 0x00], "1.5e0"),
            (&[0xf9, 0x80, 0x00], "-0e0"),
            (&[0xfa, 0x47, 0xc3, 0x50, 0x00], "1e5"),
            (
                &[0xfb, 0x3f, 0xf1, 0x99, 0x99, 0x99, 0x99, 0x99, 0x9a],
                "1.1e0",
            ),
            (&[0xf9, 0x7e, 0x00], "NaN"),
            (&[0xf9, 0x7c, 0x00], "inf"),
            // RFC 8949 section 3.4.4: 273.15 as a decimal fraction.
            (&[0xc4, 0x82, 0x21, 0x19, 0x6a, 0xb3], "27315e-2"),
            // RFC 8949 section 3.4.3: 18446744073709551616 as a big number.
            (
                &[0xc2, 0x49, 1, 0, 0, 0, 0, 0, 0, 0, 0],
                "18446744073709551616",
            ),
        ] {
            assert_eq!(read(bytes), Value::Number(expected.into()), "{bytes:x?}");
        }
    }

    #[test]
    fn indefinite_lengths_are_read() {
        // RFC 8949 appendix A: (_ "strea", "ming"), [_ 1, [2, 3], [_ 4, 5]], {_ "a": 1}.
        let text = [
            0x7f, 0x65, 0x73, 0x74, 0x72, 0x65, 0x61, 0x64, 0x6d, 0x69, 0x6e, 0x67, 0xff,
        ];
        assert_eq!(read(&text), Value::Text("streaming".into()));
        let list = [0x9f, 0x01, 0x82, 0x02, 0x03, 0x9f, 0x04, 0x05, 0xff, 0xff];
        assert_eq!(read(&list).to_json().unwrap(), "[1,[2,3],[4,5]]");
        assert_eq!(
            read(&[0xbf, 0x61, 0x61, 0x01, 0xff]).to_json().unwrap(),
            r#"{"a":1}"#
        );
    }

    #[test]
    fn what_is_broken_inside_stays_inside() {
        let mut deep = vec![0x82];
        deep.extend([0x81; 300]);
        deep.extend([0x01, 0x02]);
        for bytes in [
            &deep[..],
            &[0x82, 0x61, 0xff, 0x02],
            &[0x82, 0xc1, 0x01, 0x02],
        ] {
            let root = read(bytes);
            let Value::List(items) = &root else {
                panic!("{root:?}")
            };
            assert!(items[0].to_json().is_err());
            assert_eq!(items[1], Value::Number("2".into()));
        }
    }

    #[test]
    fn what_breaks_the_outline_is_an_error() {
        for bytes in [
            &[][..],
            &[0x81],
            &[0x9b, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff],
            &[0x5b, 0x7f, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff],
            &[0x1c],
            &[0xff],
            &[0x80, 0x00],
            &[0x7f, 0x01, 0xff],
            &[0xa1, 0x01],
        ] {
            assert!(cbor(bytes).is_err(), "{bytes:x?}");
        }
        assert!(cbor(&[0x81; 60_000]).is_err());
    }
}
