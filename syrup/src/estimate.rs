//! A number with its uncertainty.

/// An estimated value and the interval that holds the truth nine times in ten.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Estimate {
    /// The best single value.
    pub value: f64,
    /// Lower end of the 90 % interval.
    pub lo: f64,
    /// Upper end of the 90 % interval.
    pub hi: f64,
}

impl Estimate {
    /// The 95 % point of the standard normal distribution: half-width of a 90 % interval in
    /// standard deviations.
    pub const Z90: f64 = 1.644_853_626_951_472_2;

    /// From a mean and a standard deviation, as if normally distributed.
    pub fn normal(value: f64, sd: f64) -> Self {
        Self {
            value,
            lo: value - Self::Z90 * sd,
            hi: value + Self::Z90 * sd,
        }
    }

    /// This estimate with no part of it below `floor`.
    pub fn at_least(self, floor: f64) -> Self {
        Self {
            value: self.value.max(floor),
            lo: self.lo.max(floor),
            hi: self.hi.max(floor),
        }
    }

    /// This estimate with no part of it above `ceiling`.
    pub fn at_most(self, ceiling: f64) -> Self {
        Self {
            value: self.value.min(ceiling),
            lo: self.lo.min(ceiling),
            hi: self.hi.min(ceiling),
        }
    }
}

/// A sum of estimates of which some may be missing. What is missing is counted, never taken for
/// nothing: the sum is of the known parts only.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Total {
    /// The sum of the known parts; `None` where no part is known.
    pub sum: Option<Estimate>,
    /// How many parts went into the sum.
    pub n_known: usize,
    /// How many parts are not known.
    pub n_unknown: usize,
}

impl Total {
    /// Adds up estimates that err independently of each other: the values add, and on each side
    /// the distance from the value to the end of the interval is the root of the sum of the parts'
    /// squared distances. For normal errors that is exact; for skewed ones it keeps each side's own
    /// width.
    ///
    /// Errors that the parts share (one weather, one batch of syrup whose strength was written
    /// down wrong, sensors of one make that all read high) do not average out as this supposes:
    /// the true interval is then wider, at the most as wide as the parts' intervals laid end to
    /// end.
    pub fn of(parts: impl IntoIterator<Item = Option<Estimate>>) -> Self {
        let mut total = Self {
            sum: None,
            n_known: 0,
            n_unknown: 0,
        };
        let (mut value, mut below, mut above) = (0.0, 0.0_f64, 0.0_f64);
        for part in parts {
            let Some(part) = part else {
                total.n_unknown += 1;
                continue;
            };
            total.n_known += 1;
            value += part.value;
            below = below.hypot(part.value - part.lo);
            above = above.hypot(part.hi - part.value);
        }
        total.sum = (total.n_known > 0).then_some(Estimate {
            value,
            lo: value - below,
            hi: value + above,
        });
        total
    }

    /// This total of a quantity that cannot be negative: no part of the interval lies below zero.
    pub fn not_negative(self) -> Self {
        Self {
            sum: self.sum.map(|sum| sum.at_least(0.0)),
            ..self
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn estimate(value: f64, lo: f64, hi: f64) -> Option<Estimate> {
        Some(Estimate { value, lo, hi })
    }

    /// Independent errors add as their squares: 3 and 4 to 5 on one side, 6 and 8 to 10 on the
    /// other.
    #[test]
    fn half_widths_add_as_squares_on_each_side() {
        let total = Total::of([estimate(20.0, 17.0, 26.0), estimate(30.0, 26.0, 38.0)]);
        let sum = total.sum.unwrap();
        assert!((sum.value - 50.0).abs() < 1e-9);
        assert!((sum.lo - 45.0).abs() < 1e-9);
        assert!((sum.hi - 60.0).abs() < 1e-9);
        assert_eq!((total.n_known, total.n_unknown), (2, 0));
    }

    /// The sum of normal estimates is the normal estimate of the sum: variances add.
    #[test]
    fn normal_estimates_add_to_a_normal_one() {
        let parts = [0.3, 0.4, 1.2].map(|sd| Some(Estimate::normal(2.0, sd)));
        let sum = Total::of(parts).sum.unwrap();
        let expected = Estimate::normal(6.0, 1.3);
        assert!((sum.lo - expected.lo).abs() < 1e-9);
        assert!((sum.hi - expected.hi).abs() < 1e-9);
    }

    #[test]
    fn what_is_missing_is_counted_and_not_taken_for_nothing() {
        let total = Total::of([None, estimate(2.0, 1.0, 3.0), None]);
        assert_eq!(total.sum, estimate(2.0, 1.0, 3.0));
        assert_eq!((total.n_known, total.n_unknown), (1, 2));
        let nothing = Total::of([None, None]);
        assert_eq!((nothing.sum, nothing.n_unknown), (None, 2));
        assert_eq!(Total::of([]).n_unknown, 0);
    }

    #[test]
    fn syrup_is_never_less_than_none() {
        let total = Total::of([estimate(0.1, -0.3, 0.5), estimate(0.1, -0.3, 0.5)]);
        assert!(total.sum.unwrap().lo < 0.0);
        let bounded = total.not_negative().sum.unwrap();
        assert!(bounded.lo.abs() < 1e-12 && bounded.value > 0.19);
    }
}
