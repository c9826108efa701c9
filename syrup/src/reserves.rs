//! What a colony makes of syrup: stores, the water to be dried off, and the way back from stores
//! to syrup. A mass balance; the share of sugar that ends in the comb is the uncertain part.

use crate::estimate::Estimate;
use crate::units::{Kilograms, OutOfRange};

/// Water in ripe stores as a share of their mass, 0.10 to 0.25.
#[derive(Clone, Copy, PartialEq, PartialOrd, Debug)]
pub struct Moisture(f64);

impl Moisture {
    /// 18 %: above about 17 to 18 % stores can ferment (Lochhead 1933), and winter stores are
    /// reckoned at it.
    pub const USUAL: Self = Self(0.18);

    /// A share between 0.10 and 0.25.
    pub fn new(share: f64) -> Result<Self, OutOfRange> {
        within("the moisture of stores", share, 0.10, 0.25).map(Self)
    }

    /// The share, 0 to 1.
    pub fn value(self) -> f64 {
        self.0
    }
}

impl Default for Moisture {
    fn default() -> Self {
        Self::USUAL
    }
}

/// The share of the sugar that ends in the comb; the rest is eaten on the way.
#[derive(Clone, Copy, PartialEq, PartialOrd, Debug)]
pub struct Kept(f64);

impl Kept {
    /// Nothing is lost: the ceiling that no rule of thumb may pass.
    pub const ALL: Self = Self(1.0);
    /// A planning value between the ceiling and the rule of thumb (common practice).
    pub const USUAL: Self = Self(0.9);
    /// The US rule of 7 lb of stores from a gallon of 2:1 comes to this (common practice).
    pub const LOW: Self = Self(0.78);

    /// A share between 0.3 and 1.
    pub fn new(share: f64) -> Result<Self, OutOfRange> {
        within("the share of sugar kept", share, 0.3, 1.0).map(Self)
    }

    /// The share, 0 to 1.
    pub fn value(self) -> f64 {
        self.0
    }
}

/// What comes of some syrup.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Stores {
    /// Ripe stores, kg: usual, and from the rule of thumb up to the ceiling.
    pub kg: Estimate,
    /// Water that the bees must dry off, kg, at the usual share kept.
    pub water_to_dry_kg: f64,
    /// The moisture that it is reckoned at.
    pub moisture: Moisture,
}

/// Stores from the sugar and water in a syrup. `kept` is the middle of the band.
pub fn from_syrup(sugar: Kilograms, water: Kilograms, moisture: Moisture, kept: Kept) -> Stores {
    let stores = |kept: f64| stores_kg(sugar, moisture, kept);
    let usual = stores(kept.0);
    Stores {
        kg: Estimate {
            value: usual,
            lo: stores(kept.0.min(Kept::LOW.0)),
            hi: stores(Kept::ALL.0),
        },
        water_to_dry_kg: water.0 - usual * moisture.0,
        moisture,
    }
}

/// The sugar to feed for so much stores.
pub fn sugar_for(stores: Kilograms, moisture: Moisture, kept: Kept) -> Kilograms {
    Kilograms(stores.0 * (1.0 - moisture.0) / kept.0)
}

fn stores_kg(sugar: Kilograms, moisture: Moisture, kept: f64) -> f64 {
    sugar.0 * kept / (1.0 - moisture.0)
}

fn within(quantity: &'static str, value: f64, least: f64, most: f64) -> Result<f64, OutOfRange> {
    if (least..=most).contains(&value) {
        Ok(value)
    } else {
        Err(OutOfRange {
            quantity,
            value,
            least,
            most,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn sugar_and_water_are_all_accounted_for(sugar in 0.1f64..100.0, ratio in 0.3f64..2.5, m in 0.10f64..0.25, k in 0.3f64..1.0) {
            let (moisture, kept) = (Moisture::new(m).unwrap(), Kept::new(k).unwrap());
            let water = sugar / ratio;
            let made = from_syrup(Kilograms(sugar), Kilograms(water), moisture, kept);
            let eaten = sugar * (1.0 - k);
            let sum = made.kg.value + made.water_to_dry_kg + eaten;
            prop_assert!((sum - sugar - water).abs() < 1e-9 * (sugar + water));
            prop_assert!(made.kg.lo <= made.kg.value && made.kg.value <= made.kg.hi);
            let back = sugar_for(Kilograms(made.kg.value), moisture, kept);
            prop_assert!((back.0 - sugar).abs() < 1e-9 * sugar);
        }
    }
}
