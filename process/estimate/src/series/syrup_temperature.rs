//! How warm the syrup in each feeder is: by its own thermometer, else by those of the yard's other
//! feeders, else from the air, late and warmer by what a colony adds.

use super::grid::PER_DAY;
use super::{Grid, Look, lagged};
use crate::input::YardInput;
use crate::math::robust::median;
use larder_domain::{Feeder, FeederKind};

crate::numbers! { "estimate.series.syrup_temperature":
    /// A colony keeps the feeder in its hive so much warmer than the air, K, where no thermometer says how
    /// much: 2 to 6 with one on top of or between the frames (measured: 3.5 and 3.9 in the middle of two
    /// apiaries), none with one outside at the entrance.
    COLONY_WARMS_K: f64 = 3.7, "K", [1.2, 11.0], Measured;
    /// A feeder of some litres inside a hive follows the air with this lag, hours.
    SYRUP_LAG_HOURS: f64 = 3.0, "h", [1.0, 9.0], Chosen;
    /// A thermometer's gaps of up to this are bridged, hours.
    GAP_HOURS: f64 = 3.0, "h", [1.0, 9.0], Chosen;
}

/// Temperatures of syrup over one yard, Cel; NaN where unknown.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct SyrupTemperature {
    /// For each hive and feeder what its own thermometers say.
    own: Vec<Vec<Vec<f64>>>,
    /// What is taken for a feeder in a hive that has none.
    yard: Vec<f64>,
    /// The air as a feeder outside a hive follows it.
    late_air: Vec<f64>,
}

impl SyrupTemperature {
    /// The syrup temperatures of one yard whose air is known.
    pub fn of(input: &YardInput<'_>, grid: &Grid, air: &[f64], look: Look) -> Self {
        let hives = input.hives.iter().map(|hive| {
            let feeders = hive.feeders.iter().map(|feeder| {
                let mut own = vec![f64::NAN; grid.len()];
                for level in &feeder.levels {
                    let found = grid.resample(level.syrup_temperature, GAP_HOURS, look);
                    let known = own.iter_mut().zip(found).filter(|(_, new)| !new.is_nan());
                    known.for_each(|(value, new)| *value = new);
                }
                own
            });
            feeders.collect()
        });
        let own: Vec<Vec<Vec<f64>>> = hives.collect();
        let late_air = lagged(air, SYRUP_LAG_HOURS);
        Self {
            yard: yard_course(grid, &own, &late_air),
            own,
            late_air,
        }
    }

    /// What the feeder's own thermometers say, by its hive's index and its own.
    pub fn thermometer(&self, hive: usize, feeder: usize) -> &[f64] {
        &self.own[hive][feeder]
    }

    /// The syrup in a feeder.
    pub fn in_feeder(&self, hive: usize, index: usize, feeder: &Feeder) -> Vec<f64> {
        let beside = if feeder.kind == FeederKind::Entrance {
            &self.late_air
        } else {
            &self.yard
        };
        let own = self.own[hive][index].iter().zip(beside);
        own.map(|(&own, &beside)| if own.is_nan() { beside } else { own })
            .collect()
    }

    /// The syrup in a feeder of a hive of the yard that has no thermometer.
    pub fn of_yard(&self) -> &[f64] {
        &self.yard
    }
}

/// The median of the yard's thermometers; where there are none what the hives make of the air.
fn yard_course(grid: &Grid, own: &[Vec<Vec<f64>>], late_air: &[f64]) -> Vec<f64> {
    let mut known = Vec::new();
    let mut syrup: Vec<f64> = (0..grid.len())
        .map(|k| {
            known.clear();
            let feeders = own.iter().flatten();
            known.extend(feeders.map(|series| series[k]).filter(|v| !v.is_nan()));
            median(&mut known).unwrap_or(f64::NAN)
        })
        .collect();
    let mut warmer: Vec<f64> = syrup.iter().zip(late_air).map(|(s, air)| s - air).collect();
    warmer.retain(|kelvin| !kelvin.is_nan());
    let warmer = if warmer.len() < PER_DAY {
        COLONY_WARMS_K
    } else {
        median(&mut warmer).unwrap_or(COLONY_WARMS_K)
    };
    for (syrup, air) in syrup.iter_mut().zip(late_air) {
        if syrup.is_nan() {
            *syrup = air + warmer;
        }
    }
    syrup
}
