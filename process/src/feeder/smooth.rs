//! The passes over a feeder: a first one that lets the rate wander, then ones that know roughly
//! what the colony took in those hours, when the feeder was empty and which readings to doubt.

#![allow(
    clippy::needless_range_loop,
    reason = "indices here are nodes or states shared by several arrays"
)]

use super::empty::find_empty;
use super::model::{
    Appetite, FeederCourse, FilledVolume, N, OFFSET, RATE, SHARE, SensorPrior, SensorTraits, TAKEN,
    VOLUME, WARMTH, step,
};
use super::observe::Observations;
use crate::evidence::{Change, ChangeKind};
use crate::grid::{Grid, PER_DAY, PER_HOUR, STEP_HOURS};
use crate::kalman::{Adjoint, State, Transition, Update};

/// Memory that the passes share from feeder to feeder.
#[derive(Default)]
pub struct Workspace {
    filtered: Vec<State<N>>,
    transitions: Vec<Transition<N>>,
    updates: Vec<Update<N>>,
    updates_until: Vec<usize>,
    jump_variance: Vec<f64>,
    appetite: Vec<Appetite>,
    trust: Vec<f64>,
    refused: Vec<f64>,
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
}

/// Readings this many standard deviations off are not taken in the pass at hand.
const GATE_SDS: f64 = 4.0;
/// Readings that disagree for so long are right after all: something happened that nobody saw.
const GIVE_IN_NODES: usize = 14 * PER_HOUR;
/// Degrees of freedom of the readings' noise (Student's t): K. L. Lange, R. J. A. Little,
/// J. M. G. Taylor, *Robust statistical modeling using the t distribution*, JASA 84 (1989) 881–896.
const DEGREES_OF_FREEDOM: f64 = 6.0;
/// How long appetite remembers within a day, hours.
const MEMORY_HOURS: f64 = 7.0;
/// How far appetite strays from its mean of the day, as a share of it.
const APPETITE_SHARE: f64 = 0.45;

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

/// What the colony took in the twelve hours around each node, and how far it may stray from that.
fn learn_appetite(
    task: &Task<'_>,
    course: &FeederCourse,
    empty: &[bool],
    workspace: &mut Workspace,
) {
    let n = course.rate.len();
    let half = PER_DAY / 2;
    let least_sd = 0.0003 * task.capacity_l;
    let wanted = |k: usize| !empty[k];
    let (mut sum, mut count) = (0.0, 0.0);
    for k in 0..half.min(n) {
        if wanted(k) {
            sum += course.rate[k];
            count += 1.0;
        }
    }
    for k in 0..n {
        if k + half < n && wanted(k + half) {
            sum += course.rate[k + half];
            count += 1.0;
        }
        if k > half && wanted(k - half - 1) {
            sum -= course.rate[k - half - 1];
            count -= 1.0;
        }
        let mean = if count > 0.5 {
            (sum / count).max(0.0)
        } else {
            0.0
        };
        workspace.appetite[k] = if empty[k] {
            Appetite {
                mean: 0.0,
                sd: 1e-4 * task.capacity_l,
                memory_hours: MEMORY_HOURS,
            }
        } else {
            Appetite {
                mean,
                sd: APPETITE_SHARE * mean + least_sd,
                memory_hours: MEMORY_HOURS,
            }
        };
    }
}

/// Where readings were refused one after the other because the level fell faster than any appetite
/// lets it, something else empties the feeder: the next pass follows.
fn let_it_fall(task: &Task<'_>, workspace: &mut Workspace) {
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
            let until = fallen.iter().position(|r| *r < 0.9 * lowest).unwrap_or(0);
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
                workspace.trust[first..k + run].fill(1.0);
            }
        }
        if refused[k] == 0.0 && task.observations.nodes[k].n > 0 {
            believed = k;
        }
        k += run.max(1);
    }
}

/// So many refused readings in a row are no echoes.
const FALLING_NODES: usize = 3;
/// Faster than a colony takes by this factor.
const FALLING_PACE: f64 = 2.0;
/// A hole or robbers change their pace within this, hours.
const FALLING_HOURS: f64 = 2.0;

fn learn_trust(task: &Task<'_>, course: &FeederCourse, workspace: &mut Workspace) {
    let Some(sensor) = course.sensor else { return };
    for (k, node) in task.observations.nodes.iter().enumerate() {
        if node.n == 0 {
            continue;
        }
        let expected = (1.0 + sensor.geometry_share.0) * node.expansion * course.volume_l[k]
            + node.litres_per_unit * (sensor.offset.0 + sensor.per_kelvin.0 * node.warmth);
        let off = (node.litres - expected).powi(2) / noise_variance(task.observations, node.n);
        workspace.trust[k] = (DEGREES_OF_FREEDOM + 1.0) / (DEGREES_OF_FREEDOM + off);
    }
}

fn noise_variance(observations: &Observations, n: u32) -> f64 {
    observations.noise_l.powi(2) / f64::from(n)
}

fn first_state(task: &Task<'_>) -> State<N> {
    let prior = prior_of(task.observations);
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

fn prior_of(observations: &Observations) -> SensorPrior {
    if observations.weighs {
        SensorPrior::WEIGHT
    } else {
        SensorPrior::LEVEL
    }
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

fn forwards(task: &Task<'_>, nodes: &[usize], empty: &[bool], workspace: &mut Workspace) {
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
            noise[OFFSET][OFFSET] = OFFSET_DRIFT * prior_of(task.observations).offset_sd.powi(2);
            while next_change < nodes.len() && nodes[next_change] == k {
                let change = &task.changes[next_change];
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
            set_sensor_prior(&mut state, &prior_of(task.observations));
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
            if residual.powi(2) <= GATE_SDS.powi(2) * state.variance_through(&row, noise) {
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
            let residual = -state.mean[VOLUME];
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
