//! Times as devices write them, to the millisecond below and without a detour through binary
//! fractions: `1.276020076001e+09` is 001 ms, not 000.

use super::decode_error::{DecodeError, DecodeErrorClass, quoted};
use larder_domain::Timestamp;
use larder_domain::reading::AHEAD_LIMIT_MS;

/// A number of seconds, counted in nanoseconds; finer digits are cut.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Default)]
pub(super) struct Seconds(i128);

/// Times beyond this many seconds (about 30 million years) are not looked at.
const LARGEST_S: i128 = 1_000_000_000_000_000;
const NANOS: i128 = 1_000_000_000;

impl Seconds {
    pub const ZERO: Self = Self(0);

    /// Reads a decimal number with an optional fraction and exponent. `None`: not one, or too large.
    pub fn parse(number: &str) -> Option<Self> {
        let (mantissa, exponent) = match number.split_once(['e', 'E']) {
            Some((mantissa, exponent)) => (mantissa, exponent.parse::<i64>().ok()?),
            None => (number, 0),
        };
        let (negative, digits) = match mantissa.strip_prefix('-') {
            Some(rest) => (true, rest),
            None => (false, mantissa.strip_prefix('+').unwrap_or(mantissa)),
        };
        let (whole, fraction) = digits.split_once('.').unwrap_or((digits, ""));
        if whole.len() + fraction.len() == 0 {
            return None;
        }
        // Digits before the decimal point once the exponent and the nanoseconds are applied.
        let point = whole.len() as i64 + exponent.clamp(-10_000, 10_000) + 9;
        let mut nanos: i128 = 0;
        let all = whole.bytes().chain(fraction.bytes());
        for (place, digit) in all.enumerate() {
            if !digit.is_ascii_digit() {
                return None;
            }
            if (place as i64) < point {
                nanos = nanos
                    .checked_mul(10)?
                    .checked_add(i128::from(digit - b'0'))?;
            }
        }
        let given = (whole.len() + fraction.len()) as i64;
        if nanos != 0 {
            for _ in given..point {
                nanos = nanos.checked_mul(10)?;
            }
        }
        let nanos = if negative { -nanos } else { nanos };
        (nanos.abs() <= LARGEST_S * NANOS).then_some(Self(nanos))
    }

    pub fn plus(self, other: Self) -> Self {
        Self(self.0 + other.0)
    }

    /// RFC 8428 section 4.5.3: below 2^28 seconds it is relative to now.
    pub fn is_relative(self) -> bool {
        self.0 < (1 << 28) * NANOS
    }

    /// The number read as seconds after 1970.
    pub fn since_1970(self) -> Timestamp {
        Self::to_timestamp(self.0.div_euclid(1_000_000))
    }

    /// The number read as seconds before or after `moment`.
    pub fn from(self, moment: Timestamp) -> Timestamp {
        Self::to_timestamp((i128::from(moment.0) * 1_000_000 + self.0).div_euclid(1_000_000))
    }

    /// The digits read as milliseconds after 1970.
    fn as_milliseconds(self) -> Timestamp {
        Self::to_timestamp(self.0.div_euclid(NANOS))
    }

    fn to_timestamp(ms: i128) -> Timestamp {
        Timestamp(i64::try_from(ms).unwrap_or(if ms < 0 { i64::MIN } else { i64::MAX }))
    }
}

/// From this many on, a Unix time is in milliseconds.
const FIRST_MILLISECONDS: i128 = 100_000_000_000;

/// Unix seconds, or (from 1e11 on) milliseconds.
pub(crate) fn unix(number: &str) -> Option<Timestamp> {
    let seconds = Seconds::parse(number)?;
    Some(if seconds.0 >= FIRST_MILLISECONDS * NANOS {
        seconds.as_milliseconds()
    } else {
        seconds.since_1970()
    })
}

/// Unix milliseconds.
pub(super) fn unix_milliseconds(number: &str) -> Option<Timestamp> {
    Seconds::parse(number).map(Seconds::as_milliseconds)
}

/// Unix seconds.
pub(super) fn unix_seconds(number: &str) -> Option<Timestamp> {
    Seconds::parse(number).map(Seconds::since_1970)
}

/// The clock's checks for what is not a reading; readings pass the same in the domain.
pub(super) fn check(time: Timestamp, now: Timestamp) -> Result<(), DecodeError> {
    let is_ahead = time > now.plus_ms(AHEAD_LIMIT_MS);
    let problem = if time < Timestamp::YEAR_2000 {
        "before the year 2000: the device's clock was never set"
    } else if is_ahead {
        "more than 10 minutes ahead of the clock"
    } else {
        return Ok(());
    };
    let sentence = format!("the time {} is {problem}", time.to_rfc3339());
    Err(DecodeError {
        ahead: is_ahead.then_some(time),
        ..DecodeError::new(DecodeErrorClass::Time, sentence)
    })
}

pub(super) fn not_a_time(given: &str) -> DecodeError {
    DecodeError::time(format!(
        "the time {} is neither RFC 3339 nor Unix seconds or milliseconds",
        quoted(given)
    ))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn decimals_are_exact_and_cut() {
        for (text, ms) in [
            ("0", 0),
            ("-0", 0),
            ("1.276020076001e+09", 1_276_020_076_001),
            ("1276020076.0019999", 1_276_020_076_001),
            ("-0.0005", -1),
            ("1e9", 1_000_000_000_000),
            ("17880e5", 1_788_000_000_000),
            ("0.0000000001", 0),
            ("1.5e-400", 0),
            ("0e99999", 0),
        ] {
            assert_eq!(
                Seconds::parse(text).map(|s| s.since_1970().0),
                Some(ms),
                "{text}"
            );
        }
        for text in [
            "", "-", ".", "1e", "abc", "1e400", "NaN", "inf", "1.2.3", "--1",
        ] {
            assert_eq!(Seconds::parse(text), None, "{text}");
        }
        assert_eq!(Seconds::parse("-9223372036854775808"), None);
    }

    #[test]
    fn milliseconds_start_at_1e11() {
        assert_eq!(unix("99999999999"), Some(Timestamp(99_999_999_999_000)));
        assert_eq!(unix("100000000000"), Some(Timestamp(100_000_000_000)));
        assert_eq!(unix("1788238800123.9"), Some(Timestamp(1_788_238_800_123)));
        assert_eq!(unix("1788238800.1239"), Some(Timestamp(1_788_238_800_123)));
    }

    proptest! {
        #[test]
        fn every_millisecond_survives(ms in 0i64..4_000_000_000_000) {
            let text = format!("{}.{:03}", ms / 1000, ms % 1000);
            prop_assert_eq!(unix_seconds(&text), Some(Timestamp(ms)));
            let binary: f64 = text.parse().unwrap();
            prop_assert_eq!(unix_seconds(&format!("{binary:e}")), Some(Timestamp(ms)));
        }

        #[test]
        fn nothing_panics(text in "[-+0-9.eE]{0,40}") {
            let _ = unix(&text);
        }
    }
}
