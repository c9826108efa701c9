//! The strength of a syrup: sugar to water.

mod typed;
mod views;

pub use typed::{LooseDensity, NotAStrength, typed};
pub use views::Views;

use crate::units::MassFraction;
use std::fmt;

/// Parts of sugar to parts of water, by mass: `1:1`, `2:1`, `5:3`.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Strength {
    sugar: f64,
    water: f64,
}

/// Sugar as a share of the mass of syrup whose strength nobody wrote down: 3:2, between the 1:1 and
/// the 2:1 that are fed (common practice).
pub const UNKNOWN_SUGAR: f64 = 0.6;
/// How far `UNKNOWN_SUGAR` may be off, as one standard deviation: 1:1 and 2:1 lie so far from their
/// middle, divided by the square root of three (anything between them is as likely).
pub const UNKNOWN_SUGAR_SD: f64 = 0.048;

/// Why a strength was refused.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
#[error("a strength is sugar to water by mass, like 1:1, 2:1 or 5:3, not \"{0}\"")]
pub struct BadStrength(String);

impl Strength {
    /// `sugar` parts to `water` parts by mass. Both must be finite and above zero.
    pub fn by_mass(sugar: f64, water: f64) -> Result<Self, BadStrength> {
        if sugar.is_finite() && water.is_finite() && sugar > 0.0 && water > 0.0 {
            Ok(Self { sugar, water })
        } else {
            Err(BadStrength(format!("{sugar}:{water}")))
        }
    }

    /// Reads `sugar:water`.
    pub fn parse(text: &str) -> Result<Self, BadStrength> {
        let bad = || BadStrength(text.chars().take(40).collect());
        let (sugar, water) = text.trim().split_once(':').ok_or_else(bad)?;
        let number = |part: &str| part.trim().parse::<f64>().map_err(|_| bad());
        Self::by_mass(number(sugar)?, number(water)?).map_err(|_| bad())
    }

    /// The strength with this share of sugar, as parts to one part of water.
    pub fn from_mass_fraction(sugar: MassFraction) -> Result<Self, BadStrength> {
        Self::by_mass(sugar.value() / (1.0 - sugar.value()), 1.0)
    }

    /// Parts of sugar to one part of water, by mass.
    pub fn parts_per_water(self) -> f64 {
        self.sugar / self.water
    }

    /// Sugar as a share of the whole mass of syrup that may be of a strength that nobody wrote down.
    pub fn mass_fraction_or_unknown(strength: Option<Self>) -> MassFraction {
        strength.map_or_else(
            || MassFraction::new(UNKNOWN_SUGAR).expect("a share between nothing and all"),
            Self::mass_fraction,
        )
    }

    /// Sugar as a share of the whole mass.
    #[inline]
    pub fn mass_fraction(self) -> MassFraction {
        MassFraction::new(self.sugar / (self.sugar + self.water))
            .expect("both parts are above zero")
    }
}

impl fmt::Display for Strength {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}:{}", self.sugar, self.water)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn strengths_are_read_and_written() {
        for text in ["1:1", "2:1", "5:3", "1.5:1"] {
            assert_eq!(Strength::parse(text).unwrap().to_string(), text);
        }
        for bad in ["", "2", "0:1", "1:0", "-1:1", "a:b", "inf:1", "1:1:1"] {
            assert!(Strength::parse(bad).is_err(), "{bad}");
        }
    }
}
