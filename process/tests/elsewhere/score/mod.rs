//! Results held against the truth, one world at a time, and what many worlds come to.
//!
//! Every local day of every feeder is scored, every fill, every night, and every flag. A number that is
//! missing counts as an error and as an interval that misses.

mod days;
mod fills;
mod flags;
mod nights;
mod subjects;

pub use days::DayScore;
pub use fills::FillScore;
pub use flags::{Claim, Counts};
pub use nights::NightScore;
pub use subjects::{Subjects, Witness};

use crate::truth::{Condition, Truth};
use larder_domain::Apiary;
use larder_estimate::YardOutput;
use std::collections::BTreeMap;

/// Truth and reports are rounded to a millilitre.
const ROUNDED_L: f64 = 5e-4;

/// What came out of some worlds.
#[derive(Clone, Default)]
pub struct Score {
    pub worlds: usize,
    pub hive_months: f64,
    pub kinds: BTreeMap<Condition, Counts>,
    pub claims: Vec<Claim>,
    pub days: Vec<DayScore>,
    pub fills: Vec<FillScore>,
    pub nights: Vec<NightScore>,
}

impl Score {
    /// Of one world. `output` holds all its yards.
    pub fn of(truth: &Truth, apiary: &Apiary, output: &YardOutput) -> Self {
        let subjects = Subjects::of(apiary);
        let (kinds, claims) = flags::score(truth, &subjects, &output.flags);
        Self {
            worlds: 1,
            hive_months: apiary.hives().count() as f64 * truth.span_days / 30.44,
            kinds,
            claims,
            days: days::score(truth, &subjects, &output.uptake, &output.fills),
            fills: fills::score(truth, &subjects, &output.fills),
            nights: nights::score(truth, &subjects, &output.weight),
        }
    }

    /// Takes in what other worlds came to.
    pub fn add(&mut self, other: Self) {
        self.worlds += other.worlds;
        self.hive_months += other.hive_months;
        for (kind, counts) in other.kinds {
            self.kinds.entry(kind).or_default().add(counts);
        }
        self.claims.extend(other.claims);
        self.days.extend(other.days);
        self.fills.extend(other.fills);
        self.nights.extend(other.nights);
    }

    /// Mean F1 over the physical conditions that occurred.
    pub fn macro_f1(&self) -> f64 {
        let f1s = Condition::PHYSICAL
            .iter()
            .filter_map(|kind| self.kinds.get(kind)?.f1());
        mean(f1s)
    }

    /// False flags of the physical conditions.
    pub fn false_per_hive_month(&self) -> f64 {
        let physical = Condition::PHYSICAL.iter();
        let wrong: usize = physical
            .filter_map(|kind| Some(self.kinds.get(kind)?.wrong))
            .sum();
        wrong as f64 / self.hive_months
    }

    /// Mean square of probability less verdict, and of a constant at the base rate.
    pub fn brier(&self) -> (f64, f64) {
        let square = |claim: &Claim| (claim.probability - f64::from(u8::from(claim.right))).powi(2);
        let apart = |claim: &&Claim| Condition::APART.contains(&claim.kind);
        let claims = || self.claims.iter().filter(|claim| !apart(claim));
        let base = mean(claims().map(|claim| f64::from(u8::from(claim.right))));
        (mean(claims().map(square)), base * (1.0 - base))
    }
}

/// `NaN` of nothing.
pub fn mean(of: impl Iterator<Item = f64>) -> f64 {
    let (sum, n) = of.fold((0.0, 0usize), |(sum, n), x| (sum + x, n + 1));
    sum / n as f64
}

/// Root of the mean square.
pub fn rmse(of: impl Iterator<Item = f64>) -> f64 {
    mean(of.map(|x| x * x)).sqrt()
}

/// The share for which something holds.
pub fn share(of: impl Iterator<Item = bool>) -> f64 {
    mean(of.map(|holds| f64::from(u8::from(holds))))
}
