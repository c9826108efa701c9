//! Reading what people type: `25 lb`, `5 lb 4 oz`, `2 1/2 gal`, `1,5 kg`, `68 F`. A number
//! without a unit is refused, because guessing one spoils a batch; the error says what was
//! understood and what is missing.

use super::number::{NotANumber, leading_number};
use super::system::{KG_PER_LB, KG_PER_OZ, L_PER_US_GAL, L_PER_US_QT, M_PER_IN};
use super::{DegreesCelsius, Kilograms, Litres, Metres};
use std::fmt;

/// What a typed quantity measures.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Kind {
    /// A mass.
    Mass,
    /// A volume.
    Volume,
    /// A length.
    Length,
    /// A temperature.
    Temperature,
}

impl Kind {
    fn units(self) -> &'static str {
        match self {
            Self::Mass => "kg, g, lb or oz",
            Self::Volume => "L, ml, gal or qt",
            Self::Length => "m, cm, mm or in",
            Self::Temperature => "C or F",
        }
    }

    fn two(self) -> (&'static str, &'static str) {
        match self {
            Self::Mass => ("kg", "lb"),
            Self::Volume => ("L", "gal"),
            Self::Length => ("mm", "in"),
            Self::Temperature => ("C", "F"),
        }
    }

    fn example(self) -> &'static str {
        match self {
            Self::Mass => "10 kg or 25 lb",
            Self::Volume => "20 L or 5 gal",
            Self::Length => "145 mm or 5.7 in",
            Self::Temperature => "20 C or 68 F",
        }
    }
}

impl fmt::Display for Kind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Mass => "a mass",
            Self::Volume => "a volume",
            Self::Length => "a length",
            Self::Temperature => "a temperature",
        })
    }
}

/// A quantity that was understood.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Typed {
    /// A mass.
    Mass(Kilograms),
    /// A volume.
    Volume(Litres),
    /// A length.
    Length(Metres),
    /// A temperature.
    Temperature(DegreesCelsius),
}

/// Why a typed quantity was not understood. Each message says what was, and what to write.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
pub enum NotUnderstood {
    /// Nothing there, or no number in it.
    #[error("\"{text}\" has no number; write {wanted} like {}", wanted.example())]
    NoNumber {
        /// What was typed.
        text: String,
        /// What it should be.
        wanted: Kind,
    },
    /// A number without a unit.
    #[error("\"{text}\" has no unit; write {text} {} or {text} {}", wanted.two().0, wanted.two().1)]
    NoUnit {
        /// What was typed.
        text: String,
        /// What it should be.
        wanted: Kind,
    },
    /// A unit that nobody knows.
    #[error(
        "\"{text}\": the number is {number}, but \"{unit}\" is no unit of {}; use {}",
        bare(*wanted), wanted.units()
    )]
    UnknownUnit {
        /// What was typed.
        text: String,
        /// The number read.
        number: String,
        /// The word after it.
        unit: String,
        /// What it should be.
        wanted: Kind,
    },
    /// A unit of something else.
    #[error("\"{text}\" is {found}, and this must be {wanted} in {}", wanted.units())]
    OtherQuantity {
        /// What was typed.
        text: String,
        /// What it is.
        found: Kind,
        /// What it should be.
        wanted: Kind,
    },
    /// `1,000`: a thousand, or one.
    #[error("\"{text}\" can be read two ways; write the number without a comma")]
    Comma {
        /// What was typed.
        text: String,
    },
    /// A quantity below zero.
    #[error("\"{text}\" is below zero; {wanted} can't be")]
    Negative {
        /// What was typed.
        text: String,
        /// What it should be.
        wanted: Kind,
    },
}

fn bare(kind: Kind) -> &'static str {
    match kind {
        Kind::Mass => "mass",
        Kind::Volume => "volume",
        Kind::Length => "length",
        Kind::Temperature => "temperature",
    }
}

/// Reads a mass: `25 lb`, `5 lb 4 oz`, `1,5 kg`. Zero or more.
pub fn mass(text: &str) -> Result<Kilograms, NotUnderstood> {
    match quantity(text, Kind::Mass)? {
        Typed::Mass(mass) => Ok(mass),
        other => Err(other_than(text, other, Kind::Mass)),
    }
}

/// Reads a volume: `5 gal`, `630 ml`, `2 1/2 qt`; gallons, quarts, pints, cups and fluid ounces
/// are US ones unless `imp` or `uk` stands before them. Zero or more.
pub fn volume(text: &str) -> Result<Litres, NotUnderstood> {
    match quantity(text, Kind::Volume)? {
        Typed::Volume(volume) => Ok(volume),
        other => Err(other_than(text, other, Kind::Volume)),
    }
}

/// Reads a length: `145 mm`, `5 3/4 in`. Zero or more.
pub fn length(text: &str) -> Result<Metres, NotUnderstood> {
    match quantity(text, Kind::Length)? {
        Typed::Length(length) => Ok(length),
        other => Err(other_than(text, other, Kind::Length)),
    }
}

/// Reads a temperature: `20 C`, `68 °F`.
pub fn temperature(text: &str) -> Result<DegreesCelsius, NotUnderstood> {
    match quantity(text, Kind::Temperature)? {
        Typed::Temperature(temperature) => Ok(temperature),
        other => Err(other_than(text, other, Kind::Temperature)),
    }
}

/// Reads water, which people measure either way: `15 gal` or `10 kg`. Zero or more.
pub fn mass_or_volume(text: &str) -> Result<Typed, NotUnderstood> {
    match quantity(text, Kind::Volume)? {
        typed @ (Typed::Mass(_) | Typed::Volume(_)) => Ok(typed),
        other => Err(other_than(text, other, Kind::Volume)),
    }
}

fn other_than(text: &str, found: Typed, wanted: Kind) -> NotUnderstood {
    NotUnderstood::OtherQuantity {
        text: cut(text),
        found: match found {
            Typed::Mass(_) => Kind::Mass,
            Typed::Volume(_) => Kind::Volume,
            Typed::Length(_) => Kind::Length,
            Typed::Temperature(_) => Kind::Temperature,
        },
        wanted,
    }
}

/// Parts of one kind (`5 lb 4 oz`) added up; `wanted` only words the errors.
fn quantity(text: &str, wanted: Kind) -> Result<Typed, NotUnderstood> {
    let mut rest = text.trim();
    let mut sum: Option<Typed> = None;
    while !rest.is_empty() || sum.is_none() {
        let (number, after) = leading_number(rest).map_err(|problem| match problem {
            NotANumber::Missing => NotUnderstood::NoNumber {
                text: cut(text),
                wanted,
            },
            NotANumber::Comma => NotUnderstood::Comma { text: cut(text) },
        })?;
        let end = after
            .find(|c: char| c.is_ascii_digit())
            .unwrap_or(after.len());
        let (unit, after) = after.split_at(end);
        let part = in_unit(text, number, unit.trim().trim_end_matches(','), wanted)?;
        sum = Some(match sum {
            None => part,
            Some(so_far) => add(so_far, part).ok_or_else(|| other_than(text, part, wanted))?,
        });
        rest = after.trim();
    }
    let sum = sum.expect("the loop runs at least once");
    match sum {
        Typed::Mass(Kilograms(v)) | Typed::Volume(Litres(v)) | Typed::Length(Metres(v))
            if v < 0.0 =>
        {
            Err(NotUnderstood::Negative {
                text: cut(text),
                wanted,
            })
        }
        _ => Ok(sum),
    }
}

fn add(a: Typed, b: Typed) -> Option<Typed> {
    match (a, b) {
        (Typed::Mass(a), Typed::Mass(b)) => Some(Typed::Mass(Kilograms(a.0 + b.0))),
        (Typed::Volume(a), Typed::Volume(b)) => Some(Typed::Volume(Litres(a.0 + b.0))),
        (Typed::Length(a), Typed::Length(b)) => Some(Typed::Length(Metres(a.0 + b.0))),
        _ => None,
    }
}

fn in_unit(text: &str, number: f64, unit: &str, wanted: Kind) -> Result<Typed, NotUnderstood> {
    if unit.is_empty() {
        return Err(NotUnderstood::NoUnit {
            text: cut(text),
            wanted,
        });
    }
    let word: String = unit
        .to_lowercase()
        .chars()
        .filter(|c| !c.is_whitespace() && *c != '.')
        .collect();
    let typed = match word.as_str() {
        "kg" | "kgs" | "kilo" | "kilos" | "kilogram" | "kilograms" => mass_of(number, 1.0),
        "g" | "gr" | "gram" | "grams" => mass_of(number, 1e-3),
        "t" | "tonne" | "tonnes" => mass_of(number, 1e3),
        "lb" | "lbs" | "pound" | "pounds" | "#" => mass_of(number, KG_PER_LB),
        "oz" | "ounce" | "ounces" => mass_of(number, KG_PER_OZ),
        "l" | "litre" | "litres" | "liter" | "liters" => volume_of(number, 1.0),
        "ml" | "millilitre" | "millilitres" | "milliliter" | "milliliters" => {
            volume_of(number, 1e-3)
        }
        "cl" => volume_of(number, 1e-2),
        "dl" => volume_of(number, 1e-1),
        "m3" | "m³" => volume_of(number, 1e3),
        "gal" | "gals" | "gallon" | "gallons" | "usgal" | "usgallon" | "usgallons" => {
            volume_of(number, L_PER_US_GAL)
        }
        "qt" | "qts" | "quart" | "quarts" | "usqt" => volume_of(number, L_PER_US_QT),
        "pt" | "pint" | "pints" | "uspt" => volume_of(number, L_PER_US_QT / 2.0),
        "cup" | "cups" => volume_of(number, L_PER_US_QT / 4.0),
        "floz" => volume_of(number, L_PER_US_GAL / 128.0),
        "impgal" | "ukgal" | "imperialgallon" | "imperialgallons" => {
            volume_of(number, L_PER_IMPERIAL_GAL)
        }
        "imppt" | "ukpt" | "imppint" | "imperialpint" | "imperialpints" => {
            volume_of(number, L_PER_IMPERIAL_GAL / 8.0)
        }
        "m" | "metre" | "metres" | "meter" | "meters" => length_of(number, 1.0),
        "mm" => length_of(number, 1e-3),
        "cm" => length_of(number, 1e-2),
        "in" | "inch" | "inches" | "\"" | "″" => length_of(number, M_PER_IN),
        "ft" | "foot" | "feet" | "'" | "′" => length_of(number, 12.0 * M_PER_IN),
        "c" | "°c" | "degc" | "cel" | "celsius" => degrees(number),
        "f" | "°f" | "degf" | "fahrenheit" => degrees((number - 32.0) / 1.8),
        "k" | "kelvin" => degrees(number - 273.15),
        _ => {
            return Err(NotUnderstood::UnknownUnit {
                text: cut(text),
                number: number.to_string(),
                unit: cut(unit),
                wanted,
            });
        }
    };
    Ok(typed)
}

const L_PER_IMPERIAL_GAL: f64 = 4.546_09;

fn mass_of(number: f64, kg: f64) -> Typed {
    Typed::Mass(Kilograms(number * kg))
}

fn volume_of(number: f64, litres: f64) -> Typed {
    Typed::Volume(Litres(number * litres))
}

fn length_of(number: f64, metres: f64) -> Typed {
    Typed::Length(Metres(number * metres))
}

fn degrees(celsius: f64) -> Typed {
    Typed::Temperature(DegreesCelsius(celsius))
}

/// Enough of what was typed to recognise it.
fn cut(text: &str) -> String {
    text.trim().chars().take(40).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn what_people_type_is_read() {
        for (text, kg) in [
            ("25 lb", 11.339_809_25),
            ("25lbs", 11.339_809_25),
            ("5 lb 4 oz", 2.381_359_942_5),
            ("5 lb, 4 oz", 2.381_359_942_5),
            ("1,5 kg", 1.5),
            ("1.5 Kilos", 1.5),
            ("½ lb", 0.226_796_185),
            ("2 1/2 lb", 1.133_980_925),
            ("1/2 lb", 0.226_796_185),
            ("2½lb", 1.133_980_925),
            ("0 kg", 0.0),
        ] {
            let got = mass(text).unwrap().0;
            assert!((got - kg).abs() < 1e-12, "{text}: {got}");
        }
        assert_eq!(volume("15 US gal").unwrap(), Litres(15.0 * L_PER_US_GAL));
        assert_eq!(volume("1 imp gal").unwrap(), Litres(4.546_09));
        assert!((length("5 3/4\"").unwrap().0 - 0.146_05).abs() < 1e-12);
        assert!((temperature("68 °F").unwrap().0 - 20.0).abs() < 1e-12);
        assert!((temperature("-4F").unwrap().0 + 20.0).abs() < 1e-12);
    }

    #[test]
    fn errors_say_what_was_understood_and_what_to_write() {
        for (result, expected) in [
            (mass("25"), "\"25\" has no unit; write 25 kg or 25 lb"),
            (
                mass("25 lbz"),
                "\"25 lbz\": the number is 25, but \"lbz\" is no unit of mass; use kg, g, lb or oz",
            ),
            (
                mass("5 gal"),
                "\"5 gal\" is a volume, and this must be a mass in kg, g, lb or oz",
            ),
            (
                mass("lb"),
                "\"lb\" has no number; write a mass like 10 kg or 25 lb",
            ),
            (
                mass(""),
                "\"\" has no number; write a mass like 10 kg or 25 lb",
            ),
            (
                mass("1,000 lb"),
                "\"1,000 lb\" can be read two ways; write the number without a comma",
            ),
            (mass("-3 kg"), "\"-3 kg\" is below zero; a mass can't be"),
            (
                mass("5 lb 4 gal"),
                "\"5 lb 4 gal\" is a volume, and this must be a mass in kg, g, lb or oz",
            ),
        ] {
            assert_eq!(result.unwrap_err().to_string(), expected);
        }
    }

    proptest! {
        #[test]
        fn nothing_typed_makes_it_panic(text in "\\PC{0,40}") {
            let _ = mass(&text);
            let _ = mass_or_volume(&text);
            let _ = temperature(&text);
        }

        #[test]
        fn numbers_come_back(value in 0.001f64..1e6) {
            let got = mass(&format!("{value} lb")).unwrap().0;
            prop_assert!((got / KG_PER_LB - value).abs() < 1e-9 * value);
        }
    }
}
