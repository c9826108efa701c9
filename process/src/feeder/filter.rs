//! The way forwards: the Kalman filter over the nodes of one feeder.

#![allow(
    clippy::needless_range_loop,
    reason = "indices here are nodes or states shared by several arrays"
)]

use super::model::{N, OFFSET, RATE, SHARE, VOLUME, WARMTH, step};
use super::observe::Observations;
use super::smooth::{Task, Workspace};
use crate::evidence::{Change, ChangeKind};
use crate::grid::{PER_HOUR, STEP_HOURS};
use crate::kalman::{State, Transition};
use crate::parameters::SensorPrior;

/// Readings that disagree for so long are right after all: something happened that nobody saw.
pub(super) const GIVE_IN_NODES: usize = 14 * PER_HOUR;

pub(super) fn forwards(
    task: &Task<'_>,
    nodes: &[usize],
    empty: &[bool],
    workspace: &mut Workspace,
) {
    let n = task.grid.len();
    workspace.filtered.clear();
    workspace.transitions.clear();
    workspace.updates.clear();
    workspace.updates_until.clear();
    workspace.refused.clear();
    workspace.refused.resize(n, 0.0);
    workspace.jump_variance.clear();
    workspace.jump_variance.resize(nodes.len(), 0.0);
    let mut state = first_state(task);
    let mut next_change = 0;
    let mut refused = 0;
    // Whether a colony emptied it or it was put on clean is not known before the first change.
    let mut left_behind = 0.5 * task.parameters.dregs_share;
    for k in 0..n {
        if k > 0 {
            let keep = if task.midnights[k - 1] { 0.0 } else { 1.0 };
            let (mut transition, mut input, mut noise) =
                step(&workspace.appetite[k - 1], STEP_HOURS, keep);
            if let Some(loss) = task.losses.get(k - 1) {
                input[VOLUME] -= loss * STEP_HOURS;
            }
            if let (Some(&loss), Some(&sd)) = (task.losses.get(k - 1), task.losses_sd.get(k - 1)) {
                let open = sd.hypot(LOSS_SHARE * loss) * STEP_HOURS;
                noise[VOLUME][VOLUME] += LOSS_NODES * open * open;
            }
            noise[OFFSET][OFFSET] = OFFSET_DRIFT * prior_of(task).offset_sd.powi(2);
            while next_change < nodes.len() && nodes[next_change] == k {
                let change = &task.changes[next_change];
                left_behind = match change.kind {
                    ChangeKind::Fill | ChangeKind::Renewed => task.parameters.dregs_share,
                    ChangeKind::Spill => left_behind,
                    ChangeKind::Lost => 0.0,
                };
                let variance = jump(task, change, &state, &mut transition, &mut input);
                noise[VOLUME][VOLUME] += variance;
                workspace.jump_variance[next_change] = variance;
                next_change += 1;
            }
            if refused > GIVE_IN_NODES {
                noise[VOLUME][VOLUME] += (0.5 * task.capacity_l).powi(2);
                refused = 0;
            }
            state.predict(&transition, &input, &noise);
            workspace.transitions.push(transition);
        }
        let node = &task.observations.nodes[k];
        if node.new_sensor {
            set_sensor_prior(&mut state, &prior_of(task));
        }
        if node.n > 0 {
            let mut row = [0.0; N];
            row[VOLUME] = (1.0 + state.mean[SHARE]) * node.expansion;
            row[OFFSET] = node.litres_per_unit;
            row[WARMTH] = node.litres_per_unit * node.warmth;
            row[SHARE] = node.expansion * state.mean[VOLUME].max(0.0);
            let expected = row[VOLUME] * state.mean[VOLUME]
                + row[OFFSET] * state.mean[OFFSET]
                + row[WARMTH] * state.mean[WARMTH];
            let residual = node.litres - expected;
            let noise = noise_variance(task.observations, node.n) / workspace.trust[k];
            if residual.powi(2)
                <= task.parameters.gate_sds.powi(2) * state.variance_through(&row, noise)
            {
                workspace.updates.push(state.update(&row, residual, noise));
                refused = 0;
            } else {
                workspace.refused[k] = residual / row[VOLUME];
                refused += 1;
            }
        }
        if empty[k] {
            let mut row = [0.0; N];
            row[VOLUME] = 1.0;
            let residual = left_behind * task.capacity_l - state.mean[VOLUME];
            let noise = (0.004 * task.capacity_l).powi(2);
            workspace.updates.push(state.update(&row, residual, noise));
        }
        workspace.updates_until.push(workspace.updates.len());
        workspace.filtered.push(state);
    }
}

/// A loss is known to about this share, and its errors go together over so many nodes.
const LOSS_SHARE: f64 = 0.2;
const LOSS_NODES: f64 = 4.0;
/// How much a sensor's offset wanders, as a share of its prior variance at each node.
const OFFSET_DRIFT: f64 = 1e-4;

/// Puts a change into the step that leads over it; returns the variance that it adds.
fn jump(
    task: &Task<'_>,
    change: &Change,
    state: &State<N>,
    transition: &mut Transition<N>,
    input: &mut [f64; N],
) -> f64 {
    let in_it = state.mean[VOLUME];
    match (change.kind, change.litres) {
        (ChangeKind::Fill, Some((litres, sd))) => {
            input[VOLUME] += litres;
            sd.powi(2)
        }
        (ChangeKind::Fill, None) => {
            input[VOLUME] += 0.5 * task.capacity_l;
            task.capacity_l.powi(2)
        }
        (ChangeKind::Spill, Some((litres, sd))) if in_it + litres > 0.15 * in_it + 0.1 => {
            input[VOLUME] += litres;
            sd.powi(2)
        }
        (ChangeKind::Spill, None) => {
            input[VOLUME] -= 0.5 * in_it;
            task.capacity_l.powi(2)
        }
        (ChangeKind::Spill | ChangeKind::Lost, _) => {
            // All of it went: what was in it no longer matters.
            transition.set(VOLUME, &[]);
            input[VOLUME] = 0.0;
            (0.01 * task.capacity_l).powi(2)
        }
        (ChangeKind::Renewed, litres) => {
            transition.set(VOLUME, &[]);
            let (litres, sd) = litres.unwrap_or((0.5 * task.capacity_l, task.capacity_l));
            input[VOLUME] = litres;
            sd.powi(2)
        }
    }
}

pub(super) fn noise_variance(observations: &Observations, n: u32) -> f64 {
    observations.noise_l.powi(2) / f64::from(n)
}

fn first_state(task: &Task<'_>) -> State<N> {
    let prior = prior_of(task);
    let first = task.observations.nodes.iter().find(|node| node.n > 0);
    let mut state = State {
        mean: [0.0; N],
        covariance: [[0.0; N]; N],
    };
    state.mean[VOLUME] = first.map_or(0.0, |node| node.litres.max(0.0));
    state.covariance[VOLUME][VOLUME] = task.capacity_l.powi(2);
    state.covariance[RATE][RATE] = (0.006 * task.capacity_l).powi(2);
    set_sensor_prior(&mut state, &prior);
    state
}

fn set_sensor_prior(state: &mut State<N>, prior: &SensorPrior) {
    let variances = [
        (OFFSET, prior.offset_sd),
        (WARMTH, prior.per_kelvin_sd),
        (SHARE, prior.share_sd),
    ];
    for (i, sd) in variances {
        state.covariance[i] = [0.0; N];
        state.covariance.iter_mut().for_each(|row| row[i] = 0.0);
        state.covariance[i][i] = sd * sd;
        state.mean[i] = 0.0;
    }
}

fn prior_of(task: &Task<'_>) -> SensorPrior {
    if task.observations.weighs {
        task.parameters.load_cell
    } else {
        task.parameters.level
    }
}
