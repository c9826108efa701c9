//! JSON Pointer (RFC 6901).

use super::wire::Value;

/// Where in a JSON document a value is: `/uplink/decoded/weight`.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Pointer(Vec<String>);

/// Why a pointer was refused.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
#[error(
    "a JSON Pointer is empty or starts with /, and ~ is written ~0 and / in a name ~1; \"{0}\" is not one"
)]
pub struct BadPointer(String);

impl Pointer {
    /// Reads a pointer. The empty one is the whole document.
    pub fn parse(text: &str) -> Result<Self, BadPointer> {
        let bad = || BadPointer(text.to_owned());
        if text.is_empty() {
            return Ok(Self(Vec::new()));
        }
        text.strip_prefix('/')
            .ok_or_else(bad)?
            .split('/')
            .map(|token| unescape(token).ok_or_else(bad))
            .collect::<Result<_, _>>()
            .map(Self)
    }

    pub(super) fn find<'v, 'a>(&self, root: &'v Value<'a>) -> Option<&'v Value<'a>> {
        self.0.iter().try_fold(root, |value, token| match value {
            Value::Map(_) => value.member(token),
            Value::List(items) => items.get(index(token)?),
            _ => None,
        })
    }
}

impl std::fmt::Display for Pointer {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        for token in &self.0 {
            write!(f, "/{}", token.replace('~', "~0").replace('/', "~1"))?;
        }
        Ok(())
    }
}

fn unescape(token: &str) -> Option<String> {
    let mut out = String::with_capacity(token.len());
    let mut chars = token.chars();
    while let Some(c) = chars.next() {
        out.push(match c {
            '~' => match chars.next()? {
                '0' => '~',
                '1' => '/',
                _ => return None,
            },
            c => c,
        });
    }
    Some(out)
}

/// Section 4: digits without a leading zero.
fn index(token: &str) -> Option<usize> {
    let is_index =
        token.bytes().all(|b| b.is_ascii_digit()) && (token == "0" || !token.starts_with('0'));
    is_index.then(|| token.parse().ok()).flatten()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::decode::wire::json;

    #[test]
    fn rfc_6901_section_5() {
        let document = br#"{"foo":["bar","baz"],"":0,"a/b":1,"c%d":2,"e^f":3,"g|h":4,"i\\j":5,"k\"l":6," ":7,"m~n":8}"#;
        let root = json(document).unwrap();
        for (pointer, expected) in [
            ("/foo", r#"["bar","baz"]"#),
            ("/foo/0", r#""bar""#),
            ("/", "0"),
            ("/a~1b", "1"),
            ("/c%d", "2"),
            ("/e^f", "3"),
            ("/g|h", "4"),
            ("/i\\j", "5"),
            ("/k\"l", "6"),
            ("/ ", "7"),
            ("/m~0n", "8"),
        ] {
            let parsed = Pointer::parse(pointer).unwrap();
            let found = parsed.find(&root).unwrap();
            assert_eq!(found.to_json().unwrap(), expected, "{pointer}");
            assert_eq!(parsed.to_string(), pointer);
        }
        assert_eq!(Pointer::parse("").unwrap().find(&root), Some(&root));
        for nowhere in ["/bar", "/foo/2", "/foo/00", "/foo/-", "/foo/0/x"] {
            assert_eq!(
                Pointer::parse(nowhere).unwrap().find(&root),
                None,
                "{nowhere}"
            );
        }
        for bad in ["foo", "/a~", "/a~2"] {
            assert!(Pointer::parse(bad).is_err(), "{bad}");
        }
    }
}
