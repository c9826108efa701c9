//! What syrup is mixed, kept and carried in.

use super::Recipe;
use super::recipe::TWENTY;
use crate::units::number::leading_number;
use crate::units::{Kilograms, Litres, NotUnderstood, UnitSystem, typed};

/// Vessels of one size.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Vessel {
    /// What people call it; `None` where only its size is known.
    pub name: Option<&'static str>,
    /// What it holds to the brim or its mark.
    pub holds: Litres,
    /// How many there are; `None`: as many times as it takes.
    pub count: Option<u32>,
}

/// Why a vessel was not understood.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
pub enum VesselNotUnderstood {
    /// No name and no volume.
    #[error("a vessel is pail, drum, tote, or a volume with how many: {0}")]
    Volume(#[from] NotUnderstood),
    /// `0 x 5 gal`, or ten thousand.
    #[error("\"{0}\": the number of vessels must be a whole number from 1 to 9999")]
    Count(String),
    /// `0 gal`
    #[error("\"{0}\": a vessel must hold something, and at most 20000 litres")]
    Size(String),
}

impl Vessel {
    /// The sizes that the names mean where people measure this way (common practice).
    pub fn named(name: &str, units: UnitSystem) -> Option<Self> {
        let us_gal = |n: f64| n * 3.785_411_784;
        let (name, metric, us) = match name {
            "pail" => ("pail", 20.0, us_gal(5.0)),
            "drum" => ("drum", 200.0, us_gal(55.0)),
            "tote" => ("tote", 1000.0, us_gal(275.0)),
            _ => return None,
        };
        Some(Self {
            name: Some(name),
            holds: Litres(match units {
                UnitSystem::Metric => metric,
                UnitSystem::Us => us,
            }),
            count: None,
        })
    }

    /// Pail, drum and tote.
    pub fn usual(units: UnitSystem) -> [Self; 3] {
        ["pail", "drum", "tote"].map(|name| Self::named(name, units).expect("a name of the list"))
    }

    /// Reads `pail`, `4 x 5 gal`, `2 drums`, `60 L`, `5 gal pail`.
    pub fn parse(text: &str, units: UnitSystem) -> Result<Self, VesselNotUnderstood> {
        let shown: String = text.trim().chars().take(40).collect();
        let lower = text.trim().to_lowercase();
        let (count, rest) = counted(&lower);
        let count = match count {
            None => None,
            Some(n) if (1.0..=9999.0).contains(&n) && n.fract() == 0.0 => Some(n as u32),
            Some(_) => return Err(VesselNotUnderstood::Count(shown)),
        };
        let (size, name) = match ["pail", "drum", "tote"]
            .into_iter()
            .find_map(|n| Some((strip_name(rest, n)?, n)))
        {
            Some((size, name)) => (size.trim(), Some(name)),
            None => (rest, None),
        };
        let named = name.and_then(|n| Self::named(n, units));
        let vessel = match named {
            Some(vessel) if size.is_empty() => Self { count, ..vessel },
            _ => Self {
                name,
                holds: typed::volume(size)?,
                count,
            },
        };
        // Larger is no vessel but a building, and the planner's search is bounded by it.
        if vessel.holds.0 > 0.0 && vessel.holds.0 <= 20_000.0 {
            Ok(vessel)
        } else {
            Err(VesselNotUnderstood::Size(shown))
        }
    }

    /// `5 gal pail`, `60 L vessel`.
    pub fn words(self, units: UnitSystem) -> String {
        let name = self.name.unwrap_or("vessel");
        format!("{} {name}", units.volume(self.holds))
    }
}

/// `4 x 5 gal` and `2 drums`: the count and the rest.
fn counted(text: &str) -> (Option<f64>, &str) {
    let Ok((n, rest)) = leading_number(text) else {
        return (None, text);
    };
    let after = rest.trim_start();
    if let Some(each) = after.strip_prefix(['x', '×', '*']) {
        (Some(n), each.trim())
    } else if ["pail", "drum", "tote"]
        .iter()
        .any(|name| after.starts_with(name))
    {
        (Some(n), after)
    } else {
        (None, text)
    }
}

fn strip_name<'a>(text: &'a str, name: &str) -> Option<&'a str> {
    text.strip_suffix('s').unwrap_or(text).strip_suffix(name)
}

/// What a full pail, drum and tote of a syrup weigh at 20 °C, without the vessel itself.
pub fn weights(recipe: Recipe, units: UnitSystem) -> [(Vessel, Kilograms); 3] {
    let kg_per_l = recipe.mass().0 / recipe.volume(TWENTY).0;
    Vessel::usual(units).map(|vessel| (vessel, Kilograms(vessel.holds.0 * kg_per_l)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn vessels_are_read() {
        let us = |text: &str| Vessel::parse(text, UnitSystem::Us).unwrap();
        assert_eq!(us("pail").words(UnitSystem::Us), "5 gal pail");
        assert_eq!(us("2 drums").count, Some(2));
        assert_eq!(us("4 x 5 gal").count, Some(4));
        assert_eq!(us("5 gal pails").words(UnitSystem::Us), "5 gal pail");
        assert_eq!(us("5 gal").words(UnitSystem::Us), "5 gal vessel");
        let metric = Vessel::parse("3 × tote", UnitSystem::Metric).unwrap();
        assert_eq!(metric.words(UnitSystem::Metric), "1000 L tote");
        assert_eq!(metric.count, Some(3));
    }

    #[test]
    fn what_is_no_vessel_gets_a_sentence() {
        for bad in [
            "",
            "bucket",
            "0 x 5 gal",
            "1.5 drums",
            "0 gal",
            "5",
            "1e9 l",
            "30000 L",
        ] {
            let problem = Vessel::parse(bad, UnitSystem::Metric).unwrap_err();
            assert!(!problem.to_string().contains('\n'), "{bad}");
        }
    }
}
