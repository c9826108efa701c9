//! A unit is a type. Plain quantities have a public field; a quantity with a range has a private
//! one and a constructor that says which bound failed.

pub mod number;
mod shown;
mod system;
pub mod typed;

pub use shown::Shown;
pub use system::{BadUnitSystem, UnitSystem};
pub use typed::{Kind, NotUnderstood, Typed};

use std::fmt;

/// Mass in kilograms.
#[derive(Clone, Copy, PartialEq, PartialOrd, Debug, Default)]
pub struct Kilograms(pub f64);

/// Volume in litres.
#[derive(Clone, Copy, PartialEq, PartialOrd, Debug, Default)]
pub struct Litres(pub f64);

/// Length in metres.
#[derive(Clone, Copy, PartialEq, PartialOrd, Debug, Default)]
pub struct Metres(pub f64);

/// Temperature in degrees Celsius.
#[derive(Clone, Copy, PartialEq, PartialOrd, Debug, Default)]
pub struct DegreesCelsius(pub f64);

/// Sugar as a share of the whole mass, 0 to 1.
#[derive(Clone, Copy, PartialEq, PartialOrd, Debug)]
pub struct MassFraction(f64);

/// A number outside the range that its quantity allows.
#[derive(Clone, Copy, PartialEq, Debug, thiserror::Error)]
#[error("{quantity} must lie between {least} and {most}, not {value}")]
pub struct OutOfRange {
    /// What was given.
    pub quantity: &'static str,
    /// The value refused.
    pub value: f64,
    /// Least value allowed.
    pub least: f64,
    /// Greatest value allowed.
    pub most: f64,
}

impl MassFraction {
    /// A fraction between 0 and 1.
    pub fn new(value: f64) -> Result<Self, OutOfRange> {
        if (0.0..=1.0).contains(&value) {
            Ok(Self(value))
        } else {
            Err(OutOfRange {
                quantity: "a mass fraction",
                value,
                least: 0.0,
                most: 1.0,
            })
        }
    }

    /// The fraction, 0 to 1.
    pub fn value(self) -> f64 {
        self.0
    }
}

impl fmt::Display for MassFraction {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:.1} %", self.0 * 100.0)
    }
}
