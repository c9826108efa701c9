//! When hands were in the yard. A keeper goes from hive to hive: a doubtful step on one scale is
//! believed when something that cannot be doubted happened in the same yard about then.

use crate::input::HiveInput;
use crate::level::LevelTrack;
use crate::scale::{ScaleStep, ScaleTrack};
use larder_domain::{Span, Timestamp};

/// A step this large needs no second witness, kg: more than a swarm, and nothing else takes or
/// brings as much within minutes.
const BEYOND_DOUBT_KG: f64 = 1.5;
/// One visit to a yard lasts about so long, hours.
const VISIT_HOURS: f64 = 2.0;
/// A note is written up to this long before or after, hours.
const NOTE_HOURS: f64 = 1.0;

/// Moments at which hands were certainly at one of the hives.
pub fn certain_visits(
    hives: &[HiveInput<'_>],
    scales: &[ScaleTrack],
    levels: &[Vec<LevelTrack>],
) -> Vec<Timestamp> {
    let mut visits = Vec::new();
    for ((hive, scale), levels) in hives.iter().zip(scales).zip(levels) {
        let sure = scale
            .steps
            .iter()
            .filter(|step| is_certain(hive, step, levels));
        visits.extend(sure.map(ScaleStep::time));
    }
    visits.sort();
    visits
}

/// Takes out steps that nothing but the scale itself speaks for.
pub fn drop_doubtful(
    hive: &HiveInput<'_>,
    scale: &mut ScaleTrack,
    levels: &[LevelTrack],
    visits: &[Timestamp],
) {
    scale.steps.retain(|step| {
        let at = step.time();
        let first = visits.partition_point(|visit| at.hours_since(*visit) > VISIT_HOURS);
        let visited = visits
            .get(first)
            .is_some_and(|visit| visit.hours_since(at) <= VISIT_HOURS);
        visited || is_certain(hive, step, levels)
    });
}

fn is_certain(hive: &HiveInput<'_>, step: &ScaleStep, levels: &[LevelTrack]) -> bool {
    let at = step.time();
    let noted = || {
        let notes = hive.feeders.iter().flat_map(|feeder| feeder.recorded);
        notes
            .into_iter()
            .any(|note| note.time.hours_since(at).abs() <= NOTE_HOURS)
    };
    let span = Span {
        start: step.after,
        end: step.before,
    };
    let seen = |level: &LevelTrack| {
        level.change_across(span, 3.0).is_some_and(|change| {
            let moved = change.litres().abs() > (4.0 * change.sd).max(0.25 * step.kg.abs());
            moved && change.litres() * step.kg > 0.0
        })
    };
    step.kg.abs() >= BEYOND_DOUBT_KG || noted() || levels.iter().any(seen)
}
