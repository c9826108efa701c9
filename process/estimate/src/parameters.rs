//! What one could sensibly set otherwise in the estimators, with where the usual value comes from.
//! Flags have thresholds of their own, in the crate `larder-flags`.

use crate::numbers::Source;

/// All parameters of the estimators.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct Parameters {
    /// Parameters of the feeder's model.
    pub feeder: FeederParameters,
    /// Parameters of rain on hives.
    pub rain: RainParameters,
    /// Parameters of how wide intervals are.
    pub interval: IntervalParameters,
}

/// Parameters of the feeder's model.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct FeederParameters {
    /// Readings this many standard deviations off are not taken in the pass at hand. Usual: 4, one
    /// sound reading in 16,000.
    pub gate_sds: f64,
    /// Degrees of freedom of the readings' noise (Student's t). Usual: 6, between the 4 that is common
    /// for unknown tails (K. L. Lange, R. J. A. Little, J. M. G. Taylor, *Robust statistical modeling
    /// using the t distribution*, JASA 84 (1989) 881–896) and the normal distribution; chosen on
    /// simulated apiaries.
    pub degrees_of_freedom: f64,
    /// How long appetite remembers within a day, hours. Usual: 4, chosen on simulated apiaries: a
    /// forager's day is about three times that.
    pub memory_hours: f64,
    /// How far appetite strays from its mean of the day, as a share of it. Usual: 0.5, chosen on
    /// simulated apiaries.
    pub appetite_share: f64,
    /// What a colony cannot reach and leaves behind, as a share of what the feeder holds. Usual:
    /// 0.01, a film on a floor that is never quite level (common practice).
    pub dregs_share: f64,
    /// A ruler and a cheap level sensor, before they are known. Usual: 3 mm, 0.15 mm/K and 2.5 %
    /// (common practice).
    pub level: SensorPrior,
    /// A load cell under the feeder. Usual: 40 g, 2 g/K and 0.3 % (common practice).
    pub load_cell: SensorPrior,
}

/// What is expected of a sensor before it is known, in its channel's unit.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct SensorPrior {
    /// Standard deviation of its reading at an empty feeder.
    pub offset_sd: f64,
    /// Standard deviation of its reading's change per kelvin.
    pub per_kelvin_sd: f64,
    /// Standard deviation of the share by which the geometry given is off.
    pub share_sd: f64,
}

impl Default for FeederParameters {
    fn default() -> Self {
        Self {
            gate_sds: 4.0,
            degrees_of_freedom: 6.0,
            memory_hours: 4.0,
            appetite_share: 0.5,
            dregs_share: 0.01,
            level: SensorPrior {
                offset_sd: 0.003,
                per_kelvin_sd: 0.000_15,
                share_sd: 0.025,
            },
            load_cell: SensorPrior {
                offset_sd: 0.04,
                per_kelvin_sd: 0.002,
                share_sd: 0.003,
            },
        }
    }
}

/// Parameters of rain on hives.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct RainParameters {
    /// What stays on a dry hive of a millimetre, kg. On a square metre it weighs a kilogram; a roof has
    /// some 0.2 m2 and sheds most of it. Usual: 0.04, the middle of what was learned on simulated apiaries;
    /// each yard with a gauge learns its own about it.
    pub kg_per_mm: f64,
    /// What wood and roof hold at most, kg; all other rain runs off (a store that fills: A. J. Rutter
    /// and others, Agric. Meteorol. 9 (1971) 367–384, there for leaves). Usual: 0.3, as in the
    /// simulated apiaries.
    pub holds_kg: f64,
    /// What a hive evaporates from, m2. Usual: 0.2, a roof of 0.45 m by 0.5 m (common practice); learned
    /// likewise.
    pub wet_m2: f64,
}

impl Default for RainParameters {
    fn default() -> Self {
        Self {
            kg_per_mm: 0.04,
            holds_kg: 0.3,
            wet_m2: 0.2,
        }
    }
}

/// What the models leave open and intervals have to hold.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct IntervalParameters {
    /// Noise is not quite what the feeder model thinks, it comes in runs: a day's standard deviation is
    /// so many times the model's. Usual: 1.3, chosen on simulated apiaries.
    pub factor: f64,
    /// Over a day that nobody saw, when appetite may have changed, this is added to `factor`. Usual:
    /// 0.6, chosen on simulated apiaries.
    pub gap_factor: f64,
    /// A day's uptake is never known better than this standard deviation, l: rounding, evaporation, a
    /// bee on the sensor. Usual: 0.002.
    pub least_sd_l: f64,
    /// A day that nobody saw is never known better than this, l: a sensor drifts between the readings
    /// on either side of a gap, and what the bees drank and it rained in is not told apart. Usual:
    /// 0.01.
    pub unseen_sd_l: f64,
    /// What a feeder that was knocked off, or hidden by comb, leaves open on a day, as a share of what
    /// it holds. Usual: 0.015, chosen on simulated apiaries.
    pub disturbed_share: f64,
    /// A day's balance is off by this much without anything being wrong, kg. Usual: 0.1.
    pub usual_deficit_kg: f64,
    /// How much of a deficit beyond that is taken for syrup that may not have reached the colony.
    /// Usual: 1, all of it.
    pub doubt_share: f64,
    /// What is left is not known better than this share of the capacity: a ruler, a tilted hive, foam.
    /// Usual: 0.02, chosen on simulated apiaries.
    pub left_share: f64,
    /// In an empty feeder: what colonies leave behind differs by this share of the capacity. Usual:
    /// 0.005, half of what they leave.
    pub dregs_share: f64,
    /// A fill is not known better than this share of it: density, and what was spilt beside the feeder.
    /// Usual: 0.02, chosen on simulated apiaries.
    pub pouring_share: f64,
}

impl Default for IntervalParameters {
    fn default() -> Self {
        Self {
            factor: 1.3,
            gap_factor: 0.6,
            least_sd_l: 0.002,
            unseen_sd_l: 0.01,
            disturbed_share: 0.015,
            usual_deficit_kg: 0.1,
            doubt_share: 1.0,
            left_share: 0.02,
            dregs_share: 0.005,
            pouring_share: 0.02,
        }
    }
}

/// One of the estimators' parameters, to be listed and to be set by name.
pub struct Parameter {
    /// The parameter's name: the model, a point, the parameter (`interval.factor`).
    pub name: &'static str,
    /// The unit of the value in UCUM's writing; `1`: a share, a factor or a count.
    pub unit: &'static str,
    /// Where its usual value comes from.
    pub source: Source,
    get: fn(&mut Parameters) -> &mut f64,
}

impl Parameter {
    /// The parameter's value in `parameters`.
    pub fn of(&self, parameters: &Parameters) -> f64 {
        *(self.get)(&mut parameters.clone())
    }

    /// Sets it.
    pub fn set(&self, parameters: &mut Parameters, value: f64) {
        *(self.get)(parameters) = value;
    }
}

macro_rules! parameters {
    ($($($field:ident).+, $unit:literal, $source:ident;)*) => {
        /// All parameters of the estimators.
        pub const PARAMETERS: &[Parameter] = &[$(Parameter {
            name: stringify!($($field).+),
            unit: $unit,
            source: Source::$source,
            get: |parameters| &mut parameters.$($field).+,
        },)*];
    };
}

parameters! {
    feeder.gate_sds, "1", Chosen;
    feeder.degrees_of_freedom, "1", Measured;
    feeder.memory_hours, "h", Measured;
    feeder.appetite_share, "1", Measured;
    feeder.dregs_share, "1", CommonPractice;
    feeder.level.offset_sd, "m", CommonPractice;
    feeder.level.per_kelvin_sd, "m/K", CommonPractice;
    feeder.level.share_sd, "1", CommonPractice;
    feeder.load_cell.offset_sd, "kg", CommonPractice;
    feeder.load_cell.per_kelvin_sd, "kg/K", CommonPractice;
    feeder.load_cell.share_sd, "1", CommonPractice;
    rain.kg_per_mm, "kg/mm", Measured;
    rain.holds_kg, "kg", Measured;
    rain.wet_m2, "m2", CommonPractice;
    interval.factor, "1", Measured;
    interval.gap_factor, "1", Measured;
    interval.least_sd_l, "l", Chosen;
    interval.unseen_sd_l, "l", Chosen;
    interval.disturbed_share, "1", Measured;
    interval.usual_deficit_kg, "kg", Chosen;
    interval.doubt_share, "1", Chosen;
    interval.left_share, "1", Measured;
    interval.dregs_share, "1", Chosen;
    interval.pouring_share, "1", Measured;
}
