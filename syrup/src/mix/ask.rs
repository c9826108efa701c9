//! What someone asks of the mixing bench.

use super::recipe::{TWENTY, water_mass};
use super::{BagCount, MixError, Price, Recipe, Vessel, Wish};
use crate::reserves::{Kept, Moisture};
use crate::strength::{LooseDensity, NotAStrength, Strength, typed as strength_typed};
use crate::units::number::leading_number;
use crate::units::{DegreesCelsius, Kilograms, Litres, NotUnderstood, Typed, typed};

/// Sugar as people say it: a mass, or so many bags of a mass.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Sugar {
    /// All sugar, bagged or not.
    pub mass: Kilograms,
    /// The bags it comes in, where they were named.
    pub bags: Option<BagCount>,
}

/// Why sugar was not understood.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
pub enum SugarNotUnderstood {
    /// No mass.
    #[error(transparent)]
    Mass(#[from] NotUnderstood),
    /// `0 x 25 lb`, `1.5 x 25 lb`
    #[error("\"{0}\": the number of bags must be a whole number from 1 to 99999")]
    Count(String),
}

impl Sugar {
    /// Reads `56.7 kg`, `125 lb`, `5 x 25 lb`, `5 bags of 25 lb`, `25 lb bag`.
    pub fn parse(text: &str) -> Result<Self, SugarNotUnderstood> {
        let lower = text.trim().to_lowercase();
        let lower = lower
            .strip_suffix('s')
            .filter(|t| t.ends_with(" bag"))
            .unwrap_or(&lower);
        let (body, is_bag) = match lower.strip_suffix(" bag") {
            Some(body) => (body.trim_end(), true),
            None => (lower, false),
        };
        let bags = |n: f64, each: &str| {
            let bag = typed::mass(each)?;
            if !((1.0..=99_999.0).contains(&n) && n.fract() == 0.0) {
                return Err(SugarNotUnderstood::Count(
                    text.trim().chars().take(40).collect(),
                ));
            }
            Ok(Self {
                mass: Kilograms(bag.0 * n),
                bags: Some(BagCount {
                    bag,
                    count: n as u32,
                }),
            })
        };
        if let Ok((n, rest)) = leading_number(body) {
            let rest = rest.trim_start();
            let each = ["x", "×", "*", "bags of", "bag of"]
                .into_iter()
                .find_map(|word| rest.strip_prefix(word));
            if let Some(each) = each {
                return bags(n, each.trim());
            }
        }
        if is_bag {
            return bags(1.0, body);
        }
        Ok(Self {
            mass: typed::mass(body)?,
            bags: None,
        })
    }
}

/// Water as people measure it. Volumes are taken at 20 °C; hot water measured by volume weighs up
/// to 2 % less.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum WaterAmount {
    /// Weighed.
    Mass(Kilograms),
    /// Measured out.
    Volume(Litres),
}

impl WaterAmount {
    /// Reads `15 gal` or `10 kg`.
    pub fn parse(text: &str) -> Result<Self, NotUnderstood> {
        Ok(match typed::mass_or_volume(text)? {
            Typed::Mass(mass) => Self::Mass(mass),
            Typed::Volume(volume) => Self::Volume(volume),
            Typed::Length(_) | Typed::Temperature(_) => unreachable!("refused where it was read"),
        })
    }

    /// The water as a mass.
    pub fn mass(self) -> Kilograms {
        match self {
            Self::Mass(mass) => mass,
            Self::Volume(volume) => water_mass(volume),
        }
    }
}

/// Syrup that is left over, measured at 20 °C.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Leftover {
    /// How much.
    pub volume: Litres,
    /// How strong.
    pub strength: Strength,
}

impl Leftover {
    /// Reads `10 l of 1:1`, `2 gal 66.7 %`, `500 ml 60 Bx`.
    pub fn parse(text: &str, loose: LooseDensity) -> Result<Self, String> {
        let text = text.trim();
        let words: Vec<&str> = text.split_whitespace().collect();
        // The volume is the longest run of words from the front that reads as one.
        let found = (1..words.len()).rev().find_map(|n| {
            let volume = typed::volume(&words[..n].join(" ")).ok()?;
            Some((n, volume))
        });
        let Some((n, volume)) = found else {
            let shown: String = text.chars().take(40).collect();
            return Err(format!(
                "\"{shown}\" is no leftover; write how much of what strength, like 10 L of 1:1"
            ));
        };
        let rest = words[n..].join(" ");
        let rest = rest.strip_prefix("of ").unwrap_or(&rest);
        let strength = strength_typed(rest, loose).map_err(|e: NotAStrength| e.to_string())?;
        Ok(Self { volume, strength })
    }

    /// Sugar and water of the leftover.
    pub fn recipe(self) -> Result<Recipe, MixError> {
        Recipe::of_volume(self.volume, self.strength, TWENTY)
    }
}

/// Everything that can be asked at once. [`Ask::default`] asks nothing and takes 20 °C, usual
/// moisture and usual share kept.
#[derive(Clone, PartialEq, Debug)]
pub struct Ask {
    /// Sugar to add.
    pub sugar: Option<Sugar>,
    /// Water to add.
    pub water: Option<WaterAmount>,
    /// Finished volume, read at `measured_at`.
    pub volume: Option<Litres>,
    /// Finished strength.
    pub strength: Option<Strength>,
    /// Ripe stores that a hive should gain; stands for the volume.
    pub raise: Option<Kilograms>,
    /// What is left over and goes in as well.
    pub leftovers: Vec<Leftover>,
    /// The syrup's temperature when its volume is read.
    pub measured_at: DegreesCelsius,
    /// Sizes of bags to use whole.
    pub bags: Vec<Kilograms>,
    /// Vessels to fill.
    pub vessels: Vec<Vessel>,
    /// Share of a vessel left empty, 0 to 0.5.
    pub headspace: f64,
    /// Temperatures, where they matter.
    pub warmth: Option<Wish>,
    /// The coolest that it will stand at; `None`: not known.
    pub stands_at: Option<DegreesCelsius>,
    /// Moisture of the stores it becomes.
    pub moisture: Moisture,
    /// Share of the sugar kept in the stores.
    pub kept: Kept,
    /// What sugar costs.
    pub price: Option<Price>,
    /// A litre of loose sugar, for strengths by volume.
    pub loose: LooseDensity,
}

impl Default for Ask {
    fn default() -> Self {
        Self {
            sugar: None,
            water: None,
            volume: None,
            strength: None,
            raise: None,
            leftovers: Vec::new(),
            measured_at: TWENTY,
            bags: Vec::new(),
            vessels: Vec::new(),
            headspace: 0.0,
            warmth: None,
            stands_at: None,
            moisture: Moisture::USUAL,
            kept: Kept::USUAL,
            price: None,
            loose: LooseDensity::USUAL,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn sugar_is_read_by_mass_or_by_bag() {
        for (text, kg, bags) in [
            ("125 lb", 56.699_046_25, None),
            ("5 x 25 lb", 56.699_046_25, Some(5)),
            ("5 × 25 lb bags", 56.699_046_25, Some(5)),
            ("5 bags of 25 lb", 56.699_046_25, Some(5)),
            ("25 lb bag", 11.339_809_25, Some(1)),
            ("2.5 kg", 2.5, None),
        ] {
            let got = Sugar::parse(text).unwrap();
            assert!((got.mass.0 - kg).abs() < 1e-9, "{text}: {got:?}");
            assert_eq!(got.bags.map(|b| b.count), bags, "{text}");
        }
        for bad in [
            "",
            "bag",
            "0 x 25 lb",
            "1.5 x 25 lb",
            "5 x",
            "5 x 5 gal",
            "-1 kg",
        ] {
            assert!(Sugar::parse(bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn leftovers_are_read() {
        for (text, litres, percent) in [
            ("10 l of 1:1", 10.0, 50.0),
            ("2 gal 66.7 %", 7.570_823_568, 66.7),
            ("500 ml 60 Bx", 0.5, 60.0),
            ("10 L 2:1", 10.0, 66.666_67),
        ] {
            let got = Leftover::parse(text, LooseDensity::USUAL).unwrap();
            assert!((got.volume.0 - litres).abs() < 1e-9, "{text}: {got:?}");
            let w = got.strength.mass_fraction().value() * 100.0;
            assert!((w - percent).abs() < 1e-4, "{text}: {w}");
        }
        for bad in ["", "10 l", "1:1", "10 kg 1:1", "10 l strong"] {
            assert!(Leftover::parse(bad, LooseDensity::USUAL).is_err(), "{bad}");
        }
    }

    proptest! {
        #[test]
        fn nothing_typed_makes_it_panic(text in "\\PC{0,40}") {
            let _ = Sugar::parse(&text);
            let _ = WaterAmount::parse(&text);
            let _ = Leftover::parse(&text, LooseDensity::USUAL);
            let _ = Price::parse(&text);
            let _ = Vessel::parse(&text, crate::units::UnitSystem::Us);
        }
    }
}
