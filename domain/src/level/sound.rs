//! Sound in air: how far an ultrasonic gauge really looks.

use crate::units::DegreesCelsius;

/// Speed of sound in dry air, m/s: ideal gas, 331.3 √(1 + t/273.15). Within 0.15 m/s of the
/// equation of state of Lemmon et al. (2000) from -10 to 40 °C; moist air is 0.1 to 0.6 % faster.
pub fn speed_of_sound_m_s(air: DegreesCelsius) -> f64 {
    331.3 * (1.0 + air.0.max(-100.0) / 273.15).sqrt()
}

/// The distance that is really there when a gauge that reckons with the speed of sound at
/// `set_for` reads `reading_m` in air of `air`.
pub fn air_distance(reading_m: f64, set_for: DegreesCelsius, air: DegreesCelsius) -> f64 {
    reading_m * speed_of_sound_m_s(air) / speed_of_sound_m_s(set_for)
}
