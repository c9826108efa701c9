//! Robbers or a hole: told apart by daylight, warmth, and whether honey goes too.

use super::super::signals::nodes;
use super::fast::WINDOWS;
use super::{Culprit, Loss, Watch};
use larder_estimate::series::grid::PER_DAY;
use larder_syrup::physics::kg_per_litre;

larder_estimate::numbers! { "flags.loss.culprit":
    /// Robbers do not start within so many hours before dark (common practice).
    pub(super) DUSK_HOURS: f64 = 1.0, "h", [0.33, 3.0], CommonPractice;
    /// How sure a leak is while nothing flies, without a scale.
    LEAK_UNWEIGHED: f64 = 0.6, "1", [0.2, 1.0], Chosen;
    /// How sure a leak is while nothing flies, with a scale.
    LEAK_BY_NIGHT: f64 = 0.93, "1", [0.31, 1.0], Chosen;
    /// How sure robbers are by day without a scale.
    ROBBED_UNWEIGHED: f64 = 0.5, "1", [0.17, 1.0], Chosen;
    /// A hive that loses this share of what a feeder beside it loses is robbed as well.
    BESIDE_SHARE: f64 = 0.2, "1", [0.067, 0.6], Chosen;
    /// How sure the culprit at a feeder beside the hive is.
    BESIDE_PROBABILITY: f64 = 0.5, "1", [0.17, 1.0], Measured;
    /// Less than this does not leave a feeder that is robbed, kg.
    LEAST_DROP_KG: f64 = 0.05, "kg", [0.017, 0.15], Chosen;
    /// How fast a hive's loss against the feeder's makes robbers surer, logarithm of the odds.
    ODDS_PER_FACTOR: f64 = 4.0, "1", [1.3, 12.0], Chosen;
    /// No guess is less or more sure than these.
    PROBABILITY: [f64; 2] = [0.5, 0.85], "1", [0.2, 1.0], Measured;
}

impl Watch<'_> {
    /// Whether robbers could fly at a node.
    pub(super) fn flying(&self, k: usize) -> bool {
        let air = self.context.signals.weather.air[k];
        let warm = air.is_nan() || air >= self.context.parameters(self.h).loss.flight_cel;
        self.context.signals.weather.light[k] && warm
    }

    /// Whether it is light, but yesterday was not in an hour: robbers go home, a hole does not.
    pub(super) fn dusk(&self, k: usize) -> bool {
        let daylight = &self.context.signals.weather.light;
        let yesterday = (k + nodes(DUSK_HOURS)).checked_sub(PER_DAY);
        daylight[k] && yesterday.is_some_and(|then| !daylight[then])
    }

    /// Who it is likely to be, and how likely.
    pub(super) fn culprit(&self, k: usize, seen: &Loss) -> (Culprit, f64) {
        let parameters = &self.context.parameters(self.h).loss;
        if !self.flying(k) {
            return (
                Culprit::Leak,
                if seen.hive_kg.is_nan() {
                    LEAK_UNWEIGHED
                } else {
                    LEAK_BY_NIGHT
                },
            );
        }
        if seen.hive_kg.is_nan() {
            return (Culprit::Robbers, ROBBED_UNWEIGHED);
        }
        if !self.on_scale {
            let robbed = seen.hive_kg > BESIDE_SHARE * seen.drop_kg;
            return (
                if robbed {
                    Culprit::Robbers
                } else {
                    Culprit::Leak
                },
                BESIDE_PROBABILITY,
            );
        }
        // By day robbers are the likelier guess; honey going too makes them sure.
        // A noisy level may have seen more go than did.
        let density = kg_per_litre(self.feeder.strength[k]);
        let noise_kg = self.feeder.noise_l * 2f64.sqrt() * density;
        let factor = |seen: &Loss| seen.hive_kg / (seen.drop_kg - noise_kg).max(LEAST_DROP_KG);
        let long = self.loss(k, WINDOWS[2]);
        let factor = factor(seen).max(factor(&long));
        let odds = ODDS_PER_FACTOR * (factor - parameters.honey_factor);
        let robbed = 1.0 / (1.0 + (-odds).exp());
        if robbed > 1.0 - robbed {
            (
                Culprit::Robbers,
                robbed.clamp(PROBABILITY[0], PROBABILITY[1]),
            )
        } else {
            (
                Culprit::Leak,
                (1.0 - robbed).clamp(PROBABILITY[0], PROBABILITY[1]),
            )
        }
    }
}
