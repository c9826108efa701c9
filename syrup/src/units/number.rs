//! Numbers as people write them: `2.5`, `1,5`, `1/2`, `2 1/2`, `½`, `2½`.

/// Why there is no number.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum NotANumber {
    /// None there.
    Missing,
    /// `1,000`: a thousand, or one.
    Comma,
}

/// The number at the front of `text`, finite, and what follows it.
pub fn leading_number(text: &str) -> Result<(f64, &str), NotANumber> {
    let (negative, unsigned) = match text.strip_prefix(['-', '−']) {
        Some(unsigned) => (true, unsigned.trim_start()),
        None => (false, text.strip_prefix('+').unwrap_or(text)),
    };
    let end = unsigned
        .find(|c: char| !(c.is_ascii_digit() || c == '.' || c == ','))
        .unwrap_or(unsigned.len());
    let (digits, after) = unsigned.split_at(end);
    let whole = if digits.is_empty() {
        0.0
    } else {
        decimal(digits)?
    };
    let (value, after) = if let Some(bottom) = after.strip_prefix('/').and_then(small_whole) {
        (whole / bottom.0, bottom.1)
    } else if let Some((fraction, after)) = fraction(after.trim_start()) {
        (whole + fraction, after)
    } else if digits.is_empty() {
        return Err(NotANumber::Missing);
    } else {
        (whole, after)
    };
    if value.is_finite() {
        Ok((if negative { -value } else { value }, after))
    } else {
        Err(NotANumber::Missing)
    }
}

/// One comma is a decimal comma, unless exactly three digits follow it.
fn decimal(digits: &str) -> Result<f64, NotANumber> {
    let digits = digits.trim_end_matches(',');
    let point = match digits.split_once(',') {
        None => digits.to_owned(),
        Some((_, decimals)) if decimals.len() == 3 || decimals.contains(['.', ',']) => {
            return Err(NotANumber::Comma);
        }
        Some((whole, decimals)) => format!("{whole}.{decimals}"),
    };
    point.parse().map_err(|_| NotANumber::Missing)
}

fn fraction(text: &str) -> Option<(f64, &str)> {
    vulgar(text).or_else(|| {
        let (top, rest) = small_whole(text)?;
        let (bottom, rest) = small_whole(rest.strip_prefix('/')?)?;
        Some((top / bottom, rest))
    })
}

fn small_whole(text: &str) -> Option<(f64, &str)> {
    let end = text
        .find(|c: char| !c.is_ascii_digit())
        .unwrap_or(text.len());
    let value: f64 = text[..end].parse().ok()?;
    (value > 0.0).then_some((value, &text[end..]))
}

fn vulgar(text: &str) -> Option<(f64, &str)> {
    let sign = text.chars().next()?;
    let value = match sign {
        '½' => 0.5,
        '¼' => 0.25,
        '¾' => 0.75,
        '⅓' => 1.0 / 3.0,
        '⅔' => 2.0 / 3.0,
        '⅛' => 0.125,
        _ => return None,
    };
    Some((value, &text[sign.len_utf8()..]))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_read_as_written() {
        for (text, value, rest) in [
            ("2.5 kg", 2.5, " kg"),
            ("1,5kg", 1.5, "kg"),
            ("1/2 gal", 0.5, " gal"),
            ("2 1/2gal", 2.5, "gal"),
            ("½", 0.5, ""),
            ("2½ qt", 2.5, " qt"),
            ("-4F", -4.0, "F"),
            (".5 l", 0.5, " l"),
        ] {
            let (got, after) = leading_number(text).unwrap();
            assert!((got - value).abs() < 1e-12, "{text}: {got}");
            assert_eq!(after, rest);
        }
        assert_eq!(leading_number("kg"), Err(NotANumber::Missing));
        assert_eq!(leading_number("1.2.3"), Err(NotANumber::Missing));
        assert_eq!(leading_number("1,000"), Err(NotANumber::Comma));
    }
}
