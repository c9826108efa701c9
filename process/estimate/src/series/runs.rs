//! Runs of one and the same value: how long chance makes them, and from when on a sensor is stuck.

crate::numbers! { "estimate.series.runs":
    /// A run is too long where chance makes one like it in so many series.
    CHANCE: f64 = 0.01, "1", [0.0033, 0.03], Chosen;
    /// The share of values that equal the one before is taken to be within these: a converter that
    /// never repeats itself may yet do so once, and one that is stuck all the time is no habit.
    EQUAL_SHARE: [f64; 2] = [0.02, 0.95], "1", [0.0067, 1.0], Chosen;
    /// Before an instrument has shown what it is like, a value is followed by itself so often.
    FIRST_SHARE: f64 = 0.9, "1", [0.5, 0.98], Chosen;
    /// What holds for shorter runs counts for longer ones like so many of their own.
    SHORTER_RUNS: f64 = 4.0, "1", [1.0, 12.0], Chosen;
    /// At rest a value changes by this share of how often it does in the instrument's longest runs.
    REST_SHARE: f64 = 0.33, "1", [0.1, 1.0], Chosen;
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

/// How many classes of lengths there are: 1, 2 to 3, 4 to 7, and so on, doubling.
const CLASSES: usize = 8;

/// What an instrument's runs were like so far, class by class of their length.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct Repeats {
    /// For each class: values that came behind a run of that length, and those that repeated it.
    seen: [(u32, u32); CLASSES],
    runs: usize,
}

impl Repeats {
    /// Takes a run in that has ended. Of one that was a `fault` only its beginning is known.
    pub fn ended(&mut self, length: usize, fault: bool) {
        if fault {
            return;
        }
        self.runs += 1;
        for n in 1..=length {
            let (behind, repeated) = &mut self.seen[class(n)];
            *behind += 1;
            *repeated += u32::from(n < length);
        }
    }

    /// How many runs there were.
    pub fn runs(&self) -> usize {
        self.runs
    }

    /// How often a run of `length` goes on, as a share.
    pub fn goes_on(&self, length: usize) -> f64 {
        let mut share = FIRST_SHARE;
        for (behind, repeated) in &self.seen[..=class(length)] {
            share =
                (f64::from(*repeated) + SHORTER_RUNS * share) / (f64::from(*behind) + SHORTER_RUNS);
        }
        share
    }

    /// How often a value is followed by itself while the thing measured rests: as in the longest runs, and
    /// then some.
    pub fn at_rest(&self) -> f64 {
        let longest = (0..CLASSES).map(|class| self.goes_on(1 << class));
        1.0 - REST_SHARE * (1.0 - longest.fold(0.0, f64::max))
    }
}

fn class(length: usize) -> usize {
    let doublings = usize::BITS - 1 - length.max(1).leading_zeros();
    (doublings as usize).min(CLASSES - 1)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_coarse_converter_is_known_by_its_runs() {
        let (mut coarse, mut fine) = (Repeats::default(), Repeats::default());
        for _ in 0..100 {
            coarse.ended(40, false);
            fine.ended(1, false);
        }
        assert!(coarse.goes_on(30) > 0.9 && fine.goes_on(1) < 0.05);
        assert!(coarse.at_rest() > 0.98 && fine.at_rest() < 0.7);
        fine.ended(500, true);
        assert!(fine.goes_on(200) < 0.2);
    }

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
