//! The passes over a feeder: a first one that lets the rate wander, then ones that know roughly
//! what the colony took in those hours, when the feeder was empty and which readings to doubt.

#![allow(
    clippy::needless_range_loop,
    reason = "indices here are nodes or states shared by several arrays"
)]

use super::empty::find_empty;
use super::filter::forwards;
use super::learn::{learn_appetite, learn_trust, let_it_fall};
use super::model::{
    Appetite, FeederCourse, FilledVolume, N, OFFSET, RATE, SHARE, SensorTraits, TAKEN, VOLUME,
    WARMTH,
};
use super::observe::Observations;
use crate::evidence::{Change, ChangeKind};
use crate::grid::Grid;
use crate::kalman::{Adjoint, State, Transition, Update};
use crate::parameters::FeederParameters;

/// Memory that the passes share from feeder to feeder.
#[derive(Default)]
pub struct Workspace {
    pub(super) filtered: Vec<State<N>>,
    pub(super) transitions: Vec<Transition<N>>,
    pub(super) updates: Vec<Update<N>>,
    pub(super) updates_until: Vec<usize>,
    pub(super) jump_variance: Vec<f64>,
    pub(super) appetite: Vec<Appetite>,
    pub(super) trust: Vec<f64>,
    pub(super) refused: Vec<f64>,
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

/// Estimates one feeder that has a sensor.
pub fn estimate(task: &Task<'_>, workspace: &mut Workspace) -> FeederCourse {
    let n = task.grid.len();
    let nodes = change_nodes(task);
    let wandering = Appetite {
        mean: 0.002 * task.capacity_l,
        sd: 0.006 * task.capacity_l,
        memory_hours: 12.0,
    };
    workspace.appetite.clear();
    workspace.appetite.resize(n, wandering);
    workspace.trust.clear();
    workspace.trust.resize(n, 1.0);
    let mut course = pass(task, &nodes, &vec![false; n], workspace);
    let mut fills = vec![false; n];
    for (&k, _) in nodes.iter().zip(task.changes) {
        fills[k] = true;
    }
    for _ in 0..2 {
        let empty = find_empty(
            task.observations,
            &course.volume_l,
            &course.rate,
            &fills,
            task.capacity_l,
        );
        learn_appetite(task, &course, &empty, workspace);
        learn_trust(task, &course, workspace);
        let_it_fall(task, workspace);
        course = pass(task, &nodes, &empty, workspace);
        course.empty = empty;
    }
    course
}

fn change_nodes(task: &Task<'_>) -> Vec<usize> {
    let node = |change: &Change| task.grid.at_or_after(change.time()).max(1);
    task.changes.iter().map(node).collect()
}

/// One filter forwards and one smoother backwards.
fn pass(
    task: &Task<'_>,
    nodes: &[usize],
    empty: &[bool],
    workspace: &mut Workspace,
) -> FeederCourse {
    forwards(task, nodes, empty, workspace);
    backwards(task, nodes, workspace)
}

fn backwards(task: &Task<'_>, nodes: &[usize], workspace: &Workspace) -> FeederCourse {
    let n = task.grid.len();
    let mut course = FeederCourse {
        volume_l: vec![0.0; n],
        volume_sd: vec![0.0; n],
        rate: vec![0.0; n],
        rate_sd: vec![0.0; n],
        empty: vec![false; n],
        taken: vec![None; n],
        changes: vec![FilledVolume::default(); nodes.len()],
        sensor: None,
    };
    let mut adjoint = Adjoint::nothing();
    let mut next_change = nodes.len();
    for k in (0..n).rev() {
        let state = &workspace.filtered[k];
        let (volume, variance) = state.smoothed_one(&adjoint, VOLUME);
        course.volume_l[k] = volume;
        course.volume_sd[k] = variance.sqrt();
        let (rate, variance) = state.smoothed_one(&adjoint, RATE);
        course.rate[k] = rate;
        course.rate_sd[k] = variance.sqrt();
        if task.midnights[k] || k + 1 == n {
            course.taken[k] = Some(state.smoothed_one(&adjoint, TAKEN));
        }
        if k + 1 == n {
            course.sensor = Some(sensor_traits(task, state));
        }
        let from = if k > 0 {
            workspace.updates_until[k - 1]
        } else {
            0
        };
        for update in workspace.updates[from..workspace.updates_until[k]]
            .iter()
            .rev()
        {
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
            adjoint.before_predict(&workspace.transitions[k - 1]);
        }
    }
    finish_changes(task, nodes, &mut course);
    course
}

/// What came in is the given amount and what the smoother moved it by.
fn finish_changes(task: &Task<'_>, nodes: &[usize], course: &mut FeederCourse) {
    for (i, change) in task.changes.iter().enumerate() {
        let before = course.volume_l[nodes[i] - 1];
        let filled = &mut course.changes[i];
        filled.litres_before = before;
        filled.litres += match (change.kind, change.litres) {
            (ChangeKind::Fill | ChangeKind::Renewed, Some((litres, _))) => litres,
            (ChangeKind::Fill | ChangeKind::Renewed, None) => 0.5 * task.capacity_l,
            (ChangeKind::Spill | ChangeKind::Lost, _) => 0.0,
        };
        if !change.kind.pours() {
            filled.litres = course.volume_l[nodes[i]] - before;
        }
    }
}

fn sensor_traits(task: &Task<'_>, state: &State<N>) -> SensorTraits {
    let of = |i: usize| (state.mean[i], state.covariance[i][i].max(0.0).sqrt());
    SensorTraits {
        offset: of(OFFSET),
        per_kelvin: of(WARMTH),
        geometry_share: of(SHARE),
        noise_l: task.observations.noise_l,
    }
}
