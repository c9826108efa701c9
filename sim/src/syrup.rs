//! Syrup as sugar and water, so that every gram can be accounted for.

use larder_syrup::Strength;
use larder_syrup::physics;
use larder_syrup::units::{DegreesCelsius, MassFraction};

/// Syrup as its two parts. Mixing two strengths in one feeder is adding.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct Syrup {
    /// Sucrose, kg.
    pub sugar_kg: f64,
    /// Water, kg.
    pub water_kg: f64,
}

impl Syrup {
    /// `litres` of a strength, measured at 20 °C.
    pub fn of_litres(litres: f64, strength: Strength) -> Self {
        let fraction = strength.mass_fraction();
        let mass_kg = litres * physics::density_kg_m3(fraction, DegreesCelsius(20.0)) / 1000.0;
        Self {
            sugar_kg: mass_kg * fraction.value(),
            water_kg: mass_kg * (1.0 - fraction.value()),
        }
    }

    /// Sugar and water together, kg.
    pub fn mass_kg(self) -> f64 {
        self.sugar_kg + self.water_kg
    }

    /// The volume that it takes up at `temperature_c`, l.
    pub fn litres_at(self, temperature_c: f64) -> f64 {
        let mass_kg = self.mass_kg();
        let Ok(fraction) = MassFraction::new(self.sugar_kg / mass_kg) else {
            return 0.0; // nothing there
        };
        mass_kg * 1000.0 / physics::density_kg_m3(fraction, DegreesCelsius(temperature_c))
    }

    /// This share of it.
    pub fn part(self, share: f64) -> Self {
        Self {
            sugar_kg: self.sugar_kg * share,
            water_kg: self.water_kg * share,
        }
    }
}

impl std::ops::AddAssign for Syrup {
    fn add_assign(&mut self, other: Self) {
        self.sugar_kg += other.sugar_kg;
        self.water_kg += other.water_kg;
    }
}

impl std::ops::SubAssign for Syrup {
    fn sub_assign(&mut self, other: Self) {
        self.sugar_kg -= other.sugar_kg;
        self.water_kg -= other.water_kg;
    }
}
