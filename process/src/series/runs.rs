//! Runs of one and the same value: how long chance makes them, and from when on a sensor is stuck.

crate::numbers! { "series.runs":
    /// A run is too long where chance makes one like it in so many series.
    CHANCE: f64 = 0.01, "1", [0.0033, 0.03], Chosen;
    /// The share of values that equal the one before is taken to be within these: a converter that
    /// never repeats itself may yet do so once, and one that is stuck all the time is no habit.
    EQUAL_SHARE: [f64; 2] = [0.02, 0.95], "1", [0.0067, 1.0], Chosen;
}

/// Whether two values are the same to the last bit.
pub fn same(a: f64, b: f64) -> bool {
    a.to_bits() == b.to_bits()
}

/// How many equal values in a row chance gives once in a hundred such series, where a share of the
/// values equals the one before: `n * share^length = 0.01`.
pub fn longest_by_chance(values: impl ExactSizeIterator<Item = f64>) -> usize {
    let n = values.len().max(2);
    let mut before = None;
    let equal = values
        .filter(|&value| before.replace(value).is_some_and(|old| same(old, value)))
        .count();
    let share = (equal as f64 / (n - 1) as f64).clamp(EQUAL_SHARE[0], EQUAL_SHARE[1]);
    ((CHANCE / n as f64).ln() / share.ln()).ceil() as usize
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand: of 101 values half equal the one before, so a run of `n` has the chance
    /// `101 * 0.5^n`; it falls below 0.01 at n = ln(10100) / ln 2 = 13.3.
    #[test]
    fn a_run_is_too_long_when_chance_makes_it_once_in_a_hundred_series() {
        let values: Vec<f64> = (0..101).map(|i| f64::from((i + 1) / 2)).collect();
        assert_eq!(longest_by_chance(values.iter().copied()), 14);
    }

    #[test]
    fn a_series_of_one_value_still_has_an_end() {
        let values = [1.0; 50];
        assert!(longest_by_chance(values.iter().copied()) < 200);
    }
}
