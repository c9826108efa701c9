//! The model's states, its parameters and what it returns.
//!
//! States at a node: litres in the feeder by the geometry given `W`, litres an hour that the colony
//! takes by it `R`, litres taken by it since local midnight `A`, and three constants of the sensor that
//! are learned: offset `o`, drift with warmth `b`, and the share `s` by which the geometry given is off.
//!
//! ```text
//! dW = -R dt + (1 + s) (fills - losses)     A = integral of R since midnight
//! dR = (m - R) dt / tau + noise             m: what the colony takes these hours, from a first pass
//! z  = e W + L (o + b (T - 15)) + noise
//! V  = W / (1 + s), and likewise what is taken: the true litres
//! ```
//!
//! `z` is the level by the geometry given, `e` the expansion of syrup from 20 Cel, `L` litres per
//! unit of the sensor at that level. Only what was weighed or written down tells the share, and it
//! enters where that is poured; were the true litres a state, the reading would be a product of two
//! states, and each fill of unknown size would seem to measure the share. Because `A` is a state of its
//! own, a day's uptake comes with its exact variance, fills and gaps included. No reading and no other
//! state depends on `A`, so it comes last, passes that nobody asks for uptake do without it, and so
//! does the smoother.

use crate::math::kalman::{CUBE_INTEGRAL, Matrix, State, Transition, Vector};
use crate::series::grid::STEP_HOURS;

/// How many states there are.
pub(super) const N: usize = 6;
/// How many of them readings depend on: all but the last.
pub(super) const SEEN: usize = 5;
pub(super) const VOLUME: usize = 0;
pub(super) const RATE: usize = 1;
pub(super) const OFFSET: usize = 2;
pub(super) const WARMTH: usize = 3;
pub(super) const SHARE: usize = 4;
pub(super) const TAKEN: usize = 5;

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
    /// What was learned of each sensor, in the order in which they watched; empty where there is none.
    pub sensors: Vec<SensorTraits>,
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
    /// How long appetite remembers, hours.
    pub memory_hours: f64,
}

/// The step from one node to the next.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) struct Step {
    /// How long the appetite remembers, hours.
    memory_hours: f64,
    /// What stays of the rate.
    stay: f64,
    /// Litres that each litre an hour takes.
    from_rate: f64,
    /// 0 where all of it goes, else 1.
    pub keep_volume: f64,
    /// 0 where a new day starts, else 1.
    pub keep_taken: f64,
    /// 0 where another sensor takes over, else 1.
    pub keep_sensor: f64,
    /// Litres by which the geometry given is the more off the larger its share is: what was measured
    /// otherwise and came in.
    pub by_share: f64,
}

impl Step {
    /// A step that keeps what is in it.
    pub fn new(memory_hours: f64) -> Self {
        let stay = (-STEP_HOURS / memory_hours).exp();
        Self {
            memory_hours,
            stay,
            from_rate: memory_hours * (1.0 - stay),
            keep_volume: 1.0,
            keep_taken: 1.0,
            keep_sensor: 1.0,
            by_share: 0.0,
        }
    }

    /// This step with another memory, hours; most steps have that of the one before.
    pub fn with_memory(self, memory_hours: f64) -> Self {
        if memory_hours.to_bits() == self.memory_hours.to_bits() {
            self
        } else {
            Self::new(memory_hours)
        }
    }

    /// What the appetite takes and how it wanders, put into a state that was carried over the step.
    pub fn add_appetite<const M: usize>(&self, appetite: &Appetite, state: &mut State<M>) {
        let dt = STEP_HOURS;
        let litres = (dt - self.from_rate) * appetite.mean;
        let q = 2.0 * appetite.sd.powi(2) / self.memory_hours;
        let (q1, q2, q3) = (q * dt, q * dt * dt / 2.0, q * dt.powi(3) / CUBE_INTEGRAL);
        let (mean, covariance) = (&mut state.mean, &mut state.covariance);
        mean[VOLUME] -= self.keep_volume * litres;
        mean[RATE] += (1.0 - self.stay) * appetite.mean;
        covariance[RATE][RATE] += q1;
        covariance[VOLUME][VOLUME] += q3;
        add(covariance, VOLUME, RATE, -q2);
        if M > TAKEN {
            mean[TAKEN] += litres;
            covariance[TAKEN][TAKEN] += q3;
            add(covariance, TAKEN, RATE, q2);
            add(covariance, VOLUME, TAKEN, -q3);
        }
    }
}

impl Step {
    fn keep_constants<const M: usize>(&self, states: &mut Vector<M>) {
        for i in [OFFSET, WARMTH, SHARE] {
            states[i] *= self.keep_sensor;
        }
    }
}

impl<const M: usize> Transition<M> for Step {
    fn forwards(&self, states: &mut Vector<M>) {
        let taken = self.from_rate * states[RATE];
        if M > TAKEN {
            states[TAKEN] = self.keep_taken * states[TAKEN] + taken;
        }
        states[VOLUME] =
            self.keep_volume * (states[VOLUME] - taken) + self.by_share * states[SHARE];
        states[RATE] *= self.stay;
        self.keep_constants(states);
    }

    fn backwards(&self, gradient: &mut Vector<M>) {
        let by_share = self.by_share * gradient[VOLUME];
        gradient[VOLUME] *= self.keep_volume;
        gradient[RATE] = self.stay * gradient[RATE] - self.from_rate * gradient[VOLUME];
        if M > TAKEN {
            gradient[RATE] += self.from_rate * gradient[TAKEN];
            gradient[TAKEN] *= self.keep_taken;
        }
        self.keep_constants(gradient);
        gradient[SHARE] += by_share;
    }
}

fn add<const M: usize>(matrix: &mut Matrix<M>, i: usize, j: usize, value: f64) {
    matrix[i][j] += value;
    matrix[j][i] += value;
}
