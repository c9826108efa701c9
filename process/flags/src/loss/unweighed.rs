//! Losses that only the level sees: no scale stands under the hive, or none is heard.
//!
//! A colony that takes more than it did looks like a hole, and fresh syrup, warmth or a flow that
//! ends make the whole yard take more. What is left is a feeder that goes down steadily, much faster
//! than it ever did in the week before, some time behind its fill, while no other feeder does.

use super::super::RuleContext;
use super::super::signals::{FeederSignals, nodes};
use super::{GRADUAL, Watch};
use larder_estimate::series::grid::PER_DAY;

larder_estimate::numbers! { "flags.loss.unweighed":
    /// Windows that are looked at, hours.
    WINDOWS: [f64; 2] = [3.0, 6.0], "h", [1.0, 18.0], Chosen;
    /// The level falls by so many times its noise.
    SDS: f64 = 12.0, "1", [4.0, 36.0], Chosen;
    /// It falls so many times as fast as ever in the days before: appetite seldom doubles.
    FACTOR: f64 = 2.5, "1", [0.83, 7.5], Chosen;
    /// The days before.
    DAYS: usize = 7, "d", [2.0, 21.0], Chosen;
    /// Fresh syrup is taken fast for so long, hours.
    FRESH_HOURS: f64 = 12.0, "h", [4.0, 36.0], Chosen;
    /// No other feeder of the yard is faster than it was by more than this share of the factor.
    MOST_BESIDE: f64 = 0.6, "1", [0.2, 1.0], Chosen;
    /// A colony may take so much at any time, l/h for each litre of capacity (measured).
    LEAST_USUAL: f64 = 0.008, "1", [0.0027, 0.024], Measured;
    /// So many days must be known.
    LEAST_DAYS: f64 = 1.0, "d", [0.33, 3.0], Chosen;
}

impl Watch<'_> {
    /// Hours and litres of a window in which the level fell as it never did.
    pub(super) fn as_never_before(&self, k: usize) -> Option<(f64, f64)> {
        let old = self.feeder.changed[k].is_none_or(|at| k >= at + nodes(FRESH_HOURS));
        if !old {
            return None;
        }
        WINDOWS.into_iter().find_map(|hours| {
            let back = nodes(hours);
            let at = |k: usize| self.clear(k, back);
            let drop_l = at(k).filter(|_| at(k - 1).is_some())?;
            let own = factor(self.context, (self.h, self.f), k, back)?;
            let beside = self
                .context
                .feeders()
                .filter(|&(h, f, ..)| (h, f) != (self.h, self.f));
            let most = beside
                .filter(|(.., feeder)| feeder.sensed)
                .filter_map(|(h, f, ..)| factor(self.context, (h, f), k, back))
                .fold(0.0, f64::max);
            (own > FACTOR && most < MOST_BESIDE * own).then_some((hours, drop_l))
        })
    }

    /// What went in a window, where it is well above the noise and went steadily, l.
    fn clear(&self, k: usize, back: usize) -> Option<f64> {
        let drop_l = drop(self.feeder, k, back);
        let half = drop(self.feeder, k, back / 2) / drop_l;
        (drop_l > SDS * self.feeder.noise_l && GRADUAL.contains(&half)).then_some(drop_l)
    }
}

/// How many times as fast a feeder goes down as it ever did in the days before; `None` where too little is
/// known.
fn factor(context: &RuleContext<'_>, (h, f): (usize, usize), k: usize, back: usize) -> Option<f64> {
    let feeder = &context.signals.hives[h].feeders[f];
    let now = drop(feeder, k, back);
    if now.is_nan() {
        return None;
    }
    let until = k.checked_sub(back + nodes(WINDOWS[0]))?;
    let from = until.saturating_sub(DAYS * PER_DAY);
    let mut known = 0;
    let before = (from..=until).map(|then| drop(feeder, then, back));
    let most = before
        .filter(|drop| !drop.is_nan())
        .inspect(|_| known += 1)
        .fold(0.0, f64::max);
    let hours = back as f64 / nodes(1.0) as f64;
    let least = LEAST_USUAL * context.feeder(h, f).capacity_l * hours;
    (known as f64 >= LEAST_DAYS * PER_DAY as f64).then(|| now / most.max(least))
}

/// How much went out of a feeder in the window before `k`, l; NaN where something was poured or nothing
/// was seen.
pub(super) fn drop(feeder: &FeederSignals, k: usize, back: usize) -> f64 {
    if k < back + 1 || feeder.changed[k] != feeder.changed[k - back - 1] {
        return f64::NAN;
    }
    let mean = |k: usize| match (feeder.litres[k], feeder.litres[k - 1]) {
        (a, b) if a.is_nan() => b,
        (a, b) if b.is_nan() => a,
        (a, b) => 0.5 * (a + b),
    };
    mean(k - back) - mean(k)
}
