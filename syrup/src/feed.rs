//! Feeds that come ready made. They are not sucrose, so the density equation is not theirs: each
//! has its own numbers, and only where someone published them. Any other is reckoned from its label.

use crate::units::{DegreesCelsius, Kilograms, Litres, MassFraction, OutOfRange};

/// A feed that is bought as syrup.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum ReadyFeed {
    /// High-fructose corn syrup with 42 % fructose in its solids.
    Hfcs42,
    /// High-fructose corn syrup with 55 % fructose in its solids.
    Hfcs55,
    /// Inverted or other syrup with the solids and density of its label.
    Labelled(Label),
}

/// What a label says.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Label {
    solids: MassFraction,
    kg_per_l: f64,
}

impl Label {
    /// Sugars as a share of the mass, and what a litre weighs: 1.0 to 1.6 kg.
    pub fn new(solids: MassFraction, kg_per_l: f64) -> Result<Self, OutOfRange> {
        let (least, most) = (1.0, 1.6);
        if (least..=most).contains(&kg_per_l) {
            Ok(Self { solids, kg_per_l })
        } else {
            Err(OutOfRange {
                quantity: "the weight of a litre in kg",
                value: kg_per_l,
                least,
                most,
            })
        }
    }
}

/// kg/L for lb/US gal.
const KG_PER_L: f64 = 0.453_592_37 / 3.785_411_784;

impl ReadyFeed {
    /// The word for a feed that is reckoned from its label.
    pub const LABELLED: &'static str = "labelled";

    /// The word in commands and on the wire.
    pub fn name(self) -> &'static str {
        match self {
            Self::Hfcs42 => "hfcs-42",
            Self::Hfcs55 => "hfcs-55",
            Self::Labelled(_) => Self::LABELLED,
        }
    }

    /// Reads the two that need no label.
    pub fn from_name(name: &str) -> Option<Self> {
        [Self::Hfcs42, Self::Hfcs55]
            .into_iter()
            .find(|feed| feed.name() == name)
    }

    /// Sugars as a share of the mass. HFCS: dry substance by Wartman, Bridges & Eliason (1984),
    /// *J. Chem. Eng. Data*.
    pub fn solids(self) -> MassFraction {
        match self {
            Self::Hfcs42 => MassFraction::new(0.707).expect("between 0 and 1"),
            Self::Hfcs55 => MassFraction::new(0.769).expect("between 0 and 1"),
            Self::Labelled(label) => label.solids,
        }
    }

    /// What a litre weighs at 70 °F (21.1 °C), kg. HFCS: 11.230 and 11.542 lb/US gal (Buck, in
    /// *Alternative Sweeteners*, table 5). A label's is taken as it stands.
    pub fn kg_per_l(self) -> f64 {
        match self {
            Self::Hfcs42 => 11.230 * KG_PER_L,
            Self::Hfcs55 => 11.542 * KG_PER_L,
            Self::Labelled(label) => label.kg_per_l,
        }
    }

    /// The temperature below which the feed throws crystals; `None`: not known. Buck says "slightly
    /// cooler" for HFCS-55.
    pub fn crystallises_below(self) -> Option<DegreesCelsius> {
        matches!(self, Self::Hfcs42).then_some(DegreesCelsius(20.0))
    }

    /// What some of it weighs.
    pub fn mass(self, volume: Litres) -> Kilograms {
        Kilograms(volume.0 * self.kg_per_l())
    }

    /// The sugars in some of it.
    pub fn sugars(self, volume: Litres) -> Kilograms {
        Kilograms(self.mass(volume).0 * self.solids().value())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_gallon_of_corn_syrup_weighs_what_is_published() {
        // Buck, table 5, at 70 °F.
        let gallon = Litres(3.785_411_784);
        for (feed, lb) in [(ReadyFeed::Hfcs42, 11.230), (ReadyFeed::Hfcs55, 11.542)] {
            assert!((feed.mass(gallon).0 / 0.453_592_37 - lb).abs() < 1e-9);
            assert_eq!(ReadyFeed::from_name(feed.name()), Some(feed));
        }
    }

    #[test]
    fn labels_out_of_reason_are_refused() {
        let solids = MassFraction::new(0.72).unwrap();
        assert!(Label::new(solids, 1360.0).is_err());
        assert!(Label::new(solids, f64::NAN).is_err());
        assert!(Label::new(solids, 1.36).is_ok());
    }
}
