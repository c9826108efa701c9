//! Nothing left in a feeder.
//!
//! By the filter that looks back only; a level that has been falling and lies flat near the floor is
//! empty too, whatever the sensor's offset makes of it. Of a feeder that no level sensor watches it is
//! never said: a colony may leave its syrup for weeks, and a fill may have been seen by nobody.

use super::{Details, Exclusions, RuleContext, Vote, episodes, food_reserves, goal};
use larder_domain::{Evidence, Flag, FlagKind, Measure};
use larder_estimate::series::grid::PER_DAY;

larder_estimate::numbers! { "flags.empty":
    /// How sure emptiness is.
    PROBABILITY: f64 = 0.97, "1", [0.32, 1.0], Chosen;
}

/// Opens when the feeder has been empty for a while, closes when something is in it again. Only
/// feeders that have been filled in what is known are judged.
pub(super) fn raise(context: &RuleContext<'_>, exclusions: &Exclusions, flags: &mut Vec<Flag>) {
    for (h, f, _, feeder) in context.feeders().filter(|found| found.3.sensed) {
        let parameters = &context.parameters(h).empty;
        let signals = context.signals;
        let capacity = context.feeder(h, f).capacity_l;
        let limit = (parameters.share * capacity).max(parameters.litres);
        let Some(from) = feeder.filled.iter().position(Option::is_some) else {
            continue;
        };
        let votes = (from..=signals.last).map(|k| {
            let blind = exclusions.level(context, h, f, k) || exclusions.off(context, h, f, k);
            let vote = match food_reserves::left(context, h, f, k) {
                _ if feeder.changed[k] == Some(k) => Vote::Close,
                _ if blind => Vote::Keep,
                left if left < limit => Vote::Open,
                left if left > parameters.filled_factor * limit => Vote::Close,
                _ => Vote::Keep,
            };
            (signals.grid.time(k), vote)
        });
        for episode in episodes(votes, parameters.stays_hours, 0.0) {
            let k = from + episode.opened;
            let days = feeder.filled[k].map_or(0.0, |at| (k - at) as f64 / PER_DAY as f64);
            let details = Details {
                severity: goal::severity(FlagKind::Empty, goal::of_feeder(context, h, f, k)),
                probability: PROBABILITY,
                evidence: Evidence::new("{left} left of {capacity}, {days} after the last fill.")
                    .with_estimate(
                        "left",
                        food_reserves::left_estimate(context, h, f, k),
                        Measure::Volume,
                    )
                    .with("capacity", capacity, Measure::Volume)
                    .with("days", days.round(), Measure::Days),
            };
            flags.push(context.feeder_flag(FlagKind::Empty, (h, f), episode, details));
        }
    }
}
