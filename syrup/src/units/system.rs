//! US customary or metric: one choice of a user or a yard, and every page, command and notice
//! follows it. Inside, everything stays in SI units.

use super::{DegreesCelsius, Kilograms, Litres, Metres, Shown};
use std::fmt;

pub(super) const KG_PER_LB: f64 = 0.453_592_37;
pub(super) const KG_PER_OZ: f64 = KG_PER_LB / 16.0;
pub(super) const L_PER_US_GAL: f64 = 3.785_411_784;
pub(super) const L_PER_US_QT: f64 = L_PER_US_GAL / 4.0;
pub(super) const M_PER_IN: f64 = 0.025_4;

/// The units that someone reads and writes.
#[derive(
    Clone, Copy, PartialEq, Eq, Hash, Debug, Default, strum::IntoStaticStr, strum::VariantArray,
)]
#[strum(serialize_all = "snake_case")]
pub enum UnitSystem {
    /// Litres, kilograms, °C, millimetres.
    #[default]
    Metric,
    /// US gallons and quarts, pounds, °F, inches.
    Us,
}

/// A word that is no unit system.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
#[error("units are \"metric\" or \"us\", not \"{0}\"")]
pub struct BadUnitSystem(String);

impl UnitSystem {
    /// Both.
    pub const ALL: &'static [Self] = <Self as strum::VariantArray>::VARIANTS;

    /// The word in settings and on the wire.
    pub fn name(self) -> &'static str {
        self.into()
    }

    /// Reads the word back; capitals do not matter.
    pub fn parse(word: &str) -> Result<Self, BadUnitSystem> {
        let lower = word.trim().to_ascii_lowercase();
        Self::ALL
            .iter()
            .copied()
            .find(|system| system.name() == lower)
            .ok_or_else(|| BadUnitSystem(word.chars().take(40).collect()))
    }

    /// A volume: `630 ml`, `6.15 L`, `24.4 gal`; in the US below a gallon in quarts.
    pub fn volume(self, volume: Litres) -> Shown {
        let litres = volume.0;
        match self {
            Self::Metric if litres.abs() < 0.9995 => shown(litres * 1000.0, 0, "ml"),
            Self::Metric => three_digits(litres, "L"),
            Self::Us if litres.abs() < L_PER_US_GAL * 0.9995 => {
                shown(litres / L_PER_US_QT, 2, "qt")
            }
            Self::Us => three_digits(litres / L_PER_US_GAL, "gal"),
        }
    }

    /// A volume in the system's main unit whatever its size, for columns and axes.
    pub fn volume_in_main(self, volume: Litres) -> Shown {
        match self {
            Self::Metric => three_digits(volume.0, "L"),
            Self::Us => three_digits(volume.0 / L_PER_US_GAL, "gal"),
        }
    }

    /// A mass: `250 g`, `6.15 kg`, `25 lb`; in the US below a pound in ounces.
    pub fn mass(self, mass: Kilograms) -> Shown {
        let kg = mass.0;
        match self {
            Self::Metric if kg.abs() < 0.9995 => shown(kg * 1000.0, 0, "g"),
            Self::Us if kg.abs() < KG_PER_LB * 0.9995 => shown(kg / KG_PER_OZ, 1, "oz"),
            _ => self.mass_in_main(mass),
        }
    }

    /// A mass in the system's main unit whatever its size, for columns and axes.
    pub fn mass_in_main(self, mass: Kilograms) -> Shown {
        match self {
            Self::Metric => three_digits(mass.0, "kg"),
            Self::Us => three_digits(mass.0 / KG_PER_LB, "lb"),
        }
    }

    /// A temperature to the whole degree: `20 °C`, `68 °F`.
    pub fn temperature(self, temperature: DegreesCelsius) -> Shown {
        self.temperature_to(temperature, 0)
    }

    /// A temperature with `digits` after the point.
    pub fn temperature_to(self, temperature: DegreesCelsius, digits: usize) -> Shown {
        match self {
            Self::Metric => shown(temperature.0, digits, "°C"),
            Self::Us => shown(temperature.0 * 1.8 + 32.0, digits, "°F"),
        }
    }

    /// A level or a part's length: `145 mm`, `5.71 in`; from a metre up `1.2 m`.
    pub fn length(self, length: Metres) -> Shown {
        match self {
            Self::Metric if length.0.abs() < 0.9995 => shown(length.0 * 1000.0, 0, "mm"),
            Self::Metric => shown(length.0, 2, "m"),
            Self::Us => shown(length.0 / M_PER_IN, 2, "in"),
        }
    }

    /// How much mass a volume holds: `1.33 kg/L`, `11.1 lb/gal`.
    pub fn density(self, kg_per_l: f64) -> Shown {
        match self {
            Self::Metric => shown(kg_per_l, 3, "kg/L"),
            Self::Us => shown(kg_per_l * L_PER_US_GAL / KG_PER_LB, 2, "lb/gal"),
        }
    }
}

impl fmt::Display for UnitSystem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

fn shown(value: f64, digits: usize, unit: &'static str) -> Shown {
    Shown {
        value,
        digits,
        unit,
    }
}

/// About three digits that count: nobody pours or weighs finer.
fn three_digits(value: f64, unit: &'static str) -> Shown {
    let digits = match value.abs() {
        v if v < 9.995 => 2,
        v if v < 99.95 => 1,
        _ => 0,
    };
    shown(value, digits, unit)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quantities_read_as_people_say_them() {
        use UnitSystem::{Metric, Us};
        let checks = [
            (Metric.volume(Litres(0.63)), "630 ml"),
            (Metric.volume(Litres(6.148)), "6.15 L"),
            (Metric.volume(Litres(9.999)), "10 L"),
            (Metric.volume(Litres(1040.988)), "1041 L"),
            (Us.volume(Litres(18.927_058_92)), "5 gal"),
            (Us.volume(Litres(0.946_352_946)), "1 qt"),
            (Us.volume(Litres(208.2)), "55 gal"),
            (Metric.mass(Kilograms(0.25)), "250 g"),
            (Us.mass(Kilograms(11.339_809_25)), "25 lb"),
            (Us.mass(Kilograms(0.1)), "3.5 oz"),
            (Metric.temperature(DegreesCelsius(19.64)), "20 °C"),
            (Us.temperature(DegreesCelsius(20.0)), "68 °F"),
            (Metric.length(Metres(0.145)), "145 mm"),
            (Us.length(Metres(0.145)), "5.71 in"),
            (Us.density(1.326_75), "11.07 lb/gal"),
        ];
        for (got, expected) in checks {
            assert_eq!(got.to_string(), expected);
        }
    }

    #[test]
    fn the_setting_is_read_back() {
        for &system in UnitSystem::ALL {
            assert_eq!(UnitSystem::parse(system.name()), Ok(system));
        }
        assert_eq!(UnitSystem::parse(" US "), Ok(UnitSystem::Us));
        assert_eq!(
            UnitSystem::parse("imperial").unwrap_err().to_string(),
            "units are \"metric\" or \"us\", not \"imperial\""
        );
    }
}
