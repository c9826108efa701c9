//! Not taking it though they could: syrup is there, warm enough, no flow is on, and next to nothing
//! goes, against the colony's own past and its neighbours.

use super::cold::ease_of_day;
use super::pace::{Pace, uptake, uptake_sd};
use super::signals::{FeederSignals, nodes};
use super::{Case, Doubts, Sign, Spell, Words, goal, spells, stores};
use crate::series::grid::PER_DAY;
use larder_domain::{Estimate, Evidence, Flag, FlagKind, Measure};

crate::numbers! { "flags.stalled":
    /// A level that rose by so many standard deviations did rise.
    RISE_SDS: f64 = 2.5, "1", [0.83, 7.5], Chosen;
    /// What is expected must stand out from what the sensor can tell by this, standard deviations.
    CLEAR_SDS: f64 = 2.0, "1", [0.67, 6.0], Chosen;
    /// It was warm enough so long before as well, hours: half a day and a little.
    WARM_BEFORE_HOURS: f64 = 14.0, "h", [4.7, 42.0], Chosen;
    /// Taken again for so long, hours, it is over.
    CLOSE_HOURS: f64 = 3.0, "h", [1.0, 9.0], Chosen;
    /// How sure it is.
    PROBABILITY: f64 = 0.75, "1", [0.25, 1.0], Chosen;
    /// Taking again is looked for over so many hours.
    RESUMED_HOURS: [f64; 2] = [6.0, 14.0], "h", [2.0, 42.0], Chosen;
}

/// Opens when a day's uptake is far below what is expected, closes when it is taken again.
pub(super) fn raise(
    case: &Case<'_>,
    doubts: &Doubts,
    flow: &[Vec<Spell>],
    sour: &[Vec<Vec<Spell>>],
    flags: &mut Vec<Flag>,
) {
    let signals = case.signals;
    let mut paces: Vec<(f64, Pace)> = Vec::new();
    for (h, f, _, feeder) in case.feeders().filter(|found| found.3.sensed) {
        let parameters = &case.parameters(h).stalled;
        let back = nodes(parameters.hours);
        let known = paces
            .iter()
            .position(|(hours, _)| hours.to_bits() == parameters.hours.to_bits());
        let known = known.unwrap_or_else(|| {
            paces.push((parameters.hours, Pace::of(case, doubts, parameters.hours)));
            paces.len() - 1
        });
        let pace = &paces[known].1;
        let capacity = case.feeder(h, f).capacity_l;
        let easy = ease_of_day(&case.parameters(h).cold, &feeder.syrup);
        let sd_l = uptake_sd(feeder, capacity);
        let Some(outlook) = pace.outlook((h, f)) else {
            continue;
        };
        let signs = (0..=signals.last).map(|k| {
            let at = signals.grid.time(k);
            let flows = flow[h].iter().any(|spell| spell.holds_at(at));
            let spoilt = sour[h][f].iter().any(|spell| spell.holds_at(at));
            let blind = doubts.level(case, h, f, k) || doubts.off(case, h, f, k);
            let left = feeder.followed[k].litres;
            let little = left < parameters.least_share * capacity;
            if flows || spoilt || blind || feeder.filled[k].is_none() || little {
                return (at, Sign::Gone);
            }
            let taken = uptake(case, h, f, k, back);
            let expected = outlook.at(k).litres;
            let sign = if taken.is_nan() || expected.is_nan() {
                Sign::Between
            } else if taken > parameters.resumed * expected {
                Sign::Gone
            } else if easy[k] > parameters.ease
                && easy[k.saturating_sub(nodes(WARM_BEFORE_HOURS))] > parameters.ease
                && expected > CLEAR_SDS * sd_l
                && taken < parameters.share * capacity
                && !rose(feeder, k, sd_l)
                && taken < parameters.of_expected * expected
            {
                Sign::Holds
            } else {
                Sign::Between
            };
            (at, sign)
        });
        for spell in spells(signs, parameters.holds_hours, CLOSE_HOURS) {
            let k = spell.opened;
            let taken = Estimate::normal(uptake(case, h, f, k, back), sd_l);
            let took = Evidence::new("Took {took} in {hours}")
                .with_estimate("took", taken.at_least(0.0), Measure::Volume)
                .with("hours", parameters.hours, Measure::Hours);
            let expected = outlook.at(k);
            let took = if expected.neighbours.is_nan() {
                took
            } else {
                took.and(", while its neighbours took {neighbours}")
                    .with_estimate("neighbours", expected.beside(), Measure::Volume)
            };
            let days = feeder.filled[k].map_or(0.0, |at| (k - at) as f64 / PER_DAY as f64);
            let words = Words {
                severity: goal::severity(FlagKind::Stalled, goal::of_feeder(case, h, f, k)),
                probability: PROBABILITY,
                evidence: took
                    .and("; syrup {syrup}, {left} left, filled {days} ago.")
                    .with_estimate(
                        "syrup",
                        feeder.celsius(feeder.syrup[k]),
                        Measure::Temperature,
                    )
                    .with_estimate(
                        "left",
                        stores::left_estimate(case, h, f, k),
                        Measure::Volume,
                    )
                    .with("days", days.round(), Measure::Days),
            };
            flags.push(case.feeder_flag(FlagKind::Stalled, (h, f), spell, words));
        }
    }
}

/// Whether the level rose while nobody poured: comb or foam before the sensor, no sign of a stall.
fn rose(feeder: &FeederSignals, k: usize, sd_l: f64) -> bool {
    RESUMED_HOURS.into_iter().any(|hours| {
        let before = feeder.level(k.saturating_sub(nodes(hours)));
        feeder.level(k) - before > RISE_SDS * sd_l
    })
}
