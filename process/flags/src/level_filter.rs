//! Level and rate of one feeder from what was seen so far: a filter with two states that never
//! looks ahead, so that a live run and a later one say the same.
//!
//! States: litres `V` and litres an hour `R`, `dV = -R dt`, `dR = -R dt / tau + noise` around a slow
//! mean; the filter is that of [`larder_estimate::math::kalman`].

use larder_estimate::math::kalman::{CUBE_INTEGRAL, State, Transition, Vector};
use larder_estimate::series::grid::STEP_HOURS;

larder_estimate::numbers! { "flags.level_filter":
    /// How long a rate remembers, hours.
    MEMORY_HOURS: f64 = 24.0, "h", [8.0, 72.0], Chosen;
    /// How far rates lie apart, l/h for each litre of capacity.
    RATE_SD_PER_CAPACITY: f64 = 0.006, "1", [0.002, 0.018], Chosen;
    /// A reading this far off is drawn in, standard deviations.
    CLIP_SDS: f64 = 3.0, "1", [1.0, 9.0], Chosen;
    /// This many clipped readings in a row, all on one side, are right: something happened that nobody
    /// saw.
    GIVE_IN: i32 = 4, "1", [1.0, 12.0], Chosen;
    /// After a fill a rate is no better known than this share of its variance.
    FRESH_VARIANCE: f64 = 0.25, "1", [0.083, 0.75], Chosen;
}

/// What is believed at a node.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct Filtered {
    /// Litres in the feeder.
    pub litres: f64,
    /// Standard deviation of `litres`, l.
    pub litres_sd: f64,
    /// Rate at which syrup leaves the feeder, l/h.
    pub rate: f64,
    /// Standard deviation of `rate`, l/h.
    pub rate_sd: f64,
    /// Nodes since the newest reading.
    pub age: usize,
}

/// The filter's parameters.
pub struct LevelFilter {
    capacity_l: f64,
    noise_l: f64,
}

impl LevelFilter {
    /// For a feeder of a size with a node's noise.
    pub fn new(capacity_l: f64, noise_l: f64) -> Self {
        Self {
            capacity_l,
            noise_l,
        }
    }

    /// Runs along. `changed` holds the node of the newest fill or spill at or before each node.
    pub fn run(&self, litres: &[f64], changed: &[Option<usize>]) -> Vec<Filtered> {
        let rate_sd = RATE_SD_PER_CAPACITY * self.capacity_l;
        let q = 2.0 * rate_sd * rate_sd / MEMORY_HOURS;
        let dt = STEP_HOURS;
        let noise = self.noise_l * self.noise_l;
        let wide = self.capacity_l * self.capacity_l;
        let step = Step {
            stay: (-dt / MEMORY_HOURS).exp(),
        };
        let mut state = State {
            mean: [0.0; 2],
            covariance: [[wide, 0.0], [0.0, rate_sd * rate_sd]],
        };
        let mut age = usize::MAX;
        let mut clipped = 0i32;
        let mut found = Vec::with_capacity(litres.len());
        for (k, &reading) in litres.iter().enumerate() {
            state.predict(&step);
            state.covariance[VOLUME][VOLUME] += q * dt.powi(3) / CUBE_INTEGRAL;
            state.covariance[RATE][RATE] += q * dt;
            state.covariance[VOLUME][RATE] -= q * dt * dt / 2.0;
            state.covariance[RATE][VOLUME] = state.covariance[VOLUME][RATE];
            if changed[k] == Some(k) {
                forget_volume(&mut state, wide);
                let rate = &mut state.covariance[RATE][RATE];
                *rate = rate.max(FRESH_VARIANCE * rate_sd * rate_sd);
            }
            age = age.saturating_add(1);
            if !reading.is_nan() {
                let off = reading - state.mean[VOLUME];
                let mut innovation = state.innovation(&SEES_VOLUME, noise);
                let side = match CLIP_SDS * innovation.variance().sqrt() {
                    limit if off > limit => 1,
                    limit if off < -limit => -1,
                    _ => 0,
                };
                clipped = if side * clipped < 0 || side == 0 {
                    side
                } else {
                    clipped + side
                };
                if clipped.abs() >= GIVE_IN {
                    clipped = 0;
                    forget_volume(&mut state, wide);
                    innovation = state.innovation(&SEES_VOLUME, noise);
                }
                let limit = CLIP_SDS * innovation.variance().sqrt();
                state.update(&innovation, off.clamp(-limit, limit));
                age = 0;
            }
            found.push(Filtered {
                litres: state.mean[VOLUME],
                litres_sd: state.covariance[VOLUME][VOLUME].max(0.0).sqrt(),
                rate: state.mean[RATE],
                rate_sd: state.covariance[RATE][RATE].max(0.0).sqrt(),
                age,
            });
        }
        found
    }
}

const VOLUME: usize = 0;
const RATE: usize = 1;
const SEES_VOLUME: [f64; 2] = [1.0, 0.0];

/// What becomes of volume and rate from one node to the next.
struct Step {
    /// What stays of the rate.
    stay: f64,
}

impl Transition<2> for Step {
    fn forwards(&self, states: &mut Vector<2>) {
        states[VOLUME] -= states[RATE] * STEP_HOURS;
        states[RATE] *= self.stay;
    }

    fn backwards(&self, gradient: &mut Vector<2>) {
        gradient[RATE] = self.stay * gradient[RATE] - STEP_HOURS * gradient[VOLUME];
    }
}

/// Nothing is known of the volume any more.
fn forget_volume(state: &mut State<2>, wide: f64) {
    state.covariance[VOLUME] = [wide, 0.0];
    state.covariance[RATE][VOLUME] = 0.0;
}
