//! Will not make its weight in time: the gain still needed a day is well above the last week's.

use super::signals::nodes;
use super::{Case, Doubts, Sign, Spell, Words, goal, spells, stores};
use crate::series::grid::HOURS_PER_DAY;
use larder_domain::{Estimate, Evidence, Flag, FlagKind, Measure};

crate::numbers! { "flags.behind":
    /// The pace is that of so many days.
    PACE_DAYS: f64 = 7.0, "d", [2.3, 21.0], Chosen;
    /// How sure it is that a colony behind stays so.
    PROBABILITY: f64 = 0.8, "1", [0.27, 1.0], Chosen;
}

/// Opens when the pace has been too slow for two days.
pub(super) fn raise(case: &Case<'_>, doubts: &Doubts, _flow: &[Vec<Spell>], flags: &mut Vec<Flag>) {
    let signals = case.signals;
    let week = nodes(PACE_DAYS * HOURS_PER_DAY);
    for (h, hive) in signals.hives.iter().enumerate() {
        let parameters = &case.parameters(h).behind;
        let Some(target) = stores::target(case, h).filter(|_| hive.weighed) else {
            continue;
        };
        let Some(date) = target.date else { continue };
        let weight = &case.own_kg[h];
        let pace = |k: usize| {
            let days = date.hours_since(signals.grid.time(k)) / HOURS_PER_DAY;
            let needed = (target.kg - weight[k]) / days.max(0.5);
            let had = (weight[k] - weight[k - week]) / PACE_DAYS;
            (days, needed, had)
        };
        if signals.last <= week {
            continue;
        }
        let signs = (week..=signals.last).map(|k| {
            let (days, needed, had) = pace(k);
            let sign = if days <= 0.0 || needed <= 0.0 {
                Sign::Gone
            } else if needed.is_nan() || had.is_nan() || doubts.scale(case, h, k) {
                Sign::Between
            } else if needed > parameters.factor * had.max(0.0)
                && target.kg - weight[k] > parameters.least_short_kg
            {
                Sign::Holds
            } else {
                Sign::Gone
            };
            (signals.grid.time(k), sign)
        });
        for spell in spells(signs, parameters.hours, 1.0) {
            let k = spell.opened + week;
            let (days, needed, had) = pace(k);
            let now_sd = stores::own_sd(case, h, k);
            let gained_sd = now_sd.hypot(stores::own_sd(case, h, k - week));
            let needed = Estimate::normal(needed, now_sd / days.max(0.5));
            let had = Estimate::normal(had, gained_sd / PACE_DAYS);
            let goal = goal::of_hive(case, h, k);
            let words = Words {
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
            flags.push(case.hive_flag(FlagKind::BehindTarget, h, spell, words));
        }
    }
}
