//! How much warmer a feeder's syrup is than it should be: yeasts give off heat, some tenths of a
//! kelvin to two in a feeder.
//!
//! All feeders of a yard follow the same air, each with an offset of its own (the colony under it,
//! the sun, the thermometer) that stays. What the median of the yard's feeders makes of the moment is
//! taken off, then what this feeder was beside it in the days before.

use super::signals::nodes;
use super::{Case, Doubts, stores};
use crate::robust::{median, median_of_few};
use crate::series::grid::PER_DAY;

crate::numbers! { "flags.heat":
    /// Freshly poured syrup is as warm as its tank for so long, hours.
    COOLING_HOURS: f64 = 14.0, "h", [4.7, 42.0], Chosen;
    /// A yard's course needs so many thermometers at a time.
    LEAST_THERMOMETERS: usize = 3, "1", [1.0, 9.0], Chosen;
    /// A day counts when so much of it was seen: half a day is warmer or colder than a whole one.
    SEEN_SHARE: f64 = 0.85, "1", [0.28, 1.0], Chosen;
    /// Days before that make a feeder's habit.
    HABIT_DAYS: usize = 9, "d", [3.0, 27.0], Chosen;
    /// With less than this share of the capacity in it the thermometer hangs in the air.
    DRY_SHARE: f64 = 0.03, "1", [0.01, 0.09], Chosen;
    /// Offsets and course are found in turn; they settle at once.
    OFFSET_ROUNDS: usize = 3, "1", [1.0, 9.0], Chosen;
}

/// For each hive and feeder, K above what it should be in the 24 hours before each node; NaN where
/// fewer than three thermometers in the yard say what it should be.
pub(super) fn heat(case: &Case<'_>, doubts: &Doubts) -> Vec<Vec<Vec<f64>>> {
    let feeders = case.feeders();
    let own: Vec<Vec<f64>> = feeders
        .map(|(h, f, ..)| settled(case, doubts, h, f))
        .collect();
    let yard = yard_course(&own);
    let mut found = own.iter().map(|own| above_habit(own, &yard));
    let hives = case.signals.hives.iter();
    hives
        .map(|hive| found.by_ref().take(hive.feeders.len()).collect())
        .collect()
}

/// The feeder's own thermometer while it stands in syrup, without the hours behind a fill.
fn settled(case: &Case<'_>, doubts: &Doubts, h: usize, f: usize) -> Vec<f64> {
    let feeder = &case.signals.hives[h].feeders[f];
    let cooling = nodes(COOLING_HOURS);
    let least_l = DRY_SHARE * case.feeder(h, f).capacity_l;
    let seen = feeder.thermometer.iter().enumerate().map(|(k, &celsius)| {
        let fresh = feeder.changed[k].is_some_and(|at| k - at < cooling);
        let dry = stores::left(case, h, f, k) < least_l || doubts.off(case, h, f, k);
        if fresh || dry { f64::NAN } else { celsius }
    });
    seen.collect()
}

/// What the yard's air makes of syrup at each node: the median of the feeders, each without its own
/// offset, which is a constant of the place and learned from the whole record.
fn yard_course(own: &[Vec<f64>]) -> Vec<f64> {
    let n = own.iter().map(Vec::len).max().unwrap_or(0);
    let mut offsets = vec![0.0; own.len()];
    let mut course = vec![f64::NAN; n];
    let mut known = Vec::new();
    for _ in 0..OFFSET_ROUNDS {
        for (k, value) in course.iter_mut().enumerate() {
            known.clear();
            let here = own.iter().zip(&offsets).map(|(series, o)| series[k] - o);
            known.extend(here.filter(|v| !v.is_nan()));
            *value = if known.len() < LEAST_THERMOMETERS {
                f64::NAN
            } else {
                median(&mut known).unwrap_or(f64::NAN)
            };
        }
        for (series, offset) in own.iter().zip(&mut offsets) {
            known.clear();
            let beside = series.iter().zip(&course).map(|(own, yard)| own - yard);
            known.extend(beside.filter(|v| !v.is_nan()));
            *offset = median(&mut known).unwrap_or(0.0);
        }
    }
    course
}

fn above_habit(own: &[f64], yard: &[f64]) -> Vec<f64> {
    let day = PER_DAY;
    let beside: Vec<f64> = own.iter().zip(yard).map(|(own, yard)| own - yard).collect();
    let daily = means(&beside, day);
    (0..daily.len())
        .map(|k| {
            if daily[k].is_nan() {
                return f64::NAN;
            }
            let before = (1..=HABIT_DAYS).filter_map(|back| k.checked_sub(back * day));
            let habit = median_of_few(before.map(|k| daily[k]).filter(|v| !v.is_nan()));
            daily[k] - habit.unwrap_or(f64::NAN)
        })
        .collect()
}

/// Means of the `width` values up to each; NaN where too few are known.
fn means(values: &[f64], width: usize) -> Vec<f64> {
    let least = (SEEN_SHARE * width as f64) as usize;
    let (mut sum, mut count) = (0.0, 0usize);
    (0..values.len())
        .map(|k| {
            if !values[k].is_nan() {
                (sum, count) = (sum + values[k], count + 1);
            }
            if k >= width && !values[k - width].is_nan() {
                (sum, count) = (sum - values[k - width], count - 1);
            }
            if count < least {
                f64::NAN
            } else {
                sum / count as f64
            }
        })
        .collect()
}
