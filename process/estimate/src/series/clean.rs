//! What sensors say that cannot be: values out of range, single absurd ones, and a value that sticks.

use super::runs::{longest_by_chance, same};
use crate::math::robust::{median_of_few, noise_sd};
use larder_domain::{Sample, Timestamp};

crate::numbers! { "estimate.series.clean":
    /// A spike is judged by so many readings on each side, nine with its own.
    SIDE: usize = 4, "1", [1.0, 12.0], Chosen;
    /// A coarse converter may show one value for as long as the thing measured takes to change by so many of
    /// its steps.
    QUIET_STEPS: f64 = 2.0, "1", [0.67, 6.0], Chosen;
}

/// A series without its absurd values.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct CleanSeries {
    /// When, in order.
    pub times: Vec<Timestamp>,
    /// The values.
    pub values: Vec<f64>,
    /// Standard deviation of one value; zero where too few are known.
    pub noise_sd: f64,
    /// How many values were refused.
    pub n_refused: usize,
}

impl CleanSeries {
    /// Times and values together.
    pub fn readings(&self) -> impl Iterator<Item = (Timestamp, f64)> {
        self.times.iter().copied().zip(self.values.iter().copied())
    }
}

/// What makes a value absurd.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Sanity {
    /// Least value that can be.
    pub least: f64,
    /// Greatest value that can be.
    pub most: f64,
    /// A value this many standard deviations from the median of the nine around it is refused.
    pub spike_sds: f64,
    /// A spike lies at least this far from that median, in the series' unit.
    pub spike_least: f64,
    /// A value is stuck that stays for this many hours, and more often in a row than chance allows.
    /// Quiet nights on a coarse converter stay below.
    pub stuck_hours: f64,
    /// What the thing measured changes in an hour when all is quiet, at least; a coarse converter may
    /// show the same for as long as it takes to change by two of its steps. 0: no matter.
    pub quiet_per_hour: f64,
}

/// Takes out what cannot be. Steps stay: a running median keeps them (J. W. Tukey, *Exploratory
/// Data Analysis*, 1977, chapter 7).
pub fn clean(
    samples: impl Iterator<Item = Sample>,
    sanity: &Sanity,
    scratch: &mut Vec<f64>,
) -> CleanSeries {
    let expected = samples.size_hint().0;
    let mut kept = CleanSeries {
        times: Vec::with_capacity(expected),
        values: Vec::with_capacity(expected),
        ..CleanSeries::default()
    };
    for sample in samples {
        if (sanity.least..=sanity.most).contains(&sample.value) {
            kept.times.push(sample.time);
            kept.values.push(sample.value);
        } else {
            kept.n_refused += 1;
        }
    }
    drop_stuck(&mut kept, sanity);
    kept.noise_sd = noise_sd(&kept.values, scratch).unwrap_or(0.0);
    let n = kept.values.len();
    drop_spikes(&mut kept, sanity);
    if kept.values.len() < n {
        kept.noise_sd = noise_sd(&kept.values, scratch).unwrap_or(0.0);
    }
    kept
}

fn drop_spikes(series: &mut CleanSeries, sanity: &Sanity) {
    let limit = (sanity.spike_sds * series.noise_sd).max(sanity.spike_least);
    let n = series.values.len();
    let is_spike = |&i: &usize| {
        let around = &series.values[i.saturating_sub(SIDE)..n.min(i + SIDE + 1)];
        let value = series.values[i];
        // Where most of them are near, so is their median: no need to look for it.
        let most = around.len() / 2 + 1;
        let near = around.iter().filter(|v| (*v - value).abs() <= limit);
        near.take(most).count() < most && {
            let centre = median_of_few(around.iter().copied()).unwrap_or(value);
            (value - centre).abs() > limit
        }
    };
    let spikes: Vec<usize> = (0..n).filter(is_spike).collect();
    let mut spikes = spikes.into_iter().peekable();
    if spikes.peek().is_some() {
        retain(series, |i| spikes.next_if_eq(&i).is_none());
    }
}

/// The smallest change that the series shows; zero where it never changes.
fn converter_step(values: &[f64]) -> f64 {
    let changes = values.windows(2).map(|pair| (pair[1] - pair[0]).abs());
    let least = changes
        .filter(|change| *change > 1e-6)
        .fold(f64::INFINITY, f64::min);
    if least.is_finite() { least } else { 0.0 }
}

/// Keeps the first value of a run that lasts too long, since it may have been a measurement.
fn drop_stuck(series: &mut CleanSeries, sanity: &Sanity) {
    let n = series.values.len();
    let mut stuck_hours = sanity.stuck_hours;
    if sanity.quiet_per_hour > 0.0 {
        stuck_hours =
            stuck_hours.max(QUIET_STEPS * converter_step(&series.values) / sanity.quiet_per_hour);
    }
    let least_run = longest_by_chance(series.values.iter().copied());
    let mut drop_from = vec![];
    let mut start = 0;
    for i in 1..=n {
        let same = i < n && same(series.values[i], series.values[start]);
        if !same {
            let hours = series.times[i - 1].hours_since(series.times[start]);
            if i - start >= least_run && hours >= stuck_hours {
                drop_from.push((start + 1, i));
            }
            start = i;
        }
    }
    if drop_from.is_empty() {
        return;
    }
    let mut runs = drop_from.iter().peekable();
    retain(series, |i| {
        while runs.peek().is_some_and(|run| run.1 <= i) {
            runs.next();
        }
        runs.peek().is_none_or(|run| i < run.0)
    });
}

fn retain(series: &mut CleanSeries, mut keep: impl FnMut(usize) -> bool) {
    let mut to = 0;
    for i in 0..series.values.len() {
        if keep(i) {
            series.times[to] = series.times[i];
            series.values[to] = series.values[i];
            to += 1;
        }
    }
    series.n_refused += series.values.len() - to;
    series.times.truncate(to);
    series.values.truncate(to);
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(values: &[f64], expected: &[f64]) {
        let sanity = Sanity {
            least: 0.0,
            most: 100.0,
            spike_sds: 6.0,
            spike_least: 0.5,
            stuck_hours: 3.0,
            quiet_per_hour: 0.0,
        };
        let times = (0..).map(|i| Timestamp(i * 900_000));
        let samples = times
            .zip(values)
            .map(|(time, &value)| Sample { time, value });
        let cleaned = clean(samples, &sanity, &mut Vec::new());
        assert_eq!(cleaned.values, expected);
        assert_eq!(cleaned.n_refused, values.len() - expected.len());
    }

    #[test]
    fn spikes_go_and_steps_stay() {
        let low: Vec<f64> = (0..20).map(|i| 1.0 + 0.1 * f64::from(i % 2)).collect();
        let high: Vec<f64> = low.iter().map(|v| v + 5.0).collect();
        let given = [&low[..], &[9.0], &low[..], &[-999.0], &high[..]].concat();
        check(&given, &[&low[..], &low[..], &high[..]].concat());
    }

    #[test]
    fn a_value_that_sticks_counts_once() {
        let normal: Vec<f64> = (0..60).map(|i| 1.0 + 0.1 * f64::from(i * 7 % 5)).collect();
        let stuck = [&normal[..], &[1.7; 20], &normal[..]].concat();
        let expected = [&normal[..], &[1.7], &normal[..]].concat();
        check(&stuck, &expected);
    }
}
