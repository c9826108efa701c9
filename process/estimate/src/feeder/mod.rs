//! One feeder over time: a state-space model of what is in it, how fast the colony takes it, and
//! what its sensor gets wrong. `docs/estimator.md` has the equations in one place.

pub(crate) mod empty;
pub(crate) mod filter;
pub(crate) mod learn;
mod model;
pub(crate) mod observe;
pub(crate) mod smooth;
pub(crate) mod unsensed;

pub use model::{FeederCourse, FilledVolume, SensorTraits};
pub use observe::{Observations, Watched, observe};
pub use smooth::{Task, Workspace, estimate};
pub use unsensed::{Guess, NightGain, Unsensed, guess_without_sensor};
