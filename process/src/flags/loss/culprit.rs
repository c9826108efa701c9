//! Robbers or a hole: told apart by daylight, warmth, and whether honey goes too.

use super::super::signals::nodes;
use super::fast::WINDOWS;
use super::{Culprit, Loss, Watch};
use larder_domain::syrup::kg_per_litre;

/// So long before dark no robbers start (common practice).
const DUSK_HOURS: f64 = 1.0;

impl Watch<'_> {
    /// Whether robbers could fly at a node.
    pub(super) fn flying(&self, k: usize) -> bool {
        let air = self.case.signals.weather.air[k];
        let warm = air.is_nan() || air >= self.case.parameters(self.h).loss.flight_cel;
        self.case.signals.weather.light[k] && warm
    }

    /// Whether it is light, but yesterday was not in an hour: robbers go home, a hole does not.
    pub(super) fn dusk(&self, k: usize) -> bool {
        let daylight = &self.case.signals.weather.light;
        let yesterday = (k + nodes(DUSK_HOURS)).checked_sub(nodes(24.0));
        daylight[k] && yesterday.is_some_and(|then| !daylight[then])
    }

    /// Who it is likely to be, and how likely.
    pub(super) fn culprit(&self, k: usize, seen: &Loss) -> (Culprit, f64) {
        let parameters = &self.case.parameters(self.h).loss;
        if !self.flying(k) {
            return (
                Culprit::Leak,
                if seen.hive_kg.is_nan() { 0.6 } else { 0.93 },
            );
        }
        if seen.hive_kg.is_nan() {
            return (Culprit::Robbers, 0.5);
        }
        if !self.on_scale {
            let robbed = seen.hive_kg > 0.2 * seen.drop_kg;
            return (
                if robbed {
                    Culprit::Robbers
                } else {
                    Culprit::Leak
                },
                0.7,
            );
        }
        // By day robbers are the likelier guess; honey going too makes them sure.
        // A noisy level may have seen more go than did.
        let density = kg_per_litre(self.feeder.strength[k]);
        let noise_kg = self.feeder.noise_l * 2f64.sqrt() * density;
        let factor = |seen: &Loss| seen.hive_kg / (seen.drop_kg - noise_kg).max(0.05);
        let long = self.loss(k, WINDOWS[2]);
        let factor = factor(seen).max(factor(&long));
        let odds = 4.0 * (factor - parameters.honey_factor);
        let robbed = 1.0 / (1.0 + (-odds).exp());
        if robbed > 0.5 {
            (Culprit::Robbers, robbed.clamp(0.6, 0.95))
        } else {
            (Culprit::Leak, (1.0 - robbed).clamp(0.6, 0.95))
        }
    }
}
