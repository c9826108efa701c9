//! From readings to nodes: each node from the half hour that ends at it.

use crate::grid::{Grid, PER_HOUR};
use larder_domain::{Sample, Timestamp};

/// The node whose half hour holds `at`.
pub fn node_of(grid: &Grid, at: Timestamp) -> Option<usize> {
    if grid.is_empty() || at < grid.time(0) {
        return None;
    }
    let k = grid.at_or_after(at);
    (grid.time(k) >= at).then_some(k)
}

/// Means of the half hours that end at the nodes; the last value is carried for `carried_hours`.
pub fn up_to_node(grid: &Grid, samples: &[Sample], carried_hours: f64) -> Vec<f64> {
    let times = samples.iter().map(|s| s.time);
    let mut values = node_means(grid, times, samples.iter().map(|s| s.value));
    let most = (carried_hours * PER_HOUR as f64) as usize;
    let mut age = usize::MAX;
    let mut last = f64::NAN;
    for value in &mut values {
        if value.is_nan() {
            age = age.saturating_add(1);
            if age <= most {
                *value = last;
            }
        } else {
            (last, age) = (*value, 0);
        }
    }
    values
}

pub(super) fn node_means(
    grid: &Grid,
    times: impl Iterator<Item = Timestamp>,
    values: impl Iterator<Item = f64>,
) -> Vec<f64> {
    let mut sums = vec![(0.0, 0u32); grid.len()];
    for (time, value) in times.zip(values) {
        if let Some(k) = node_of(grid, time) {
            sums[k].0 += value;
            sums[k].1 += 1;
        }
    }
    sums.iter()
        .map(|&(sum, n)| if n > 0 { sum / f64::from(n) } else { f64::NAN })
        .collect()
}

/// Nodes in so many hours, to the nearest.
pub const fn nodes(hours: f64) -> usize {
    (hours * PER_HOUR as f64 + 0.5) as usize
}
