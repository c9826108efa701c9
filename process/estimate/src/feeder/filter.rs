//! The way forwards: the Kalman filter over the nodes of one feeder.

#![allow(
    clippy::needless_range_loop,
    reason = "indices here are nodes or states shared by several arrays"
)]

use super::model::{OFFSET, RATE, SEEN, SHARE, SensorTraits, Step, TAKEN, VOLUME, WARMTH};
use super::observe::{Observations, Watched};
use super::smooth::{RATE_SD_SHARE, Task, Workspace};
use crate::events::{Change, ChangeKind};
use crate::math::kalman::{Marginal, State, Vector};
use crate::parameters::SensorPrior;
use crate::series::grid::{PER_HOUR, STEP_HOURS};

crate::numbers! { "estimate.feeder.filter":
    /// A loss is known to about this share of it.
    LOSS_SHARE: f64 = 0.2, "1", [0.067, 0.6], Chosen;
    /// A loss's errors go together over so many nodes.
    LOSS_NODES: f64 = 4.0, "1", [1.3, 12.0], Chosen;
    /// How much a sensor's offset wanders, as a share of its prior variance at each node.
    OFFSET_DRIFT: f64 = 1e-4, "1", [3.3e-05, 0.0003], Chosen;
    /// How well it is known that an empty feeder holds its dregs, as a share of the capacity.
    EMPTY_SD_SHARE: f64 = 0.004, "1", [0.0013, 0.012], Chosen;
    /// A spill that leaves less than this share of what was in it, and `SPILT_L`, leaves nothing.
    SPILT_SHARE: f64 = 0.15, "1", [0.05, 0.45], Chosen;
    /// A spill that leaves fewer litres than this, and `SPILT_SHARE` of what was in the feeder, leaves
    /// nothing.
    SPILT_L: f64 = 0.1, "l", [0.033, 0.3], Chosen;
    /// What a feeder that lost all may yet hold, as a share of the capacity.
    EMPTIED_SD_SHARE: f64 = 0.01, "1", [0.0033, 0.03], Chosen;
    /// A feeder whose first fill was not seen holds this share of the dregs that colonies leave: a colony
    /// emptied it, or it was put on clean.
    FIRST_DREGS: f64 = 0.5, "1", [0.0, 1.0], Chosen;
    /// How far a level strays when something happened that nobody saw, as a share of the capacity.
    UNSEEN_SD_SHARE: f64 = 0.5, "1", [0.17, 1.5], Chosen;
    /// A fill that nobody weighed or wrote down brings this share of the capacity.
    pub(super) UNKNOWN_FILL_SHARE: f64 = 0.5, "1", [0.17, 1.0], Chosen;
    /// A spill that nobody weighed takes this share of what was in the feeder.
    UNKNOWN_SPILL_SHARE: f64 = 0.5, "1", [0.17, 1.0], Chosen;
}

/// Readings that disagree for so long are right after all: something happened that nobody saw.
pub(super) const GIVE_IN_NODES: usize = 14 * PER_HOUR;

/// Runs over all nodes and leaves in the workspace what the smoother needs. With `M` of the states:
/// all, or only those that readings depend on.
pub(super) fn forwards<const M: usize>(
    task: &Task<'_>,
    nodes: &[usize],
    empty: &[bool],
    workspace: &mut Workspace,
) {
    let n = task.grid.len();
    workspace.clear(n, nodes.len());
    let mut run = Run::<M>::new(task, nodes, workspace);
    for k in 0..n {
        if k > 0 {
            run.step_to(k, workspace);
        }
        run.take_reading(k, workspace);
        if empty[k] {
            run.take_emptiness(workspace);
        }
        workspace.updates_until.push(workspace.updates.len());
        workspace.filtered.push([VOLUME, RATE].map(|i| run.seen(i)));
        if M > TAKEN && task.day_ends(k) {
            workspace.taken.push(by_true_geometry(&run.state, TAKEN));
        }
    }
    workspace.sensors.push(sensor_traits(task, &run.state));
}

/// The filter on its way over the nodes.
struct Run<'a, const M: usize> {
    task: &'a Task<'a>,
    /// The node of each change.
    nodes: &'a [usize],
    /// What is expected of the sensor that watches now.
    prior: SensorPrior,
    state: State<M>,
    step: Step,
    /// The first change that has not been put in yet, as an index into `nodes`.
    next_change: usize,
    /// Nodes refused in a row.
    refused: usize,
    /// What is in the feeder when it is empty, as a share of the capacity.
    left_behind: f64,
}

impl<'a, const M: usize> Run<'a, M> {
    fn new(task: &'a Task<'a>, nodes: &'a [usize], workspace: &Workspace) -> Self {
        let prior = prior_of(task, 0);
        Self {
            task,
            nodes,
            state: first_state(task, &prior),
            prior,
            step: Step::new(workspace.appetite.first().map_or(1.0, |a| a.memory_hours)),
            next_change: 0,
            refused: 0,
            // Whether a colony emptied it or it was put on clean is not known before the first change.
            left_behind: FIRST_DREGS * task.parameters.dregs_share,
        }
    }

    /// A volume or a rate as the pass at hand tells it: the ones before the last by the geometry given.
    fn seen(&self, i: usize) -> Marginal<SEEN> {
        if M > TAKEN {
            by_true_geometry(&self.state, i)
        } else {
            self.state.marginal(i)
        }
    }

    /// Carries the state from the node before `k` to `k`.
    fn step_to(&mut self, k: usize, workspace: &mut Workspace) {
        let task = self.task;
        let appetite = &workspace.appetite[k - 1];
        let mut step = self.step.with_memory(appetite.memory_hours);
        step.keep_volume = 1.0;
        let node = &task.observations.nodes[k];
        let exchanged = node.new_sensors > 0;
        step.keep_sensor = if exchanged { 0.0 } else { 1.0 };
        if exchanged {
            workspace.sensors.push(sensor_traits(task, &self.state));
            self.prior = prior_of(task, k);
        }
        step.keep_taken = if task.midnights[k - 1] { 0.0 } else { 1.0 };
        let mut jump = Jump::by_loss(task, k - 1);
        self.put_changes_in(k, &mut jump, &mut workspace.jump_variance);
        if self.refused > GIVE_IN_NODES {
            jump.variance += (UNSEEN_SD_SHARE * task.capacity_l).powi(2);
            self.refused = 0;
        }
        if jump.all_goes {
            step.keep_volume = 0.0;
        }
        let state = &mut self.state;
        let true_l = state.mean[VOLUME] / (1.0 + state.mean[SHARE]);
        step.by_share = if exchanged { -true_l } else { 0.0 } + jump.measured_l;
        state.predict(&step);
        step.add_appetite(appetite, state);
        state.mean[VOLUME] += jump.measured_l + jump.by_geometry_l;
        state.covariance[VOLUME][VOLUME] += jump.variance;
        state.covariance[OFFSET][OFFSET] += OFFSET_DRIFT * self.prior.offset_sd.powi(2);
        if exchanged {
            set_sensor_prior(state, &self.prior);
            // What is in it is as before, whatever the new sensor makes of it.
            let share = self.prior.share_sd.powi(2);
            state.covariance[VOLUME][VOLUME] += true_l.powi(2) * share;
            state.covariance[VOLUME][SHARE] += true_l * share;
            state.covariance[SHARE][VOLUME] += true_l * share;
            // Of a sensor that was relieved before the next node nothing is known but what is expected.
            let unknown = sensor_traits(task, state);
            workspace
                .sensors
                .extend((1..node.new_sensors).map(|_| unknown));
        }
        self.step = step;
        workspace.steps.push(step);
    }

    /// Adds the changes at node `k` to `jump`, and notes the variance that each adds.
    fn put_changes_in(&mut self, k: usize, jump: &mut Jump, variances: &mut [f64]) {
        while self.next_change < self.nodes.len() && self.nodes[self.next_change] == k {
            let change = &self.task.changes[self.next_change];
            self.left_behind = match change.kind {
                ChangeKind::Fill | ChangeKind::Renewed => self.task.parameters.dregs_share,
                ChangeKind::Spill => self.left_behind,
                ChangeKind::Lost => 0.0,
            };
            variances[self.next_change] = jump.add(self.task, change, self.state.mean[VOLUME]);
            self.next_change += 1;
        }
    }

    /// Takes the node's reading in, or refuses it where it lies beyond the gate.
    fn take_reading(&mut self, k: usize, workspace: &mut Workspace) {
        let (task, state) = (self.task, &mut self.state);
        let node = &task.observations.nodes[k];
        if node.n == 0 {
            return;
        }
        let row = row_of(node);
        let expected = row[VOLUME] * state.mean[VOLUME]
            + row[OFFSET] * state.mean[OFFSET]
            + row[WARMTH] * state.mean[WARMTH];
        let residual = node.litres - expected;
        let noise = noise_variance(task.observations, node) / workspace.weights[k];
        let innovation = state.innovation(&row, noise);
        let gate = task.parameters.gate_sds.powi(2);
        if residual.powi(2) <= gate * innovation.variance() {
            workspace
                .updates
                .push(state.update(&innovation, residual).of_first());
            self.refused = 0;
        } else {
            workspace.refused[k] = residual / row[VOLUME];
            self.refused += 1;
        }
    }

    /// Takes in that the feeder is empty at this node, but for what stays in it.
    fn take_emptiness(&mut self, workspace: &mut Workspace) {
        let (capacity_l, state) = (self.task.capacity_l, &mut self.state);
        let mut row = [0.0; M];
        row[VOLUME] = 1.0;
        let residual = self.left_behind * capacity_l - state.mean[VOLUME];
        let innovation = state.innovation(&row, (EMPTY_SD_SHARE * capacity_l).powi(2));
        workspace
            .updates
            .push(state.update(&innovation, residual).of_first());
    }
}

/// A volume or a rate by the geometry as it truly is: what the geometry given makes of it, less the share
/// by which that is off.
fn by_true_geometry<const M: usize>(state: &State<M>, i: usize) -> Marginal<SEEN> {
    let off = 1.0 + state.mean[SHARE];
    let mut of = [0.0; M];
    of[i] = 1.0 / off;
    of[SHARE] = -state.mean[i] / off.powi(2);
    state.combination(&of, state.mean[i] / off)
}

/// How the states enter a node's reading.
fn row_of<const M: usize>(node: &Watched) -> Vector<M> {
    let mut row = [0.0; M];
    row[VOLUME] = node.expansion;
    row[OFFSET] = node.litres_per_unit;
    row[WARMTH] = node.litres_per_unit * node.warmth;
    row
}

/// What comes in within a step besides what the colony takes.
struct Jump {
    /// Litres that something other than the level measured.
    measured_l: f64,
    /// Litres that only the level sees, by the geometry given.
    by_geometry_l: f64,
    /// Variance of all of them.
    variance: f64,
    /// Whether what was in it before no longer matters.
    all_goes: bool,
}

impl Jump {
    /// What was lost in the step behind node `k`.
    fn by_loss(task: &Task<'_>, k: usize) -> Self {
        let loss = task.losses.get(k).copied().unwrap_or(0.0);
        let open = task
            .losses_sd
            .get(k)
            .map_or(0.0, |sd| sd.hypot(LOSS_SHARE * loss) * STEP_HOURS);
        Self {
            measured_l: -loss * STEP_HOURS,
            by_geometry_l: 0.0,
            variance: LOSS_NODES * open * open,
            all_goes: false,
        }
    }

    /// Puts a change in, with `in_it` litres in the feeder; returns the variance that it adds.
    fn add(&mut self, task: &Task<'_>, change: &Change, in_it: f64) -> f64 {
        let unknown_l = UNKNOWN_FILL_SHARE * task.capacity_l;
        let sd = match (change.kind, change.litres) {
            (ChangeKind::Fill, Some((litres, sd))) => {
                self.measured_l += litres;
                sd
            }
            (ChangeKind::Fill, None) => {
                self.by_geometry_l += unknown_l;
                task.capacity_l
            }
            (ChangeKind::Spill, Some((litres, sd)))
                if in_it + litres > SPILT_SHARE * in_it + SPILT_L =>
            {
                self.measured_l += litres;
                sd
            }
            (ChangeKind::Spill, None) => {
                self.by_geometry_l -= UNKNOWN_SPILL_SHARE * in_it;
                task.capacity_l
            }
            (ChangeKind::Spill | ChangeKind::Lost, _) => {
                self.empty();
                EMPTIED_SD_SHARE * task.capacity_l
            }
            (ChangeKind::Renewed, litres) => {
                self.empty();
                match litres {
                    Some((litres, sd)) => {
                        self.measured_l = litres;
                        sd
                    }
                    None => {
                        self.by_geometry_l = unknown_l;
                        task.capacity_l
                    }
                }
            }
        };
        self.variance += sd.powi(2);
        sd.powi(2)
    }

    fn empty(&mut self) {
        self.all_goes = true;
        self.measured_l = 0.0;
        self.by_geometry_l = 0.0;
    }
}

pub(super) fn noise_variance(observations: &Observations, node: &Watched) -> f64 {
    observations.noise_l.powi(2) / f64::from(node.n) + node.step_variance_l2
}

fn first_state<const M: usize>(task: &Task<'_>, prior: &SensorPrior) -> State<M> {
    let first = task.observations.nodes.iter().find(|node| node.n > 0);
    let mut state = State {
        mean: [0.0; M],
        covariance: [[0.0; M]; M],
    };
    state.mean[VOLUME] = first.map_or(0.0, |node| node.litres.max(0.0));
    state.covariance[VOLUME][VOLUME] = task.capacity_l.powi(2);
    state.covariance[RATE][RATE] = (RATE_SD_SHARE * task.capacity_l).powi(2);
    set_sensor_prior(&mut state, prior);
    state
}

fn set_sensor_prior<const M: usize>(state: &mut State<M>, prior: &SensorPrior) {
    let variances = [
        (OFFSET, prior.offset_sd),
        (WARMTH, prior.per_kelvin_sd),
        (SHARE, prior.share_sd),
    ];
    for (i, sd) in variances {
        state.covariance[i] = [0.0; M];
        state.covariance.iter_mut().for_each(|row| row[i] = 0.0);
        state.covariance[i][i] = sd * sd;
        state.mean[i] = 0.0;
    }
}

fn sensor_traits<const M: usize>(task: &Task<'_>, state: &State<M>) -> SensorTraits {
    let of = |i: usize| (state.mean[i], state.covariance[i][i].max(0.0).sqrt());
    SensorTraits {
        offset: of(OFFSET),
        per_kelvin: of(WARMTH),
        geometry_share: of(SHARE),
        noise_l: task.observations.noise_l,
    }
}

/// What is expected of the sensor that watches at node `k`.
fn prior_of(task: &Task<'_>, k: usize) -> SensorPrior {
    let weighs = task
        .observations
        .nodes
        .get(k)
        .is_some_and(|node| node.weighs);
    if weighs {
        task.parameters.load_cell
    } else {
        task.parameters.level
    }
}
