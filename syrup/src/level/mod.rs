//! From what a level sensor says to litres at 20 °C, with how far off that can be and why.

mod budget;
mod convert;
mod sound;

pub use budget::{Budget, Doubts, Term, budget, usual_doubts};
pub use convert::{Gauge, Inputs, Wall, litres_at_20};
pub use sound::{Reckons, air_distance, speed_of_sound_m_s, straight_line_speed_m_s};
