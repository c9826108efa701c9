//! Reading a strength as people type it. By mass unless it says otherwise, because '2:1' is 61 to
//! 67 % depending on who says it.

use super::Strength;
use crate::physics::water_density_kg_m3;
use crate::units::number::leading_number;
use crate::units::{DegreesCelsius, Kilograms, MassFraction, OutOfRange, Typed, typed as quantity};

/// How much a litre of loose, granulated white sugar weighs, kg/L: what turns parts by volume into
/// parts by mass. Finer or shaken sugar packs closer.
#[derive(Clone, Copy, PartialEq, PartialOrd, Debug)]
pub struct LooseDensity(f64);

impl LooseDensity {
    /// 0.845 kg/L, 200 g in a US cup (common practice; kitchens say 0.80 to 0.93).
    pub const USUAL: Self = Self(0.845);
    /// The least that kitchens say (common practice).
    pub const LOOSEST: Self = Self(0.80);
    /// The most that kitchens say (common practice).
    pub const CLOSEST: Self = Self(0.93);

    /// Between 0.5 and 1.1 kg/L: beyond that it is not loose granulated sugar.
    pub fn new(kg_per_l: f64) -> Result<Self, OutOfRange> {
        let (least, most) = (0.5, 1.1);
        if (least..=most).contains(&kg_per_l) {
            Ok(Self(kg_per_l))
        } else {
            Err(OutOfRange {
                quantity: "the weight of a litre of loose sugar in kg",
                value: kg_per_l,
                least,
                most,
            })
        }
    }

    /// kg/L.
    pub fn kg_per_l(self) -> f64 {
        self.0
    }
}

/// Why a typed strength was not understood.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
pub enum NotAStrength {
    /// Nothing that looks like one.
    #[error("\"{0}\" is no strength; write parts of sugar to water like 2:1, or 66.7 %, or 60 Bx")]
    Unknown(String),
    /// `66.7`
    #[error("\"{0}\" has no unit; write {0} %, {0} Bx, or parts like 2:1")]
    NoUnit(String),
    /// `0:1`, `2:0`, `-1:1`
    #[error("\"{0}\" has a part that is not above zero; a syrup needs both sugar and water")]
    NotAboveZero(String),
    /// `120 %`
    #[error("\"{0}\" is out of range; a syrup has more than 0 and less than 100 % sugar")]
    OutOfRange(String),
    /// `2 kg : 1`
    #[error("\"{0}\" has a unit on one side only; write 2:1 or 1 kg : 630 ml")]
    OneUnit(String),
    /// `1 l : 1 kg`
    #[error("\"{0}\": {1}")]
    Side(String, String),
}

/// Reads a strength: `2:1` (by mass), `2:1 by volume`, `66.7 %`, `60 Bx`, `1 kg : 630 ml`,
/// `8 lb / 1 gal`. Parts by volume become parts by mass through `loose`; water is taken at 20 °C.
pub fn typed(text: &str, loose: LooseDensity) -> Result<Strength, NotAStrength> {
    let shown: String = text.trim().chars().take(40).collect();
    let lower = text.trim().to_lowercase();
    let (body, by_volume) = without_basis(&lower);
    match [":", " to ", "/"]
        .into_iter()
        .find_map(|separator| body.split_once(separator))
    {
        Some((sugar, water)) => ratio(&shown, sugar.trim(), water.trim(), by_volume, loose),
        None if by_volume => Err(NotAStrength::Unknown(shown)),
        None => percent(&shown, body),
    }
}

const BY_VOLUME: [&str; 3] = ["by volume", "v/v", "vol"];
const BY_MASS: [&str; 4] = ["by weight", "by mass", "w/w", "m/m"];

/// The text without its closing words, and whether they said volume.
fn without_basis(text: &str) -> (&str, bool) {
    let strip = |words: &[&str]| {
        words
            .iter()
            .find_map(|word| text.strip_suffix(word))
            .map(str::trim_end)
    };
    match (strip(&BY_VOLUME), strip(&BY_MASS)) {
        (Some(rest), _) => (rest, true),
        (None, Some(rest)) => (rest, false),
        (None, None) => (text, false),
    }
}

fn ratio(
    shown: &str,
    sugar: &str,
    water: &str,
    by_volume: bool,
    loose: LooseDensity,
) -> Result<Strength, NotAStrength> {
    let water_kg_per_l = water_density_kg_m3(DegreesCelsius(20.0)) / 1000.0;
    let (sugar_kg, water_kg) = match (bare_number(sugar), bare_number(water)) {
        (Some(s), Some(w)) if by_volume => (s * loose.kg_per_l(), w * water_kg_per_l),
        (Some(s), Some(w)) => (s, w),
        (None, None) => {
            let side = |text: &str| {
                quantity::mass_or_volume(text)
                    .map_err(|problem| NotAStrength::Side(shown.to_owned(), problem.to_string()))
            };
            (
                kilograms(side(sugar)?, loose.kg_per_l()),
                kilograms(side(water)?, water_kg_per_l),
            )
        }
        _ if sugar.is_empty() || water.is_empty() => {
            return Err(NotAStrength::Unknown(shown.to_owned()));
        }
        _ => return Err(NotAStrength::OneUnit(shown.to_owned())),
    };
    Strength::by_mass(sugar_kg, water_kg).map_err(|_| NotAStrength::NotAboveZero(shown.to_owned()))
}

fn kilograms(typed: Typed, kg_per_l: f64) -> f64 {
    match typed {
        Typed::Mass(Kilograms(kg)) => kg,
        Typed::Volume(litres) => litres.0 * kg_per_l,
        Typed::Length(_) | Typed::Temperature(_) => f64::NAN, // refused where it was read
    }
}

fn bare_number(text: &str) -> Option<f64> {
    let (value, rest) = leading_number(text).ok()?;
    rest.trim().is_empty().then_some(value)
}

fn percent(shown: &str, body: &str) -> Result<Strength, NotAStrength> {
    let unknown = || NotAStrength::Unknown(shown.to_owned());
    let (value, unit) = leading_number(body).map_err(|_| unknown())?;
    match unit.trim() {
        "%" | "percent" | "pct" | "bx" | "°bx" | "brix" | "°brix" | "degrees brix" => {}
        "" => return Err(NotAStrength::NoUnit(shown.to_owned())),
        _ => return Err(unknown()),
    }
    MassFraction::new(value / 100.0)
        .ok()
        .and_then(|fraction| Strength::from_mass_fraction(fraction).ok())
        .ok_or_else(|| NotAStrength::OutOfRange(shown.to_owned()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn read(text: &str) -> Result<f64, NotAStrength> {
        typed(text, LooseDensity::USUAL).map(|s| 100.0 * s.mass_fraction().value())
    }

    #[test]
    fn every_way_of_saying_it_is_read() {
        for (text, percent) in [
            ("2:1", 66.667),
            ("2 to 1", 66.667),
            ("5:3 by weight", 62.5),
            ("1.5 : 1", 60.0),
            ("66.7 %", 66.7),
            ("66,7%", 66.7),
            ("60 Bx", 60.0),
            ("60 °Brix", 60.0),
            ("1:1 by volume", 45.844),
            ("1 kg : 630 mL", 61.394),
            ("8 lb / 1 gal", 48.989),
        ] {
            let got = read(text).unwrap();
            assert!((got - percent).abs() < 0.002, "{text}: {got}");
        }
    }

    #[test]
    fn what_is_no_strength_gets_a_sentence() {
        for (text, expected) in [
            (
                "66.7",
                "\"66.7\" has no unit; write 66.7 %, 66.7 Bx, or parts like 2:1",
            ),
            (
                "0:1",
                "\"0:1\" has a part that is not above zero; a syrup needs both sugar and water",
            ),
            (
                "120 %",
                "\"120 %\" is out of range; a syrup has more than 0 and less than 100 % sugar",
            ),
            (
                "strong",
                "\"strong\" is no strength; write parts of sugar to water like 2:1, or 66.7 %, or 60 Bx",
            ),
            (
                "2 kg : 1",
                "\"2 kg : 1\" has a unit on one side only; write 2:1 or 1 kg : 630 ml",
            ),
        ] {
            assert_eq!(read(text).unwrap_err().to_string(), expected);
        }
        for bad in [
            "",
            "2:",
            ":1",
            "-1:1",
            "1:0",
            "a:b",
            "0 %",
            "100 %",
            "inf:1",
            "60 furlongs",
        ] {
            assert!(read(bad).is_err(), "{bad}");
        }
    }

    proptest! {
        #[test]
        fn nothing_typed_makes_it_panic(text in "\\PC{0,40}") {
            let _ = read(&text);
        }

        #[test]
        fn percent_comes_back(percent in 0.1f64..99.9) {
            let got = read(&format!("{percent} %")).unwrap();
            prop_assert!((got - percent).abs() < 1e-9);
        }
    }
}
