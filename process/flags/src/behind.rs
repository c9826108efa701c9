//! Will not make its weight in time: the gain still needed a day is well above the last week's.

use super::signals::nodes;
use super::{Details, Exclusions, RuleContext, Vote, episodes, food_reserves, goal};
use larder_domain::{Evidence, Flag, FlagKind, Measure};
use larder_estimate::series::grid::HOURS_PER_DAY;
use larder_syrup::Estimate;

larder_estimate::numbers! { "flags.behind":
    /// The pace is that of so many days.
    PACE_DAYS: f64 = 7.0, "d", [2.3, 21.0], Chosen;
    /// How sure it is that a colony behind stays so.
    PROBABILITY: f64 = 0.8, "1", [0.27, 1.0], Chosen;
    /// What is missing so close to the target's date is asked for within this, days.
    LEAST_DAYS: f64 = 0.5, "d", [0.17, 1.5], Chosen;
    /// Fast enough for so long, hours, it is over.
    CLOSE_HOURS: f64 = 1.0, "h", [0.33, 3.0], Chosen;
}

/// Opens when the pace has been too slow for two days.
pub(super) fn raise(context: &RuleContext<'_>, exclusions: &Exclusions, flags: &mut Vec<Flag>) {
    let signals = context.signals;
    let week = nodes(PACE_DAYS * HOURS_PER_DAY);
    for (h, hive) in signals.hives.iter().enumerate() {
        let parameters = &context.parameters(h).behind;
        let Some(target) = food_reserves::target(context, h).filter(|_| hive.weighed) else {
            continue;
        };
        let Some(date) = target.date else { continue };
        let weight = &context.own_kg[h];
        let pace = |k: usize| {
            let days = date.hours_since(signals.grid.time(k)) / HOURS_PER_DAY;
            let needed = (target.kg - weight[k]) / days.max(LEAST_DAYS);
            let had = (weight[k] - weight[k - week]) / PACE_DAYS;
            (days, needed, had)
        };
        if signals.last <= week {
            continue;
        }
        let votes = (week..=signals.last).map(|k| {
            let (days, needed, had) = pace(k);
            let vote = if days <= 0.0 || needed <= 0.0 {
                Vote::Close
            } else if needed.is_nan() || had.is_nan() || exclusions.scale(context, h, k) {
                Vote::Keep
            } else if needed > parameters.factor * had.max(0.0)
                && target.kg - weight[k] > parameters.least_short_kg
            {
                Vote::Open
            } else {
                Vote::Close
            };
            (signals.grid.time(k), vote)
        });
        for episode in episodes(votes, parameters.hours, CLOSE_HOURS) {
            let k = episode.opened + week;
            let (days, needed, had) = pace(k);
            let now_sd = food_reserves::own_sd(context, h, k);
            let gained_sd = now_sd.hypot(food_reserves::own_sd(context, h, k - week));
            let needed = Estimate::normal(needed, now_sd / days.max(LEAST_DAYS));
            let had = Estimate::normal(had, gained_sd / PACE_DAYS);
            let goal = goal::of_hive(context, h, k);
            let details = Details {
                severity: goal::severity(FlagKind::BehindTarget, goal),
                probability: PROBABILITY,
                evidence: Evidence::new(
                    "Needs {needed} a day for {days} more to reach {target}; gained {had} a day in the last week.",
                )
                .with_estimate("needed", needed, Measure::Mass)
                .with("days", days.round(), Measure::Days)
                .with("target", target.kg, Measure::Mass)
                .with_estimate("had", had, Measure::Mass),
            };
            flags.push(context.hive_flag(FlagKind::BehindTarget, h, episode, details));
        }
    }
}
