//! Water that dries off: syrup that a colony takes is fanned down to stores of 18 % water, and the
//! scale loses what goes. A pool for each hive: taken syrup brings water in, and the pool empties with
//! a time constant of a day.

use super::signals::{HiveSignals, Signals};
use crate::analysis::YardAnalysis;
use crate::grid::STEP_HOURS;
use crate::strengths::kg_per_litre;
use larder_domain::Strength;

/// Sugar in capped stores, kg/kg (common practice: 18 % water).
const STORED_SUGAR: f64 = 0.82;
/// The share of syrup that dries off on the way there, where its strength is not known, kg/kg.
const UNKNOWN_SUGAR: f64 = 0.6;
/// So much of that is gone with the time constant below; the rest takes weeks (measured: on both
/// simulated apiaries 12 and 24 h losses of a hive beside its yard follow it with a slope of 1.0 to 1.1).
const SOON_SHARE: f64 = 0.5;
/// Time constant, hours (measured: 24 explains most, from 6 to 96).
const DRYING_HOURS: f64 = 24.0;

/// For each hive, what has dried off up to each node since the record began, kg.
pub(super) fn dried_off(signals: &Signals, analysis: &YardAnalysis) -> Vec<Vec<f64>> {
    let hives = signals.hives.iter().zip(&analysis.hives);
    hives
        .map(|(hive, found)| {
            let goes = 1.0 - (-STEP_HOURS / DRYING_HOURS).exp();
            let (mut pool, mut gone) = (0.0, 0.0);
            (0..signals.grid.len())
                .map(|k| {
                    let out = pool * goes;
                    gone += out;
                    pool += water_taken(hive, found, k) - out;
                    gone
                })
                .collect()
        })
        .collect()
}

/// Water that is to dry off soon, in what is taken in the half hour before a node, kg.
fn water_taken(hive: &HiveSignals, found: &crate::analysis::HiveAnalysis, k: usize) -> f64 {
    let feeders = hive.feeders.iter().zip(&found.feeders);
    feeders
        .map(|(feeder, found)| {
            let rate = if feeder.sensed {
                feeder.followed[k].rate
            } else {
                found.course.rate[k]
            };
            let strength = feeder.strength[k];
            let kg = rate.max(0.0) * STEP_HOURS * kg_per_litre(strength);
            SOON_SHARE * water_share(strength) * kg
        })
        .sum()
}

/// The share of syrup that dries off on the way to capped stores.
pub(super) fn water_share(strength: Option<Strength>) -> f64 {
    let sugar = strength.map_or(UNKNOWN_SUGAR, |s| s.mass_fraction().value());
    (1.0 - sugar / STORED_SUGAR).max(0.0)
}
