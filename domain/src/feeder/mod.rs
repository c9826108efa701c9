//! Feeders: their shapes, from the level of the syrup to litres and back; how a shape is measured
//! out; and what each kind is good for and how it fails.

mod calibrate;
mod kind;
mod shape;
mod tapered;

pub use calibrate::{Calibration, CalibrationError, StraightFit, calibrate, from_pours};
pub use kind::{Failure, KindFacts, facts};
pub use shape::{BadShape, Shape};
pub use tapered::{Section, Tapered};
