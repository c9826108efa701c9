//! What one pass learns for the next: what the colony took in those hours, which readings to doubt, and
//! where the level fell faster than any colony takes.

#![allow(
    clippy::needless_range_loop,
    reason = "indices here are nodes shared by several arrays"
)]

use super::filter::{GIVE_IN_NODES, noise_variance};
use super::model::Appetite;
use super::smooth::{PilotEstimate, Task, Workspace};
use crate::series::grid::{PER_DAY, STEP_HOURS};

crate::numbers! { "estimate.feeder.learn":
    /// This many refused readings in a row are no echoes.
    FALLING_NODES: usize = 3, "1", [1.0, 9.0], Chosen;
    /// A level falls by itself when it falls faster than the colony takes by this factor.
    FALLING_PACE: f64 = 2.0, "1", [0.67, 6.0], Chosen;
    /// A hole or robbers change their pace within this, hours.
    FALLING_HOURS: f64 = 2.0, "h", [0.67, 6.0], Chosen;
    /// Appetite strays by at least this share of the capacity in an hour.
    LEAST_APPETITE_SHARE: f64 = 0.0003, "1", [0.0001, 0.0009], Chosen;
    /// Appetite at an empty feeder strays by this share of the capacity in an hour.
    EMPTY_APPETITE_SHARE: f64 = 1e-4, "1", [3.3e-05, 0.0003], Chosen;
    /// A fall is over where this share of it is done.
    FALLEN_SHARE: f64 = 0.9, "1", [0.3, 1.0], Chosen;
}

/// What the colony took in the twelve hours around each node, and how far it may stray from that.
pub(super) fn learn_appetite(
    task: &Task<'_>,
    pilot: &PilotEstimate,
    empty: &[bool],
    workspace: &mut Workspace,
) {
    let n = pilot.rate.len();
    let half = PER_DAY / 2;
    let least_sd = LEAST_APPETITE_SHARE * task.capacity_l;
    let wanted = |k: usize| !empty[k];
    let (mut sum, mut count) = (0.0, 0u32);
    for k in 0..half.min(n) {
        if wanted(k) {
            sum += pilot.rate[k];
            count += 1;
        }
    }
    for k in 0..n {
        if k + half < n && wanted(k + half) {
            sum += pilot.rate[k + half];
            count += 1;
        }
        if k > half && wanted(k - half - 1) {
            sum -= pilot.rate[k - half - 1];
            count -= 1;
        }
        let mean = if count > 0 {
            (sum / f64::from(count)).max(0.0)
        } else {
            0.0
        };
        workspace.appetite[k] = if empty[k] {
            Appetite {
                mean: 0.0,
                sd: EMPTY_APPETITE_SHARE * task.capacity_l,
                memory_hours: task.parameters.memory_hours,
            }
        } else {
            Appetite {
                mean,
                sd: task.parameters.appetite_share * mean + least_sd,
                memory_hours: task.parameters.memory_hours,
            }
        };
    }
}

/// Where readings were refused one after the other because the level fell faster than any appetite
/// lets it, something else empties the feeder: the next pass follows.
pub(super) fn inflate_process_noise(task: &Task<'_>, workspace: &mut Workspace) {
    let refused = &workspace.refused;
    let mut believed = 0;
    let mut too_high: Option<usize> = None;
    let mut k = 0;
    while k < refused.len() {
        let run = refused[k..].iter().take_while(|r| **r < 0.0).count();
        if refused[k] > 0.0 {
            too_high = Some(k);
        }
        let comes_back = too_high.is_some_and(|high| k - high < PER_DAY / 2);
        if run >= FALLING_NODES && !comes_back {
            let fallen = &refused[k..k + run.min(GIVE_IN_NODES)];
            let lowest = fallen.iter().copied().fold(0.0, f64::min);
            let until = fallen
                .iter()
                .position(|r| *r < FALLEN_SHARE * lowest)
                .unwrap_or(0);
            // It may have begun anywhere since the last reading that was believed.
            let first = believed.min(k.saturating_sub(FALLING_NODES));
            let hours = (k + until + 1 - first) as f64 * STEP_HOURS;
            let pace = -lowest / hours;
            let usual = &workspace.appetite[k];
            if pace > FALLING_PACE * (usual.mean + usual.sd) {
                for appetite in &mut workspace.appetite[first..=k + until] {
                    appetite.sd = appetite.sd.max(pace);
                    appetite.memory_hours = FALLING_HOURS;
                }
                workspace.weights[first..k + run].fill(1.0);
            }
        }
        if refused[k] == 0.0 && task.observations.nodes[k].n > 0 {
            believed = k;
        }
        k += run.max(1);
    }
}

/// How much each node's reading counts: the less, the farther it lies from what the pilot makes of the
/// level and of the sensor that read it, as errors of Student's t distribution have it.
pub(super) fn robust_weights(task: &Task<'_>, pilot: &PilotEstimate, workspace: &mut Workspace) {
    let mut turn = 0;
    for (k, node) in task.observations.nodes.iter().enumerate() {
        turn += node.new_sensors;
        let Some(sensor) = pilot.sensors.get(turn).filter(|_| node.n > 0) else {
            continue;
        };
        let expected = node.expansion * pilot.apparent_l[k]
            + node.litres_per_unit * (sensor.offset.0 + sensor.per_kelvin.0 * node.warmth);
        let off = (node.litres - expected).powi(2) / noise_variance(task.observations, node);
        let freedom = task.parameters.degrees_of_freedom;
        workspace.weights[k] = (freedom + 1.0) / (freedom + off);
    }
}
