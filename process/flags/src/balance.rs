//! Hour by hour: what left the hive and what left its feeders. Syrup that a colony takes stays on
//! the scale; syrup that leaks or is robbed does not. What the whole yard's hives do at the same
//! time (bees out, rain, drying) is taken off, since neighbours are the control group.

use super::drying::dried_off;
use super::signals::{HiveSignals, Signals, nodes};
use larder_estimate::analysis::YardAnalysis;
use larder_estimate::input::YardInput;
use larder_estimate::math::robust::median;

larder_estimate::numbers! { "flags.balance":
    /// Windows over which changes are looked at, hours.
    pub WINDOWS: [f64; 6] = [1.5, 2.0, 3.0, 6.0, 12.0, 24.0], "1", [0.5, 72.0], Chosen;
    /// A median of fewer hives says little of what the yard does.
    LEAST_HIVES: usize = 3, "1", [1.0, 9.0], Chosen;
    /// A weight is carried over silence for so many nodes.
    CARRIED: usize = 2, "1", [1.0, 6.0], Chosen;
}

/// The yard's weights, smoothed and differenced.
pub struct Balance {
    /// For each hive: the weight at each node, mean of the last hour, kg.
    weight: Vec<Vec<f64>>,
    /// For each hive: the same with the water put back that dried off since the record began, kg.
    undried: Vec<Vec<f64>>,
    /// For each window: the yard's median change at each node with the water put back, kg.
    common_undried: Vec<Vec<f64>>,
}

impl Balance {
    /// The balance of one yard.
    pub(super) fn of(input: &YardInput<'_>, signals: &Signals, analysis: &YardAnalysis) -> Self {
        let weight: Vec<Vec<f64>> = signals.hives.iter().map(hourly).collect();
        let dried = dried_off(input, signals, analysis, &weight);
        let put_back = |(weight, dried): (&Vec<f64>, Vec<f64>)| {
            weight
                .iter()
                .zip(dried)
                .map(|(kg, dried)| kg + dried)
                .collect()
        };
        let undried: Vec<Vec<f64>> = weight.iter().zip(dried).map(put_back).collect();
        Self {
            common_undried: WINDOWS.map(|hours| every_median(&undried, hours)).to_vec(),
            weight,
            undried,
        }
    }

    /// How much a hive's weight changed in the window before node `k`, kg.
    pub fn change(&self, hive: usize, k: usize, window: usize) -> f64 {
        change(&self.weight[hive], k, nodes(WINDOWS[window]))
    }

    /// How much the weight of the yard's median hive changed in the window before node `k`, kg; NaN
    /// where too few are weighed.
    pub fn common(&self, k: usize, window: usize) -> f64 {
        median_change(&self.weight, k, nodes(WINDOWS[window]), &mut Vec::new())
    }

    /// The weight at a node, kg.
    pub fn weight(&self, hive: usize, k: usize) -> f64 {
        self.weight[hive][k]
    }

    /// The weight at a node with the water put back that dried off, kg: what else comes and goes.
    pub fn undried(&self, hive: usize, k: usize) -> f64 {
        self.undried[hive][k]
    }

    /// What a hive lost beyond the yard in the window before node `k`, kg, where a yard that gains says
    /// nothing: a weak hive need not gain with it.
    pub fn loss_beside(&self, hive: usize, k: usize, window: usize) -> f64 {
        let common = self.common_undried[window][k];
        self.excess_loss(hive, k, window) - common.max(0.0)
    }

    /// What dried off in a window, kg.
    pub fn dried(&self, hive: usize, k: usize, back: usize) -> f64 {
        change(&self.undried[hive], k, back) - change(&self.weight[hive], k, back)
    }

    /// What the hive lost in the window beyond what its yard did and what dried off, kg.
    pub fn excess_loss(&self, hive: usize, k: usize, window: usize) -> f64 {
        let common = self.common_undried[window][k];
        let expected = if common.is_nan() { 0.0 } else { common };
        expected - change(&self.undried[hive], k, nodes(WINDOWS[window]))
    }
}

/// At each node the median over the hives of the change in the hours before.
fn every_median(weight: &[Vec<f64>], hours: f64) -> Vec<f64> {
    let n = weight.first().map_or(0, Vec::len);
    let mut scratch = Vec::with_capacity(weight.len());
    let median = |k| median_change(weight, k, nodes(hours), &mut scratch);
    (0..n).map(median).collect()
}

fn median_change(weight: &[Vec<f64>], k: usize, back: usize, known: &mut Vec<f64>) -> f64 {
    known.clear();
    let changes = weight.iter().map(|w| change(w, k, back));
    known.extend(changes.filter(|c| !c.is_nan()));
    if known.len() < LEAST_HIVES {
        return f64::NAN;
    }
    median(known).unwrap_or(f64::NAN)
}

fn change(weight: &[f64], k: usize, back: usize) -> f64 {
    if k < back {
        f64::NAN
    } else {
        weight[k] - weight[k - back]
    }
}

fn hourly(hive: &HiveSignals) -> Vec<f64> {
    let free = &hive.free_kg;
    let mut age = usize::MAX;
    let mut last = f64::NAN;
    (0..free.len())
        .map(|k| {
            let before = if k > 0 { free[k - 1] } else { f64::NAN };
            let mean = match (free[k].is_nan(), before.is_nan()) {
                (false, false) => 0.5 * (free[k] + before),
                (false, true) => free[k],
                (true, _) => f64::NAN,
            };
            if mean.is_nan() {
                age = age.saturating_add(1);
                return if age <= CARRIED { last } else { f64::NAN };
            }
            (last, age) = (mean, 0);
            mean
        })
        .collect()
}
