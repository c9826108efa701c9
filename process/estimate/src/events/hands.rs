//! When hands were in the yard. A keeper goes from hive to hive: a doubtful step on one scale is
//! believed when something that cannot be doubted happened in the same yard about then, and when
//! neither the other hives nor other days show the like: bees that fly out on a fine morning take a
//! quarter of a kilogram with them.

use crate::input::HiveInput;
use crate::math::robust::median_of_few;
use crate::series::grid::{Grid, PER_DAY, STEP_MS};
use crate::series::level::LevelTrack;
use crate::series::scale::{LEAST_STEP_KG, ScaleStep, ScaleTrack};
use larder_domain::Timestamp;

crate::numbers! { "estimate.events.hands":
    /// A step this large needs no second witness, kg: more than a swarm, and nothing else takes or
    /// brings as much within minutes.
    BEYOND_DOUBT_KG: f64 = 1.5, "kg", [0.5, 4.5], Chosen;
    /// Where readings are further apart than minutes, a flow or robbers may carry so much meanwhile, kg/h.
    BEES_KG_PER_HOUR: f64 = 1.2, "kg/h", [0.4, 3.6], Chosen;
    /// They do not go on like that for longer than this, hours.
    BEES_HOURS: f64 = 1.5, "h", [0.5, 4.5], Chosen;
    /// Readings this close show what happens within minutes, hours.
    MINUTES_HOURS: f64 = 0.5, "h", [0.17, 1.5], Chosen;
    /// A lone load at least this large may be syrup though nobody was seen at the yard, kg.
    LONE_LOAD_KG: f64 = 0.8, "kg", [0.27, 1.5], Chosen;
    /// It came between readings no further apart than this, hours.
    LONE_HOURS: f64 = 1.2, "h", [0.4, 3.6], Chosen;
    /// In a storm each hive gains at least this share of what another one does.
    STORM_SHARE: f64 = 0.4, "1", [0.13, 0.9], Chosen;
    /// One visit to a yard lasts about so long, hours.
    VISIT_HOURS: f64 = 2.0, "h", [0.67, 6.0], Chosen;
    /// A note is written up to this long before or after, hours.
    NOTE_HOURS: f64 = 1.0, "h", [0.33, 3.0], Chosen;
    /// A level jumps within this of a step that it goes with, minutes.
    SAME_MINUTES: i64 = 30, "min", [10.0, 90.0], Chosen;
    /// Of a step on the scale at least this share shows in the feeder's level, where it was syrup.
    LEAST_SHARE: f64 = 0.25, "1", [0.083, 0.75], Chosen;
    /// At least this share of a doubtful step happens between two readings.
    LEAST_SHARP_SHARE: f64 = 0.65, "1", [0.22, 1.0], Chosen;
    /// A step is compared with what happens at its time of day on so many days on each side.
    OTHER_DAYS: usize = 4, "d", [1.0, 12.0], Chosen;
}

/// Takes out steps that nothing but the scale itself speaks for.
pub fn drop_unconfirmed_steps(
    grid: &Grid,
    hives: &[HiveInput<'_>],
    scales: &mut [ScaleTrack],
    levels: &[Vec<LevelTrack>],
    rain_mm: &[f64],
) {
    let visits = certain_visits(hives, scales, levels);
    let mut kept: Vec<Vec<bool>> = Vec::with_capacity(scales.len());
    for (h, ((hive, scale), levels)) in hives.iter().zip(scales.iter()).zip(levels).enumerate() {
        let keep = scale.steps.iter().map(|step| {
            is_certain(hive, step, levels)
                || (visited(&visits, step)
                    && step.sharp_share >= LEAST_SHARP_SHARE
                    && !is_usual(grid, scales, h, step))
                || (is_lone_load(step)
                    && !is_usual_by_day(grid, scales, h, step)
                    && (is_dry(grid, rain_mm, step) || is_alone_in_yard(grid, scales, h, step)))
        });
        kept.push(keep.collect());
    }
    for (scale, kept) in scales.iter_mut().zip(kept) {
        let mut keep = kept.into_iter();
        scale.steps.retain(|_| keep.next().unwrap_or(true));
    }
}

/// A load of syrup that came on at once: as much comes home with bees in hours at best, and with rain only
/// where it rains on all hives.
fn is_lone_load(step: &ScaleStep) -> bool {
    step.kg >= LONE_LOAD_KG
        && step.sharp_share >= LEAST_SHARP_SHARE
        && step.latest.hours_since(step.earliest) <= LONE_HOURS
}

/// Whether the yard's gauge says that it was dry about then.
fn is_dry(grid: &Grid, rain_mm: &[f64], step: &ScaleStep) -> bool {
    let from = grid.nearest(step.earliest.plus_hours(-NOTE_HOURS));
    let to = grid.nearest(step.latest.plus_hours(NOTE_HOURS));
    let around = rain_mm.get(from..=to).unwrap_or(&[]);
    !around.is_empty() && around.iter().all(|mm| *mm <= 0.0)
}

/// Moments at which hands were certainly at one of the hives.
fn certain_visits(
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

fn visited(visits: &[Timestamp], step: &ScaleStep) -> bool {
    let at = step.time();
    let first = visits.partition_point(|visit| at.hours_since(*visit) > VISIT_HOURS);
    let next = visits.get(first);
    next.is_some_and(|visit| visit.hours_since(at) <= VISIT_HOURS)
}

/// Whether the other hives changed about as much in the same hour, or this one does at that time of
/// day.
fn is_usual(grid: &Grid, scales: &[ScaleTrack], own: usize, step: &ScaleStep) -> bool {
    is_usual_in_yard(grid, scales, own, step) || is_usual_by_day(grid, scales, own, step)
}

fn is_usual_in_yard(grid: &Grid, scales: &[ScaleTrack], own: usize, step: &ScaleStep) -> bool {
    let (from, to) = around(grid, step);
    let others = (0..scales.len()).filter(|&h| h != own);
    let by_others = others.filter_map(|h| change(&scales[h], from, to));
    of_several(by_others, 2).is_some_and(|usual| explains(usual, step))
}

/// Whether another hive of the yard was weighed at the time, and none gained anything like it: a storm
/// wets them all.
fn is_alone_in_yard(grid: &Grid, scales: &[ScaleTrack], own: usize, step: &ScaleStep) -> bool {
    let (from, to) = around(grid, step);
    let others = (0..scales.len()).filter(|&h| h != own);
    let mut gains = others
        .map(|h| gain(&scales[h], from, to))
        .filter(|kg| !kg.is_nan());
    let first = gains.next();
    first.is_some_and(|kg| kg < STORM_SHARE * step.kg) && gains.all(|kg| kg < STORM_SHARE * step.kg)
}

fn is_usual_by_day(grid: &Grid, scales: &[ScaleTrack], own: usize, step: &ScaleStep) -> bool {
    let (from, to) = around(grid, step);
    let days = (1..=OTHER_DAYS).map(|d| d * PER_DAY);
    let earlier = days.clone().filter(|&d| d <= from);
    let earlier = earlier.filter_map(|d| change(&scales[own], from - d, to - d));
    let later = days.filter_map(|d| change(&scales[own], from + d, to + d));
    of_several(earlier.chain(later), 4).is_some_and(|usual| explains(usual, step))
}

fn around(grid: &Grid, step: &ScaleStep) -> (usize, usize) {
    let from = grid.nearest(step.earliest.plus_ms(-STEP_MS / 2));
    (from, grid.nearest(step.latest.plus_ms(STEP_MS / 2)))
}

/// By how much a hive changed between two nodes, kg; `None` where hands were at it.
fn change(scale: &ScaleTrack, from: usize, to: usize) -> Option<f64> {
    let kg = gain(scale, from, to);
    (kg.abs() < BEYOND_DOUBT_KG).then_some(kg)
}

/// NaN where it is not known.
fn gain(scale: &ScaleTrack, from: usize, to: usize) -> f64 {
    let at = |k: usize| scale.at_nodes.get(k).copied().unwrap_or(f64::NAN);
    at(to) - at(from)
}

fn explains(usual_kg: f64, step: &ScaleStep) -> bool {
    (step.kg - usual_kg) * step.kg.signum() < LEAST_STEP_KG
}

fn of_several(values: impl Iterator<Item = f64>, least: usize) -> Option<f64> {
    let mut n = 0;
    let counted = values.inspect(|_| n += 1).take(9);
    let middle = median_of_few(counted);
    middle.filter(|_| n >= least)
}

fn is_certain(hive: &HiveInput<'_>, step: &ScaleStep, levels: &[LevelTrack]) -> bool {
    let at = step.time();
    let noted = || {
        let notes = hive.feeders.iter().flat_map(|feeder| feeder.recorded);
        notes
            .into_iter()
            .any(|note| note.time.hours_since(at).abs() <= NOTE_HOURS)
    };
    let jumped = |level: &LevelTrack| {
        level.jumps.iter().any(|jump| {
            let apart = jump.earliest.0.max(step.earliest.0) - jump.latest.0.min(step.latest.0);
            apart <= SAME_MINUTES * 60_000
                && jump.litres * step.kg > 0.0
                && jump.litres.abs() > LEAST_SHARE * step.kg.abs()
        })
    };
    let hours = step.latest.hours_since(step.earliest);
    let without_hands =
        BEYOND_DOUBT_KG + BEES_KG_PER_HOUR * (hours - MINUTES_HOURS).clamp(0.0, BEES_HOURS);
    step.kg.abs() >= without_hands || noted() || levels.iter().any(jumped)
}
