//! The model's states, its parameters and what it returns.
//!
//! States at a node: litres in the feeder `V`, litres an hour that the colony takes `R`, litres
//! taken since local midnight `A`, and three constants of the sensor that are learned: offset `o`,
//! drift with warmth `b`, and the share `s` by which the geometry given is off.
//!
//! ```text
//! dV = -R dt - losses + fills          A = integral of R since midnight
//! dR = (m - R) dt / tau + noise        m: what the colony takes these hours, from a first pass
//! z  = (1 + s) e V + L (o + b (T - 15)) + noise
//! ```
//!
//! `z` is the level by the geometry given, `e` the expansion of syrup from 20 Cel, `L` litres per
//! unit of the sensor at that level. Because `A` is a state of its own, a day's uptake comes with
//! its exact variance, fills and gaps included.

use crate::kalman::{Matrix, Transition, Vector};

/// How many states there are.
pub(super) const N: usize = 6;
pub(super) const VOLUME: usize = 0;
pub(super) const RATE: usize = 1;
pub(super) const TAKEN: usize = 2;
pub(super) const OFFSET: usize = 3;
pub(super) const WARMTH: usize = 4;
pub(super) const SHARE: usize = 5;

/// A feeder's course over the grid; all vectors have one entry for each node.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct FeederCourse {
    /// Litres in it, at 20 Cel.
    pub volume_l: Vec<f64>,
    /// Standard deviation of that.
    pub volume_sd: Vec<f64>,
    /// Litres an hour that leave it towards the colony.
    pub rate: Vec<f64>,
    /// Standard deviation of that.
    pub rate_sd: Vec<f64>,
    /// Nodes at which nothing is left in it.
    pub empty: Vec<bool>,
    /// What was taken between a midnight and the one before, at the later one: mean and variance.
    pub taken: Vec<Option<(f64, f64)>>,
    /// One for each change given, in their order.
    pub changes: Vec<FilledVolume>,
    /// What was learned of the sensor; `None` where there is none.
    pub sensor: Option<SensorTraits>,
}

/// How much came in (or went out) at a change, l at 20 Cel.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct FilledVolume {
    /// Litres.
    pub litres: f64,
    /// Standard deviation.
    pub sd: f64,
    /// What was in it just before.
    pub litres_before: f64,
}

/// What was learned of a level sensor and the geometry given for it.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct SensorTraits {
    /// Reading at an empty feeder in the channel's unit (m, l, kg): value and standard deviation.
    pub offset: (f64, f64),
    /// Reading per kelvin in the channel's unit.
    pub per_kelvin: (f64, f64),
    /// By what share the geometry given makes volumes too large.
    pub geometry_share: (f64, f64),
    /// Noise of one reading, l.
    pub noise_l: f64,
}

/// How the colony's appetite moves around its mean of the hours.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) struct Appetite {
    /// Mean, l/h.
    pub mean: f64,
    /// Standard deviation around it, l/h.
    pub sd: f64,
    /// How long it remembers, hours.
    pub memory_hours: f64,
}

/// The matrices of one step of `dt` hours; `keep` is 0 where a new day starts, else 1.
pub(super) fn step(
    appetite: &Appetite,
    dt: f64,
    keep: f64,
) -> (Transition<N>, Vector<N>, Matrix<N>) {
    let tau = appetite.memory_hours;
    let stay = (-dt / tau).exp();
    let from_rate = tau * (1.0 - stay);
    let from_mean = (dt - from_rate) * appetite.mean;
    let mut transition = Transition::stay();
    transition.set(VOLUME, &[(VOLUME, 1.0), (RATE, -from_rate)]);
    transition.set(RATE, &[(RATE, stay)]);
    transition.set(TAKEN, &[(TAKEN, keep), (RATE, from_rate)]);
    let mut input = [0.0; N];
    input[VOLUME] = -from_mean;
    input[TAKEN] = from_mean;
    input[RATE] = (1.0 - stay) * appetite.mean;
    let q = 2.0 * appetite.sd.powi(2) / tau;
    let (q1, q2, q3) = (q * dt, q * dt * dt / 2.0, q * dt.powi(3) / 3.0);
    let mut noise = [[0.0; N]; N];
    noise[RATE][RATE] = q1;
    noise[VOLUME][VOLUME] = q3;
    noise[TAKEN][TAKEN] = q3;
    set(&mut noise, VOLUME, RATE, -q2);
    set(&mut noise, TAKEN, RATE, q2);
    set(&mut noise, VOLUME, TAKEN, -q3);
    (transition, input, noise)
}

fn set(matrix: &mut Matrix<N>, i: usize, j: usize, value: f64) {
    matrix[i][j] = value;
    matrix[j][i] = value;
}
