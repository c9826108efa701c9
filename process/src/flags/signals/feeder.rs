//! One feeder's level and temperature on the grid, what was learned of its sensor taken out.

use super::super::filter::LevelFilter;
use super::hands::breaks;
use super::sampling::{node_means, node_of, up_to_node};
use super::{FeederSignals, Shared};
use crate::analysis::FeederAnalysis;
use crate::evidence::ChangeKind;
use crate::feeder::SensorTraits;
use crate::grid::{Grid, PER_DAY};
use crate::input::FeederInput;
use crate::level::litres_per_unit;
use crate::robust::median;
use crate::scale::{ScaleTrack, lagged};
use crate::strengths::{Expansion, kg_per_litre};
use larder_domain::{FeederKind, Geometry, Strength};

/// Puts it together.
pub(super) fn feeder_signals(
    yard: &Shared<'_>,
    feeder: &FeederInput<'_>,
    found: &FeederAnalysis,
    scale: &ScaleTrack,
    own: Vec<f64>,
) -> FeederSignals {
    let grid = yard.grid;
    let n = grid.len();
    let beside = if feeder.feeder.kind == FeederKind::Entrance {
        yard.late_air
    } else {
        yard.yard_syrup
    };
    let syrup: Vec<f64> = own
        .iter()
        .zip(beside)
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
        let mut fix = Correction::of(level.geometry, traits, None);
        for (k, value) in litres.iter_mut().enumerate().filter(|(_, v)| !v.is_nan()) {
            if strength[k] != fix.strength {
                fix = Correction::of(level.geometry, traits, strength[k]);
            }
            *value = fix.litres(*value, syrup[k]);
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

/// What was learned of a sensor over syrup of one strength.
struct Correction<'a> {
    geometry: &'a Geometry,
    traits: SensorTraits,
    strength: Option<Strength>,
    kg_per_litre: f64,
    expansion: Expansion,
}

impl<'a> Correction<'a> {
    fn of(geometry: &'a Geometry, traits: SensorTraits, strength: Option<Strength>) -> Self {
        Self {
            geometry,
            traits,
            strength,
            kg_per_litre: kg_per_litre(strength),
            expansion: Expansion::of(strength),
        }
    }

    /// Litres at 20 Cel without what was learned.
    fn litres(&self, litres: f64, celsius: f64) -> f64 {
        let traits = &self.traits;
        let warmth = if celsius.is_nan() {
            0.0
        } else {
            celsius - 15.0
        };
        let per_unit = litres_per_unit(self.geometry, litres.max(0.0), self.kg_per_litre);
        let grown = if matches!(self.geometry, Geometry::FeederWeight) {
            1.0
        } else {
            self.expansion.at(celsius)
        };
        (litres - per_unit * (traits.offset.0 + traits.per_kelvin.0 * warmth))
            / ((1.0 + traits.geometry_share.0) * grown)
    }
}

/// Means of three hours.
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

/// What a feeder's own thermometers say.
pub(super) fn thermometer(grid: &Grid, feeder: &FeederInput<'_>) -> Vec<f64> {
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

/// The median of the yard's syrup thermometers; where there are none what the hives make of the air.
pub(super) fn yard_syrup(grid: &Grid, own: &[Vec<Vec<f64>>], late_air: &[f64]) -> Vec<f64> {
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

/// The air as a feeder follows it.
pub(super) fn late_air(air: &[f64]) -> Vec<f64> {
    lagged(air, SYRUP_LAG_HOURS)
}

/// A colony keeps the feeder in its hive so much warmer than the air, K, where no thermometer says how
/// much: 2 to 6 with one on top of or between the frames (measured: 3.5 and 3.9 in the middle of two
/// apiaries), none with one outside at the entrance.
const COLONY_WARMS_K: f64 = 3.7;
/// A feeder of some litres inside a hive follows the air with this lag, hours.
const SYRUP_LAG_HOURS: f64 = 3.0;
