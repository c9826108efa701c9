//! Which format a payload has: by its MQTT 5 content type where that is one we know, else by looking.

/// The formats told apart before anything is parsed. Flat JSON and a SenML pack that does not say
/// what it is are told apart later, by their members.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Shape {
    SenmlJson,
    SenmlCbor,
    Json,
}

/// Parameters (`; charset=utf-8`) and case do not matter; an unknown type is decided by looking.
pub(super) fn shape(content_type: Option<&str>, payload: &[u8]) -> Shape {
    let essence = content_type
        .and_then(|given| given.split(';').next())
        .map(|essence| essence.trim().to_ascii_lowercase());
    match essence.as_deref() {
        Some("application/senml+json" | "application/sensml+json") => Shape::SenmlJson,
        Some("application/senml+cbor" | "application/sensml+cbor" | "application/cbor") => {
            Shape::SenmlCbor
        }
        _ => by_looking(payload),
    }
}

/// The first byte of a CBOR array (RFC 8949 section 3: 0x80 to 0x9f) or of a tag before one (0xc0 to
/// 0xdb) can start no UTF-8 text that is JSON.
fn by_looking(payload: &[u8]) -> Shape {
    match payload.first() {
        Some(0x80..=0x9f | 0xc0..=0xdb) => Shape::SenmlCbor,
        _ => Shape::Json,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn parameters_and_case_do_not_matter() {
        for given in [
            "application/senml+json",
            "Application/SenML+JSON; charset=utf-8",
            " application/senml+json ;x=y",
        ] {
            assert_eq!(shape(Some(given), b"{}"), Shape::SenmlJson, "{given}");
        }
        assert_eq!(
            shape(Some("application/senml+cbor"), b"["),
            Shape::SenmlCbor
        );
    }

    #[test]
    fn unknown_types_are_decided_by_looking() {
        for given in [None, Some("text/plain"), Some("application/json"), Some("")] {
            assert_eq!(shape(given, b"[{}]"), Shape::Json);
            assert_eq!(shape(given, &[0x81, 0xa0]), Shape::SenmlCbor);
            assert_eq!(shape(given, &[0xd9, 0xd9, 0xf7, 0x80]), Shape::SenmlCbor);
        }
    }
}
