//! Fill it soon: little is left, or it will not last to the next trip, and the colony still needs it.

use super::signals::nodes;
use super::{Case, Doubts, Sign, Spell, Words, spells, stores};
use larder_domain::{Evidence, Flag, FlagKind, Measure, Severity};

/// Opens when little is left while stores are under target and no flow is on.
pub(super) fn raise(case: &Case<'_>, doubts: &Doubts, flow: &[Vec<Spell>], flags: &mut Vec<Flag>) {
    let signals = case.signals;
    let parameters = &case.parameters.refill;
    for (h, f, hive, feeder) in case.feeders() {
        let capacity = case.feeder(h, f).capacity_l;
        let target = stores::target(case, h);
        let weight = &case.own_kg[h];
        let course = &case.analysis.hives[h].feeders[f].course;
        let left = |k: usize| {
            if feeder.sensed {
                feeder.followed[k].litres
            } else {
                course.volume_l[k]
            }
        };
        let pace = |k: usize| {
            let day = &feeder.followed[k.saturating_sub(nodes(24.0))..=k];
            24.0 * day.iter().map(|f| f.rate.max(0.0)).sum::<f64>() / day.len() as f64
        };
        let signs = (0..=signals.last).map(|k| {
            let at = signals.grid.time(k);
            let flows = flow[h].iter().any(|spell| spell.holds_at(at));
            let enough = target.is_some_and(|t| hive.weighed && weight[k] > t.kg);
            let blind = doubts.level(case, h, f, k) || doubts.off(case, h, f, k);
            let litres = left(k).max(0.0);
            let sign =
                if flows || enough || feeder.filled[k].is_none() || feeder.filled[k] == Some(k) {
                    Sign::Gone
                } else if blind {
                    Sign::Between
                } else if litres < parameters.share * capacity || litres < parameters.days * pace(k)
                {
                    Sign::Holds
                } else if litres > 1.5 * parameters.share * capacity
                    && litres > 1.3 * parameters.days * pace(k)
                {
                    Sign::Gone
                } else {
                    Sign::Between
                };
            (at, sign)
        });
        for spell in spells(signs, 1.0, 1.0) {
            let k = spell.opened;
            let litres = left(k).max(0.0);
            let left = Evidence::new("{left} left of {capacity}")
                .with("left", litres, Measure::Volume)
                .with("capacity", capacity, Measure::Volume);
            let evidence = if pace(k) > 0.01 {
                left.and(", enough for {days} at {pace} a day.")
                    .with("days", litres / pace(k), Measure::Days)
                    .with("pace", pace(k), Measure::Volume)
            } else {
                left.and(".")
            };
            let words = Words {
                severity: if case.is_emergency(h) {
                    Severity::Urgent
                } else {
                    Severity::Warning
                },
                probability: if feeder.sensed { 0.9 } else { 0.6 },
                evidence,
            };
            flags.push(case.feeder_flag(FlagKind::RefillDue, (h, f), spell, words));
        }
    }
}
