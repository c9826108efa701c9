//! Fast losses: more goes out of the feeder than a colony takes, and the hive loses as much.

use super::super::balance::{self, Balance};
use super::super::signals::{FeederSignals, nodes};
use super::{Loss, Watch};
use larder_estimate::math::robust::median_of_few;
use larder_estimate::series::grid::PER_DAY;
use larder_syrup::physics::kg_per_litre;

larder_estimate::numbers! { "flags.loss.fast":
    /// Indices into [`balance::WINDOWS`] of the windows for fast losses.
    pub(super) WINDOWS: [usize; 3] = [0, 1, 2], "1", [0.0, 6.0], Chosen;
    /// A level that fell by so many standard deviations is beyond doubt (measured).
    SHARP_Z: f64 = 10.0, "1", [3.3, 30.0], Measured;
    /// Where the level's fall is not beyond doubt, the scale must show this in two hours, kg
    /// (measured).
    BLURRED_KG: f64 = 0.33, "kg", [0.11, 0.99], Measured;
    /// In a record's first days the scale must show more by this factor.
    UNKNOWN_FACTOR: f64 = 1.5, "1", [0.5, 4.5], Chosen;
    /// The level must have fallen by so many standard deviations; the second where the hive's loss is
    /// heavy.
    SEEN_Z: [f64; 2] = [2.5, 1.5], "1", [0.5, 7.5], Chosen;
    /// A hive's loss is heavy from so many standard deviations on.
    HEAVY_Z: f64 = 6.0, "1", [2.0, 18.0], Chosen;
    /// One witness counts for so many standard deviations at most.
    MOST_Z: f64 = 9.0, "1", [3.0, 27.0], Chosen;
    /// Scale and level are beyond doubt when both together exceed what they must by this factor.
    SURE_FACTOR: f64 = 2.0, "1", [0.67, 6.0], Chosen;
    /// A colony may take so much at any time, l/h for each litre of capacity (measured).
    LEAST_USUAL: f64 = 0.008, "1", [0.0027, 0.024], Measured;
    /// By how much two hives of a yard differ in two hours by day, kg (measured).
    DAY_SD_KG: f64 = 0.08, "kg", [0.027, 0.24], Measured;
    /// By how much two hives of a yard differ in two hours by night, kg (measured).
    NIGHT_SD_KG: f64 = 0.04, "kg", [0.013, 0.12], Measured;
    /// This many days before make a hive's habit.
    HABIT_DAYS: usize = 5, "d", [1.0, 15.0], Chosen;
    /// A hive's habit explains at most this, kg.
    MOST_HABIT_KG: f64 = 0.3, "kg", [0.1, 0.9], Chosen;
    /// What was usual is that of so long before, hours.
    USUAL_LAG_HOURS: f64 = 6.0, "h", [2.0, 18.0], Chosen;
    /// More than so many times the usual is no appetite.
    USUAL_FACTOR: f64 = 1.5, "1", [0.5, 4.5], Chosen;
    /// A hive that gains more than this share of what left the feeder ate it.
    GAIN_SHARE: f64 = 0.3, "1", [0.1, 0.9], Chosen;
    /// Two days and a little: a fill before that is no news.
    TWO_DAYS_HOURS: f64 = 52.0, "h", [17.0, 160.0], Chosen;
    /// The window for which a scale's least loss and the hives' differences are given, hours: over others
    /// they go with the root of the time.
    REFERENCE_HOURS: f64 = 2.0, "h", [2.0, 2.0], Defined;
    /// The hive's loss stands out by at least so many standard deviations.
    LEAST_HIVE_Z: f64 = 2.0, "1", [0.67, 6.0], Chosen;
    /// A hive that carries its feeder loses at least this share of what left the feeder.
    LOST_SHARE: f64 = 0.5, "1", [0.17, 1.5], Chosen;
    /// A fast loss goes on while the scale shows this share of what opens it.
    GOES_ON_SHARE: f64 = 0.5, "1", [0.17, 1.5], Chosen;
}

impl Watch<'_> {
    /// What the colony took before the window, and how well that is known, l/h.
    pub(super) fn usual(&self, k: usize, back: usize) -> (f64, f64) {
        self.usual_of(self.f, self.feeder, k, back)
    }

    /// What it took from one of its feeders before the window, and how well that is known, l/h.
    pub(super) fn usual_of(
        &self,
        f: usize,
        feeder: &FeederSignals,
        k: usize,
        back: usize,
    ) -> (f64, f64) {
        let before = &feeder.filtered[k.saturating_sub(back + nodes(USUAL_LAG_HOURS))];
        let least = LEAST_USUAL * self.context.feeder(self.h, f).capacity_l;
        (before.rate.max(least), before.rate_sd)
    }

    /// What the two witnesses say of a window.
    pub(super) fn loss(&self, k: usize, window: usize) -> Loss {
        let hours = balance::WINDOWS[window];
        let drop_l = self.drop(k, nodes(hours));
        let scale = self.weighed && !self.exclusions.scale(self.context, self.h, k);
        Loss {
            hours,
            drop_l,
            drop_kg: drop_l * kg_per_litre(self.feeder.strength[k]),
            hive_kg: if scale {
                self.context.balance.excess_loss(self.h, k, window) - self.habit(k, window)
            } else {
                f64::NAN
            },
            hive_sd_kg: hive_sd_kg(self.context.signals.weather.light[k], hours),
        }
    }

    /// What this hive loses beyond its yard at this time of other days, kg.
    pub(super) fn habit(&self, k: usize, window: usize) -> f64 {
        habit(self.context.balance, self.h, k, window)
    }

    /// A window in which more went than the colony takes, and the hive lost as much; and whether that is
    /// so plain that one look is enough.
    pub(super) fn fast(&self, k: usize, window: usize) -> Option<(Loss, bool)> {
        let parameters = &self.context.parameters(self.h).loss;
        let hours = balance::WINDOWS[window];
        let (usual, _) = self.usual(k, nodes(hours));
        let rate = self.drop(k, nodes(hours)) / hours;
        if rate.is_nan() || rate <= parameters.fast_l_per_h + USUAL_FACTOR * usual {
            return None;
        }
        let seen = self.loss(k, window);
        let noise = self.feeder.noise_l;
        if seen.hive_kg.is_nan() {
            let found = (window == WINDOWS[2])
                .then(|| self.as_never_before(k))
                .flatten();
            return found.map(|(hours, drop_l)| {
                let drop_kg = drop_l * kg_per_litre(self.feeder.strength[k]);
                (
                    Loss {
                        hours,
                        drop_l,
                        drop_kg,
                        ..seen
                    },
                    false,
                )
            });
        }
        let density = kg_per_litre(self.feeder.strength[k]);
        let beyond_usual = seen.drop_kg - USUAL_FACTOR * usual * seen.hours * density;
        let drop_z = beyond_usual / (density * noise);
        let hive_z = seen.hive_kg / seen.hive_sd_kg;
        let both = drop_z.min(MOST_Z) + hive_z.min(MOST_Z);
        let sure = self.on_scale && both > SURE_FACTOR * parameters.sds * 2f64.sqrt();
        let clear = (drop_z > SEEN_Z[0] || drop_z > SEEN_Z[1] && hive_z > HEAVY_Z)
            && hive_z > LEAST_HIVE_Z
            && both > parameters.sds * 2f64.sqrt()
            && rate > parameters.fast_l_per_h + USUAL_FACTOR * usual;
        let agrees = if self.on_scale {
            let known = if self.settled(k) { 1.0 } else { UNKNOWN_FACTOR };
            let least = if drop_z > SHARP_Z {
                parameters.fast_kg
            } else {
                BLURRED_KG
            };
            seen.hive_kg > known * least * (seen.hours / REFERENCE_HOURS).sqrt()
                && seen.hive_kg > LOST_SHARE * seen.drop_kg
        } else {
            // What the colony takes from beside the hive would show on the scale.
            seen.hive_kg > -GAIN_SHARE * seen.drop_kg && seen.drop_kg > parameters.fast_kg
        };
        (clear && agrees).then_some((seen, sure))
    }

    /// Whether two days are known by which to tell what is usual.
    fn settled(&self, k: usize) -> bool {
        let then = k.checked_sub(nodes(TWO_DAYS_HOURS));
        then.is_some_and(|then| !self.context.balance.weight(self.h, then).is_nan())
    }

    /// Whether a fast loss goes on.
    pub(super) fn still_fast(&self, k: usize) -> bool {
        let parameters = &self.context.parameters(self.h).loss;
        let seen = self.loss(k, WINDOWS[1]);
        let rate = seen.drop_l / seen.hours;
        rate > parameters.fast_l_per_h + USUAL_FACTOR * self.usual(k, nodes(USUAL_LAG_HOURS)).0
            && (seen.hive_kg.is_nan() || seen.hive_kg >= GOES_ON_SHARE * parameters.fast_kg)
    }
}

/// What a hive loses beyond its yard at this time of other days, kg: strong colonies send more bees out.
pub(super) fn habit(balance: &Balance, h: usize, k: usize, window: usize) -> f64 {
    let mut n = 0;
    let days = (1..=HABIT_DAYS).filter_map(|day| {
        let then = k.checked_sub(day * PER_DAY)?;
        let excess = balance.excess_loss(h, then, window);
        (!excess.is_nan()).then_some(excess)
    });
    let found = median_of_few(days.inspect(|_| n += 1)).unwrap_or(0.0);
    if n >= 2 {
        found.clamp(-MOST_HABIT_KG, MOST_HABIT_KG)
    } else {
        0.0
    }
}

/// By how much two hives of a yard differ in a window, kg.
pub(super) fn hive_sd_kg(by_day: bool, hours: f64) -> f64 {
    let in_two_hours = if by_day { DAY_SD_KG } else { NIGHT_SD_KG };
    in_two_hours * (hours / REFERENCE_HOURS).sqrt()
}
