//! What every flag looks at: one yard's readings on the grid, each node from the half hour that
//! ends at it, so that nothing later is in it. Constants of the instruments (a sensor's offset, a
//! load cell's drift with warmth) come from the whole record at hand; the course of things does not.

use super::filter::{Followed, LevelFilter};
use crate::analysis::{FeederAnalysis, HiveAnalysis, YardAnalysis};
use crate::evidence::{Change, ChangeKind};
use crate::feeder::SensorTraits;
use crate::grid::{Grid, PER_HOUR, STEP_HOURS};
use crate::input::{FeederInput, HiveInput, YardInput};
use crate::level::litres_per_unit;
use crate::robust::{median, median_of_few};
use crate::scale::{ScaleStep, ScaleTrack, lagged};
use crate::strengths::{Expansion, Strengths, kg_per_litre};
use larder_domain::{Estimate, Geometry, Sample, Strength, Timestamp};

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
    /// Wind, m/s; NaN where unknown.
    pub wind: Vec<f64>,
    /// Syrup as the median of the yard's thermometers has it, Cel; the air, late, where there are none.
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
        let sd = if self.has_thermometer() {
            THERMOMETER_SD
        } else {
            YARD_SYRUP_SD
        };
        Estimate::normal(celsius, sd)
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

fn three_hourly(litres: &[f64]) -> Vec<f64> {
    let (mut sum, mut n) = (0.0, 0usize);
    (0..litres.len())
        .map(|k| {
            if !litres[k].is_nan() {
                (sum, n) = (sum + litres[k], n + 1);
            }
            if k >= LEVEL_NODES && !litres[k - LEVEL_NODES].is_nan() {
                (sum, n) = (sum - litres[k - LEVEL_NODES], n - 1);
            }
            if n < LEVEL_NODES / 3 {
                f64::NAN
            } else {
                sum / n as f64
            }
        })
        .collect()
}

/// Nodes in three hours.
const LEVEL_NODES: usize = 6;

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
        let local_hour: Vec<f64> = (0..grid.len())
            .map(|k| local_hour(input, grid.time(k)))
            .collect();
        let sun = up_to_node(&grid, input.weather.irradiance, 1.0);
        let daylight = (0..grid.len())
            .map(|k| {
                if sun[k].is_nan() {
                    match input.yard.position {
                        Some(place) => sun_is_up(grid.time(k), place),
                        None => (7.0..19.0).contains(&local_hour[k]),
                    }
                } else {
                    sun[k] > DAYLIGHT_W_M2
                }
            })
            .collect();
        let strengths = Strengths::of(input);
        let own: Vec<Vec<Vec<f64>>> = input
            .hives
            .iter()
            .map(|hive| hive.feeders.iter().map(|f| thermometer(&grid, f)).collect())
            .collect();
        let yard_syrup = yard_syrup(&grid, &own, &air);
        let yard = Shared {
            grid: &grid,
            strengths: &strengths,
            yard_syrup: &yard_syrup,
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
            wind,
            daylight,
            local_hour,
        }
    }
}

/// Whether the sun is above the horizon, good to some ten minutes: declination from the day of the
/// year, hour angle from mean solar time (P. I. Cooper, *The absorption of radiation in solar
/// stills*, Solar Energy 12 (1969) 333–346, equation 1; from memory).
fn sun_is_up(at: Timestamp, (latitude, longitude): (f64, f64)) -> bool {
    use chrono::{Datelike, Timelike};
    let utc = at.to_utc();
    let day = f64::from(utc.ordinal());
    let declination = (23.45f64 * (360.0 * (284.0 + day) / 365.0).to_radians().sin()).to_radians();
    let solar_hour = f64::from(utc.num_seconds_from_midnight()) / 3600.0 + longitude / 15.0;
    let hour_angle = (15.0 * (solar_hour - 12.0)).to_radians();
    let latitude = latitude.to_radians();
    let height =
        latitude.sin() * declination.sin() + latitude.cos() * declination.cos() * hour_angle.cos();
    height > 0.0
}

/// Brighter than civil twilight, W/m2 (common practice).
const DAYLIGHT_W_M2: f64 = 15.0;

struct Shared<'a> {
    grid: &'a Grid,
    strengths: &'a Strengths,
    yard_syrup: &'a [f64],
}

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

fn node_means(
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

fn local_hour(input: &YardInput<'_>, at: Timestamp) -> f64 {
    use chrono::Timelike;
    let local = at.to_utc().with_timezone(&input.yard.timezone);
    f64::from(local.num_seconds_from_midnight()) / 3600.0
}

fn thermometer(grid: &Grid, feeder: &FeederInput<'_>) -> Vec<f64> {
    let mut own = vec![f64::NAN; grid.len()];
    for level in &feeder.levels {
        for (value, found) in own
            .iter_mut()
            .zip(up_to_node(grid, level.syrup_temperature, 3.0))
        {
            if !found.is_nan() {
                *value = found;
            }
        }
    }
    own
}

/// The median of the yard's syrup thermometers; the air, some hours late, where there are none.
fn yard_syrup(grid: &Grid, own: &[Vec<Vec<f64>>], air: &[f64]) -> Vec<f64> {
    let late = lagged(air, SYRUP_LAG_HOURS);
    let mut known = Vec::new();
    (0..grid.len())
        .map(|k| {
            known.clear();
            let feeders = own.iter().flatten();
            known.extend(feeders.map(|series| series[k]).filter(|v| !v.is_nan()));
            median(&mut known).unwrap_or(late[k])
        })
        .collect()
}

/// A feeder of some litres inside a hive follows the air with this lag, hours.
const SYRUP_LAG_HOURS: f64 = 3.0;

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

/// Takes out what hands did. A hand on the hive spoils the readings around a step, so that the
/// first one behind it does not count, and what is taken out is the change of the level, all of it.
fn without_steps(grid: &Grid, scale: &ScaleTrack, gross: &[f64]) -> Vec<f64> {
    let (times, values) = (&scale.series.times, &scale.series.values);
    let mut free = gross.to_vec();
    let mut carried = 0.0;
    let mut done = 0;
    for step in scale.steps.iter().filter(|step| by_hand(step)) {
        let at = times.partition_point(|&t| t <= step.after);
        let first = times.partition_point(|&t| t < step.before);
        let settled = (first + SPOILED).min(times.len());
        let before = median_of_few(values[at.saturating_sub(SIDE)..at].iter().copied());
        let behind = median_of_few(values[settled..].iter().take(SIDE).copied());
        let (Some(before), Some(behind)) = (before, behind) else {
            continue;
        };
        let from = node_of(grid, step.after.plus_ms(1)).unwrap_or(0);
        let until = times
            .get(settled)
            .map_or(free.len(), |&t| grid.at_or_after(t));
        for value in free.iter_mut().take(from).skip(done) {
            *value -= carried;
        }
        // A mean over both sides of a step is neither.
        for value in free.iter_mut().take(until).skip(from.max(done)) {
            *value = f64::NAN;
        }
        done = until.max(done);
        carried += behind - before;
    }
    for value in free.iter_mut().skip(done) {
        *value -= carried;
    }
    free
}

/// Readings behind a step that a hand may have spoiled.
const SPOILED: usize = 1;
/// Readings on each side that tell how large it was.
const SIDE: usize = 3;

fn by_hand(step: &ScaleStep) -> bool {
    step.kg > 0.0 || step.kg < -LEAST_TAKEN_KG
}

/// Whether the level behind a change has nothing to do with the one before.
fn breaks(change: &Change, scale: &ScaleTrack) -> bool {
    let step = change.scale_step.and_then(|i| scale.steps.get(i));
    change.kind == ChangeKind::Fill || step.is_some_and(by_hand)
}

/// Less than this going at once may be robbers or a leak between two readings, kg; hands take more.
const LEAST_TAKEN_KG: f64 = 0.7;

fn feeder_signals(
    yard: &Shared<'_>,
    feeder: &FeederInput<'_>,
    found: &FeederAnalysis,
    scale: &ScaleTrack,
    own: Vec<f64>,
) -> FeederSignals {
    let grid = yard.grid;
    let n = grid.len();
    let syrup: Vec<f64> = own
        .iter()
        .zip(yard.yard_syrup)
        .map(|(&o, &y)| if o.is_nan() { y } else { o })
        .collect();
    let (mut filled, mut changed) = (vec![None; n], vec![None; n]);
    let mut strength = vec![yard.strengths.at(&feeder.feeder.id, grid.time(0)); n];
    let mut changes = found.evidence.changes.iter().peekable();
    let (mut fill, mut change) = (None, None);
    let mut poured = strength.first().copied().flatten();
    for k in 0..n {
        while let Some(next) = changes.next_if(|c| grid.time(k) >= c.before) {
            // What only the level saw go may be a leak or robbers: it is no break in the course.
            if breaks(next, scale) {
                change = Some(k);
            }
            if next.kind == ChangeKind::Fill {
                fill = Some(k);
                poured = next.strength.or(poured);
            }
        }
        (filled[k], changed[k], strength[k]) = (fill, change, poured);
    }
    let series = &found.level.series;
    let mut litres = node_means(
        grid,
        series.times.iter().copied(),
        series.values.iter().copied(),
    );
    if let Some(level) = feeder.levels.first() {
        let traits = found.course.sensor.unwrap_or_default();
        for (k, value) in litres.iter_mut().enumerate() {
            *value = corrected(level.geometry, &traits, *value, syrup[k], strength[k]);
        }
    }
    for change in found.evidence.changes.iter().filter(|c| breaks(c, scale)) {
        // The half hour in which it happened is neither before nor behind.
        if let Some(k) = node_of(grid, change.before)
            && grid.time(k).0 - change.after.0 < 30 * 60_000
        {
            litres[k] = f64::NAN;
        }
    }
    for masked in &found.evidence.masked {
        let from = node_of(grid, masked.start).unwrap_or(0);
        let until = node_of(grid, masked.end).unwrap_or(n);
        litres[from.min(until)..until]
            .iter_mut()
            .for_each(|v| *v = f64::NAN);
    }
    let noise_l = (found.level.series.noise_sd / 3f64.sqrt()).max(0.002);
    let followed = LevelFilter::new(feeder.feeder.capacity_l, noise_l).run(&litres, &changed);
    FeederSignals {
        sensed: !feeder.levels.is_empty(),
        levels: three_hourly(&litres),
        litres,
        noise_l,
        followed,
        syrup,
        thermometer: own,
        filled,
        changed,
        strength,
    }
}

/// Litres at 20 Cel without what was learned of the sensor.
fn corrected(
    geometry: &Geometry,
    traits: &SensorTraits,
    litres: f64,
    celsius: f64,
    strength: Option<Strength>,
) -> f64 {
    let warmth = if celsius.is_nan() {
        0.0
    } else {
        celsius - 15.0
    };
    let per_unit = litres_per_unit(geometry, litres.max(0.0), kg_per_litre(strength));
    let grown = if matches!(geometry, Geometry::FeederWeight) {
        1.0
    } else {
        Expansion::of(strength).at(celsius)
    };
    (litres - per_unit * (traits.offset.0 + traits.per_kelvin.0 * warmth))
        / ((1.0 + traits.geometry_share.0) * grown)
}

/// Nodes in so many hours.
pub fn nodes(hours: f64) -> usize {
    (hours / STEP_HOURS).round() as usize
}
