//! What hands did to a hive's weight, and how it is taken out.

use larder_estimate::events::{Change, ChangeKind};
use larder_estimate::math::robust::median_of_few;
use larder_estimate::series::scale::{ScaleStep, ScaleTrack};
use larder_estimate::series::{Grid, Look};

larder_estimate::numbers! { "flags.signals.hands":
    /// Readings behind a step that a hand may have spoiled.
    SPOILED: usize = 1, "1", [1.0, 3.0], Chosen;
    /// This many readings on each side tell how large a step was.
    SIDE: usize = 3, "1", [1.0, 9.0], Chosen;
    /// Less than this going at once may be robbers or a leak between two readings, kg; hands take more.
    LEAST_TAKEN_KG: f64 = 0.7, "kg", [0.23, 2.1], Chosen;
}

/// Takes out what hands did. A hand on the hive spoils the readings around a step, so that the
/// first one behind it does not count, and what is taken out is the change of the level, all of it.
pub(super) fn without_steps(grid: &Grid, scale: &ScaleTrack, gross: &[f64]) -> Vec<f64> {
    let (times, values) = (&scale.series.times, &scale.series.values);
    let mut free = gross.to_vec();
    let mut carried = 0.0;
    let mut done = 0;
    for step in scale.steps.iter().filter(|step| by_hand(step)) {
        let at = times.partition_point(|&t| t <= step.earliest);
        let first = times.partition_point(|&t| t < step.latest);
        let settled = (first + SPOILED).min(times.len());
        let before = median_of_few(values[at.saturating_sub(SIDE)..at].iter().copied());
        let behind = median_of_few(values[settled..].iter().take(SIDE).copied());
        let (Some(before), Some(behind)) = (before, behind) else {
            continue;
        };
        let from = grid.node(step.earliest.plus_ms(1), Look::UpTo).unwrap_or(0);
        // Up to and with the node of the last reading that a hand may have spoiled.
        let until = match times.get(settled) {
            Some(_) => grid.at_or_after(times[settled - 1]) + 1,
            None => free.len(),
        };
        let until = until.min(free.len());
        for value in free.iter_mut().take(from).skip(done) {
            *value -= carried;
        }
        // A mean over both sides of a step is neither.
        for value in free.iter_mut().take(until).skip(from.max(done)) {
            *value = f64::NAN;
        }
        done = until.max(done);
        carried += behind - before;
    }
    for value in free.iter_mut().skip(done) {
        *value -= carried;
    }
    free
}

/// Whether hands did it: bees and robbers bring nothing, and take less at once.
pub(crate) fn by_hand(step: &ScaleStep) -> bool {
    step.kg > 0.0 || step.kg < -LEAST_TAKEN_KG
}

/// Whether the level behind a change has nothing to do with the one before.
pub(super) fn breaks(change: &Change, scale: &ScaleTrack) -> bool {
    let step = change.scale_step.and_then(|i| scale.steps.get(i));
    change.kind == ChangeKind::Fill || step.is_some_and(by_hand)
}
