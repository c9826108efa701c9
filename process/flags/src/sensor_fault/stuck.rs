//! A value that stays exactly the same.

use super::super::{Vote, episodes};
use super::Suspicion;
use larder_domain::{Evidence, Measure, Sample};
use larder_estimate::math::robust::quantile;
use larder_estimate::series::runs::{longest_by_chance, same};

larder_estimate::numbers! { "flags.sensor_fault.stuck":
    /// A value is stuck when it lasts so many times longer than the series' own long runs.
    HABIT_FACTOR: f64 = 3.0, "1", [1.0, 9.0], Chosen;
    /// Which of the days' longest runs counts: the median, so that days of a fault do not make a habit.
    HABIT_QUANTILE: f64 = 0.5, "1", [0.17, 1.5], Chosen;
    /// How sure a stuck value is.
    PROBABILITY: f64 = 0.95, "1", [0.32, 1.0], Chosen;
    /// Changing again for so long, hours, it is over.
    CLOSE_HOURS: f64 = 0.5, "h", [0.17, 1.5], Chosen;
}

/// A value that stays exactly the same, longer than chance allows.
pub(super) fn stuck(samples: &[Sample], hours: f64, device: &str) -> Vec<Suspicion> {
    let least_run = longest_by_chance(samples.iter().map(|sample| sample.value));
    let hours = hours.max(HABIT_FACTOR * longest_of_a_day(samples));
    let mut start = 0;
    let votes = samples.iter().enumerate().map(|(i, sample)| {
        if i > 0 && !same(sample.value, samples[i - 1].value) {
            start = i;
        }
        let lasted = sample.time.hours_since(samples[start].time);
        let vote = if i - start + 1 >= least_run && lasted >= hours {
            Vote::Open
        } else if i > start {
            Vote::Keep
        } else {
            Vote::Close
        };
        (sample.time, vote)
    });
    let found = episodes(votes, 0.0, CLOSE_HOURS);
    found
        .into_iter()
        .map(|episode| Suspicion {
            evidence: Evidence::new(format!(
                "{device} has shown exactly {{value}} for {{hours}} and more; its values never stay the same for so long."
            ))
            .with("value", samples[episode.opened].value, Measure::Number)
            .with("hours", hours, Measure::Hours),
            probability: PROBABILITY,
            episode,
        })
        .collect()
}

/// How long a value usually lasts at most in a day, hours: on a coarse converter a quiet night can
/// pass with one value.
fn longest_of_a_day(samples: &[Sample]) -> f64 {
    let mut days: Vec<f64> = Vec::new();
    let mut day = i64::MIN;
    let mut start = 0;
    for (i, sample) in samples.iter().enumerate() {
        if !same(sample.value, samples[start].value) {
            start = i;
        }
        let lasted = sample.time.hours_since(samples[start].time);
        let today = sample.time.0.div_euclid(86_400_000);
        match days.last_mut() {
            Some(longest) if day == today => *longest = longest.max(lasted),
            _ => days.push(lasted),
        }
        day = today;
    }
    quantile(&mut days, HABIT_QUANTILE).unwrap_or(0.0)
}
