//! Level and rate of one feeder from what was seen so far: a filter with two states that never
//! looks ahead, so that a live run and a later one say the same.
//!
//! States: litres `V` and litres an hour `R`, `dV = -R dt`, `dR = -R dt / tau + noise` around a slow
//! mean; R. E. Kalman, *A new approach to linear filtering and prediction problems*, J. Basic Eng.
//! 82 (1960) 35–45.

use crate::grid::STEP_HOURS;

/// What is believed at a node.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct Followed {
    /// Litres.
    pub litres: f64,
    /// Its standard deviation.
    pub litres_sd: f64,
    /// Litres an hour that leave it.
    pub rate: f64,
    /// Its standard deviation.
    pub rate_sd: f64,
    /// Nodes since the newest reading.
    pub age: usize,
}

/// The filter's parameters.
pub struct LevelFilter {
    capacity_l: f64,
    noise_l: f64,
}

/// How long a rate remembers, hours.
const MEMORY_HOURS: f64 = 24.0;
/// How far rates lie apart, l/h for each litre of capacity.
const RATE_SD_PER_CAPACITY: f64 = 0.006;
/// A reading this far off is drawn in, standard deviations.
const CLIP_SDS: f64 = 3.0;
/// So many of them in a row, all on one side, are right: something happened that nobody saw.
const GIVE_IN: i32 = 4;

impl LevelFilter {
    /// For a feeder of a size with a node's noise.
    pub fn new(capacity_l: f64, noise_l: f64) -> Self {
        Self {
            capacity_l,
            noise_l,
        }
    }

    /// Runs along. `changed` holds the node of the newest fill or spill at or before each node.
    pub fn run(&self, litres: &[f64], changed: &[Option<usize>]) -> Vec<Followed> {
        let rate_sd = RATE_SD_PER_CAPACITY * self.capacity_l;
        let q = 2.0 * rate_sd * rate_sd / MEMORY_HOURS;
        let dt = STEP_HOURS;
        let stay = (-dt / MEMORY_HOURS).exp();
        let noise = self.noise_l * self.noise_l;
        let wide = self.capacity_l * self.capacity_l;
        let (mut v, mut r) = (0.0, 0.0);
        let (mut vv, mut vr, mut rr) = (wide, 0.0, rate_sd * rate_sd);
        let mut age = usize::MAX;
        let mut clipped = 0i32;
        let mut found = Vec::with_capacity(litres.len());
        for (k, &z) in litres.iter().enumerate() {
            v -= r * dt;
            let cross = vr - rr * dt;
            vv += -2.0 * vr * dt + rr * dt * dt + q * dt.powi(3) / 3.0;
            vr = cross * stay - q * dt * dt / 2.0;
            r *= stay;
            rr = rr * stay * stay + q * dt;
            if changed[k] == Some(k) {
                (vv, vr) = (wide, 0.0);
                rr = rr.max(0.25 * rate_sd * rate_sd);
            }
            age = age.saturating_add(1);
            if !z.is_nan() {
                let s = vv + noise;
                let limit = CLIP_SDS * s.sqrt();
                let off = z - v;
                let side = if off > limit {
                    1
                } else {
                    -i32::from(off < -limit)
                };
                clipped = if side * clipped < 0 || side == 0 {
                    side
                } else {
                    clipped + side
                };
                if clipped.abs() >= GIVE_IN {
                    (vv, vr, clipped) = (wide, 0.0, 0);
                }
                let s = vv + noise;
                let limit = CLIP_SDS * s.sqrt();
                let residual = off.clamp(-limit, limit);
                let (gv, gr) = (vv / s, vr / s);
                v += gv * residual;
                r += gr * residual;
                rr -= gr * vr;
                vr -= gv * vr;
                vv -= gv * vv;
                age = 0;
            }
            found.push(Followed {
                litres: v,
                litres_sd: vv.max(0.0).sqrt(),
                rate: r,
                rate_sd: rr.max(0.0).sqrt(),
                age,
            });
        }
        found
    }
}
