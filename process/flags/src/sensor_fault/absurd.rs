//! Values that can't be: out of range, refused as impossible, or elsewhere and back again.
//!
//! Each reading shifts the odds between an instrument that fails in about half of its readings and a sound
//! one that has as many odd readings as it always had: spikes off bees and lids are its habit.

use super::super::Vote;
use super::super::parameters::SensorFault;
use super::Suspicion;
use super::calm::calming;
use super::excursions::Marked;
use larder_domain::{Evidence, Measure, Timestamp};

larder_estimate::numbers! { "flags.sensor_fault.absurd":
    /// Fewer odd readings than this are bad luck.
    LEAST_ABSURD: usize = 3, "1", [2.0, 12.0], Chosen;
    /// They lie over at least this, hours: a device that restarts settles sooner.
    LEAST_HOURS: f64 = 0.75, "h", [0.1, 3.0], Chosen;
    /// One that was elsewhere comes back so often: once may be hands.
    LEAST_RETURNS: usize = 3, "1", [2.0, 6.0], Chosen;
    /// Before it is known better, a sound instrument has this share of odd readings.
    USUAL_SHARE: f64 = 0.005, "1", [0.001, 0.02], Chosen;
    /// That counts like so many readings of its own.
    USUAL_READINGS: f64 = 100.0, "1", [30.0, 1000.0], Chosen;
    /// A sound instrument has no greater share of odd readings than this.
    MOST_SHARE: f64 = 0.2, "1", [0.1, 0.4], Chosen;
    /// The odds at which it is told, as a logarithm.
    TOLD_LN: f64 = 9.0, "1", [5.0, 12.0], Chosen;
    /// The odds go no higher than this, as a logarithm, so that soundness can be seen again.
    MOST_LN: f64 = 14.0, "1", [10.0, 25.0], Chosen;
    /// How sure impossible values are.
    PROBABILITY_IMPOSSIBLE: f64 = 0.95, "1", [0.31, 1.0], Chosen;
    /// How sure values are that come and go.
    PROBABILITY_RETURNS: f64 = 0.85, "1", [0.31, 1.0], Chosen;
    /// Sound again for so long, hours, it is over.
    CLOSE_HOURS: f64 = 3.0, "h", [0.33, 12.0], Chosen;
}

/// One reading and what is thought of it.
#[derive(Clone, Copy, Debug)]
pub(super) struct Reading {
    pub time: Timestamp,
    pub value: f64,
    /// Whether the value can't be whatever came before.
    pub impossible: bool,
    /// What became known with it of readings that were elsewhere.
    pub marked: Marked,
}

/// Spells in which many readings can't be.
pub(super) fn absurd(
    parameters: &SensorFault,
    readings: &[Reading],
    device: &str,
    unit: &str,
) -> Vec<Suspicion> {
    let failing = parameters.absurd_share;
    let mut odds = 0.0;
    let mut open = false;
    let (mut n, mut n_odd) = (0.0, 0.0);
    let mut spell = Spell::default();
    let mut likely = vec![(0.0, f64::NAN); readings.len()];
    let mut votes = Vec::with_capacity(readings.len());
    for (i, reading) in readings.iter().enumerate() {
        let share = (n_odd + USUAL_SHARE * USUAL_READINGS) / (n + USUAL_READINGS);
        let share = share.min(MOST_SHARE);
        let bad = usize::from(reading.impossible) + reading.marked.away;
        if !open {
            n += 1.0;
            n_odd += bad as f64;
        }
        if bad > 0 {
            if odds <= 0.0 {
                spell = Spell::default();
            }
            spell.take(reading, bad);
            odds = (odds + bad as f64 * (failing / share).ln()).min(MOST_LN);
        } else {
            odds = (odds + ((1.0 - failing) / (1.0 - share)).ln()).max(0.0);
        }
        let told = bad > 0 && odds >= TOLD_LN && spell.is_enough(reading.time);
        let vote = match () {
            () if told => Vote::Open,
            () if odds <= 0.0 => Vote::Close,
            () => Vote::Keep,
        };
        if told {
            open = true;
        } else if vote == Vote::Close {
            open = false;
        }
        likely[i] = (spell.probability(), spell.example);
        votes.push((reading.time, vote));
    }
    let found = calming(votes.into_iter(), CLOSE_HOURS);
    let details = |episode: super::Episode| {
        let (probability, value) = likely[episode.opened];
        let example = if value.is_nan() {
            "values that are not possible".to_owned()
        } else {
            format!("values such as {{value}} {unit}")
        };
        let evidence = Evidence::new(format!(
            "Many readings of {device} can't be right: {example}."
        ));
        Suspicion {
            evidence: if value.is_nan() {
                evidence
            } else {
                evidence.with("value", value, Measure::Number)
            },
            probability,
            episode,
        }
    };
    found.into_iter().map(details).collect()
}

/// What was odd since the odds last rose.
#[derive(Clone, Copy, Debug)]
struct Spell {
    since: Option<Timestamp>,
    odd: usize,
    impossible: usize,
    returns: usize,
    example: f64,
}

impl Default for Spell {
    fn default() -> Self {
        Self {
            since: None,
            odd: 0,
            impossible: 0,
            returns: 0,
            example: f64::NAN,
        }
    }
}

impl Spell {
    /// Takes a reading in with which `bad` odd ones became known.
    fn take(&mut self, reading: &Reading, bad: usize) {
        self.since.get_or_insert(reading.time);
        self.odd += bad;
        self.impossible += usize::from(reading.impossible);
        self.returns += usize::from(reading.marked.away > 0);
        self.example = if reading.marked.away > 0 {
            reading.marked.example
        } else {
            reading.value
        };
    }

    fn is_enough(&self, now: Timestamp) -> bool {
        let long = self
            .since
            .is_some_and(|since| now.hours_since(since) >= LEAST_HOURS);
        let clear = self.impossible >= LEAST_ABSURD || self.returns >= LEAST_RETURNS;
        long && clear && self.odd >= LEAST_ABSURD
    }

    fn probability(&self) -> f64 {
        if self.impossible >= LEAST_ABSURD {
            PROBABILITY_IMPOSSIBLE
        } else {
            PROBABILITY_RETURNS
        }
    }
}
