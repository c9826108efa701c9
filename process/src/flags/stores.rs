//! What a hive weighs against what it should, with rain and single readings smoothed away.

use super::Case;
use super::signals::nodes;
use crate::robust::median;
use larder_domain::Timestamp;

/// A hive's goal.
#[derive(Clone, Copy)]
pub(super) struct Target {
    pub kg: f64,
    pub date: Option<Timestamp>,
}

/// The hive's target; `None` where the keeper set none.
pub(super) fn target(case: &Case<'_>, h: usize) -> Option<Target> {
    let hive = case.input.hives[h].hive;
    let day = |date| larder_domain::time::local_day(case.input.yard.timezone, date);
    Some(Target {
        kg: hive.target_weight_kg?,
        date: hive.target_date.map(|date| day(date).start),
    })
}

/// Gross weight at each node, median of the last six hours; NaN where unknown for a day.
pub(super) fn gross(case: &Case<'_>, h: usize) -> Vec<f64> {
    let signals = case.signals;
    let gross = &signals.hives[h].gross_kg;
    let mut window = Vec::new();
    let mut last = (f64::NAN, 0);
    (0..=signals.last)
        .map(|k| {
            window.clear();
            let from = k.saturating_sub(nodes(6.0));
            window.extend(gross[from..=k].iter().copied().filter(|v| !v.is_nan()));
            if let Some(found) = median(&mut window) {
                last = (found, k);
            }
            if k - last.1 > nodes(48.0) {
                f64::NAN
            } else {
                last.0
            }
        })
        .collect()
}
