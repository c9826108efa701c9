//! A feeder's readings brought to the grid.

use crate::events::FeederEvents;
use crate::input::FeederInput;
use crate::series::grid::{Grid, STEP_MS};
use crate::series::level::{LevelTrack, litres_per_unit};
use crate::series::resolution::UNIFORM_SD;
use crate::series::strengths::{Expansion, Strengths};
use crate::series::{SENSOR_REFERENCE_CEL, at_time};
use larder_domain::Geometry;
use std::ops::Range;

crate::numbers! { "estimate.feeder.observe":
    /// No sensor is better than this, l.
    LEAST_NOISE_L: f64 = 1e-3, "l", [0.00033, 0.003], Chosen;
    /// What an offset costs is taken from this level, as a share of the capacity.
    USUAL_LEVEL_SHARE: f64 = 0.33, "1", [0.1, 0.9], Chosen;
    /// Readings within so many standard deviations of a step's own error show the same step: a quarter of
    /// a step.
    SAME_STEP_SDS: f64 = 0.87, "1", [0.3, 1.7], Chosen;
}

/// What one node sees of the level.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct Watched {
    /// Mean of the readings around the node, l by the geometry given.
    pub litres: f64,
    /// How many readings `litres` is the mean of; 0: none.
    pub n: u32,
    /// What one unit of the channel costs at a usual level, l.
    pub litres_per_unit: f64,
    /// Kelvin above 15 Cel; 0 where no temperature is known.
    pub warmth: f64,
    /// Room that a litre of 20 Cel takes here.
    pub expansion: f64,
    /// How many sensors take over here, one after the other: more than one where somebody tries them.
    pub new_sensors: usize,
    /// Whether the sensor weighs the feeder.
    pub weighs: bool,
    /// What the steps of the sensor's resolution leave open, variance in l2: while they show one value,
    /// all readings together say no more than one.
    pub step_variance_l2: f64,
}

/// A feeder as its sensor saw it; empty without one.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Observations {
    /// One for each node.
    pub nodes: Vec<Watched>,
    /// Noise of one reading, l.
    pub noise_l: f64,
}

impl Observations {
    /// The share of `nodes` that readings cover, 0 to 1.
    pub fn seen_share(&self, nodes: Range<usize>) -> f64 {
        let n = nodes.len();
        let seen = self.nodes.get(nodes).unwrap_or(&[]);
        seen.iter().filter(|node| node.n > 0).count() as f64 / n.max(1) as f64
    }

    /// What one unit of the channel costs on average over `nodes`, l; `None` where nothing was seen.
    pub fn mean_litres_per_unit(&self, nodes: Range<usize>) -> Option<f64> {
        let seen = || self.nodes[nodes.clone()].iter().filter(|node| node.n > 0);
        let n = seen().count();
        (n > 0).then(|| seen().map(|node| node.litres_per_unit).sum::<f64>() / n as f64)
    }
}

/// Brings a level track to the grid. Readings between the last one before a change and the first
/// one behind it are left out, and so are masked ones.
pub fn observe(
    grid: &Grid,
    feeder: &FeederInput<'_>,
    track: &LevelTrack,
    events: &FeederEvents,
    temperature: &[f64],
    strengths: &Strengths,
) -> Observations {
    if track.turns.is_empty() {
        return Observations::default();
    }
    let mut nodes = vec![Watched::default(); grid.len()];
    let mut changes = events.changes.iter().peekable();
    let mut masks = events.masked.iter().peekable();
    let mut earliest = 0;
    for (&time, &litres) in track.series.times.iter().zip(&track.series.values) {
        while let Some(change) = changes.next_if(|change| time >= change.latest) {
            earliest = grid.at_or_after(change.time());
        }
        while masks.next_if(|mask| time >= mask.end).is_some() {}
        if masks.peek().is_some_and(|mask| mask.contains(time)) {
            continue;
        }
        let mut k = grid.nearest(time).max(earliest);
        if let Some(change) = changes.peek() {
            if time > change.earliest {
                continue;
            }
            k = k.min(grid.at_or_after(change.time()).saturating_sub(1));
        }
        if (grid.time(k).0 - time.0).abs() <= STEP_MS {
            let node = &mut nodes[k];
            node.n += 1;
            node.litres += (litres - node.litres) / f64::from(node.n);
        }
    }
    for turn in track.turns.iter().skip(1) {
        nodes[grid.nearest(turn.since).max(1)].new_sensors += 1;
    }
    let room = Expansion::of(strengths.at(&feeder.feeder.id, grid.time(0)));
    let density = strengths.kg_per_litre(feeder.feeder, grid.time(grid.len() / 2));
    let mut turns = track.turns.iter().peekable();
    let mut geometry = feeder.levels[track.turns[0].sensor].geometry();
    let mut resolution = track.turns[0].resolution;
    for (k, node) in nodes.iter_mut().enumerate() {
        while let Some(turn) = turns.next_if(|turn| grid.nearest(turn.since) <= k) {
            geometry = feeder.levels[turn.sensor].geometry();
            resolution = turn.resolution;
        }
        let weighs = matches!(geometry, Geometry::FeederWeight);
        node.weighs = weighs;
        if node.n == 0 {
            continue;
        }
        let celsius = at_time(grid, temperature, grid.time(k));
        node.warmth = if celsius.is_nan() {
            0.0
        } else {
            celsius - SENSOR_REFERENCE_CEL
        };
        // One value for all levels: were an offset worth more litres in the wide part of a feeder than in
        // the narrow one, a colony's changing pace would seem to measure it.
        let usual_l = USUAL_LEVEL_SHARE * feeder.feeder.capacity_l;
        node.litres_per_unit = litres_per_unit(geometry, usual_l, density);
        let here = litres_per_unit(geometry, node.litres.max(0.0), density);
        node.step_variance_l2 = (UNIFORM_SD * resolution * here).powi(2);
        node.expansion = if weighs { 1.0 } else { room.at(celsius) };
    }
    share_steps(&mut nodes);
    Observations {
        nodes,
        noise_l: track.series.noise_sd.max(LEAST_NOISE_L),
    }
}

/// Spreads what one step leaves open over the nodes that show nothing but that step.
fn share_steps(nodes: &mut [Watched]) {
    let mut from = 0;
    while from < nodes.len() {
        let (shown, step) = (nodes[from].litres, nodes[from].step_variance_l2);
        // A node's mean of several readings wavers within the step.
        let within = SAME_STEP_SDS * step.sqrt();
        let run = nodes[from..].iter();
        let run = run.take_while(|node| node.n == 0 || (node.litres - shown).abs() <= within);
        let until = from + run.count().max(1);
        let seen = nodes[from..until].iter().filter(|node| node.n > 0).count();
        if step > 0.0 {
            for node in &mut nodes[from..until] {
                node.step_variance_l2 *= seen as f64;
            }
        }
        from = until;
    }
}
