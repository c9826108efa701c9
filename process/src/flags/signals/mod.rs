//! What every flag looks at: one yard's readings on the grid, each node from the half hour that
//! ends at it, so that nothing later is in it. Constants of the instruments (a sensor's offset, a
//! load cell's drift with warmth) come from the whole record at hand; the course of things does not.

mod feeder;
mod hands;
mod sampling;
mod sky;

pub use sampling::{node_of, nodes, up_to_node};

use super::filter::Followed;
use crate::analysis::{HiveAnalysis, YardAnalysis};
use crate::grid::Grid;
use crate::input::{HiveInput, YardInput};
use crate::strengths::Strengths;
use feeder::{feeder_signals, late_air, thermometer, yard_syrup};
use hands::without_steps;
use larder_domain::{Estimate, Strength};
use sampling::node_means;
use sky::{daylight, local_hour};

/// One yard as the flags see it.
pub struct Signals {
    /// The nodes.
    pub grid: Grid,
    /// The last node that is not later than the clock.
    pub last: usize,
    /// Air, Cel; NaN where unknown.
    pub air: Vec<f64>,
    /// Rain in the half hour, mm.
    pub rain_mm: Vec<f64>,
    /// Node of the newest rain at or before each node.
    rained: Vec<Option<usize>>,
    /// Wind, m/s; NaN where unknown.
    pub wind: Vec<f64>,
    /// Syrup as the median of the yard's thermometers has it, Cel; the air, late and warmer, where there are none.
    pub yard_syrup: Vec<f64>,
    /// Whether bees can see to fly.
    pub daylight: Vec<bool>,
    /// Local hour of day, 0 to 24.
    pub local_hour: Vec<f64>,
    /// In the input's order.
    pub hives: Vec<HiveSignals>,
}

/// One hive.
pub struct HiveSignals {
    /// Whether it stands on a scale.
    pub weighed: bool,
    /// Gross weight at each node, kg; NaN where the scale said nothing.
    pub gross_kg: Vec<f64>,
    /// The same with every sudden step taken out.
    pub free_kg: Vec<f64>,
    /// Noise of a node's weight, kg.
    pub noise_kg: f64,
    /// In the input's order.
    pub feeders: Vec<FeederSignals>,
}

/// One feeder.
pub struct FeederSignals {
    /// Whether a level sensor watches it.
    pub sensed: bool,
    /// Litres by the sensor, its learned errors taken out; NaN where it said nothing.
    pub litres: Vec<f64>,
    /// The means of three hours of that.
    levels: Vec<f64>,
    /// Noise of a node's litres.
    pub noise_l: f64,
    /// What a filter that looks back only makes of it.
    pub followed: Vec<Followed>,
    /// Syrup temperature, Cel.
    pub syrup: Vec<f64>,
    /// What its own thermometer says, Cel; NaN where it has none or was not heard.
    pub thermometer: Vec<f64>,
    /// Node of the newest fill at or before each node.
    pub filled: Vec<Option<usize>>,
    /// Node of the newest fill or spill at or before each node.
    pub changed: Vec<Option<usize>>,
    /// What is in it at each node.
    pub strength: Vec<Option<Strength>>,
}

impl FeederSignals {
    /// The mean level of the last three hours, l; NaN where it was hardly seen.
    pub fn level(&self, k: usize) -> f64 {
        self.levels[k]
    }

    /// A temperature of its syrup with its interval: another feeder's thermometer says less of it.
    pub fn celsius(&self, celsius: f64) -> Estimate {
        Estimate::normal(celsius, self.celsius_sd())
    }

    /// How well that is known, K.
    pub fn celsius_sd(&self) -> f64 {
        if self.has_thermometer() {
            THERMOMETER_SD
        } else {
            YARD_SYRUP_SD
        }
    }

    /// Whether it has a thermometer of its own.
    pub fn has_thermometer(&self) -> bool {
        self.thermometer.iter().any(|v| !v.is_nan())
    }
}

/// Cheap thermometers are good to half a kelvin (common practice).
const THERMOMETER_SD: f64 = 0.3;

/// Feeders of a yard lie so far from its median, K (measured).
const YARD_SYRUP_SD: f64 = 1.6;

impl Signals {
    /// Puts them together.
    pub fn of(input: &YardInput<'_>, analysis: &YardAnalysis) -> Self {
        let grid = analysis.grid;
        let air = up_to_node(&grid, input.weather.temperature, 6.0);
        let air = if air.iter().all(|v| v.is_nan()) {
            analysis.climate.air.clone()
        } else {
            air
        };
        let wind = up_to_node(&grid, input.weather.wind, 3.0);
        let mut rain_mm = vec![0.0; grid.len()];
        for sample in input.weather.rain {
            if let Some(k) = node_of(&grid, sample.time) {
                rain_mm[k] += sample.value.max(0.0);
            }
        }
        let mut last = None;
        let rained = rain_mm.iter().enumerate().map(|(k, &mm)| {
            last = if mm > 0.0 { Some(k) } else { last };
            last
        });
        let rained = rained.collect();
        let local_hour: Vec<f64> = (0..grid.len())
            .map(|k| local_hour(input, grid.time(k)))
            .collect();
        let daylight = daylight(input, &grid, &local_hour);
        let strengths = Strengths::of(input);
        let own: Vec<Vec<Vec<f64>>> = input
            .hives
            .iter()
            .map(|hive| hive.feeders.iter().map(|f| thermometer(&grid, f)).collect())
            .collect();
        let late_air = late_air(&air);
        let yard_syrup = yard_syrup(&grid, &own, &late_air);
        let yard = Shared {
            grid: &grid,
            strengths: &strengths,
            yard_syrup: &yard_syrup,
            late_air: &late_air,
        };
        let hives = input.hives.iter().zip(&analysis.hives).zip(own);
        let hives = hives.map(|((hive, found), own)| hive_signals(&yard, hive, found, own));
        Self {
            last: grid.nearest(input.now).min(grid.len().saturating_sub(1)),
            hives: hives.collect(),
            yard_syrup,
            grid,
            air,
            rain_mm,
            rained,
            wind,
            daylight,
            local_hour,
        }
    }
}

struct Shared<'a> {
    grid: &'a Grid,
    strengths: &'a Strengths,
    yard_syrup: &'a [f64],
    late_air: &'a [f64],
}

fn hive_signals(
    yard: &Shared<'_>,
    hive: &HiveInput<'_>,
    found: &HiveAnalysis,
    own: Vec<Vec<f64>>,
) -> HiveSignals {
    let series = &found.scale.series;
    let gross = node_means(
        yard.grid,
        series.times.iter().copied(),
        series.values.iter().copied(),
    );
    let free = without_steps(yard.grid, &found.scale, &gross);
    let feeders = hive.feeders.iter().zip(&found.feeders).zip(own);
    HiveSignals {
        weighed: !hive.weight.is_empty(),
        noise_kg: series.noise_sd.max(0.004) / 2f64.sqrt(),
        feeders: feeders
            .map(|((feeder, level), own)| feeder_signals(yard, feeder, level, &found.scale, own))
            .collect(),
        gross_kg: gross,
        free_kg: free,
    }
}
