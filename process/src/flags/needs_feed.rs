//! Hungry, and no feed on: every feeder of the hive is empty or off, no flow is on, and the hive is
//! under its target.

use super::signals::nodes;
use super::{Case, Doubts, Sign, Spell, Words, spells, stores};
use larder_domain::{Estimate, Evidence, Flag, FlagKind, Measure, Severity};

/// Opens when nothing is on and the stores are short.
pub(super) fn raise(case: &Case<'_>, doubts: &Doubts, flow: &[Vec<Spell>], flags: &mut Vec<Flag>) {
    let signals = case.signals;
    let parameters = &case.parameters.needs_feed;
    for (h, hive) in signals.hives.iter().enumerate() {
        let target = stores::target(case, h);
        let Some(target) = target.filter(|_| hive.weighed) else {
            continue;
        };
        let weight = &case.own_kg[h];
        let fed = |k: usize| {
            hive.feeders.iter().enumerate().any(|(f, feeder)| {
                let known = feeder.filled[k].is_some() && !doubts.off(case, h, f, k);
                known && stores::left(case, h, f, k) > (0.03 * case.feeder(h, f).capacity_l).max(0.08)
            })
        };
        let signs = (nodes(3.0)..=signals.last).map(|k| {
            let at = signals.grid.time(k);
            let flows = flow[h].iter().any(|spell| spell.holds_at(at));
            let short = target.kg - weight[k];
            let sign = if flows || fed(k) || short < 0.5 * parameters.under_target_kg {
                Sign::Gone
            } else if short > parameters.under_target_kg {
                Sign::Holds
            } else {
                Sign::Between
            };
            (at, sign)
        });
        for spell in spells(signs, parameters.hours, 1.0) {
            let k = spell.opened + nodes(3.0);
            let short = Estimate::normal(target.kg - weight[k], stores::own_sd(case, h, k));
            let words = Words {
                severity: Severity::Urgent,
                probability: 0.85,
                evidence: Evidence::new(
                    "No feed on, no flow, and {short} under the target of {target}.",
                )
                .with_estimate("short", short, Measure::Mass)
                .with("target", target.kg, Measure::Mass),
            };
            flags.push(case.hive_flag(FlagKind::NeedsFeed, h, spell, words));
        }
    }
}
