//! Water that dries off: syrup and nectar are fanned down to stores of 18 % water, some of the sugar
//! is spent on that, and the scale loses what goes. A pool for each hive: what is taken brings water in,
//! and the pool empties with a time constant of a day.

use super::signals::{HiveSignals, Signals};
use crate::analysis::{HiveAnalysis, YardAnalysis};
use crate::input::{HiveInput, YardInput};
use crate::series::grid::STEP_HOURS;
use larder_domain::Strength;
use larder_domain::syrup::kg_per_litre;

crate::numbers! { "flags.drying":
    /// Sugar in capped stores, kg/kg (common practice: 18 % water).
    STORED_SUGAR: f64 = 0.82, "1", [0.27, 2.5], CommonPractice;
    /// Of the sugar that a colony takes so much is spent on taking it in: warmth, wax and brood (common
    /// practice: a tenth to a quarter; measured: on both simulated apiaries nights of hives beside their
    /// yard lose 0.26 of 2:1 taken and 0.44 of 1:1, which is this and the water).
    SPENT_SHARE: f64 = 0.1, "1", [0.033, 0.3], CommonPractice;
    /// Of what a day brought from flowers so much dries off after dark (common practice: nectar is 20 to
    /// 50 % sugar; measured: the night behind it loses a third of the day's gain times what a night dries).
    NECTAR_SHARE: f64 = 0.4, "1", [0.13, 1.0], CommonPractice;
    /// Time constant, hours (measured: 24 explains most, from 6 to 96).
    DRYING_HOURS: f64 = 24.0, "h", [8.0, 72.0], Measured;
    /// How well it is known what more or less dries off than on other days, as a share (measured).
    pub(super) DRYING_DOUBT: f64 = 0.4, "1", [0.13, 1.2], Measured;
}

/// For each hive, what has dried off up to each node since the record began, kg. `weight` is each
/// hive's at each node, kg.
pub(super) fn dried_off(
    input: &YardInput<'_>,
    signals: &Signals,
    analysis: &YardAnalysis,
    weight: &[Vec<f64>],
) -> Vec<Vec<f64>> {
    let hives = input.hives.iter().zip(&signals.hives);
    let hives = hives.zip(analysis.hives.iter().zip(weight));
    hives
        .map(|((input, hive), (analysis, weight))| {
            let hive = Hive {
                input,
                hive,
                analysis,
                weight,
            };
            hive.dried_off(signals)
        })
        .collect()
}

struct Hive<'a> {
    input: &'a HiveInput<'a>,
    hive: &'a HiveSignals,
    analysis: &'a HiveAnalysis,
    weight: &'a [f64],
}

/// What came in half an hour from feeders, kg.
struct Taken {
    /// From beside the scale: it makes the hive heavier.
    brought: f64,
    /// From all, what will not stay.
    lost: f64,
}

impl Hive<'_> {
    fn dried_off(&self, signals: &Signals) -> Vec<f64> {
        let goes = 1.0 - (-STEP_HOURS / DRYING_HOURS).exp();
        let (mut pool, mut gone, mut brought) = (0.0, 0.0, 0.0);
        let mut dawn = None;
        let mut was_light = false;
        (0..signals.grid.len())
            .map(|k| {
                let out = pool * goes;
                gone += out;
                let taken = self.taken(k);
                brought += taken.brought;
                pool += taken.lost - out;
                let light = signals.weather.light[k];
                // What neither feeders brought nor drying took.
                let kept = self.weight[k] - brought + gone;
                match (was_light, light, dawn) {
                    (false, true, _) => dawn = Some((k, kept)),
                    (true, false, Some((from, before))) if !signals.weather.wet(from, k) => {
                        // A difference that is not known brings nothing.
                        pool += NECTAR_SHARE * (kept - before).max(0.0);
                    }
                    _ => {}
                }
                was_light = light;
                gone
            })
            .collect()
    }

    fn taken(&self, k: usize) -> Taken {
        let feeders = self.hive.feeders.iter().zip(&self.analysis.feeders);
        let mut taken = Taken {
            brought: 0.0,
            lost: 0.0,
        };
        for ((feeder, found), given) in feeders.zip(&self.input.feeders) {
            let rate = if feeder.sensed {
                feeder.followed[k].rate
            } else {
                found.course.rate[k]
            };
            let strength = feeder.strength[k];
            let kg = rate.max(0.0) * STEP_HOURS * kg_per_litre(strength);
            taken.lost += lost_share(strength) * kg;
            if !given.feeder.on_scale {
                taken.brought += kg;
            }
        }
        taken
    }
}

/// The share of syrup taken that does not stay as capped stores, kg/kg: its water, and the sugar spent.
fn lost_share(strength: Option<Strength>) -> f64 {
    let sugar = Strength::mass_fraction_or_unknown(strength).value();
    (1.0 - (1.0 - SPENT_SHARE) * sugar / STORED_SUGAR).max(0.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand: a kilogram of 2:1 holds 0.667 kg of sugar, of which nine tenths are stored in
    /// 0.667 * 0.9 / 0.82 = 0.732 kg of stores; of 1:1 it is 0.549 kg.
    #[test]
    fn what_is_not_stored_is_water_and_spent_sugar() {
        let share = |sugar| lost_share(Strength::by_mass(sugar, 1.0).ok());
        assert!((share(2.0) - 0.268).abs() < 0.001, "{}", share(2.0));
        assert!((share(1.0) - 0.451).abs() < 0.001, "{}", share(1.0));
        assert!(lost_share(None) > share(2.0) && lost_share(None) < share(1.0));
    }
}
