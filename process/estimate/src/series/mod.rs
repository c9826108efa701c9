//! Readings on a common grid: the one layer of observation that estimates and flags share. They
//! differ in what a node may know, and that is an argument: see [`Look`].

pub mod clean;
pub mod days;
pub mod grid;
pub mod level;
pub mod resolution;
pub mod runs;
pub mod scale;
pub mod strengths;
pub mod sun;
pub mod syrup_temperature;
pub mod water;
pub mod weather;

pub use grid::{Grid, Look};
pub use weather::Weather;

use grid::{STEP_HOURS, STEP_MS};
use larder_domain::Timestamp;

crate::numbers! { "estimate.series":
    /// The temperature at which a load cell or a level sensor is taken to be right, Cel: what it drifts with
    /// warmth counts from here.
    pub SENSOR_REFERENCE_CEL: f64 = 15.0, "Cel", [5.0, 45.0], Chosen;
}

/// The temperature of something that follows `air` with a lag: a first-order low pass.
pub fn lagged(air: &[f64], lag_hours: f64) -> Vec<f64> {
    let share = 1.0 - (-STEP_HOURS / lag_hours).exp();
    let mut inside = f64::NAN;
    let follow = |&outside: &f64| {
        if inside.is_nan() {
            inside = outside;
        } else if !outside.is_nan() {
            inside += share * (outside - inside);
        }
        inside
    };
    air.iter().map(follow).collect()
}

/// `values` at `at`, on a straight line between nodes; NaN where unknown.
pub fn at_time(grid: &Grid, values: &[f64], at: Timestamp) -> f64 {
    let offset = (at.0 - grid.time(0).0).max(0);
    let k = (offset / STEP_MS) as usize;
    let share = (offset % STEP_MS) as f64 / STEP_MS as f64;
    match (values.get(k), values.get(k + 1)) {
        (Some(&a), Some(&b)) if !b.is_nan() => a + share * (b - a),
        (Some(&a), _) => a,
        _ => f64::NAN,
    }
}
