//! Sound in air: how far an ultrasonic gauge really looks.

use crate::units::DegreesCelsius;

/// Speed of sound in dry air, m/s: ideal gas, 331.3 √(1 + t/273.15). Within 0.15 m/s of the
/// equation of state of Lemmon et al. (2000) from -10 to 40 °C; moist air is 0.1 to 0.6 % faster.
pub fn speed_of_sound_m_s(air: DegreesCelsius) -> f64 {
    331.3 * (1.0 + air.0.max(-100.0) / 273.15).sqrt()
}

/// Speed of sound by the straight-line rule 331.3 + 0.606 t, m/s (common practice), by which many
/// gauges correct themselves. Right at 0 °C and 0.8 m/s too fast at 40 °C.
pub fn straight_line_speed_m_s(air: DegreesCelsius) -> f64 {
    331.3 + 0.606 * air.0
}

/// The speed of sound that an ultrasonic gauge reckons with.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Reckons {
    /// With the speed at this temperature, whatever the air's is.
    At(DegreesCelsius),
    /// With the air's own temperature, which it measures, by the straight-line rule.
    ByStraightLine,
}

impl Reckons {
    fn speed_m_s(self, air: DegreesCelsius) -> f64 {
        match self {
            Self::At(set_for) => speed_of_sound_m_s(set_for),
            Self::ByStraightLine => straight_line_speed_m_s(air),
        }
    }
}

/// The distance that is really there when a gauge reads `reading_m` in dry air of `air`.
pub fn air_distance(reading_m: f64, reckons: Reckons, air: DegreesCelsius) -> f64 {
    reading_m * speed_of_sound_m_s(air) / reckons.speed_m_s(air)
}
