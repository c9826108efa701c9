//! One feeder over time: a state-space model of what is in it, how fast the colony takes it, and
//! what its sensor gets wrong. `docs/estimator.md` has the equations in one place.

mod empty;
mod filter;
mod learn;
mod model;
mod observe;
mod smooth;
mod unsensed;

pub use model::{FeederCourse, FilledVolume, SensorTraits};
pub use observe::{Observations, Watched, observe};
pub use smooth::{Task, Workspace, estimate};
pub use unsensed::{Appetite, guess_without_sensor};
