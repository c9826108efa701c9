//! Too cold to take syrup: bees do not leave the cluster for cold syrup, and are chilled by it.

use super::parameters::Cold;
use super::taking::{Taking, mean_of_day};
use super::{Details, Exclusions, RuleContext, Vote, episodes, food_reserves, goal};
use larder_domain::{Evidence, Flag, FlagKind, Measure};
use larder_estimate::math::robust::median;
use larder_estimate::series::grid::PER_DAY;

larder_estimate::numbers! { "flags.cold":
    /// Syrup that is taken less easily than this is left alone: halfway between what opens a flag and
    /// what closes it.
    NOTHING_EASE: f64 = 0.28, "1", [0.093, 0.84], Chosen;
    /// A feeder that was not filled in the record holds syrup from this share of the capacity on: a
    /// sensor over a dry floor shows less.
    SURELY_HELD_SHARE: f64 = 0.1, "1", [0.033, 0.3], Chosen;
    /// A day's cold must hold for so long, hours.
    OPEN_HOURS: f64 = 0.5, "h", [0.17, 1.5], Chosen;
    /// Warm enough for so long, hours, it is over.
    CLOSE_HOURS: f64 = 2.0, "h", [0.67, 6.0], Chosen;
}

/// How easily syrup of a temperature is taken: 0 below the coldest they take, 1 where they take it
/// freely, a straight line between.
pub(super) fn ease(parameters: &Cold, celsius: f64) -> f64 {
    let span = parameters.free_cel - parameters.none_cel;
    ((celsius - parameters.none_cel) / span).clamp(0.0, 1.0)
}

/// The mean ease of the 24 hours before each node; NaN where less than half of it is known.
pub(super) fn ease_of_day(parameters: &Cold, syrup: &[f64]) -> Vec<f64> {
    let each = syrup.iter().map(|&celsius| ease(parameters, celsius));
    mean_of_day(&each.collect::<Vec<_>>())
}

/// Opens when a whole day was too cold, closes when taking is possible again or nothing is left.
pub(super) fn raise(
    context: &RuleContext<'_>,
    exclusions: &Exclusions,
    taking: &Taking,
    flags: &mut Vec<Flag>,
) {
    let signals = context.signals;
    for (h, f, _, feeder) in context.feeders() {
        let parameters = &context.parameters(h).cold;
        let capacity = context.feeder(h, f).capacity_l;
        let easy = taking.easy((h, f));
        let votes = (0..=signals.last).map(|k| {
            let least = parameters.least_share * capacity;
            let nothing = if feeder.sensed {
                let unfilled = feeder.filled[k].is_none();
                food_reserves::left(context, h, f, k)
                    < if unfilled {
                        SURELY_HELD_SHARE * capacity
                    } else {
                        least
                    }
            } else {
                let most = food_reserves::left(context, h, f, k)
                    + food_reserves::left_sd(context, h, f, k);
                most < least || feeder.filled[k].is_none()
            };
            let vote = match easy[k] {
                _ if nothing || exclusions.off(context, h, f, k) => Vote::Close,
                easy if easy < parameters.open_ease => Vote::Open,
                easy if easy > parameters.close_ease => Vote::Close,
                _ => Vote::Keep,
            };
            (signals.grid.time(k), vote)
        });
        for episode in episodes(votes, OPEN_HOURS, CLOSE_HOURS) {
            let k = episode.opened;
            let day = &feeder.syrup[k.saturating_sub(PER_DAY)..=k];
            let mean = day.iter().filter(|v| !v.is_nan()).sum::<f64>() / day.len() as f64;
            let warmest = day.iter().copied().fold(f64::NEG_INFINITY, f64::max);
            let beside = median(&mut day.to_vec()).unwrap_or(mean);
            let whose = if feeder.has_thermometer() {
                "The syrup"
            } else {
                "Syrup in this yard"
            };
            let details = Details {
                severity: goal::severity(FlagKind::TooCold, goal::of_feeder(context, h, f, k)),
                probability: taking.harder_than(feeder, h, k, NOTHING_EASE),
                evidence: Evidence::new(format!(
                    "{whose} was at {{syrup}} in the last day (warmest {{warmest}}), and bees do not take it below {{none}}; {{left}} left."
                ))
                .with_estimate("syrup", feeder.celsius(beside), Measure::Temperature)
                .with_estimate("warmest", feeder.celsius(warmest), Measure::Temperature)
                .with_estimate("none", taking.none_cel(h, k), Measure::Temperature)
                .with_estimate("left", food_reserves::left_estimate(context, h, f, k), Measure::Volume),
            };
            flags.push(context.feeder_flag(FlagKind::TooCold, (h, f), episode, details));
        }
    }
}
