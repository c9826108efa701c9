//! Hungry, and no feed on: every feeder of the hive is empty or off, no flow is on, and the hive is
//! under its target.

use super::signals::nodes;
use super::{Details, Episode, Exclusions, RuleContext, Vote, episodes, food_reserves};
use larder_domain::{Evidence, Flag, FlagKind, Goal, Measure, Severity};
use larder_syrup::Estimate;

larder_estimate::numbers! { "flags.needs_feed":
    /// A feeder with less than this share of its capacity in it, and `FED_L`, feeds nobody.
    FED_SHARE: f64 = 0.03, "1", [0.01, 0.09], Chosen;
    /// A feeder with less than this in it, and `FED_SHARE` of its capacity, feeds nobody, l.
    FED_L: f64 = 0.08, "l", [0.027, 0.24], Chosen;
    /// A weight is looked at so long after it was taken, hours: hands and homecoming bees have settled.
    SETTLED_HOURS: f64 = 3.0, "h", [1.0, 9.0], Chosen;
    /// How sure hunger is.
    PROBABILITY: f64 = 0.85, "1", [0.28, 1.0], Chosen;
    /// Hunger is over when less is missing than this share of what opens the flag.
    CLOSE_SHARE: f64 = 0.5, "1", [0.17, 1.0], Chosen;
    /// Fed for so long, hours, it is over.
    CLOSE_HOURS: f64 = 1.0, "h", [0.33, 3.0], Chosen;
}

/// Opens when nothing is on and the stores are short.
pub(super) fn raise(
    context: &RuleContext<'_>,
    exclusions: &Exclusions,
    flow: &[Vec<Episode>],
    flags: &mut Vec<Flag>,
) {
    let signals = context.signals;
    for (h, hive) in signals.hives.iter().enumerate() {
        let parameters = &context.parameters(h).needs_feed;
        let target = food_reserves::target(context, h).filter(|_| hive.weighed);
        // Without a target, a colony that is fed to keep it alive needs feed whatever it weighs.
        if target.is_none() && context.input.hives[h].hive.goal != Some(Goal::Emergency) {
            continue;
        }
        let short = |k: usize| target.map(|target| target.kg - context.own_kg[h][k]);
        let fed = |k: usize| {
            hive.feeders.iter().enumerate().any(|(f, feeder)| {
                let known = feeder.filled[k].is_some() && !exclusions.off(context, h, f, k);
                known
                    && food_reserves::left(context, h, f, k)
                        > (FED_SHARE * context.feeder(h, f).capacity_l).max(FED_L)
            })
        };
        let votes = (nodes(SETTLED_HOURS)..=signals.last).map(|k| {
            let at = signals.grid.time(k);
            let flows = flow[h].iter().any(|episode| episode.holds_at(at));
            let vote = match short(k) {
                _ if flows || fed(k) => Vote::Close,
                None => Vote::Open,
                Some(kg) if kg < CLOSE_SHARE * parameters.under_target_kg => Vote::Close,
                Some(kg) if kg > parameters.under_target_kg => Vote::Open,
                Some(_) => Vote::Keep,
            };
            (at, vote)
        });
        for episode in episodes(votes, parameters.hours, CLOSE_HOURS) {
            let k = episode.opened + nodes(SETTLED_HOURS);
            let nothing = "No feed on, no flow";
            let evidence = match short(k).zip(target) {
                None => Evidence::new(format!(
                    "{nothing}, and the colony is fed to keep it alive."
                )),
                Some((short, target)) => {
                    let short = Estimate::normal(short, food_reserves::own_sd(context, h, k));
                    Evidence::new(format!(
                        "{nothing}, and {{short}} under the target of {{target}}."
                    ))
                    .with_estimate("short", short, Measure::Mass)
                    .with("target", target.kg, Measure::Mass)
                }
            };
            let details = Details {
                severity: Severity::Urgent,
                probability: PROBABILITY,
                evidence,
            };
            flags.push(context.hive_flag(FlagKind::NeedsFeed, h, episode, details));
        }
    }
}
