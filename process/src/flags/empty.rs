//! Nothing left in a feeder.
//!
//! By the filter that looks back only; a level that has been falling and lies flat near the floor is
//! empty too, whatever the sensor's offset makes of it.

use super::{Case, Doubts, Sign, Words, goal, spells, stores};
use crate::series::grid::PER_DAY;
use larder_domain::{Evidence, Flag, FlagKind, Measure};

crate::numbers! { "flags.empty":
    /// How sure it is with a level sensor, and by the scale and the neighbours alone.
    PROBABILITY: [f64; 2] = [0.95, 0.5], "1", [0.17, 1.0], Chosen;
}

/// Opens when the feeder has been empty for a while, closes when something is in it again. Only
/// feeders that have been filled in what is known are judged.
pub(super) fn raise(case: &Case<'_>, doubts: &Doubts, flags: &mut Vec<Flag>) {
    for (h, f, _, feeder) in case.feeders() {
        let parameters = &case.parameters(h).empty;
        let signals = case.signals;
        let capacity = case.feeder(h, f).capacity_l;
        let limit = (parameters.share * capacity).max(parameters.litres);
        let Some(from) = feeder.filled.iter().position(Option::is_some) else {
            continue;
        };
        let signs = (from..=signals.last).map(|k| {
            let blind = doubts.level(case, h, f, k) || doubts.off(case, h, f, k);
            let sign = match stores::left(case, h, f, k) {
                _ if feeder.changed[k] == Some(k) => Sign::Gone,
                _ if blind => Sign::Between,
                left if left < limit => Sign::Holds,
                left if left > parameters.filled_factor * limit => Sign::Gone,
                _ => Sign::Between,
            };
            (signals.grid.time(k), sign)
        });
        for spell in spells(signs, parameters.stays_hours, 0.0) {
            let k = from + spell.opened;
            let days = feeder.filled[k].map_or(0.0, |at| (k - at) as f64 / PER_DAY as f64);
            let words = Words {
                severity: goal::severity(FlagKind::Empty, goal::of_feeder(case, h, f, k)),
                probability: if feeder.sensed {
                    PROBABILITY[0]
                } else {
                    PROBABILITY[1]
                },
                evidence: Evidence::new("{left} left of {capacity}, {days} after the last fill.")
                    .with_estimate(
                        "left",
                        stores::left_estimate(case, h, f, k),
                        Measure::Volume,
                    )
                    .with("capacity", capacity, Measure::Volume)
                    .with("days", days.round(), Measure::Days),
            };
            flags.push(case.feeder_flag(FlagKind::Empty, (h, f), spell, words));
        }
    }
}
