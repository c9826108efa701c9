//! What the keeper feeds for, and what follows from it: how fast syrup is expected to go before a
//! colony has days of its own to go by, and how pressing it is when something is wrong.

use super::Case;
use larder_domain::Goal;

/// Syrup of less sugar than this is fed thin, for growth: between 1:1 and 5:3 by mass.
const THIN: f64 = 0.56;

/// What the hive's feed is for. Where the keeper did not say, thin syrup is for growth and thick
/// syrup for the winter.
pub(super) fn of_feeder(case: &Case<'_>, h: usize, f: usize) -> Goal {
    let said = case.input.hives[h].hive.goal;
    said.unwrap_or_else(|| {
        let poured = &case.signals.hives[h].feeders[f].strength;
        let newest = poured[..=case.signals.last].last().copied().flatten();
        match newest {
            Some(strength) if strength.mass_fraction().value() < THIN => Goal::BuildUp,
            _ => Goal::WinterStores,
        }
    })
}

/// What a colony fed for that takes in a day on which nothing hinders it, l.
pub(super) fn litres_per_day(case: &Case<'_>, h: usize, f: usize) -> f64 {
    let pace = &case.parameters.pace;
    match of_feeder(case, h, f) {
        Goal::WinterStores => pace.winter_stores_l_per_day,
        Goal::BuildUp => pace.build_up_l_per_day,
        Goal::Comb => pace.comb_l_per_day,
        Goal::Emergency => pace.emergency_l_per_day,
    }
}
