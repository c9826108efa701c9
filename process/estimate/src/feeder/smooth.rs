//! The passes over a feeder: a first one that lets the rate wander, then ones that know roughly
//! what the colony took in those hours, when the feeder was empty and which readings to doubt.

#![allow(
    clippy::needless_range_loop,
    reason = "indices here are nodes or states shared by several arrays"
)]

use super::empty::find_empty;
use super::filter::{UNKNOWN_FILL_SHARE, forwards};
use super::learn::{inflate_process_noise, learn_appetite, robust_weights};
use super::model::{Appetite, FeederCourse, FilledVolume, N, SEEN, SensorTraits, Step, VOLUME};
use super::observe::Observations;
use crate::events::Change;
use crate::math::kalman::{Adjoint, Marginal, Update};
use crate::parameters::FeederParameters;
use crate::series::grid::Grid;

crate::numbers! { "estimate.feeder.smooth":
    /// How often the filter runs.
    PASSES: usize = 3, "1", [1.0, 9.0], Chosen;
    /// A colony of unknown appetite takes this share of the capacity in an hour.
    WANDERING_MEAN_SHARE: f64 = 0.002, "1", [0.00067, 0.006], Chosen;
    /// A colony of unknown appetite strays from its mean by this share of the capacity in an hour.
    pub(super) RATE_SD_SHARE: f64 = 0.006, "1", [0.002, 0.018], Chosen;
    /// An unknown appetite strays from its mean for about so many hours.
    WANDERING_HOURS: f64 = 12.0, "h", [4.0, 36.0], Chosen;
}

/// Memory that the passes share from feeder to feeder.
#[derive(Default)]
pub struct Workspace {
    /// Volume and rate at every node: by the geometry given, in the last pass by the true one.
    pub(super) filtered: Vec<[Marginal<SEEN>; 2]>,
    /// What was taken, where a day ends.
    pub(super) taken: Vec<Marginal<SEEN>>,
    pub(super) steps: Vec<Step>,
    pub(super) updates: Vec<Update<SEEN>>,
    pub(super) updates_until: Vec<usize>,
    pub(super) jump_variance: Vec<f64>,
    pub(super) appetite: Vec<Appetite>,
    pub(super) weights: Vec<f64>,
    pub(super) refused: Vec<f64>,
    /// What was learned of each sensor at the end of its turn.
    pub(super) sensors: Vec<SensorTraits>,
}

impl Workspace {
    /// Makes room for a pass over `n` nodes with `n_changes`.
    pub(super) fn clear(&mut self, n: usize, n_changes: usize) {
        self.filtered.clear();
        self.taken.clear();
        self.sensors.clear();
        self.steps.clear();
        self.updates.clear();
        self.updates_until.clear();
        self.refused.clear();
        self.refused.resize(n, 0.0);
        self.jump_variance.clear();
        self.jump_variance.resize(n_changes, 0.0);
    }

    /// What was taken in at node `k`.
    fn updates_at(&self, k: usize) -> &[Update<SEEN>] {
        let from = k.checked_sub(1).map_or(0, |k| self.updates_until[k]);
        &self.updates[from..self.updates_until[k]]
    }
}

/// What is asked of the model besides the readings.
pub struct Task<'a> {
    /// Nodes.
    pub grid: &'a Grid,
    /// What the sensor saw.
    pub observations: &'a Observations,
    /// Sudden changes, in order of time.
    pub changes: &'a [Change],
    /// Nodes at local midnights.
    pub midnights: &'a [bool],
    /// What leaves the feeder and does not reach the colony, l/h, at every node; may be empty.
    pub losses: &'a [f64],
    /// Standard deviation of that, l/h.
    pub losses_sd: &'a [f64],
    /// Litres that it holds.
    pub capacity_l: f64,
    /// What could be set otherwise.
    pub parameters: &'a FeederParameters,
}

impl Task<'_> {
    /// Whether what was taken since midnight is asked for at node `k`.
    pub(super) fn day_ends(&self, k: usize) -> bool {
        self.midnights[k] || k + 1 == self.grid.len()
    }
}

/// Estimates one feeder that has a sensor.
pub fn estimate(task: &Task<'_>, workspace: &mut Workspace) -> FeederCourse {
    let n = task.grid.len();
    let nodes = change_nodes(task);
    let wandering = Appetite {
        mean: WANDERING_MEAN_SHARE * task.capacity_l,
        sd: RATE_SD_SHARE * task.capacity_l,
        memory_hours: WANDERING_HOURS,
    };
    workspace.appetite.clear();
    workspace.appetite.resize(n, wandering);
    workspace.weights.clear();
    workspace.weights.resize(n, 1.0);
    let mut fills = vec![false; n];
    for &k in &nodes {
        fills[k] = true;
    }
    let mut empty = vec![false; n];
    for _ in 1..PASSES {
        let pilot = pilot(task, &nodes, &empty, workspace);
        empty = find_empty(
            task.observations,
            &pilot.apparent_l,
            &pilot.rate,
            &fills,
            task.capacity_l,
        );
        learn_appetite(task, &pilot, &empty, workspace);
        robust_weights(task, &pilot, workspace);
        inflate_process_noise(task, workspace);
    }
    forwards::<N>(task, &nodes, &empty, workspace);
    FeederCourse {
        empty,
        ..backwards(task, &nodes, workspace)
    }
}

fn change_nodes(task: &Task<'_>) -> Vec<usize> {
    let node = |change: &Change| task.grid.at_or_after(change.time()).max(1);
    task.changes.iter().map(node).collect()
}

/// What one pass tells the next.
pub(super) struct PilotEstimate {
    /// Litres at every node, by the geometry given.
    pub apparent_l: Vec<f64>,
    /// Litres an hour that leave it, by the geometry given.
    pub rate: Vec<f64>,
    /// What was learned of each sensor.
    pub sensors: Vec<SensorTraits>,
}

/// One filter forwards and one smoother backwards, for means alone.
fn pilot(
    task: &Task<'_>,
    nodes: &[usize],
    empty: &[bool],
    workspace: &mut Workspace,
) -> PilotEstimate {
    let n = task.grid.len();
    forwards::<SEEN>(task, nodes, empty, workspace);
    let mut pilot = PilotEstimate {
        apparent_l: vec![0.0; n],
        rate: vec![0.0; n],
        sensors: workspace.sensors.clone(),
    };
    let mut adjoint = Adjoint::nothing();
    for k in (0..n).rev() {
        let [volume, rate] = &workspace.filtered[k];
        pilot.apparent_l[k] = volume.mean(&adjoint);
        pilot.rate[k] = rate.mean(&adjoint);
        for update in workspace.updates_at(k).iter().rev() {
            adjoint.vector_before_update(update);
        }
        if k > 0 {
            adjoint.vector_before_predict(&workspace.steps[k - 1]);
        }
    }
    pilot
}

fn backwards(task: &Task<'_>, nodes: &[usize], workspace: &Workspace) -> FeederCourse {
    let n = task.grid.len();
    let mut course = FeederCourse {
        volume_l: vec![0.0; n],
        volume_sd: vec![0.0; n],
        rate: vec![0.0; n],
        rate_sd: vec![0.0; n],
        empty: Vec::new(),
        taken: vec![None; n],
        changes: vec![FilledVolume::default(); nodes.len()],
        sensors: workspace.sensors.clone(),
    };
    let mut adjoint = Adjoint::nothing();
    let mut next_change = nodes.len();
    let mut taken = workspace.taken.iter().rev();
    for k in (0..n).rev() {
        let [volume, rate] = &workspace.filtered[k];
        course.volume_l[k] = volume.mean(&adjoint);
        course.volume_sd[k] = volume.variance(&adjoint).sqrt();
        course.rate[k] = rate.mean(&adjoint);
        course.rate_sd[k] = rate.variance(&adjoint).sqrt();
        if task.day_ends(k) {
            let taken = taken.next();
            course.taken[k] = taken.map(|t| (t.mean(&adjoint), t.variance(&adjoint)));
        }
        for update in workspace.updates_at(k).iter().rev() {
            adjoint.before_update(update);
        }
        while next_change > 0 && nodes[next_change - 1] == k {
            next_change -= 1;
            let variance = workspace.jump_variance[next_change];
            let moved = -variance * adjoint.vector[VOLUME];
            let left = variance - variance.powi(2) * adjoint.matrix[VOLUME][VOLUME];
            course.changes[next_change] = FilledVolume {
                litres: moved,
                sd: left.max(0.0).sqrt(),
                litres_before: 0.0,
            };
        }
        if k > 0 {
            adjoint.before_predict(&workspace.steps[k - 1]);
        }
    }
    finish_changes(task, nodes, &mut course);
    course
}

/// What came in is the given amount and what the smoother moved it by; what only the level saw is as far
/// off as the geometry given.
fn finish_changes(task: &Task<'_>, nodes: &[usize], course: &mut FeederCourse) {
    let mut turn = 0;
    let mut exchanges = task.observations.nodes.iter().map(|node| node.new_sensors);
    let mut passed = 0;
    for (i, change) in task.changes.iter().enumerate() {
        while passed <= nodes[i] {
            turn += exchanges.next().unwrap_or(0);
            passed += 1;
        }
        let (share, share_sd) = course
            .sensors
            .get(turn)
            .map_or((0.0, 0.0), |s| s.geometry_share);
        let before = course.volume_l[nodes[i] - 1];
        let filled = &mut course.changes[i];
        filled.litres_before = before;
        filled.litres /= 1.0 + share;
        filled.sd /= 1.0 + share;
        match (change.kind.pours(), change.litres) {
            (true, Some((litres, _))) => filled.litres += litres,
            (true, None) => {
                filled.litres += UNKNOWN_FILL_SHARE * task.capacity_l / (1.0 + share);
                filled.sd = filled.sd.hypot(filled.litres * share_sd);
            }
            (false, _) => filled.litres = course.volume_l[nodes[i]] - before,
        }
    }
}
