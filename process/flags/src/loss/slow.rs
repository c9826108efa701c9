//! Slow leaks, some tens of millilitres an hour: too little for an hour, plain in half a day.

use super::super::balance;
use super::super::cold::ease;
use super::super::drying::DRYING_DOUBT;
use super::super::night::left_feeders;
use super::super::signals::nodes;
use super::fast::hive_sd_kg;
use super::{Culprit, GRADUAL, Loss, Watch};
use crate::night::WHOLE_NIGHT_HOURS;
use larder_estimate::math::robust::{MAD_TO_SD, median_of_few};
use larder_estimate::series::grid::PER_DAY;
use larder_syrup::physics::kg_per_litre;

larder_estimate::numbers! { "flags.loss.slow":
    /// Indices into [`balance::WINDOWS`] of six hours and three.
    DARK_WINDOWS: [usize; 2] = [3, 2], "1", [0.67, 9.0], Chosen;
    /// Robbers take at least this share of what went within two hours, a burst.
    BURST_SHARE: f64 = 0.6, "1", [0.2, 1.0], Chosen;
    /// A burst stands out by so many standard deviations from what hives do by day.
    BURST_SDS: f64 = 4.0, "1", [1.3, 12.0], Chosen;
    /// The feeder goes down by at least this share of a burst: some two hours of every day look odd.
    BURST_FED: f64 = 0.3, "1", [0.1, 0.9], Chosen;
    /// This many days before make a hive's habit.
    HABIT_DAYS: usize = 7, "d", [2.0, 21.0], Chosen;
    /// A hive's habit takes at least so many days.
    LEAST_HABIT_DAYS: usize = 3, "d", [1.0, 9.0], Chosen;
    /// By how much hives of a yard differ in half a dry day, kg (measured).
    DRY_SD_KG: f64 = 0.06, "kg", [0.02, 0.18], Measured;
    /// By how much hives of a yard differ in half a day after rain, kg (measured).
    WET_SD_KG: f64 = 0.12, "kg", [0.04, 0.36], Measured;
    /// A slower leak than this is not worth a flag, kg/h (some 10 ml).
    LEAST_KG_PER_H: f64 = 0.012, "kg/h", [0.004, 0.036], Chosen;
    /// In a leak the feeder lost at least this share of what the hive did.
    FED_OF_LOST: f64 = 0.8, "1", [0.27, 2.4], Chosen;
    /// In a leak the feeder went down faster than usual by at least this share of what the hive lost.
    ADDED_OF_LOST: f64 = 0.5, "1", [0.17, 1.5], Chosen;
    /// A feeder that went down faster by more than so many times what the hive lost shows a colony that
    /// takes more, and dries it.
    MOST_ADDED: f64 = 4.0, "1", [1.3, 12.0], Chosen;
    /// What went in the dark must be so many times as likely from a hole that goes on as from nothing: by day
    /// hives differ more than they do in the dark.
    HOLE_ODDS: f64 = 1.0, "1", [1.0, 9.0], Chosen;
    /// One night must stand out by so many times what a day and its night must: it is looked at twice a day.
    NIGHT_FACTOR: f64 = 1.3, "1", [1.0, 3.0], Chosen;
    /// Syrup is too cold to be taken when the day's ease is below this (see [`super::super::cold`]).
    COLD_EASE: f64 = 0.25, "1", [0.083, 0.75], Chosen;
    /// A feeder that is too cold to be taken from leaks when it goes down by this in 12 h, l.
    COLD_DROP_L: f64 = 0.15, "l", [0.05, 0.45], Chosen;
    /// A feeder that is too cold to be taken from, and no scale tells, leaks when it goes down so many times
    /// as fast as it did.
    COLD_FACTOR: f64 = 2.0, "1", [0.67, 6.0], Chosen;
    /// How sure a slow leak is.
    LEAK_PROBABILITY: f64 = 0.42, "1", [0.14, 1.0], Measured;
    /// How sure slow robbing is.
    ROBBED_PROBABILITY: f64 = 0.4, "1", [0.14, 1.0], Measured;
    /// A loss is this hive's own when no other hive of the yard has more than this share of it at that time.
    MOST_BESIDE: f64 = 0.6, "1", [0.2, 1.0], Chosen;
    /// Nights of the same length differ by less, hours.
    SAME_HOURS: f64 = 0.25, "h", [0.1, 0.5], Chosen;
    /// Half a day, hours.
    HALF_DAY_HOURS: f64 = 12.0, "h", [12.0, 12.0], Defined;
    /// The level falls by so many times its noise in a night of a leak.
    DROP_SDS: f64 = 4.0, "1", [1.3, 12.0], Chosen;
    /// The level falls by so many times its noise in a leak in the cold.
    COLD_DROP_SDS: f64 = 6.0, "1", [2.0, 18.0], Chosen;
    /// A leak in the cold takes at least this share of the drop off the hive.
    LOST_SHARE: f64 = 0.3, "1", [0.1, 0.9], Chosen;
    /// A leak in the cold from a feeder beside the scale is doubted when the hive gains more than this
    /// share of the drop.
    HIDDEN_SHARE: f64 = 0.4, "1", [0.13, 1.0], Chosen;
    /// A slow leak goes on while the feeder goes down by this share of `COLD_DROP_L` in half a day.
    GOES_ON_SHARE: f64 = 0.5, "1", [0.17, 1.5], Chosen;
}

/// Index into [`balance::WINDOWS`] of half a day.
const HALF_DAY: usize = 4;
/// Index into [`balance::WINDOWS`] of a day.
const DAY: usize = 5;
/// Index into [`balance::WINDOWS`] of two hours.
const TWO_HOURS: usize = 1;

impl Watch<'_> {
    /// A night in which the hive lost more than its like and the feeder went down, a day or half of
    /// one that does not add up, or a feeder that goes down while the syrup is too cold to take.
    pub(super) fn slow(&self, k: usize) -> Option<(Loss, (Culprit, f64))> {
        let leak = (Culprit::SlowLeak, LEAK_PROBABILITY);
        let seen = self.by_night(k).or_else(|| self.by_cold(k));
        seen.map(|seen| (seen, leak)).or_else(|| self.by_balance(k))
    }

    /// A hive that loses more in half a day or a day than its yard, its own days before and the drying
    /// of what it took explain, while its feeder goes down by as much.
    fn by_balance(&self, k: usize) -> Option<(Loss, (Culprit, f64))> {
        // Who flies out in the morning comes home in the evening: only dark ends compare.
        let dark = |k: usize| !self.context.signals.weather.light[k];
        if !dark(k) || self.exclusions.scale(self.context, self.h, k) {
            return None;
        }
        [HALF_DAY, DAY].into_iter().find_map(|window| {
            let from = k.checked_sub(nodes(balance::WINDOWS[window]));
            let seen = from
                .filter(|&from| dark(from))
                .and_then(|_| self.out_of_balance(k, window))?;
            Some((seen, self.slow_culprit(k, &seen)?))
        })
    }

    fn out_of_balance(&self, k: usize, window: usize) -> Option<Loss> {
        let now = self.unexplained(k, window)?;
        let dried = |k: usize| self.context.balance.dried(self.h, k, nodes(now.hours));
        if now.drop_kg <= FED_OF_LOST * LEAST_KG_PER_H * now.hours {
            // Too little for any loss below.
            return None;
        }
        let before: [Option<(usize, Loss)>; HABIT_DAYS] = std::array::from_fn(|day| {
            let then = k.checked_sub((day + 1) * PER_DAY)?;
            Some((then, self.unexplained(then, window)?))
        });
        let before = || before.iter().flatten();
        if before().count() < LEAST_HABIT_DAYS {
            return None;
        }
        let habit = median_of_few(before().map(|(_, then)| then.hive_kg))?;
        let spread = median_of_few(before().map(|(_, then)| (then.hive_kg - habit).abs()))?;
        let usual_drop = median_of_few(before().map(|(_, then)| then.drop_kg))?;
        let usual_dries = median_of_few(before().map(|(then, _)| dried(*then)))?;
        let odd = now.hive_kg - habit;
        let doubt = DRYING_DOUBT * (dried(k) - usual_dries);
        let sd = (MAD_TO_SD * spread).max(now.hive_sd_kg).hypot(doubt);
        let clear = odd > self.context.parameters(self.h).loss.slow_sds * sd
            && odd > LEAST_KG_PER_H * now.hours;
        let fed = now.drop_kg > FED_OF_LOST * odd && faster(now.drop_kg - usual_drop, odd);
        (clear && fed && self.own(odd, |h| self.odd_beside(h, k, window))).then_some(Loss {
            hive_kg: odd,
            hive_sd_kg: sd,
            ..now
        })
    }

    /// Whether no other hive of the yard is about as odd at the time: what several do is weather, a visit
    /// or what was fed, however much their yard's median is taken off.
    fn own(&self, odd: f64, beside: impl Fn(usize) -> f64) -> bool {
        let others = (0..self.context.input.hives.len()).filter(|&h| h != self.h);
        let most = others.map(beside).fold(f64::NEG_INFINITY, f64::max);
        most < MOST_BESIDE * odd
    }

    /// What another hive of the yard lost in a window beyond its own days before, kg; NaN where not known.
    fn odd_beside(&self, h: usize, k: usize, window: usize) -> f64 {
        let balance = self.context.balance;
        let days = (1..=HABIT_DAYS).filter_map(|day| k.checked_sub(day * PER_DAY));
        let before = days.map(|then| balance.loss_beside(h, then, window));
        let habit = median_of_few(before.filter(|kg| !kg.is_nan()));
        balance.loss_beside(h, k, window) - habit.unwrap_or(f64::NAN)
    }

    /// What the hive lost in a window beyond its yard and the drying of what it took. What a yard gains
    /// from flowers, a weak hive need not.
    fn unexplained(&self, k: usize, window: usize) -> Option<Loss> {
        let context = self.context;
        let hours = balance::WINDOWS[window];
        let back = nodes(hours);
        if k < back {
            return None;
        }
        let (on_scale_kg, seen) = left_feeders(context.input, context.signals, self.h, k, back);
        let drop_kg = if self.on_scale {
            on_scale_kg
        } else {
            self.drop_kg(k, back)
        };
        let lost = self.lost(k, window);
        let wet = context.signals.weather.wet(k - back, k);
        let seen = seen && self.feeder.filtered[k - back].age <= 2;
        (seen && !lost.is_nan()).then_some(Loss {
            hours,
            drop_l: drop_kg / kg_per_litre(self.feeder.strength[k]),
            drop_kg,
            hive_kg: lost,
            hive_sd_kg: if wet { WET_SD_KG } else { DRY_SD_KG } * (hours / HALF_DAY_HOURS).sqrt(),
        })
    }

    /// What the hive lost in a window beyond its yard and drying; of a feeder beside the scale, what left
    /// it and did not make the hive heavier, kg.
    fn lost(&self, k: usize, window: usize) -> f64 {
        let brought = if self.on_scale {
            0.0
        } else {
            self.drop_kg(k, nodes(balance::WINDOWS[window]))
        };
        self.context.balance.loss_beside(self.h, k, window) + brought
    }

    /// What the hive and its feeder usually lose by this time of day, kg: the median of the days
    /// before.
    fn usually_lost(&self, k: usize, window: usize) -> f64 {
        let days = (1..=HABIT_DAYS).filter_map(|day| k.checked_sub(day * PER_DAY));
        let lost = days
            .map(|then| self.lost(then, window))
            .filter(|kg| !kg.is_nan());
        median_of_few(lost).unwrap_or(0.0)
    }

    fn drop_kg(&self, k: usize, back: usize) -> f64 {
        self.drop(k, back) * kg_per_litre(self.feeder.strength[k])
    }

    /// Most of it within two hours of flight weather was robbers; a loss that went on after dark is a hole.
    /// `None` while it has not been dark for long enough, or where it is neither: a level and a scale that
    /// err together.
    fn slow_culprit(&self, k: usize, seen: &Loss) -> Option<(Culprit, f64)> {
        let from = k.saturating_sub(nodes(seen.hours));
        let mut flown = (from..=k).filter(|&k| self.flying(k));
        let lost = |k: usize, window: usize| self.lost(k, window) - self.usually_lost(k, window);
        let least = BURST_SHARE * seen.hive_kg;
        let least = least.max(BURST_SDS * hive_sd_kg(true, balance::WINDOWS[TWO_HOURS]));
        let burst = |k: usize| {
            let lost = lost(k, TWO_HOURS);
            lost > least && self.drop_kg(k, nodes(balance::WINDOWS[TWO_HOURS])) > BURST_FED * lost
        };
        if flown.any(burst) {
            return Some((Culprit::Robbers, ROBBED_PROBABILITY));
        }
        let daylight = &self.context.signals.weather.light;
        let window = DARK_WINDOWS.into_iter().find(|&window| {
            let from = k.checked_sub(nodes(balance::WINDOWS[window]));
            from.is_some_and(|from| daylight[from..=k].iter().all(|day| !day))
        })?;
        let lost = lost(k, window);
        let hours = balance::WINDOWS[window];
        let pace = seen.hive_kg / seen.hours * hours;
        // How much likelier so much lost in the dark is from a hole that goes on than from nothing, logarithm.
        let sd = hive_sd_kg(false, hours);
        let evidence = pace * (lost - 0.5 * pace) / (sd * sd);
        (evidence > HOLE_ODDS.ln()).then_some((Culprit::SlowLeak, LEAK_PROBABILITY))
    }

    fn by_night(&self, k: usize) -> Option<Loss> {
        let parameters = &self.context.parameters(self.h).loss;
        let at = self.nights.partition_point(|night| night.known < k);
        let night = self.nights[at..].iter().find(|night| night.known == k)?;
        if self.exclusions.scale(self.context, self.h, k) {
            return None;
        }
        let drop_l = night.drop_kg / kg_per_litre(self.feeder.strength[k]);
        let odd = -night.odd_kg;
        let clear = odd > parameters.slow_kg * night.hours / WHOLE_NIGHT_HOURS
            && odd > NIGHT_FACTOR * parameters.slow_sds * night.sd_kg;
        let fed = drop_l > DROP_SDS * self.feeder.noise_l
            && faster(night.drop_kg - night.usual_drop_kg, odd);
        let beside = |h: usize| {
            let nights = &self.context.nights[h];
            let at = nights.partition_point(|other| other.known < k);
            let same = nights[at..].iter().take_while(|other| other.known == k);
            let mut same = same.filter(|other| (other.hours - night.hours).abs() < SAME_HOURS);
            same.next().map_or(f64::NAN, |other| -other.odd_kg)
        };
        let own = || self.own(odd, beside);
        (self.on_scale && night.n_habit >= 3 && clear && fed && own()).then_some(Loss {
            hours: night.hours,
            drop_l,
            drop_kg: night.drop_kg,
            hive_kg: odd,
            hive_sd_kg: night.sd_kg,
        })
    }

    fn by_cold(&self, k: usize) -> Option<Loss> {
        let cold_day = self.easy[k] < COLD_EASE;
        if !cold_day {
            return None;
        }
        let seen = self.loss(k, HALF_DAY);
        let parameters = &self.context.parameters(self.h).cold;
        let window = &self.feeder.syrup[k.saturating_sub(nodes(HALF_DAY_HOURS))..=k];
        // It may be warmer than the yard's others.
        let doubt = self.feeder.celsius_sd();
        let easy = window.iter().map(|&t| ease(parameters, t + doubt));
        let lately = easy.sum::<f64>() / window.len() as f64;
        let cold = lately < COLD_EASE;
        // One odd reading at either end is not enough.
        let level = |hours: f64| self.feeder.level(k.saturating_sub(nodes(hours)));
        let fallen = (level(seen.hours) - level(0.0)).min(seen.drop_l);
        let clear = fallen > COLD_DROP_L && fallen > COLD_DROP_SDS * self.feeder.noise_l;
        // A feeder that is warmer than it is thought goes on as before.
        let usual_l = self.usual(k, nodes(seen.hours)).0 * seen.hours;
        let factor = if seen.hive_kg.is_nan() {
            COLD_FACTOR
        } else {
            1.0
        };
        let clear = clear && fallen > factor * usual_l;
        // Comb that goes out of a sensor's sight makes it fall at once.
        let half = (level(0.5 * seen.hours) - level(0.0)) / fallen;
        let clear = clear && GRADUAL.contains(&half);
        // What is taken cold from beside the hive would weigh on the scale.
        let agrees = if self.on_scale {
            seen.hive_kg.is_nan() || seen.hive_kg >= LOST_SHARE * seen.drop_kg
        } else {
            seen.hive_kg.is_nan() || seen.hive_kg >= -HIDDEN_SHARE * seen.drop_kg
        };
        (cold && clear && agrees).then_some(seen)
    }

    /// Whether a slow leak goes on.
    pub(super) fn still_slow(&self, k: usize) -> bool {
        let drop_l = self.drop(k, nodes(HALF_DAY_HOURS));
        drop_l.is_nan() || drop_l > GOES_ON_SHARE * COLD_DROP_L
    }
}

/// Whether a feeder went down faster than usual as it does where so much of it runs out.
fn faster(added_kg: f64, lost_kg: f64) -> bool {
    (ADDED_OF_LOST * lost_kg..MOST_ADDED * lost_kg).contains(&added_kg)
}
