//! What a hive weighs against what it should, with rain and single readings smoothed away.

use super::RuleContext;
use super::signals::nodes;
use larder_domain::Timestamp;
use larder_estimate::math::robust::Sorted;
use larder_estimate::series::grid::PER_DAY;
use larder_estimate::series::grid::STEP_HOURS;
use larder_syrup::Estimate;
use larder_syrup::physics::kg_per_litre;

larder_estimate::numbers! { "flags.food_reserves":
    /// What is left of a sensor's offset and of a ruler's geometry, as a share of the capacity (measured:
    /// with it nine in ten intervals hold the truth).
    SENSOR_BIAS_SHARE: f64 = 0.018, "1", [0.006, 0.054], Measured;
    /// A night's weight is good to this, kg: load cells drift with warmth (measured).
    LOAD_CELL_SD_KG: f64 = 0.05, "kg", [0.017, 0.15], Measured;
    /// A weight reaches so far over silence, hours.
    REACH_HOURS: f64 = 6.0, "h", [2.0, 18.0], Chosen;
}

/// A hive's goal.
#[derive(Clone, Copy)]
pub(super) struct Target {
    pub kg: f64,
    pub date: Option<Timestamp>,
}

/// The hive's target; `None` where the keeper set none.
pub(super) fn target(context: &RuleContext<'_>, h: usize) -> Option<Target> {
    let hive = context.input.hives[h].hive;
    let day = |date| larder_domain::time::local_day(context.input.yard.timezone, date);
    Some(Target {
        kg: hive.target_weight_kg?,
        date: hive.target_date.map(|date| day(date).start),
    })
}

/// What the hive weighs at each node without the syrup in its feeders and without the boxes put on
/// or taken off since the record began, kg: what its target is held against. Median of the last six
/// hours; NaN where nothing was heard for two days.
pub(super) fn own(context: &RuleContext<'_>, h: usize) -> Vec<f64> {
    let signals = context.signals;
    let hive = &signals.hives[h];
    let Some(start) = hive.gross_kg.iter().position(|v| !v.is_nan()) else {
        return vec![f64::NAN; signals.last + 1];
    };
    let on_scale = |f: usize| context.feeder(h, f).on_scale;
    let density = |f: usize, k: usize| kg_per_litre(hive.feeders[f].strength[k]);
    let at_start: f64 = (0..hive.feeders.len())
        .filter(|&f| on_scale(f))
        .map(|f| left(context, h, f, start).max(0.0) * density(f, start))
        .sum();
    let offset = hive.gross_kg[start] - hive.free_kg[start] - at_start;
    let offset = if offset.is_nan() { -at_start } else { offset };
    let mut taken = 0.0;
    let reach = nodes(REACH_HOURS);
    let mut window = Sorted::default();
    let mut last = (f64::NAN, 0);
    (0..=signals.last)
        .map(|k| {
            for f in (0..hive.feeders.len()).filter(|&f| on_scale(f) && k > start) {
                taken += rate(context, h, f, k).max(0.0) * STEP_HOURS * density(f, k);
            }
            window.insert(hive.free_kg[k]);
            if k > reach {
                window.remove(hive.free_kg[k - reach - 1]);
            }
            if let Some(found) = window.median() {
                last = (found, k);
            }
            let old = k - last.1 > 2 * PER_DAY;
            if old {
                f64::NAN
            } else {
                last.0 + offset + taken
            }
        })
        .collect()
}

/// What is left in a feeder at a node, l.
pub(super) fn left(context: &RuleContext<'_>, h: usize, f: usize, k: usize) -> f64 {
    let feeder = &context.signals.hives[h].feeders[f];
    if feeder.sensed {
        feeder.filtered[k].litres
    } else {
        context.analysis.hives[h].feeders[f].course.volume_l[k]
    }
}

/// What is left in a feeder at a node, l, with the interval that the evidence states.
pub(super) fn left_estimate(context: &RuleContext<'_>, h: usize, f: usize, k: usize) -> Estimate {
    Estimate::normal(left(context, h, f, k), left_sd(context, h, f, k)).at_least(0.0)
}

pub(super) fn left_sd(context: &RuleContext<'_>, h: usize, f: usize, k: usize) -> f64 {
    let feeder = &context.signals.hives[h].feeders[f];
    if feeder.sensed {
        let bias_l = SENSOR_BIAS_SHARE * context.feeder(h, f).capacity_l;
        feeder.filtered[k].litres_sd.hypot(bias_l)
    } else {
        context.analysis.hives[h].feeders[f].course.volume_sd[k]
    }
}

/// How well [`own`] is known at a node, kg: the scale's noise, and the syrup taken off it.
pub(super) fn own_sd(context: &RuleContext<'_>, h: usize, k: usize) -> f64 {
    let hive = &context.signals.hives[h];
    let feeders = (0..hive.feeders.len()).filter(|&f| context.feeder(h, f).on_scale);
    let syrup =
        feeders.map(|f| left_sd(context, h, f, k) * kg_per_litre(hive.feeders[f].strength[k]));
    syrup.fold(hive.noise_kg.hypot(LOAD_CELL_SD_KG), f64::hypot)
}

fn rate(context: &RuleContext<'_>, h: usize, f: usize, k: usize) -> f64 {
    let feeder = &context.signals.hives[h].feeders[f];
    if feeder.sensed {
        feeder.filtered[k].rate
    } else {
        context.analysis.hives[h].feeders[f].course.rate[k]
    }
}
