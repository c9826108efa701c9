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

    /// In another unit: `factor`, which is exact and above zero, times it.
    pub fn times(self, factor: f64) -> Self {
        Self {
            value: self.value * factor,
            lo: self.lo * factor,
            hi: self.hi * factor,
        }
    }

    /// The same with no part below `floor`.
    pub fn at_least(self, floor: f64) -> Self {
        Self {
            value: self.value.max(floor),
            lo: self.lo.max(floor),
            hi: self.hi.max(floor),
        }
    }
}
