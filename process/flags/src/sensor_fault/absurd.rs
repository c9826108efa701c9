//! Many readings in a row that can't be.

use super::super::parameters::SensorFault;
use super::super::{Episode, Vote, episodes};
use super::Suspicion;
use larder_domain::{Evidence, Measure, Timestamp};

larder_estimate::numbers! { "flags.sensor_fault.absurd":
    /// Fewer than this in a window are bad luck.
    LEAST_ABSURD: usize = 4, "1", [1.0, 12.0], Chosen;
    /// How sure impossible values are.
    PROBABILITY: f64 = 0.93, "1", [0.31, 1.0], Chosen;
    /// Sound again for so long, hours, it is over.
    CLOSE_HOURS: f64 = 1.0, "h", [0.33, 3.0], Chosen;
}

/// Many readings of the last hours that can't be.
pub(super) fn absurd(
    parameters: &SensorFault,
    readings: impl Iterator<Item = (Timestamp, f64, bool)>,
    device: &str,
    unit: &str,
) -> Vec<Suspicion> {
    let readings: Vec<_> = readings.collect();
    let mut from = 0;
    let mut bad = 0;
    let votes = readings.iter().enumerate().map(|(i, &(time, _, is_bad))| {
        bad += usize::from(is_bad);
        while time.hours_since(readings[from].0) > parameters.absurd_hours {
            bad -= usize::from(readings[from].2);
            from += 1;
        }
        let share = bad as f64 / (i - from + 1) as f64;
        let vote = if bad >= LEAST_ABSURD && share >= parameters.absurd_share {
            Vote::Open
        } else if share <= parameters.sound_share {
            Vote::Close
        } else {
            Vote::Keep
        };
        (time, vote)
    });
    let found = episodes(votes, 0.0, CLOSE_HOURS);
    let details = |episode: Episode| {
        let (_, value, _) = readings[episode.opened];
        let example = if value.is_nan() {
            "values that are not possible".to_owned()
        } else {
            format!("values such as {{value}} {unit}")
        };
        let evidence = Evidence::new(format!(
            "More than {{share}} of the readings of {device} in {{hours}} can't be right: {example}."
        ))
        .with("share", parameters.absurd_share, Measure::Share)
        .with("hours", parameters.absurd_hours, Measure::Hours);
        Suspicion {
            evidence: if value.is_nan() {
                evidence
            } else {
                evidence.with("value", value, Measure::Number)
            },
            probability: PROBABILITY,
            episode,
        }
    };
    found.into_iter().map(details).collect()
}
