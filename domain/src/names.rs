//! What people call things: one line of text that can stand in a heading, a mail's subject and a
//! printed table without doing anything there.

/// The most characters of a name.
pub const LONGEST_NAME: usize = 80;

/// Why a name was refused.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
pub enum BadName {
    /// Nothing to read.
    #[error("a name has at least one character")]
    Empty,
    /// Too long.
    #[error("a name has at most {LONGEST_NAME} characters")]
    Long,
    /// A letter that would break the line, or turn what stands around it.
    #[error("a name is one line of plain text: no line breaks, no control characters")]
    NotPlain,
}

/// Checks a name and takes the spaces around it off. Names that were stored before are shown by
/// [`one_line`].
pub fn name(text: &str) -> Result<String, BadName> {
    let text = text.trim();
    if text.is_empty() {
        return Err(BadName::Empty);
    }
    if text.chars().count() > LONGEST_NAME {
        return Err(BadName::Long);
    }
    match text.chars().any(is_unruly) {
        true => Err(BadName::NotPlain),
        false => Ok(text.to_owned()),
    }
}

/// A text as one line that can't do anything to what stands around it: what would is a space.
pub fn one_line(text: &str) -> String {
    let plain = |c| if is_unruly(c) { ' ' } else { c };
    text.chars().map(plain).collect()
}

/// Control characters, line and paragraph separators, and those that turn the direction of what
/// follows (Unicode's UAX #9, explicit formatting characters).
fn is_unruly(c: char) -> bool {
    c.is_control()
        || matches!(
            c,
            '\u{2028}' | '\u{2029}' | '\u{200e}' | '\u{200f}' | '\u{061c}'
        )
        || matches!(c, '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_is_one_plain_line() {
        assert_eq!(name(" Mill 3 "), Ok("Mill 3".to_owned()));
        assert_eq!(name("Großer Hügel 蜂 🐝").unwrap(), "Großer Hügel 蜂 🐝");
        assert_eq!(name(&"x".repeat(80)).unwrap().len(), 80);
        assert_eq!(name("  "), Err(BadName::Empty));
        assert_eq!(name(&"x".repeat(81)), Err(BadName::Long));
        for bad in [
            "Mill\n3",
            "Mill\r\nBcc: all@example.org",
            "Mill\t3",
            "\u{202e}3 lliM",
            "a\u{2028}b",
            "a\u{0}b",
        ] {
            assert_eq!(name(bad), Err(BadName::NotPlain), "{bad:?}");
            let shown = one_line(bad);
            assert!(!shown.chars().any(is_unruly), "{shown:?}");
        }
    }
}
