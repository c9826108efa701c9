//! The mass balance put to use: what the feeders gave against what the hives became.

use super::{FeederAnalysis, HiveAnalysis, YardAnalysis};
use crate::feeder::{FeederCourse, Workspace, estimate};
use crate::input::{FeederInput, HiveInput, YardInput};
use crate::losses::{BalanceInput, balance_yard, find_losses, share_out};
use crate::parameters::FeederParameters;
use crate::series::grid::{Grid, STEP_HOURS};
use crate::series::scale::ScaleTrack;

crate::numbers! { "estimate.analysis.account":
    /// The second round knows what was lost in the first, and so what was eaten.
    BALANCE_ROUNDS: usize = 2, "1", [1.0, 6.0], Chosen;
}

/// What the passes over all feeders of a yard share.
pub(super) struct Passes<'a> {
    /// Nodes at local midnights.
    pub midnights: &'a [bool],
    /// Their memory.
    pub workspace: Workspace,
    /// What could be set otherwise.
    pub parameters: &'a FeederParameters,
}

/// Balances every hive against its feeders and neighbours, and estimates again what leaks and
/// robbers touched.
pub(super) fn account_for_losses(
    input: &YardInput<'_>,
    analysis: &mut YardAnalysis,
    passes: &mut Passes<'_>,
) {
    for _ in 0..BALANCE_ROUNDS {
        let inputs: Vec<BalanceInput> = input
            .hives
            .iter()
            .zip(&analysis.hives)
            .map(|(hive, found)| balance_input(hive, found, analysis))
            .collect();
        let mut balances = balance_yard(&analysis.grid, &inputs);
        balances.iter_mut().for_each(find_losses);
        for ((hive, found), balance) in input.hives.iter().zip(&mut analysis.hives).zip(balances) {
            let courses: Vec<&FeederCourse> = found.feeders.iter().map(|f| &f.course).collect();
            let density: Vec<f64> = found.feeders.iter().map(|f| f.kg_per_litre).collect();
            let losses = share_out(&balance, &courses, &density);
            found.balance = balance;
            for ((feeder, found), losses) in hive.feeders.iter().zip(&mut found.feeders).zip(losses)
            {
                let touched =
                    !losses.litres_per_hour.is_empty() || !found.losses.litres_per_hour.is_empty();
                found.losses = losses;
                if touched && !found.observations.nodes.is_empty() {
                    let grid = &analysis.grid;
                    found.course = run(grid, feeder, found, passes);
                }
            }
        }
    }
}

pub(super) fn run(
    grid: &Grid,
    feeder: &FeederInput<'_>,
    found: &FeederAnalysis,
    passes: &mut Passes<'_>,
) -> FeederCourse {
    let task = crate::feeder::Task {
        grid,
        observations: &found.observations,
        changes: &found.events.changes,
        midnights: passes.midnights,
        losses: &found.losses.litres_per_hour,
        losses_sd: &found.losses.sd,
        capacity_l: feeder.feeder.capacity_l,
        parameters: passes.parameters,
    };
    estimate(&task, &mut passes.workspace)
}

/// A hive's weight at every node without its steps, kg; NaN while hands were there.
pub(super) fn without_steps(grid: &Grid, scale: &ScaleTrack) -> Vec<f64> {
    let mut weight_kg = scale.at_nodes.clone();
    let mut carried = 0.0;
    let mut steps = scale.steps.iter().peekable();
    let mut hidden_until = 0;
    for (k, weight) in weight_kg.iter_mut().enumerate() {
        while let Some(step) = steps.next_if(|step| grid.nearest(step.earliest) <= k) {
            carried += step.kg;
            hidden_until = grid.nearest(step.latest) + 1;
        }
        *weight = if k < hidden_until {
            f64::NAN
        } else {
            *weight - carried
        };
    }
    weight_kg
}

fn balance_input(
    hive: &HiveInput<'_>,
    found: &HiveAnalysis,
    analysis: &YardAnalysis,
) -> BalanceInput {
    let grid = &analysis.grid;
    let n = grid.len();
    let weight_kg = without_steps(grid, &found.scale);
    let mut input = BalanceInput {
        weight_kg,
        eaten_kg: vec![0.0; n],
        brought_kg: vec![0.0; n],
        outflow: vec![(0.0, 0.0); n],
    };
    for (feeder, found) in hive.feeders.iter().zip(&found.feeders) {
        let course = &found.course;
        if course.rate.len() != n {
            continue;
        }
        let mut changed = vec![false; n];
        for change in &found.events.changes {
            let k = grid.at_or_after(change.time());
            changed[k.saturating_sub(1)] = true;
            changed[k] = true;
        }
        for k in 0..n {
            let rate = course.rate[k].max(0.0);
            let loss = found.losses.litres_per_hour.get(k).copied().unwrap_or(0.0);
            input.eaten_kg[k] += rate * found.kg_per_litre;
            if !feeder.feeder.on_scale {
                // All that left it should have come in, if it went into the colony.
                input.brought_kg[k] += (rate + loss) * found.kg_per_litre;
            }
            // What the level says is more than rate and loss where the loss is not well known.
            let fallen = (course.volume_l[k] - course.volume_l[(k + 1).min(n - 1)]) / STEP_HOURS;
            let jumps = changed.get(k).copied().unwrap_or(true);
            input.outflow[k].0 += if loss > 0.0 && !jumps {
                fallen.max(0.0)
            } else {
                rate + loss
            };
            input.outflow[k].1 += course.rate_sd[k];
        }
    }
    input
}
