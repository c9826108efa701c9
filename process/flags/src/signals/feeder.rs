//! One feeder's level and temperature on the grid, what was learned of its sensor taken out.

use super::super::level_filter::LevelFilter;
use super::hands::breaks;
use super::{FeederSignals, Shared};
use larder_domain::Geometry;
use larder_estimate::analysis::FeederAnalysis;
use larder_estimate::events::ChangeKind;
use larder_estimate::feeder::SensorTraits;
use larder_estimate::input::FeederInput;
use larder_estimate::series::grid::STEP_MS;
use larder_estimate::series::level::litres_per_unit;
use larder_estimate::series::scale::ScaleTrack;
use larder_estimate::series::strengths::Expansion;
use larder_estimate::series::{Grid, Look, SENSOR_REFERENCE_CEL};
use larder_syrup::Strength;
use larder_syrup::physics::kg_per_litre;

larder_estimate::numbers! { "flags.signals.feeder":
    /// Nodes in three hours.
    pub(super) LEVEL_NODES: usize = 6, "1", [2.0, 18.0], Chosen;
    /// No node's litres are better than this.
    LEAST_NOISE_L: f64 = 0.002, "l", [0.00067, 0.006], Chosen;
}

/// Puts it together.
pub(super) fn feeder_signals(
    yard: &Shared<'_>,
    (h, f): (usize, usize),
    feeder: &FeederInput<'_>,
    found: &FeederAnalysis,
    scale: &ScaleTrack,
) -> FeederSignals {
    let grid = yard.grid;
    let n = grid.len();
    let syrup = yard.syrup.in_feeder(h, f, feeder.feeder);
    let (mut filled, mut changed) = (vec![None; n], vec![None; n]);
    let mut strength = vec![yard.strengths.at(&feeder.feeder.id, grid.time(0)); n];
    let mut changes = found.events.changes.iter().peekable();
    let (mut fill, mut change) = (None, None);
    let mut poured = strength.first().copied().flatten();
    for k in 0..n {
        while let Some(next) = changes.next_if(|c| grid.time(k) >= c.latest) {
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
    let mut litres = grid.means(series.readings(), Look::UpTo);
    correct(grid, feeder, found, &strength, &syrup, &mut litres);
    for change in found.events.changes.iter().filter(|c| breaks(c, scale)) {
        // The half hour in which it happened is neither before nor behind.
        if let Some(k) = grid.node(change.latest, Look::UpTo)
            && grid.time(k).0 - change.earliest.0 < STEP_MS
        {
            litres[k] = f64::NAN;
        }
    }
    for masked in &found.events.masked {
        let from = grid.node(masked.start, Look::UpTo).unwrap_or(0);
        let until = grid.node(masked.end, Look::UpTo).unwrap_or(n);
        litres[from.min(until)..until]
            .iter_mut()
            .for_each(|v| *v = f64::NAN);
    }
    let noise_l = (found.level.series.noise_sd / 3f64.sqrt()).max(LEAST_NOISE_L);
    let filtered = LevelFilter::new(feeder.feeder.capacity_l, noise_l).run(&litres, &changed);
    FeederSignals {
        sensed: !feeder.levels.is_empty(),
        levels: three_hourly(&litres),
        litres,
        noise_l,
        filtered,
        syrup,
        thermometer: yard.syrup.thermometer(h, f).to_vec(),
        filled,
        changed,
        strength,
    }
}

/// Takes out of each reading what was learned of the sensor that made it.
fn correct(
    grid: &Grid,
    feeder: &FeederInput<'_>,
    found: &FeederAnalysis,
    strength: &[Option<Strength>],
    syrup: &[f64],
    litres: &mut [f64],
) {
    let turns = &found.level.turns;
    let mut fix: Option<(usize, Correction<'_>)> = None;
    for (k, value) in litres.iter_mut().enumerate().filter(|(_, v)| !v.is_nan()) {
        let Some(turn) = found.level.turn_at(grid.time(k)) else {
            continue;
        };
        let stands =
            |(of, fix): &(usize, Correction<'_>)| *of == turn && fix.strength == strength[k];
        if !fix.as_ref().is_some_and(stands) {
            let geometry = feeder.levels[turns[turn].sensor].geometry();
            let traits = found.course.sensors.get(turn).copied().unwrap_or_default();
            fix = Some((turn, Correction::of(geometry, traits, strength[k])));
        }
        if let Some((_, fix)) = &fix {
            *value = fix.litres(*value, syrup[k]);
        }
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
            celsius - SENSOR_REFERENCE_CEL
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
