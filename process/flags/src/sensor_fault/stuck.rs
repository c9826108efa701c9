//! A value that stays exactly the same.
//!
//! Three hypotheses are compared for each run of equal values: the thing measured goes on as it did, and
//! the run is chance; it has come to rest, and the instrument would show that as its quietest hours did;
//! the instrument is stuck. How likely either honest one makes a run is learned from the instrument's own
//! runs before: a coarse converter repeats itself for hours, a fine one hardly ever does.

use super::super::Vote;
use super::Suspicion;
use super::calm::calming;
use larder_domain::{Evidence, Measure, Sample, Timestamp};
use larder_estimate::series::grid::HOURS_PER_DAY;
use larder_estimate::series::runs::{Repeats, same};

larder_estimate::numbers! { "flags.sensor_fault.stuck":
    /// How often an instrument gets stuck, times in a month.
    STUCK_A_MONTH: f64 = 0.03, "1", [0.002, 0.1], Chosen;
    /// How often the thing measured comes to rest where it was busy before, times in a month: a cold spell,
    /// a colony that stops.
    RESTS_A_MONTH: f64 = 0.3, "1", [0.1, 2.0], Chosen;
    /// From this probability on a value is told to be stuck.
    TOLD_FROM: f64 = 0.9, "1", [0.7, 0.99], Chosen;
    /// Changing again for so long, hours, it is over.
    CLOSE_HOURS: f64 = 3.0, "h", [0.5, 12.0], Chosen;
    /// So many changes must lie behind a run for it to be over.
    CLOSE_CHANGES: usize = 3, "1", [1.0, 6.0], Chosen;
    /// Days in a month.
    DAYS_A_MONTH: f64 = 30.0, "d", [28.0, 31.0], Defined;
    /// The rate of runs of a young record is taken over at least so long, days.
    LEAST_DAYS: f64 = 1.0, "d", [0.5, 3.0], Chosen;
    /// A level that did not move for so long before a keeper noted a fill and behind it does not see it,
    /// hours: notes are often late.
    POURED_HOURS: f64 = 6.0, "h", [3.0, 12.0], Chosen;
    /// So many runs say what the instrument is like; before, nothing is held against it: a coarse one may show
    /// the same for days, and a float lies on the floor for weeks.
    KNOWN_RUNS: usize = 20, "1", [5.0, 50.0], Chosen;
    /// A change of more than so many of a converter's least steps is more than one.
    ONE_STEP: f64 = 1.5, "1", [1.2, 1.9], Chosen;
    /// A converter is coarse that changes by more than one step in no more than this share of its changes.
    COARSE_SHARE: f64 = 0.03, "1", [0.01, 0.1], Chosen;
    /// So many larger changes are fills and no noise.
    FILLS: usize = 3, "1", [1.0, 6.0], Chosen;
    /// In the middle of a coarse step a value is followed by itself so often.
    COARSE_REST: f64 = 0.998, "1", [0.99, 0.9995], Chosen;
    /// How sure a level is stuck that did not see what was noted: notes can be of another hive.
    PROBABILITY_POURED: f64 = 0.8, "1", [0.5, 0.95], Chosen;
}

/// What is known beside the values themselves.
pub(super) struct Beside<'a> {
    /// Whether the thing measured may be idle at a reading: syrup that is gone, a scale without a hive.
    pub idle: &'a dyn Fn(usize) -> bool,
    /// Whether the thing measured cannot be at rest at a reading: bees fly.
    pub busy: &'a dyn Fn(usize) -> bool,
    /// When keepers noted fills.
    pub poured: &'a [Timestamp],
}

/// A value that stays exactly the same for `hours` and longer than chance and rest allow.
pub(super) fn stuck(
    samples: &[Sample],
    hours: f64,
    device: &str,
    beside: &Beside<'_>,
) -> Vec<Suspicion> {
    let Some(first) = samples.first() else {
        return Vec::new();
    };
    // What it is like over something that changes, and when that is idle.
    let mut own = [Repeats::default(); 2];
    let mut run = Run::default();
    let mut steps = Steps::default();
    let mut probability = vec![0.0; samples.len()];
    let mut changes = 0;
    let mut unseen: Option<usize> = None;
    let mut votes = Vec::with_capacity(samples.len());
    for (i, sample) in samples.iter().enumerate() {
        let repeats = i > 0 && same(sample.value, samples[i - 1].value);
        if repeats {
            let busy = (beside.busy)(i);
            run.goes_on(&own[usize::from(run.idle)], busy, steps.are_coarse());
        } else {
            if i > 0 {
                steps.take((sample.value - samples[i - 1].value).abs());
            }
            own[usize::from(run.idle)].ended(run.length, run.told);
            changes = if run.length > CLOSE_CHANGES {
                0
            } else {
                changes + 1
            };
            run = Run::of(i, (beside.idle)(i));
            unseen = None;
        }
        let like = &own[usize::from(run.idle)];
        let lasted = sample.time.hours_since(samples[run.start].time);
        let noted = |at: &&Timestamp| {
            at.hours_since(samples[run.start].time) >= POURED_HOURS
                && sample.time.hours_since(**at) >= POURED_HOURS
        };
        let elapsed = sample.time.hours_since(first.time) / HOURS_PER_DAY;
        let a_month = like.runs() as f64 * DAYS_A_MONTH / elapsed.max(LEAST_DAYS);
        let mut sure = run.probability(a_month);
        if beside.poured.iter().any(|at| noted(&at)) {
            sure = sure.max(PROBABILITY_POURED);
            unseen.get_or_insert(i);
        }
        probability[i] = sure;
        // A dry sensor shows nothing; that is no fault.
        let dry = run.idle && sample.value.abs() < f64::EPSILON;
        let told = !dry
            && lasted >= hours
            && ((sure >= TOLD_FROM && like.runs() >= KNOWN_RUNS) || unseen.is_some());
        run.told |= told;
        let vote = match () {
            () if told => Vote::Open,
            () if repeats || changes < CLOSE_CHANGES => Vote::Keep,
            () => Vote::Close,
        };
        votes.push((sample.time, vote));
    }
    calming(votes.into_iter(), CLOSE_HOURS)
        .into_iter()
        .map(|episode| {
            let lasted = run_hours(samples, episode.opened);
            Suspicion {
                evidence: Evidence::new(format!(
                    "{device} has shown exactly {{value}} for {{hours}} and more; its values never stay the same for so long."
                ))
                .with("value", samples[episode.opened].value, Measure::Number)
                .with("hours", lasted, Measure::Hours),
                probability: probability[episode.opened],
                episode,
            }
        })
        .collect()
}

/// How long the value at `i` has lasted by then, hours.
fn run_hours(samples: &[Sample], i: usize) -> f64 {
    let before = samples[..i].iter().rev();
    let equal = before.take_while(|s| same(s.value, samples[i].value));
    let since = equal.last().unwrap_or(&samples[i]).time;
    samples[i].time.hours_since(since)
}

/// How far an instrument's values change when they do.
#[derive(Clone, Copy, Debug, Default)]
struct Steps {
    least: Option<f64>,
    changes: usize,
    larger: usize,
}

impl Steps {
    fn take(&mut self, change: f64) {
        if change <= f64::EPSILON {
            return;
        }
        let least = self.least.unwrap_or(change);
        if change < ONE_STEP * least / 2.0 {
            // What was taken for one step was more.
            *self = Self {
                least: Some(change),
                changes: self.changes,
                larger: self.changes,
            };
        }
        let least = self.least.get_or_insert(change).min(change);
        self.least = Some(least);
        self.changes += 1;
        self.larger += usize::from(change > ONE_STEP * least);
    }

    /// Whether it hardly ever changes by more than one of its steps: its noise is less than that, and in the
    /// middle of a step it shows the same as long as the thing measured stays there.
    fn are_coarse(&self) -> bool {
        self.larger <= FILLS || self.larger as f64 <= COARSE_SHARE * self.changes as f64
    }
}

/// A run of equal values so far.
#[derive(Clone, Copy, Debug)]
struct Run {
    start: usize,
    length: usize,
    /// How likely chance makes it so long, as a logarithm.
    ln_by_chance: f64,
    /// How likely it is so long at rest, as a logarithm.
    ln_at_rest: f64,
    /// Whether the thing measured may have been idle in it.
    idle: bool,
    /// Whether it was told to be stuck.
    told: bool,
}

impl Default for Run {
    fn default() -> Self {
        Self::of(0, true)
    }
}

impl Run {
    fn of(start: usize, idle: bool) -> Self {
        Self {
            start,
            length: 1,
            ln_by_chance: 0.0,
            ln_at_rest: 0.0,
            idle,
            told: false,
        }
    }

    fn goes_on(&mut self, own: &Repeats, busy: bool, coarse: bool) {
        let usual = own.goes_on(self.length);
        let at_rest = match () {
            () if busy => usual,
            () if coarse => own.at_rest().max(COARSE_REST),
            () => own.at_rest(),
        };
        self.ln_by_chance += usual.ln();
        self.ln_at_rest += at_rest.ln();
        self.length += 1;
    }

    fn probability(&self, runs_a_month: f64) -> f64 {
        let honest = runs_a_month * self.ln_by_chance.exp() + RESTS_A_MONTH * self.ln_at_rest.exp();
        STUCK_A_MONTH / (STUCK_A_MONTH + honest)
    }
}
