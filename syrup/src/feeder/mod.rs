//! Feeders' shapes, from the level of the syrup to litres and back, and how a shape is measured out.

mod calibrate;
mod shape;
mod tapered;

pub use calibrate::{Calibration, CalibrationError, StraightFit, calibrate, from_pours};
pub use shape::{BadShape, Shape};
pub use tapered::{Section, Tapered};
