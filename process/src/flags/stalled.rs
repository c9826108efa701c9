//! Not taking it though they could: syrup is there, warm enough, no flow is on, and next to nothing
//! goes, against the colony's own past and its neighbours.

use super::cold::ease_of_day;
use super::signals::{FeederSignals, nodes};
use super::{Case, Doubts, Sign, Spell, Words, spells};
use crate::robust::median;
use larder_domain::{Evidence, Flag, FlagKind, Measure, Severity};

/// Days of a colony's own past that count.
const OWN_DAYS: usize = 7;

/// Opens when a day's uptake is far below what is expected, closes when it is taken again.
pub(super) fn raise(case: &Case<'_>, doubts: &Doubts, flow: &[Vec<Spell>], flags: &mut Vec<Flag>) {
    let signals = case.signals;
    let parameters = &case.parameters.stalled;
    let back = nodes(parameters.hours);
    let yard = yard_uptake(case, doubts, back);
    for (h, f, _, feeder) in case.feeders().filter(|found| found.3.sensed) {
        let capacity = case.feeder(h, f).capacity_l;
        let easy = ease_of_day(case, &feeder.syrup);
        let own = own_uptake(case, h, f, back, &easy);
        // Of a difference of two levels; the second part is what warmth does to a sensor.
        let sd_l = 0.6 * feeder.noise_l + SENSOR_SHARE * capacity;
        let expected = |k: usize| {
            let own = own[k].max(0.0);
            let yard = if yard[k].is_nan() {
                0.0
            } else {
                yard[k] * capacity
            };
            (own).max(0.6 * yard).max(LEAST_EXPECTED * capacity)
        };
        let signs = (0..=signals.last).map(|k| {
            let at = signals.grid.time(k);
            let flows = flow[h].iter().any(|spell| spell.holds_at(at));
            let blind = doubts.level(case, h, f, k) || doubts.off(case, h, f, k);
            let left = feeder.followed[k].litres;
            let taken = uptake(case, h, f, k, back);
            let sign = if flows
                || blind
                || feeder.filled[k].is_none()
                || left < parameters.least_share * capacity
            {
                Sign::Gone
            } else if taken.is_nan() || easy[k].is_nan() {
                Sign::Between
            } else if taken > parameters.resumed * expected(k) * easy[k] {
                Sign::Gone
            } else if easy[k] > parameters.ease
                && easy[k.saturating_sub(nodes(14.0))] > parameters.ease
                && expected(k) * easy[k] > CLEAR_SDS * sd_l
                && taken < parameters.share * capacity
                && !rose(feeder, k, sd_l)
                && taken < parameters.of_expected * expected(k) * easy[k]
            {
                Sign::Holds
            } else {
                Sign::Between
            };
            (at, sign)
        });
        for spell in spells(signs, parameters.holds_hours, 3.0) {
            let k = spell.opened;
            let took = Evidence::new("Took {took} in {hours}")
                .with(
                    "took",
                    uptake(case, h, f, k, back).max(0.0),
                    Measure::Volume,
                )
                .with("hours", parameters.hours, Measure::Hours);
            let took = if yard[k].is_nan() {
                took
            } else {
                took.and(", while its neighbours took {neighbours} for a feeder of this size")
                    .with("neighbours", yard[k] * capacity, Measure::Volume)
            };
            let days = feeder.filled[k].map_or(0.0, |at| (k - at) as f64 / 48.0);
            let words = Words {
                severity: Severity::Warning,
                probability: 0.8,
                evidence: took
                    .and("; syrup {syrup}, {left} left, filled {days} ago.")
                    .with("syrup", feeder.syrup[k], Measure::Temperature)
                    .with("left", feeder.followed[k].litres, Measure::Volume)
                    .with("days", days.round(), Measure::Days),
            };
            flags.push(case.feeder_flag(FlagKind::Stalled, (h, f), spell, words));
        }
    }
}

/// Whether the level rose while nobody poured: comb or foam before the sensor, no sign of a stall.
fn rose(feeder: &FeederSignals, k: usize, sd_l: f64) -> bool {
    [6.0, 14.0].into_iter().any(|hours| {
        let before = feeder.level(k.saturating_sub(nodes(hours)));
        feeder.level(k) - before > RISE_SDS * sd_l
    })
}

/// A level that rose by so many standard deviations did rise.
const RISE_SDS: f64 = 2.5;
/// What is expected must stand out from what the sensor can tell by this, standard deviations.
const CLEAR_SDS: f64 = 2.0;
/// What a sensor's drift with warmth makes of a day, as a share of the capacity (measured).
const SENSOR_SHARE: f64 = 0.004;
/// A colony that eats at all takes this share of the capacity a day.
const LEAST_EXPECTED: f64 = 0.03;

/// What went out of a feeder in the window before `k`, l; NaN across a fill or without readings.
pub(super) fn uptake(case: &Case<'_>, h: usize, f: usize, k: usize, back: usize) -> f64 {
    let feeder = &case.signals.hives[h].feeders[f];
    let before = nodes(3.0);
    if k < back + before || feeder.changed[k] != feeder.changed[k - back - before] {
        return f64::NAN;
    }
    feeder.level(k - back) - feeder.level(k)
}

/// The median of the colony's own days before, where it was warm enough and something was left.
fn own_uptake(case: &Case<'_>, h: usize, f: usize, back: usize, easy: &[f64]) -> Vec<f64> {
    let feeder = &case.signals.hives[h].feeders[f];
    let capacity = case.feeder(h, f).capacity_l;
    let mut days = Vec::new();
    (0..=case.signals.last)
        .map(|k| {
            days.clear();
            for day in 1..=OWN_DAYS {
                let Some(then) = k.checked_sub(day * nodes(24.0)) else {
                    break;
                };
                let taken = uptake(case, h, f, then, back);
                let could = feeder.followed[then].litres > 0.05 * capacity && easy[then] > 0.4;
                if !taken.is_nan() && could {
                    days.push(taken);
                }
            }
            median(&mut days).unwrap_or(0.0)
        })
        .collect()
}

/// What the yard's feeders lost in the window, median per litre of capacity.
fn yard_uptake(case: &Case<'_>, doubts: &Doubts, back: usize) -> Vec<f64> {
    let mut known = Vec::new();
    (0..=case.signals.last)
        .map(|k| {
            known.clear();
            for (h, f, _, feeder) in case.feeders().filter(|found| found.3.sensed) {
                let capacity = case.feeder(h, f).capacity_l;
                let taken = uptake(case, h, f, k, back);
                let could = k >= back && feeder.followed[k - back].litres > 0.1 * capacity;
                if could && !taken.is_nan() && !doubts.level(case, h, f, k) {
                    known.push(taken / capacity);
                }
            }
            if known.len() < 3 {
                f64::NAN
            } else {
                median(&mut known).unwrap_or(f64::NAN)
            }
        })
        .collect()
}
