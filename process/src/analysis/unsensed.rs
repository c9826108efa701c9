//! Feeders without a sensor: the neighbours' pace.

use super::YardAnalysis;
use crate::feeder::{Appetite, guess_without_sensor};
use crate::input::YardInput;
use crate::robust::median;

crate::numbers! { "analysis.unsensed":
    /// A feeder with less in it than this share of its capacity tells nothing of the yard's appetite.
    LEAST_FULL_SHARE: f64 = 0.1, "1", [0.033, 0.3], Chosen;
}

/// Runs every feeder without a sensor down at the pace of the yard's others.
pub(super) fn guess_unsensed(
    input: &YardInput<'_>,
    analysis: &mut YardAnalysis,
    midnights: &[bool],
) {
    let appetite = yard_appetite(input, analysis);
    for (hive, found) in input.hives.iter().zip(&mut analysis.hives) {
        for (feeder, found) in hive.feeders.iter().zip(&mut found.feeders) {
            if found.observations.nodes.is_empty() {
                found.course = guess_without_sensor(
                    &analysis.grid,
                    &found.evidence.changes,
                    midnights,
                    &appetite,
                    feeder.feeder.capacity_l,
                );
            }
        }
    }
}

fn yard_appetite(input: &YardInput<'_>, analysis: &YardAnalysis) -> Appetite {
    let mut known = Vec::new();
    let mut per_capacity = Vec::with_capacity(analysis.grid.len());
    for k in 0..analysis.grid.len() {
        known.clear();
        for (hive, found) in input.hives.iter().zip(&analysis.hives) {
            for (feeder, found) in hive.feeders.iter().zip(&found.feeders) {
                let course = &found.course;
                let capacity = feeder.feeder.capacity_l;
                if !course.sensors.is_empty() && course.volume_l[k] > LEAST_FULL_SHARE * capacity {
                    known.push(course.rate[k].max(0.0) / capacity);
                }
            }
        }
        per_capacity.push(median(&mut known).unwrap_or(f64::NAN));
    }
    Appetite { per_capacity }
}
