//! Fill it soon: little is left, or it will not last to the next trip, and the colony still needs it.

use super::signals::FeederSignals;
use super::{Case, Doubts, Sign, Spell, Words, goal, spells, stores};
use crate::series::grid::{HOURS_PER_DAY, PER_DAY};
use larder_domain::{Estimate, Evidence, Flag, FlagKind, Measure};

crate::numbers! { "flags.refill":
    /// Slower than this a day says nothing of how long it lasts, l.
    LEAST_PACE_L: f64 = 0.01, "l", [0.0033, 0.03], Chosen;
    /// It closes when so many times the share and so many times the days are left.
    CLOSE_SHARE_FACTOR: f64 = 1.5, "1", [0.5, 4.5], Chosen;
    CLOSE_DAYS_FACTOR: f64 = 1.3, "1", [0.43, 3.9], Chosen;
    /// How sure it is with a level sensor, and without.
    PROBABILITY: [f64; 2] = [0.9, 0.6], "1", [0.2, 1.0], Chosen;
}

/// Opens when little is left while stores are under target and no flow is on.
pub(super) fn raise(case: &Case<'_>, doubts: &Doubts, flow: &[Vec<Spell>], flags: &mut Vec<Flag>) {
    let signals = case.signals;
    for (h, f, hive, feeder) in case.feeders() {
        let parameters = &case.parameters(h).refill;
        let capacity = case.feeder(h, f).capacity_l;
        let target = stores::target(case, h);
        let weight = &case.own_kg[h];
        let pace = paces(feeder);
        let signs = (0..=signals.last).map(|k| {
            let at = signals.grid.time(k);
            let flows = flow[h].iter().any(|spell| spell.holds_at(at));
            let enough = target.is_some_and(|t| hive.weighed && weight[k] > t.kg);
            let blind = doubts.level(case, h, f, k) || doubts.off(case, h, f, k);
            let litres = stores::left(case, h, f, k).max(0.0);
            let sign =
                if flows || enough || feeder.filled[k].is_none() || feeder.filled[k] == Some(k) {
                    Sign::Gone
                } else if blind {
                    Sign::Between
                } else if litres < parameters.share * capacity || litres < parameters.days * pace[k]
                {
                    Sign::Holds
                } else if litres > CLOSE_SHARE_FACTOR * parameters.share * capacity
                    && litres > CLOSE_DAYS_FACTOR * parameters.days * pace[k]
                {
                    Sign::Gone
                } else {
                    Sign::Between
                };
            (at, sign)
        });
        for spell in spells(signs, 1.0, 1.0) {
            let k = spell.opened;
            let litres = stores::left_estimate(case, h, f, k);
            let left = Evidence::new("{left} left of {capacity}")
                .with_estimate("left", litres, Measure::Volume)
                .with("capacity", capacity, Measure::Volume);
            let a_day = Estimate::normal(pace[k], HOURS_PER_DAY * feeder.followed[k].rate_sd);
            let evidence = if a_day.value > LEAST_PACE_L {
                left.and(", enough for {days} at {pace} a day.")
                    .with_estimate("days", lasting(litres, a_day), Measure::Days)
                    .with_estimate("pace", a_day.at_least(0.0), Measure::Volume)
            } else {
                left.and(".")
            };
            let words = Words {
                severity: goal::severity(FlagKind::RefillDue, goal::of_feeder(case, h, f, k)),
                probability: if feeder.sensed {
                    PROBABILITY[0]
                } else {
                    PROBABILITY[1]
                },
                evidence,
            };
            flags.push(case.feeder_flag(FlagKind::RefillDue, (h, f), spell, words));
        }
    }
}

/// What goes in a day at the mean rate of the day before each node, l.
fn paces(feeder: &FeederSignals) -> Vec<f64> {
    let rate = |k: usize| feeder.followed[k].rate.max(0.0);
    let mut sum = 0.0;
    (0..feeder.followed.len())
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
