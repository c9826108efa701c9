//! One strength, said every way at once, so that two people mean the same.

use super::{LooseDensity, Strength};
use crate::physics::water_density_kg_m3;
use crate::units::DegreesCelsius;

/// One syrup's strength in the four ways that people say it.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Views {
    /// Parts of sugar to one part of water, by mass.
    pub parts_by_mass: f64,
    /// Parts of loose sugar to one part of water, by volume.
    pub parts_by_volume: f64,
    /// Percent of the mass that is sugar. Degrees Brix are the same number by definition.
    pub percent: f64,
}

/// What people call a strength, and the parts it means.
const NAMED: [(&str, f64); 9] = [
    ("1:2", 0.5),
    ("2:3", 2.0 / 3.0),
    ("1:1", 1.0),
    ("5:4", 1.25),
    ("4:3", 4.0 / 3.0),
    ("3:2", 1.5),
    ("5:3", 5.0 / 3.0),
    ("2:1", 2.0),
    ("5:2", 2.5),
];

impl Strength {
    /// The four ways of saying it, with loose sugar of the given density.
    pub fn views(self, loose: LooseDensity) -> Views {
        let parts = self.parts_per_water();
        let water_kg_per_l = water_density_kg_m3(DegreesCelsius(20.0)) / 1000.0;
        Views {
            parts_by_mass: parts,
            parts_by_volume: parts * water_kg_per_l / loose.kg_per_l(),
            percent: 100.0 * self.mass_fraction().value(),
        }
    }

    /// As a keeper says it: `1:1` within a quarter point, `a little thinner than 1:1 (0.96:1)`
    /// within two points, else `1.35:1`.
    pub fn spoken(self) -> String {
        const SAME_POINTS: f64 = 0.25;
        const NEAR_POINTS: f64 = 2.0;
        let percent = |parts: f64| 100.0 * parts / (1.0 + parts);
        let own = percent(self.parts_per_water());
        let (name, parts) = NAMED
            .into_iter()
            .min_by(|a, b| {
                let off = |parts: f64| (percent(parts) - own).abs();
                off(a.1).total_cmp(&off(b.1))
            })
            .expect("the list is not empty");
        let off = own - percent(parts);
        let exact = self.parts_text();
        match off.abs() {
            o if o <= SAME_POINTS => name.to_owned(),
            o if o <= NEAR_POINTS && off < 0.0 => format!("a little thinner than {name} ({exact})"),
            o if o <= NEAR_POINTS => format!("a little thicker than {name} ({exact})"),
            _ => exact,
        }
    }

    /// Parts to one of water with two digits: `0.96:1`.
    pub fn parts_text(self) -> String {
        let two = format!("{:.2}", self.parts_per_water());
        format!("{}:1", two.trim_end_matches('0').trim_end_matches('.'))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn strengths_are_said_as_people_say_them() {
        for (sugar, water, spoken) in [
            (2.0, 1.0, "2:1"),
            (125.0, 125.04, "1:1"),
            (11.34, 11.84, "a little thinner than 1:1 (0.96:1)"),
            (10.0, 4.75, "a little thicker than 2:1 (2.11:1)"),
            (1.0, 0.6289, "a little thinner than 5:3 (1.59:1)"),
            (1.0, 6.0, "0.17:1"),
        ] {
            assert_eq!(Strength::by_mass(sugar, water).unwrap().spoken(), spoken);
        }
    }
}
