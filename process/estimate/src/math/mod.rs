//! Statistics and state-space models that know nothing of bees.

pub mod kalman;
pub mod robust;
