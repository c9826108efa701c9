//! Sudden changes of a hive's weight: found against what bees do in the hours around, and measured
//! with a line through the readings on both sides.

#![allow(
    clippy::needless_range_loop,
    reason = "indices here are shared by several arrays"
)]

use super::load_cell::LEAST_NOISE_KG;
use crate::math::robust::median_of_few;
use crate::series::clean::CleanSeries;
use larder_domain::Timestamp;

crate::numbers! { "estimate.series.scale.steps":
    /// A step smaller than this is not told from bees coming and going, kg.
    pub LEAST_STEP_KG: f64 = 0.25, "kg", [0.083, 0.75], Chosen;
    /// A step is at least so many times the noise of single readings.
    STEP_SDS: f64 = 6.0, "1", [2.0, 18.0], Chosen;
    /// A step is this many times the usual change of the hours around it.
    UNUSUAL_FACTOR: f64 = 6.0, "1", [2.0, 18.0], Chosen;
    /// At least this share of a step happens between two readings; a ramp takes three and more.
    SHARP_SHARE: f64 = 0.45, "1", [0.15, 1.0], Chosen;
    /// Bees and robbers never carry so much in or out within an hour, kg.
    SURELY_HANDS_KG: f64 = 2.5, "kg", [0.83, 7.5], Chosen;
    /// Readings within this on each side tell how large a step was.
    STEP_SIDE_MS: i64 = 2 * 3_600_000, "ms", [2400000.0, 22000000.0], Chosen;
    /// Steps closer than this are one visit: lid off, frames out, syrup in, lid on.
    VISIT_MS: i64 = 50 * 60 * 1000, "ms", [1000000.0, 9000000.0], Chosen;
    /// Steps of one visit have at most so many readings between them.
    VISIT_READINGS: usize = 3, "1", [1.0, 9.0], Chosen;
    /// Over an outage weight drifts by itself: bees, drying and flow together below 3 kg a day, kg/h.
    DRIFT_KG_PER_HOUR: f64 = 0.12, "kg/h", [0.04, 0.36], Chosen;
    /// How fast flight changes a hive's weight on an ordinary day, kg/h.
    BEES_KG_PER_HOUR: f64 = 0.08, "kg/h", [0.027, 0.24], Chosen;
    /// What a straight line misses of flight within two hours, kg.
    BEES_WOBBLE_KG: f64 = 0.012, "kg", [0.004, 0.036], Chosen;
    /// A jump between two readings of less than this share of the limit is no step.
    SHARP_LIMIT_SHARE: f64 = 0.3, "1", [0.1, 0.9], Chosen;
    /// A jump between two readings of less than this share of the whole change is no step.
    SHARP_CHANGE_SHARE: f64 = 0.25, "1", [0.083, 0.75], Chosen;
    /// A disturbance ends where readings change by less than so many times the usual.
    USUAL_CHANGES: f64 = 3.0, "1", [1.0, 9.0], Chosen;
    /// Less than this is no change, kg.
    LEAST_CHANGE_KG: f64 = 1e-3, "kg", [0.00033, 0.003], Chosen;
    /// Between two readings no further apart than this nothing drifts, hours.
    CLOSE_HOURS: f64 = 0.5, "h", [0.17, 1.5], Chosen;
    /// A disturbance ends where readings change by less than this share of the limit.
    REACH_LIMIT_SHARE: f64 = 0.5, "1", [0.17, 1.5], Chosen;
}

/// A sudden change of weight.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct ScaleStep {
    /// Last reading before it.
    pub earliest: Timestamp,
    /// First reading behind it.
    pub latest: Timestamp,
    /// How much heavier the hive became, kg.
    pub kg: f64,
    /// Standard deviation of `kg`.
    pub sd_kg: f64,
    /// How much of it happened between two readings, as a share: hands are quick, bees are not.
    pub sharp_share: f64,
}

impl ScaleStep {
    /// The middle of the time in which it happened.
    pub fn time(&self) -> Timestamp {
        self.earliest.plus_ms((self.latest.0 - self.earliest.0) / 2)
    }
}

/// Readings disturbed by one visit: the first and the last reading that is a step away from the
/// one before it.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) struct Disturbance {
    pub first: usize,
    pub last: usize,
}

/// The least step that is told from bees and noise on this scale, kg.
pub fn least_step_kg(series: &CleanSeries) -> f64 {
    LEAST_STEP_KG.max(STEP_SDS * series.noise_sd)
}

/// Finds the steps of a cleaned series. A step is a change between the medians of three readings on
/// both sides that is several times what the same statistic does in the hours around: bees that
/// stream in on a flow, robbers and gusts of wind make all of them large, hands make one large.
pub(super) fn find_disturbances(series: &CleanSeries) -> Vec<Disturbance> {
    let limit = least_step_kg(series);
    let (t, v) = (&series.times, &series.values);
    let mut found: Vec<Disturbance> = Vec::new();
    for i in 2..v.len().saturating_sub(1) {
        let jump = v[i] - v[i - 1];
        if jump.abs() < SHARP_LIMIT_SHARE * limit {
            continue;
        }
        let change = change_at(v, i);
        let apart = t[i].hours_since(t[i - 1]);
        let enough = change.abs() > limit + DRIFT_KG_PER_HOUR * (apart - CLOSE_HOURS).max(0.0);
        if !enough || jump * change < 0.0 || jump.abs() < SHARP_CHANGE_SHARE * change.abs() {
            continue;
        }
        if change.abs() < UNUSUAL_FACTOR * usual_change(v, i) {
            continue;
        }
        match found.last_mut() {
            Some(last)
                if i - last.last <= VISIT_READINGS && t[i].0 - t[last.last].0 <= VISIT_MS =>
            {
                last.last = i;
            }
            _ => found.push(Disturbance { first: i, last: i }),
        }
    }
    for step in &mut found {
        let noise = USUAL_CHANGES * usual_change(v, step.first).max(usual_change(v, step.last));
        reach_out(v, step, noise.max(REACH_LIMIT_SHARE * limit));
    }
    found.dedup_by(|next, step| {
        let touch = next.first <= step.last + 1;
        if touch {
            step.last = step.last.max(next.last);
        }
        touch
    });
    found.retain(|step| {
        let total = v[step.last] - v[step.first - 1];
        let sharp = largest_change(v, *step) >= SHARP_SHARE * total.abs();
        let hours = t[step.last].hours_since(t[step.first - 1]);
        sharp || total.abs() > SURELY_HANDS_KG * hours.max(1.0)
    });
    found
}

fn largest_change(values: &[f64], step: Disturbance) -> f64 {
    let changes = (step.first..=step.last).map(|i| (values[i] - values[i - 1]).abs());
    changes.fold(0.0, f64::max)
}

/// A reading in the middle of the visit belongs to neither side: takes it into the disturbance.
fn reach_out(values: &[f64], step: &mut Disturbance, limit: f64) {
    let median = |range: std::ops::Range<usize>| median_of_few(values[range].iter().copied());
    let first = step.first;
    if first >= 4
        && let Some(before) = median(first - 4..first - 1)
        && (values[first - 1] - before).abs() > limit
    {
        step.first -= 1;
    }
    let last = step.last;
    if last + 4 <= values.len()
        && let Some(behind) = median(last + 1..last + 4)
        && (values[last] - behind).abs() > limit
    {
        step.last += 1;
    }
}

/// How much heavier the three readings from `i` on are than the three before.
fn change_at(values: &[f64], i: usize) -> f64 {
    let median = |range: std::ops::Range<usize>| {
        median_of_few(values[range].iter().copied()).unwrap_or(f64::NAN)
    };
    median(i..values.len().min(i + 3)) - median(i.saturating_sub(3)..i)
}

/// The median of the same change at places in the hours around that the change at `i` itself does
/// not touch.
fn usual_change(values: &[f64], i: usize) -> f64 {
    let before = [4, 6, 9, 13].iter().filter_map(|&back| i.checked_sub(back));
    let behind = [4, 6, 9, 13].iter().map(|&on| i + on);
    let places = before
        .chain(behind)
        .filter(|&j| j >= 3 && j + 1 < values.len());
    median_of_few(places.map(|j| change_at(values, j).abs())).unwrap_or(0.0)
}

/// The size of a step: a straight line with one slope on both sides, least squares, from the
/// readings within two hours that no other step cuts off.
pub(super) fn measure_step(
    series: &CleanSeries,
    all: &[Disturbance],
    which: usize,
) -> Option<ScaleStep> {
    let step = all[which];
    let (t, v) = (&series.times, &series.values);
    let (after, before) = (t[step.first - 1], t[step.last]);
    let lowest = if which > 0 { all[which - 1].last } else { 0 };
    let highest = all.get(which + 1).map_or(t.len(), |next| next.first);
    let from = (lowest..step.first).find(|&i| after.0 - t[i].0 <= STEP_SIDE_MS)?;
    let to = (step.last..highest)
        .rev()
        .find(|&i| t[i].0 - before.0 <= STEP_SIDE_MS)?
        + 1;
    let left = side(series, from..step.first, after);
    let right = side(series, step.last..to, after);
    // A slope beyond what bees do is noise on too few readings: shrink towards none.
    let gusts = usual_change(v, step.first).max(usual_change(v, step.last));
    let noise = series.noise_sd.max(LEAST_NOISE_KG).max(gusts).powi(2);
    let information = left.hh + right.hh + noise / BEES_KG_PER_HOUR.powi(2);
    let slope = (left.hv + right.hv) / information;
    let apart = right.hours - left.hours;
    let variance = noise * (1.0 / left.n + 1.0 / right.n)
        + noise / information * apart.powi(2)
        + BEES_WOBBLE_KG.powi(2);
    let kg = (right.value - left.value) - slope * apart;
    Some(ScaleStep {
        earliest: after,
        latest: before,
        kg,
        sd_kg: variance.sqrt(),
        sharp_share: largest_change(v, step) / kg.abs().max(LEAST_CHANGE_KG),
    })
}

struct Side {
    n: f64,
    hours: f64,
    value: f64,
    hh: f64,
    hv: f64,
}

fn side(series: &CleanSeries, range: std::ops::Range<usize>, from: Timestamp) -> Side {
    let (t, v) = (&series.times, &series.values);
    let hours = |i: usize| t[i].hours_since(from);
    let n = range.len() as f64;
    let mean_hours = range.clone().map(hours).sum::<f64>() / n;
    let mean_value = v[range.clone()].iter().sum::<f64>() / n;
    let (mut hh, mut hv) = (0.0, 0.0);
    for i in range {
        let h = hours(i) - mean_hours;
        hh += h * h;
        hv += h * (v[i] - mean_value);
    }
    Side {
        n,
        hours: mean_hours,
        value: mean_value,
        hh,
        hv,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn series(values: &[f64]) -> CleanSeries {
        CleanSeries {
            times: (0..values.len())
                .map(|i| Timestamp(i as i64 * 900_000))
                .collect(),
            values: values.to_vec(),
            noise_sd: 0.02,
            n_refused: 0,
        }
    }

    fn steps(values: &[f64]) -> Vec<f64> {
        let series = series(values);
        let found = find_disturbances(&series);
        (0..found.len())
            .filter_map(|i| measure_step(&series, &found, i))
            .map(|step| (step.kg * 100.0).round() / 100.0)
            .collect()
    }

    #[test]
    fn a_visit_seen_in_pieces_is_one_step() {
        let mut values = vec![33.3; 10];
        values.push(38.7);
        values.extend([42.5; 10]);
        assert_eq!(steps(&values), [9.2]);
    }

    #[test]
    fn foragers_coming_home_on_a_flow_are_no_step() {
        let ramp: Vec<f64> = (0..40).map(|i| 40.0 + 0.2 * f64::from(i)).collect();
        assert_eq!(steps(&ramp), [0.0; 0]);
    }

    #[test]
    fn robbers_who_take_two_kilograms_an_hour_are_no_step() {
        let mut values = vec![44.95; 12];
        values.extend((1..13).map(|i| 44.95 - 0.5 * f64::from(i)));
        values.extend([38.95; 12]);
        assert_eq!(steps(&values), [0.0; 0]);
    }
}
