//! Not taking it though they could: syrup is there, warm enough, no flow is on, and next to nothing
//! goes, against the colony's own past and its neighbours.

use super::pace::{Expected, Pace, uptake, uptake_sd};
use super::signals::{FeederSignals, nodes};
use super::taking::Taking;
use super::{Details, Episode, Exclusions, RuleContext, Vote, episodes, food_reserves, goal};
use larder_domain::{Evidence, Flag, FlagKind, Measure};
use larder_estimate::series::grid::PER_DAY;
use larder_syrup::Estimate;

larder_estimate::numbers! { "flags.stalled":
    /// Levels are the same within so many standard deviations.
    SAME_SDS: f64 = 2.0, "1", [0.67, 6.0], Chosen;
    /// A level that rose by so many standard deviations did rise.
    RISE_SDS: f64 = 2.5, "1", [0.83, 7.5], Chosen;
    /// What is expected must stand out from what the sensor can tell by this, standard deviations.
    CLEAR_SDS: f64 = 2.0, "1", [0.67, 6.0], Chosen;
    /// A stall opens only if it was warm enough so long before as well, hours: half a day and a little.
    WARM_BEFORE_HOURS: f64 = 14.0, "h", [4.7, 42.0], Chosen;
    /// A stall is over when syrup has been taken again for so long, hours.
    CLOSE_HOURS: f64 = 3.0, "h", [1.0, 9.0], Chosen;
    /// How sure a stall is (measured).
    PROBABILITY: f64 = 0.5, "1", [0.17, 1.0], Measured;
    /// A feeder that rests where it rested before it was filled stands at its floor: so close, as a
    /// share of the capacity.
    FLOOR_SHARE: f64 = 0.04, "1", [0.013, 0.12], Chosen;
    /// A level rests that does not move for so long, hours.
    REST_HOURS: f64 = 12.0, "h", [4.0, 36.0], Chosen;
    /// Taking again is looked for over so many hours.
    RESUMED_HOURS: [f64; 2] = [6.0, 14.0], "h", [2.0, 42.0], Chosen;
}

/// Opens when a day's uptake is far below what is expected, closes when it is taken again.
pub(super) fn raise(
    context: &RuleContext<'_>,
    exclusions: &Exclusions,
    flow: &[Vec<Episode>],
    sour: &[Vec<Vec<Episode>>],
    taking: &Taking,
    flags: &mut Vec<Flag>,
) {
    let signals = context.signals;
    let mut paces: Vec<(f64, Pace)> = Vec::new();
    for (h, f, _, feeder) in context.feeders().filter(|found| found.3.sensed) {
        let parameters = &context.parameters(h).stalled;
        let back = nodes(parameters.hours);
        let known = paces
            .iter()
            .position(|(hours, _)| hours.to_bits() == parameters.hours.to_bits());
        let known = known.unwrap_or_else(|| {
            paces.push((
                parameters.hours,
                Pace::of(context, exclusions, taking, parameters.hours),
            ));
            paces.len() - 1
        });
        let pace = &paces[known].1;
        let capacity = context.feeder(h, f).capacity_l;
        let easy = taking.easy((h, f));
        let sd_l = uptake_sd(feeder, capacity);
        let Some(outlook) = pace.outlook((h, f)) else {
            continue;
        };
        let floor = floor(feeder, FLOOR_SHARE * capacity, sd_l);
        let votes = (0..=signals.last).map(|k| {
            let at = signals.grid.time(k);
            let flows = flow[h].iter().any(|episode| episode.holds_at(at));
            let spoilt = sour[h][f].iter().any(|episode| episode.holds_at(at));
            let blind = exclusions.level(context, h, f, k) || exclusions.off(context, h, f, k);
            let left = feeder.filtered[k].litres;
            let little = left < parameters.least_share * capacity;
            if flows || spoilt || blind || feeder.filled[k].is_none() || little {
                return (at, Vote::Close);
            }
            let taken = uptake(context, h, f, k, back);
            let outlook = outlook.at(k);
            let expected = outlook.litres;
            let vote = if taken.is_nan() || expected.is_nan() || taken < -RISE_SDS * sd_l {
                Vote::Keep
            } else if taken > parameters.resumed * expected {
                Vote::Close
            } else if easy[k] > parameters.ease
                && easy[k.saturating_sub(nodes(WARM_BEFORE_HOURS))] > parameters.ease
                && expected > CLEAR_SDS * sd_l
                && outlook.least() > sd_l
                && taken < parameters.share * capacity
                && taken + sd_l < parameters.resumed * expected
                && !rose(feeder, k, sd_l)
                && !floor[k]
                && taken < parameters.of_expected * expected
            {
                Vote::Open
            } else {
                Vote::Keep
            };
            (at, vote)
        });
        for episode in episodes(votes, parameters.holds_hours, CLOSE_HOURS) {
            let k = episode.opened;
            let taken = Estimate::normal(uptake(context, h, f, k, back), sd_l).at_least(0.0);
            let details = Details {
                severity: goal::severity(FlagKind::Stalled, goal::of_feeder(context, h, f, k)),
                probability: PROBABILITY,
                evidence: evidence(context, (h, f), k, taken, &outlook.at(k)),
            };
            flags.push(context.feeder_flag(FlagKind::Stalled, (h, f), episode, details));
        }
    }
}

/// What was taken before node `k` beside what neighbours took, and how the feeder stood.
fn evidence(
    context: &RuleContext<'_>,
    (h, f): (usize, usize),
    k: usize,
    taken: Estimate,
    expected: &Expected,
) -> Evidence {
    let feeder = &context.signals.hives[h].feeders[f];
    let took = Evidence::new("Took {took} in {hours}")
        .with_estimate("took", taken, Measure::Volume)
        .with("hours", context.parameters(h).stalled.hours, Measure::Hours);
    let took = if expected.neighbours.is_nan() {
        took
    } else {
        took.and(", while its neighbours took {neighbours}")
            .with_estimate("neighbours", expected.beside(), Measure::Volume)
    };
    let left = food_reserves::left_estimate(context, h, f, k);
    let days = feeder.filled[k].map_or(0.0, |at| (k - at) as f64 / PER_DAY as f64);
    took.and("; syrup {syrup}, {left} left, filled {days} ago.")
        .with_estimate(
            "syrup",
            feeder.celsius(feeder.syrup[k]),
            Measure::Temperature,
        )
        .with_estimate("left", left, Measure::Volume)
        .with("days", days.round(), Measure::Days)
}

/// Whether the level rose while nobody poured: comb or foam before the sensor, no sign of a stall.
fn rose(feeder: &FeederSignals, k: usize, sd_l: f64) -> bool {
    RESUMED_HOURS.into_iter().any(|hours| {
        let before = feeder.level(k.saturating_sub(nodes(hours)));
        feeder.level(k) - before > RISE_SDS * sd_l
    })
}

/// Whether a feeder stands at each node where it rested before an earlier fill: at its floor, whatever
/// a sensor that is off by as much makes of it.
fn floor(feeder: &FeederSignals, near_l: f64, sd_l: f64) -> Vec<bool> {
    let mut rested: Vec<f64> = Vec::new();
    let rest = nodes(REST_HOURS);
    (0..feeder.litres.len())
        .map(|k| {
            // The half hour of the fill and the one before hold both levels.
            if feeder.changed[k] == Some(k)
                && let Some(then) = k.checked_sub(2)
                && let Some(before) = then.checked_sub(rest)
                && feeder.changed[then] == feeder.changed[before]
                && (feeder.level(then) - feeder.level(before)).abs() < SAME_SDS * sd_l
            {
                rested.push(feeder.level(then));
            }
            let near = near_l.max(sd_l);
            let level = feeder.level(k);
            rested.iter().any(|rested| (level - rested).abs() < near)
        })
        .collect()
}
