//! How warm the syrup is where no thermometer tells.

use crate::climate::Climate;
use crate::grid::Grid;
use crate::input::{FeederInput, YardInput};

/// Its own thermometer, else the yard's feeders', else the air.
pub(super) fn syrup_temperature(grid: &Grid, feeder: &FeederInput<'_>, yard: &[f64]) -> Vec<f64> {
    let mut own = vec![f64::NAN; grid.len()];
    for level in &feeder.levels {
        let found = grid.resample(level.syrup_temperature, 3.0);
        for (value, found) in own.iter_mut().zip(found) {
            if !found.is_nan() {
                *value = found;
            }
        }
    }
    let pairs = own.iter().zip(yard);
    pairs
        .map(|(&o, &y)| if o.is_nan() { y } else { o })
        .collect()
}

/// The mean syrup temperature of the yard's feeders; the air's, half an hour late, where none is known.
pub(super) fn syrup_temperature_of_yard(
    input: &YardInput<'_>,
    grid: &Grid,
    climate: &Climate,
) -> Vec<f64> {
    let mut sums = vec![(0.0, 0u32); grid.len()];
    let feeders = input.hives.iter().flat_map(|hive| &hive.feeders);
    for level in feeders.flat_map(|feeder| &feeder.levels) {
        if level.syrup_temperature.is_empty() {
            continue;
        }
        let own = grid.resample(level.syrup_temperature, 3.0);
        for (sum, value) in sums.iter_mut().zip(own) {
            if !value.is_nan() {
                sum.0 += value;
                sum.1 += 1;
            }
        }
    }
    let air = climate.air.iter();
    sums.iter()
        .zip(air)
        .map(|(&(sum, n), &air)| if n > 0 { sum / f64::from(n) } else { air })
        .collect()
}
