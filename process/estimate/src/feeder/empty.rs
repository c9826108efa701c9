//! When a feeder ran empty: the level stays flat near its floor after it was falling. Where it was flat
//! more than once, the lowest was the floor, and a colony may just have left the rest alone at the
//! others.

use super::observe::Observations;
use crate::series::grid::PER_HOUR;

crate::numbers! { "estimate.feeder.empty":
    /// A feeder is empty when its level has been flat for so long, hours.
    LEAST_HOURS: usize = 8, "h", [2.0, 24.0], Chosen;
    /// A level sensor's offset is hardly larger than this, in metres of level.
    MOST_OFFSET_M: f64 = 0.008, "m", [0.0027, 0.024], Chosen;
    /// A load cell's offset under a feeder is hardly larger than this, kg.
    MOST_OFFSET_KG: f64 = 0.08, "kg", [0.027, 0.24], Chosen;
    /// An empty feeder may read this share of its capacity, however small the sensor's offset is.
    LEAST_SHARE: f64 = 0.02, "1", [0.0067, 0.06], Chosen;
    /// From one empty spell to another a floor moves by less than this share of what an offset can be.
    APART_SHARE: f64 = 0.4, "1", [0.13, 1.0], Chosen;
    /// A floor lies no lower than this many times what an offset hardly is, where there is another.
    BELOW_SHARE: f64 = 1.4, "1", [0.5, 3.0], Chosen;
    /// A level is flat that moves by less than this share of the capacity in an hour.
    FLAT_SHARE_PER_HOUR: f64 = 0.0012, "1/h", [0.0004, 0.0036], Chosen;
    /// A smaller feeder is flat where one of this capacity would be, l.
    LEAST_CAPACITY_L: f64 = 1.0, "l", [0.33, 3.0], Chosen;
}

/// Marks nodes at which the feeder is empty. `volume` and `rate` come from a first pass; `fills`
/// marks nodes at which something was poured in.
pub fn find_empty(
    observations: &Observations,
    volume: &[f64],
    rate: &[f64],
    fills: &[bool],
    capacity_l: f64,
) -> Vec<bool> {
    let flat_rate = FLAT_SHARE_PER_HOUR * capacity_l.max(LEAST_CAPACITY_L);
    let mut runs: Vec<FlatRun> = Vec::new();
    let mut start = 0;
    let mut offset_l = 0.0;
    for k in 0..=volume.len() {
        let flat = k < volume.len() && {
            let node = &observations.nodes[k];
            if node.n > 0 {
                let most = if node.weighs {
                    MOST_OFFSET_KG
                } else {
                    MOST_OFFSET_M
                };
                offset_l = most * node.litres_per_unit;
            }
            let near = (LEAST_SHARE * capacity_l).max(offset_l);
            volume[k] < near && rate[k].abs() < flat_rate && !fills[k]
        };
        if !flat {
            if k - start >= LEAST_HOURS * PER_HOUR {
                let litres = volume[start..k].iter().sum::<f64>() / (k - start) as f64;
                runs.push(FlatRun {
                    start,
                    end: k,
                    litres,
                    offset_l,
                });
            }
            start = k + 1;
            if k < volume.len() && fills[k] {
                start = k;
            }
        }
    }
    let mut empty = vec![false; volume.len()];
    // What lies lower than an offset can be is a sensor that crept, not a floor, where there is another.
    let lowest = |runs: &mut dyn Iterator<Item = &FlatRun>| {
        runs.map(|run| run.litres).fold(f64::INFINITY, f64::min)
    };
    let possible = lowest(
        &mut runs
            .iter()
            .filter(|run| run.litres > -BELOW_SHARE * run.offset_l),
    );
    let floor = if possible.is_finite() {
        possible
    } else {
        lowest(&mut runs.iter())
    };
    for run in &runs {
        let apart = (LEAST_SHARE * capacity_l).max(APART_SHARE * run.offset_l);
        if run.litres - floor < apart {
            empty[run.start..run.end].fill(true);
        }
    }
    empty
}

/// A time in which the level was flat and low.
struct FlatRun {
    start: usize,
    end: usize,
    litres: f64,
    /// What an offset of the sensor may be, l.
    offset_l: f64,
}
