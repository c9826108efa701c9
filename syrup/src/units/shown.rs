//! A number with its unit, ready to be read.

use std::fmt;

/// A value in a unit that people use, with as many digits as make sense.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Shown {
    /// The value in `unit`.
    pub value: f64,
    /// Digits after the point.
    pub digits: usize,
    /// The unit as it is written.
    pub unit: &'static str,
}

impl Shown {
    /// The number alone, all digits: columns line up on the point.
    pub fn number(&self) -> String {
        let text = format!("{:.*}", self.digits, self.value);
        // A small loss must not read "-0".
        let is_zero = text
            .trim_start_matches('-')
            .trim_matches(['0', '.'])
            .is_empty();
        if is_zero {
            text.trim_start_matches('-').to_owned()
        } else {
            text
        }
    }

    /// The number without trailing zeros, as in running text: `25`, not `25.0`.
    pub fn short_number(&self) -> String {
        let number = self.number();
        if number.contains('.') {
            number
                .trim_end_matches('0')
                .trim_end_matches('.')
                .to_owned()
        } else {
            number
        }
    }
}

/// As in running text: `25 lb`.
impl fmt::Display for Shown {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} {}", self.short_number(), self.unit)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn shown(value: f64, digits: usize) -> Shown {
        Shown {
            value,
            digits,
            unit: "kg",
        }
    }

    #[test]
    fn numbers_read_well() {
        assert_eq!(shown(25.0, 1).to_string(), "25 kg");
        assert_eq!(shown(25.04, 1).number(), "25.0");
        assert_eq!(shown(100.0, 0).to_string(), "100 kg");
        assert_eq!(shown(-0.01, 1).to_string(), "0 kg");
        assert_eq!(shown(-0.01, 1).number(), "0.0");
        assert_eq!(shown(-1.5, 1).to_string(), "-1.5 kg");
    }
}
