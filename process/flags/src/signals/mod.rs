//! What every flag looks at: one yard's readings on the grid, each node from the half hour that
//! ends at it, so that nothing later is in it. Constants of the instruments (a sensor's offset, a
//! load cell's drift with warmth) come from the whole record at hand; the course of things does not.

pub(crate) mod feeder;
pub(crate) mod hands;

use super::level_filter::Filtered;
use larder_estimate::analysis::{HiveAnalysis, YardAnalysis};
pub use larder_estimate::series::grid::nodes;

use feeder::feeder_signals;
use hands::without_steps;
use larder_estimate::input::{HiveInput, YardInput};
use larder_estimate::series::strengths::Strengths;
use larder_estimate::series::sun::local_hour;
use larder_estimate::series::syrup_temperature::SyrupTemperature;
use larder_estimate::series::{Grid, Look, Weather};
use larder_syrup::{Estimate, Strength};

larder_estimate::numbers! { "flags.signals":
    /// Cheap thermometers are good to half a kelvin (common practice).
    THERMOMETER_SD: f64 = 0.3, "K", [0.1, 0.9], CommonPractice;
    /// Feeders of a yard lie so far from its median, K (measured).
    YARD_SYRUP_SD: f64 = 1.6, "K", [0.53, 4.8], Measured;
    /// No scale's reading is better than this, kg.
    LEAST_NOISE_KG: f64 = 0.004, "kg", [0.0013, 0.012], Chosen;
}

/// One yard as the flags see it.
pub struct Signals {
    /// The nodes.
    pub grid: Grid,
    /// The last node that is not later than the clock.
    pub last: usize,
    /// The yard's weather.
    pub weather: Weather,
    /// Syrup in a feeder of the yard that has no thermometer, Cel.
    pub yard_syrup: Vec<f64>,
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
    /// Gross weight with every sudden step taken out, kg; NaN where the scale said nothing.
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
    /// The mean of `litres` over the three hours up to each node.
    levels: Vec<f64>,
    /// Noise of a node's litres.
    pub noise_l: f64,
    /// What a filter that looks back only makes of it.
    pub filtered: Vec<Filtered>,
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
    /// Nodes that a level is the mean of.
    pub(crate) const LEVEL_NODES: usize = feeder::LEVEL_NODES;

    /// The mean level of the last three hours, l; NaN where it was hardly seen.
    pub fn level(&self, k: usize) -> f64 {
        self.levels[k]
    }

    /// A temperature of its syrup with its interval: another feeder's thermometer says less of it.
    pub fn celsius(&self, celsius: f64) -> Estimate {
        Estimate::normal(celsius, self.celsius_sd())
    }

    /// Standard deviation of a temperature of the feeder's syrup, K.
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

impl Signals {
    /// Puts them together.
    pub fn of(input: &YardInput<'_>, analysis: &YardAnalysis) -> Self {
        let grid = analysis.grid;
        let weather = Weather::of(input, &grid, Look::UpTo);
        let zone = input.yard.timezone;
        let local_hour = (0..grid.len()).map(|k| local_hour(zone, grid.time(k)));
        let strengths = Strengths::of(input);
        let syrup = SyrupTemperature::of(input, &grid, &weather.air, Look::UpTo);
        let yard = Shared {
            grid: &grid,
            strengths: &strengths,
            syrup: &syrup,
        };
        let hives = input.hives.iter().zip(&analysis.hives).enumerate();
        let hives = hives.map(|(h, (hive, found))| hive_signals(&yard, h, hive, found));
        Self {
            last: grid.nearest(input.now).min(grid.len().saturating_sub(1)),
            hives: hives.collect(),
            yard_syrup: syrup.of_yard().to_vec(),
            local_hour: local_hour.collect(),
            grid,
            weather,
        }
    }
}

struct Shared<'a> {
    grid: &'a Grid,
    strengths: &'a Strengths,
    syrup: &'a SyrupTemperature,
}

fn hive_signals(
    yard: &Shared<'_>,
    h: usize,
    hive: &HiveInput<'_>,
    found: &HiveAnalysis,
) -> HiveSignals {
    let series = &found.scale.series;
    let gross = yard.grid.means(series.readings(), Look::UpTo);
    let free = without_steps(yard.grid, &found.scale, &gross);
    let feeders = hive.feeders.iter().zip(&found.feeders).enumerate();
    HiveSignals {
        weighed: !hive.weight.is_empty(),
        noise_kg: series.noise_sd.max(LEAST_NOISE_KG) / 2f64.sqrt(),
        feeders: feeders
            .map(|(f, (feeder, level))| feeder_signals(yard, (h, f), feeder, level, &found.scale))
            .collect(),
        gross_kg: gross,
        free_kg: free,
    }
}
