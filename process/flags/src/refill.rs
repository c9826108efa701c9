//! Fill it soon: little is left, or it will not last to the next trip, and the colony still needs it.
//! Said of feeders with a level sensor only: without one nobody knows what is left.

use super::signals::FeederSignals;
use super::{Details, Episode, Exclusions, RuleContext, Vote, episodes, food_reserves, goal};
use larder_domain::{Evidence, Flag, FlagKind, Measure};
use larder_estimate::series::grid::{HOURS_PER_DAY, PER_DAY};
use larder_syrup::Estimate;

larder_estimate::numbers! { "flags.refill":
    /// A pace slower than this says nothing of how long syrup lasts, l a day.
    LEAST_PACE_L: f64 = 0.01, "l", [0.0033, 0.03], Chosen;
    /// A flag closes when so many times the share that opens it is left.
    CLOSE_SHARE_FACTOR: f64 = 1.5, "1", [0.5, 4.5], Chosen;
    /// A flag closes when syrup for so many times the days that open it is left.
    CLOSE_DAYS_FACTOR: f64 = 1.3, "1", [0.43, 3.9], Chosen;
    /// How sure it is that a refill is due.
    PROBABILITY: f64 = 0.95, "1", [0.32, 1.0], Chosen;
    /// A refill must be due for so long, hours.
    OPEN_HOURS: f64 = 1.0, "h", [0.33, 3.0], Chosen;
    /// Enough there for so long, hours, it is over.
    CLOSE_HOURS: f64 = 1.0, "h", [0.33, 3.0], Chosen;
}

/// Opens when little is left while stores are under target and no flow is on.
pub(super) fn raise(
    context: &RuleContext<'_>,
    exclusions: &Exclusions,
    flow: &[Vec<Episode>],
    flags: &mut Vec<Flag>,
) {
    let signals = context.signals;
    for (h, f, hive, feeder) in context.feeders().filter(|found| found.3.sensed) {
        let parameters = &context.parameters(h).refill;
        let capacity = context.feeder(h, f).capacity_l;
        let target = food_reserves::target(context, h);
        let weight = &context.own_kg[h];
        let pace = paces(feeder);
        let votes = (0..=signals.last).map(|k| {
            let at = signals.grid.time(k);
            let flows = flow[h].iter().any(|episode| episode.holds_at(at));
            let enough = target.is_some_and(|t| hive.weighed && weight[k] > t.kg);
            let blind = exclusions.level(context, h, f, k) || exclusions.off(context, h, f, k);
            let litres = food_reserves::left(context, h, f, k).max(0.0);
            let vote =
                if flows || enough || feeder.filled[k].is_none() || feeder.filled[k] == Some(k) {
                    Vote::Close
                } else if blind {
                    Vote::Keep
                } else if litres < parameters.share * capacity || litres < parameters.days * pace[k]
                {
                    Vote::Open
                } else if litres > CLOSE_SHARE_FACTOR * parameters.share * capacity
                    && litres > CLOSE_DAYS_FACTOR * parameters.days * pace[k]
                {
                    Vote::Close
                } else {
                    Vote::Keep
                };
            (at, vote)
        });
        for episode in episodes(votes, OPEN_HOURS, CLOSE_HOURS) {
            let k = episode.opened;
            let litres = food_reserves::left_estimate(context, h, f, k);
            let left = Evidence::new("{left} left of {capacity}")
                .with_estimate("left", litres, Measure::Volume)
                .with("capacity", capacity, Measure::Volume);
            let a_day = Estimate::normal(pace[k], HOURS_PER_DAY * feeder.filtered[k].rate_sd);
            let evidence = if a_day.value > LEAST_PACE_L {
                left.and(", enough for {days} at {pace} a day.")
                    .with_estimate("days", lasting(litres, a_day), Measure::Days)
                    .with_estimate("pace", a_day.at_least(0.0), Measure::Volume)
            } else {
                left.and(".")
            };
            let details = Details {
                severity: goal::severity(FlagKind::RefillDue, goal::of_feeder(context, h, f, k)),
                probability: PROBABILITY,
                evidence,
            };
            flags.push(context.feeder_flag(FlagKind::RefillDue, (h, f), episode, details));
        }
    }
}

/// What goes in a day at the mean rate of the day before each node, l.
fn paces(feeder: &FeederSignals) -> Vec<f64> {
    let rate = |k: usize| feeder.filtered[k].rate.max(0.0);
    let mut sum = 0.0;
    (0..feeder.filtered.len())
        .map(|k| {
            let from = k.saturating_sub(PER_DAY);
            sum += rate(k);
            if from > 0 {
                sum -= rate(from - 1);
            }
            HOURS_PER_DAY * sum / (k - from + 1) as f64
        })
        .collect()
}

/// For how many days it lasts.
fn lasting(litres: Estimate, a_day: Estimate) -> Estimate {
    let days = |litres: f64, a_day: f64| litres / a_day.max(LEAST_PACE_L);
    Estimate {
        value: days(litres.value, a_day.value),
        lo: days(litres.lo, a_day.hi),
        hi: days(litres.hi, a_day.lo),
    }
}
