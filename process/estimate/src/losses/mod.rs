//! What leaves a feeder and does not reach the colony: leaks and robbing, from the mass balance of
//! feeder and hive.
//!
//! Syrup that the colony takes stays on the scale; only its water goes, slowly. So a hive's weight
//! can be foretold from what its feeders gave, from what its neighbours did in the same hours and
//! from the time of day. What is missing against that, hour by hour, has left the hive. See
//! `docs/estimator.md` for the equations.

pub(crate) mod balance;
pub(crate) mod hmm;

pub use balance::{BalanceInput, HiveBalance, balance_yard};
pub use hmm::find_losses;

use crate::feeder::FeederCourse;

crate::numbers! { "estimate.losses":
    /// A loss of less than this over the whole record is none, kg.
    LEAST_KG: f64 = 0.03, "kg", [0.01, 0.09], Chosen;
    /// Below this a loss is not thought of.
    LEAST_PROBABILITY: f64 = 0.02, "1", [0.0067, 0.06], Chosen;
}

/// One hour of one hive's mass balance.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct BalanceHour {
    /// How much heavier the hive became, kg, steps, rain and temperature taken out; NaN: not known.
    pub gain_kg: f64,
    /// How much heavier it should have become if all that left its feeders went into the colony, kg.
    pub expected_kg: f64,
    /// Standard deviation of the difference of the two, kg.
    pub sd_kg: f64,
    /// What left its feeders, l.
    pub outflow_l: f64,
    /// Standard deviation of that, l.
    pub outflow_sd_l: f64,
    /// What usually left them in an hour of these days, l.
    pub usual_outflow_l: f64,
    /// Mass that left the hive for good, kg: expected value and standard deviation.
    pub lost_kg: f64,
    /// Standard deviation of `lost_kg`.
    pub lost_sd_kg: f64,
    /// How likely it is that anything was lost, 0 to 1.
    pub probability: f64,
}

/// Litres an hour that each feeder lost at every node, with their standard deviation.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct FeederLosses {
    /// l/h at every node; empty where nothing was lost.
    pub litres_per_hour: Vec<f64>,
    /// Standard deviation of that; errors of one day go together.
    pub sd: Vec<f64>,
}

/// Shares a hive's losses out among its feeders by what left each. `kg_per_litre` belongs to the
/// feeders in the same order.
pub fn share_out(
    balance: &HiveBalance,
    courses: &[&FeederCourse],
    kg_per_litre: &[f64],
) -> Vec<FeederLosses> {
    let n = balance.nodes;
    let per_hour = crate::series::grid::PER_HOUR;
    let thought_of = balance
        .hours
        .iter()
        .filter(|hour| hour.probability >= LEAST_PROBABILITY);
    if thought_of.map(|hour| hour.lost_kg).sum::<f64>() < LEAST_KG {
        return vec![FeederLosses::default(); courses.len()];
    }
    let mut losses: Vec<FeederLosses> = courses
        .iter()
        .map(|_| FeederLosses {
            litres_per_hour: vec![0.0; n],
            sd: vec![0.0; n],
        })
        .collect();
    for k in 0..n {
        let Some(hour) = balance.hours.get(k / per_hour) else {
            break;
        };
        if hour.probability < LEAST_PROBABILITY {
            continue;
        }
        let total: f64 = courses
            .iter()
            .filter(|c| c.rate.len() == n)
            .map(|c| c.rate[k].max(0.0))
            .sum();
        for (f, course) in courses
            .iter()
            .enumerate()
            .filter(|(_, c)| c.rate.len() == n)
        {
            let outflow = course.rate[k].max(0.0);
            let share = if total > 0.0 { outflow / total } else { 0.0 };
            let litres = share * hour.lost_kg / kg_per_litre[f];
            losses[f].litres_per_hour[k] = litres;
            losses[f].sd[k] = share * hour.lost_sd_kg / kg_per_litre[f];
        }
    }
    losses
}
