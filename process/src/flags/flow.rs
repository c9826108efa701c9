//! Nectar comes in: the hive gains what no feeder explains. Time to stop feeding, and to keep syrup
//! out of honey that is to be sold.
//!
//! A day's change of weight with handling taken out; what the feeders gave is water that dries off
//! and sugar that was on the scale already, so that any gain at all comes from flowers. Neighbours
//! of the same yard gain at the same time; a scale that gains alone drifts.

use super::{Case, Doubts, Sign, Spell, Words, spells};
use crate::robust::median;
use crate::strengths::kg_per_litre;
use larder_domain::{Flag, FlagKind, Severity};

/// The window in [`super::balance::WINDOWS`] that is one day.
const DAY: usize = 5;
/// Rain that wets a hive and hides gains, mm in the last day.
const WET_MM: f64 = 1.0;

/// For each hive, when flow was on.
pub(super) fn raise(case: &Case<'_>, doubts: &Doubts, flags: &mut Vec<Flag>) -> Vec<Vec<Spell>> {
    let n = case.signals.last + 1;
    let gains: Vec<Vec<f64>> = (0..case.input.hives.len())
        .map(|h| (0..n).map(|k| gain(case, doubts, h, k)).collect())
        .collect();
    let mut known = Vec::new();
    let yard: Vec<f64> = (0..n)
        .map(|k| {
            known.clear();
            known.extend(gains.iter().map(|g| g[k]).filter(|g| !g.is_nan()));
            median(&mut known).unwrap_or(f64::NAN)
        })
        .collect();
    (0..case.input.hives.len())
        .map(|h| of_hive(case, h, &gains[h], &yard, flags))
        .collect()
}

fn of_hive(
    case: &Case<'_>,
    h: usize,
    gains: &[f64],
    yard: &[f64],
    flags: &mut Vec<Flag>,
) -> Vec<Spell> {
    let parameters = &case.parameters.flow;
    let grid = &case.signals.grid;
    let signs = gains
        .iter()
        .zip(yard)
        .enumerate()
        .map(|(k, (&own, &yard))| {
            let sign = if own > parameters.open_kg_per_day && yard > parameters.yard_kg_per_day {
                Sign::Holds
            } else if own < parameters.close_kg_per_day {
                Sign::Gone
            } else {
                Sign::Between
            };
            (grid.time(k), sign)
        });
    let found = spells(signs, 1.0, parameters.close_hours);
    let hive = case.input.hives[h].hive;
    for spell in &found {
        let (own, yard) = (gains[spell.opened], yard[spell.opened]);
        let supers = if hive.supers_on {
            " Honey supers are on: take the feeders off, or syrup ends up in the honey."
        } else {
            " Stop feeding, or syrup ends up in the honey."
        };
        let words = Words {
            severity: if hive.supers_on {
                Severity::Urgent
            } else {
                Severity::Warning
            },
            probability: 0.9,
            evidence: format!(
                "Gained {own:.2} kg in a day that no feeder explains; the yard's median hive gained {yard:.2} kg.{supers}"
            ),
        };
        flags.push(case.hive_flag(FlagKind::FlowOn, h, *spell, words));
    }
    found
}

/// What flowers gave in the day before node `k`, kg; NaN where unknown.
fn gain(case: &Case<'_>, doubts: &Doubts, h: usize, k: usize) -> f64 {
    let signals = case.signals;
    let back = super::signals::nodes(24.0);
    if k < back || doubts.scale(case, h, k) {
        return f64::NAN;
    }
    let rain: f64 = signals.rain_mm[k - back..=k].iter().sum();
    if rain > WET_MM {
        return f64::NAN;
    }
    let from_beside: f64 = signals.hives[h]
        .feeders
        .iter()
        .zip(&case.input.hives[h].feeders)
        .filter(|(_, feeder)| !feeder.feeder.on_scale)
        .map(|(feeder, _)| {
            let rate: f64 = feeder.followed[k - back..=k]
                .iter()
                .map(|f| f.rate.max(0.0))
                .sum();
            rate * 0.5 * kg_per_litre(feeder.strength[k])
        })
        .sum();
    case.balance.change(h, k, DAY) - from_beside
}
