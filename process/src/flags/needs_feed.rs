//! Hungry, and no feed on: every feeder of the hive is empty or off, no flow is on, and the hive is
//! under its target.

use super::signals::nodes;
use super::{Case, Doubts, Sign, Spell, Words, spells, stores};
use larder_domain::{Estimate, Evidence, Flag, FlagKind, Goal, Measure, Severity};

crate::numbers! { "flags.needs_feed":
    /// A feeder with less in it than this share of its capacity, and so many litres, feeds nobody.
    FED_SHARE: f64 = 0.03, "1", [0.01, 0.09], Chosen;
    FED_L: f64 = 0.08, "l", [0.027, 0.24], Chosen;
    /// A weight is looked at so long after it was taken, hours: hands and homecoming bees have settled.
    SETTLED_HOURS: f64 = 3.0, "h", [1.0, 9.0], Chosen;
    /// How sure it is.
    PROBABILITY: f64 = 0.85, "1", [0.28, 1.0], Chosen;
}

/// Opens when nothing is on and the stores are short.
pub(super) fn raise(case: &Case<'_>, doubts: &Doubts, flow: &[Vec<Spell>], flags: &mut Vec<Flag>) {
    let signals = case.signals;
    for (h, hive) in signals.hives.iter().enumerate() {
        let parameters = &case.parameters(h).needs_feed;
        let target = stores::target(case, h).filter(|_| hive.weighed);
        // Without a target, a colony that is fed to keep it alive needs feed whatever it weighs.
        if target.is_none() && case.input.hives[h].hive.goal != Some(Goal::Emergency) {
            continue;
        }
        let short = |k: usize| target.map(|target| target.kg - case.own_kg[h][k]);
        let fed = |k: usize| {
            hive.feeders.iter().enumerate().any(|(f, feeder)| {
                let known = feeder.filled[k].is_some() && !doubts.off(case, h, f, k);
                known
                    && stores::left(case, h, f, k)
                        > (FED_SHARE * case.feeder(h, f).capacity_l).max(FED_L)
            })
        };
        let signs = (nodes(SETTLED_HOURS)..=signals.last).map(|k| {
            let at = signals.grid.time(k);
            let flows = flow[h].iter().any(|spell| spell.holds_at(at));
            let sign = match short(k) {
                _ if flows || fed(k) => Sign::Gone,
                None => Sign::Holds,
                Some(kg) if kg < 0.5 * parameters.under_target_kg => Sign::Gone,
                Some(kg) if kg > parameters.under_target_kg => Sign::Holds,
                Some(_) => Sign::Between,
            };
            (at, sign)
        });
        for spell in spells(signs, parameters.hours, 1.0) {
            let k = spell.opened + nodes(SETTLED_HOURS);
            let nothing = "No feed on, no flow";
            let evidence = match short(k).zip(target) {
                None => Evidence::new(format!(
                    "{nothing}, and the colony is fed to keep it alive."
                )),
                Some((short, target)) => {
                    let short = Estimate::normal(short, stores::own_sd(case, h, k));
                    Evidence::new(format!(
                        "{nothing}, and {{short}} under the target of {{target}}."
                    ))
                    .with_estimate("short", short, Measure::Mass)
                    .with("target", target.kg, Measure::Mass)
                }
            };
            let words = Words {
                severity: Severity::Urgent,
                probability: PROBABILITY,
                evidence,
            };
            flags.push(case.hive_flag(FlagKind::NeedsFeed, h, spell, words));
        }
    }
}
