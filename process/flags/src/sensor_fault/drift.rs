//! Scales that move by themselves.
//!
//! When bees are in and hands are off a hive loses a little, as its neighbours do and as it did in the nights
//! before. A scale that drifts adds the same each hour of each night. Each settled night shifts the odds; a
//! gain in dry nights has no other cause, a loss has many, so it counts only where every feeder was watched,
//! nothing left them and nothing dries.

use super::super::signals::nodes;
use super::super::{RuleContext, Vote};
use super::Suspicion;
use super::calm::calming;
use larder_domain::{Evidence, Measure};
use larder_estimate::math::robust::{MAD_TO_SD, median, median_of_few};
use larder_estimate::series::grid::{HOURS_PER_DAY, PER_DAY, STEP_HOURS};
use larder_syrup::Estimate;
use std::collections::VecDeque;

larder_estimate::numbers! { "flags.sensor_fault.drift":
    /// A night shorter than this says little, hours.
    LEAST_HOURS: f64 = 3.0, "h", [2.0, 5.0], Chosen;
    /// Light is known to stay away for so long behind a settled hour, hours.
    KNOWN_LATER_HOURS: f64 = 1.0, "h", [0.0, 2.0], Chosen;
    /// A drift worth telling, kg/h: 0.4 kg a day.
    DRIFT_KG_PER_HOUR: f64 = 0.017, "kg/h", [0.006, 0.04], Chosen;
    /// Nights that make a habit.
    HABIT_NIGHTS: usize = 9, "d", [5.0, 9.0], Chosen;
    /// Before so many nights a hive has no habit.
    LEAST_NIGHTS: usize = 4, "d", [2.0, 7.0], Chosen;
    /// Nights of a hive usually differ by so much, kg (measured: 0.026 in autumn, 0.06 in spring with noisier
    /// scales).
    USUAL_SD_KG: f64 = 0.05, "kg", [0.02, 0.14], Measured;
    /// Where no neighbour tells what all hives do, nights differ by so many times as much: dew, frost, drizzle.
    ALONE_FACTOR: f64 = 2.0, "1", [1.0, 4.0], Chosen;
    /// What a hive loses in an hour of the night by breathing and drying, kg.
    TYPICAL_KG_PER_HOUR: f64 = -0.015, "kg/h", [-0.045, -0.005], Measured;
    /// A hive whose weight rises by this in an hour of a dry night gains, kg/h.
    GAIN_KG_PER_HOUR: f64 = 0.004, "kg/h", [0.001, 0.01], Chosen;
    /// A yard that gains so much in an hour of the night is rained or snowed on, kg/h.
    YARD_GAIN_KG_PER_HOUR: f64 = 0.004, "kg/h", [0.001, 0.01], Chosen;
    /// A night counts for the odds by so much at most, as a logarithm, either way.
    MOST_LN_A_NIGHT: f64 = 4.0, "1", [2.0, 8.0], Chosen;
    /// What drifts at night drifts by day: the day up to a night shows at least this share of the night's pace.
    /// A load cell that follows the warmth gives by day what it took by night.
    DAY_SHARE: f64 = 0.4, "1", [0.2, 0.8], Chosen;
    /// The odds at which it is told, as a logarithm.
    TOLD_LN: f64 = 7.0, "1", [4.0, 12.0], Chosen;
    /// The odds go no higher than this, as a logarithm.
    MOST_LN: f64 = 11.0, "1", [8.0, 20.0], Chosen;
    /// Below these odds, as a logarithm, it is over.
    OVER_LN: f64 = 2.0, "1", [0.0, 4.0], Chosen;
    /// A hive that gained this in a day dries nectar in the nights after, kg.
    FLOW_KG: f64 = 0.25, "kg", [0.083, 0.75], Chosen;
    /// A hive dries nectar for so many days after a day of gain.
    FLOW_DAYS: usize = 5, "d", [1.0, 15.0], Chosen;
    /// A hive that was fed this in two days dries syrup, kg.
    FED_KG: f64 = 1.0, "kg", [0.33, 3.0], Chosen;
    /// What left the feeder explains an odd loss from this share of it on.
    LEAK_SHARE: f64 = 0.3, "1", [0.1, 0.9], Chosen;
    /// How sure a drift upwards is.
    PROBABILITY_UP: f64 = 0.85, "1", [0.2, 1.0], Chosen;
    /// How sure a drift downwards is.
    PROBABILITY_DOWN: f64 = 0.5, "1", [0.2, 1.0], Chosen;
}

/// A hive's settled night.
struct Night {
    from: usize,
    until: usize,
}

impl Night {
    fn hours(&self) -> f64 {
        (self.until - self.from) as f64 * STEP_HOURS
    }
}

/// A scale that moves by night as no hive does.
pub(super) fn scale_drift(context: &RuleContext<'_>, h: usize) -> Vec<Suspicion> {
    let grid = &context.signals.grid;
    let scales = &context.input.hives[h].hive.scales;
    let name = |at| {
        let standing = scales.iter().find(|scale| scale.during.contains(at));
        standing.map_or_else(String::new, |scale| scale.source.device.to_string())
    };
    let mut habit = Habit::default();
    let mut odds: [f64; 2] = [0.0; 2];
    let mut said = Vec::new();
    for night in settled_nights(context) {
        let known = (night.until + nodes(KNOWN_LATER_HOURS)).min(context.signals.last);
        let own = context.balance.weight(h, night.until) - context.balance.weight(h, night.from);
        if own.is_nan() || context.signals.weather.wet(night.from, night.until) {
            continue;
        }
        let hours = night.hours();
        let yard = yard_change(context, h, &night);
        let undried =
            context.balance.undried(h, night.until) - context.balance.undried(h, night.from);
        let beyond = undried / hours - yard.map_or(TYPICAL_KG_PER_HOUR, |kg| kg / hours);
        let (usual, sd) = habit.of(hours, yard.is_none(), context.signals.hives[h].noise_kg);
        let odd = beyond - usual;
        if habit.nights.len() >= LEAST_NIGHTS {
            let rained = yard.is_some_and(|kg| kg > YARD_GAIN_KG_PER_HOUR * hours);
            for (i, sign) in [1.0, -1.0].into_iter().enumerate() {
                let excess = sign * odd - DRIFT_KG_PER_HOUR / 2.0;
                let told = DRIFT_KG_PER_HOUR * excess / (sd * sd);
                let most = match () {
                    () if sign > 0.0 && rained => 0.0,
                    () if sign > 0.0 && gains(context, h, &night, own) => MOST_LN_A_NIGHT,
                    () if sign > 0.0 => 0.0,
                    () if lost_by_itself(context, h, &night, odd * hours) => MOST_LN_A_NIGHT,
                    () => 0.0,
                };
                odds[i] = (odds[i] + told.clamp(-MOST_LN_A_NIGHT, most)).clamp(0.0, MOST_LN);
            }
        }
        let greater = odds[0].max(odds[1]);
        if greater < OVER_LN {
            habit.take(beyond);
        }
        let vote = match () {
            () if greater >= TOLD_LN => Vote::Open,
            () if greater < OVER_LN => Vote::Close,
            () => Vote::Keep,
        };
        let change = Estimate::normal(odd * hours, sd * hours);
        said.push((grid.time(known), vote, change, odds[0] >= odds[1]));
    }
    let found = calming(said.iter().map(|&(at, vote, ..)| (at, vote)), 0.0);
    let details = |episode: super::Episode| {
        let (_, _, change, up) = said[episode.opened];
        Suspicion {
            evidence: Evidence::new(format!(
                "{} changed by {{change}} in one night against the other hives of the yard and its own nights before, and so it did in others, while nothing went in or out: the scale drifts.",
                name(episode.from)
            ))
            .with_estimate("change", change, Measure::MassChange),
            probability: if up { PROBABILITY_UP } else { PROBABILITY_DOWN },
            episode,
        }
    };
    found.into_iter().map(details).collect()
}

/// The settled part of each night.
fn settled_nights(context: &RuleContext<'_>) -> Vec<Night> {
    let settled = &context.signals.weather.settled_night;
    let mut found = Vec::new();
    let mut from = None;
    for (k, &settled) in settled[..=context.signals.last].iter().enumerate() {
        if settled {
            from.get_or_insert(k);
            continue;
        }
        if let Some(from) = from.take() {
            let night = Night { from, until: k - 1 };
            if night.hours() >= LEAST_HOURS {
                found.push(night);
            }
        }
    }
    found
}

/// What the other hives of the yard did, their median, kg; `None` where fewer than two were weighed.
fn yard_change(context: &RuleContext<'_>, h: usize, night: &Night) -> Option<f64> {
    let others = (0..context.signals.hives.len()).filter(|&i| i != h);
    let change =
        |i| context.balance.undried(i, night.until) - context.balance.undried(i, night.from);
    let mut known: Vec<f64> = others.map(change).filter(|kg| !kg.is_nan()).collect();
    (known.len() >= 2).then(|| median(&mut known))?
}

/// Whether the hive gained by night, and as fast since the night before.
fn gains(context: &RuleContext<'_>, h: usize, night: &Night, own_kg: f64) -> bool {
    let pace = own_kg / night.hours();
    let day = context.balance.change(h, night.until, DAY);
    pace > GAIN_KG_PER_HOUR && day > DAY_SHARE * pace * HOURS_PER_DAY
}

/// Whether a loss has no other cause than the scale, as far as can be seen, and went on by day.
fn lost_by_itself(context: &RuleContext<'_>, h: usize, night: &Night, odd_kg: f64) -> bool {
    let k = night.until;
    let mut nights = context.nights[h].iter();
    let Some(part) = nights.rfind(|part| part.known > night.from && part.known <= k) else {
        return false;
    };
    let flowed = (0..FLOW_DAYS).any(|day| {
        let then = k.saturating_sub(day * PER_DAY);
        context.balance.change(h, then, DAY) > FLOW_KG
    });
    let dries = flowed || part.fed_kg > FED_KG;
    let pace = odd_kg / night.hours();
    let day = context.balance.change(h, k, DAY);
    let goes_on = part.own_kg < 0.0 && day < DAY_SHARE * pace * HOURS_PER_DAY;
    part.seen && part.drop_kg < LEAK_SHARE * -odd_kg && !dries && goes_on
}

/// The window in [`super::super::balance::WINDOWS`] that is one day.
const DAY: usize = 5;

/// What a hive does in an hour of the night beyond its yard, kg/h.
#[derive(Default)]
struct Habit {
    nights: VecDeque<f64>,
}

impl Habit {
    fn take(&mut self, beyond: f64) {
        self.nights.push_back(beyond);
        if self.nights.len() > HABIT_NIGHTS {
            self.nights.pop_front();
        }
    }

    /// The usual, and how far a night of so many hours strays from it, kg/h.
    fn of(&self, hours: f64, alone: bool, noise_kg: f64) -> (f64, f64) {
        let usual = median_of_few(self.nights.iter().copied()).unwrap_or(0.0);
        let strays = self.nights.iter().map(|night| (night - usual).abs());
        let own = MAD_TO_SD * median_of_few(strays).unwrap_or(0.0);
        let factor = if alone { ALONE_FACTOR } else { 1.0 };
        let least = (factor * USUAL_SD_KG).hypot(noise_kg) / hours;
        (usual, own.max(least))
    }
}
