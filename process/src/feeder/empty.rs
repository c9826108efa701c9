//! When a feeder ran empty: the level stays flat near its floor after it was falling.

use super::observe::Observations;
use crate::grid::PER_HOUR;

/// Flat for so long, hours.
const LEAST_HOURS: usize = 8;
/// An offset of the sensor is hardly larger than this, in metres of level (or kg).
const MOST_OFFSET_M: f64 = 0.008;
const MOST_OFFSET_KG: f64 = 0.08;
/// And an empty feeder reads less than this share of its capacity anyway.
const LEAST_SHARE: f64 = 0.02;

/// Marks nodes at which the feeder is empty. `volume` and `rate` come from a first pass; `fills`
/// marks nodes at which something was poured in.
pub fn find_empty(
    observations: &Observations,
    volume: &[f64],
    rate: &[f64],
    fills: &[bool],
    capacity_l: f64,
) -> Vec<bool> {
    let most_offset = if observations.weighs {
        MOST_OFFSET_KG
    } else {
        MOST_OFFSET_M
    };
    let flat_rate = 0.0012 * capacity_l.max(1.0);
    let mut empty = vec![false; volume.len()];
    let mut start = 0;
    let mut per_unit = 0.0;
    for k in 0..=volume.len() {
        let flat = k < volume.len() && {
            let node = &observations.nodes[k];
            if node.n > 0 {
                per_unit = node.litres_per_unit;
            }
            let near = (LEAST_SHARE * capacity_l).max(most_offset * per_unit);
            volume[k] < near && rate[k].abs() < flat_rate && !fills[k]
        };
        if !flat {
            if k - start >= LEAST_HOURS * PER_HOUR {
                empty[start..k].iter_mut().for_each(|node| *node = true);
            }
            start = k + 1;
            if k < volume.len() && fills[k] {
                start = k;
            }
        }
    }
    empty
}
