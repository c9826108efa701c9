//! A feeder without a level sensor: what was poured in is known from the scale or the notes, when
//! it was taken is not. The neighbours say roughly how fast, the next fill how much must have been
//! gone by then; the answer stays wide.

#![allow(
    clippy::needless_range_loop,
    reason = "indices here are nodes shared by several arrays"
)]

use super::filter::UNKNOWN_FILL_SHARE;
use super::model::{FeederCourse, FilledVolume};
use crate::events::{Change, ChangeKind};
use crate::series::grid::{Grid, STEP_HOURS};
use larder_syrup::Estimate;

crate::numbers! { "estimate.feeder.unsensed":
    /// Taken where no neighbour tells, l/h for each litre of capacity: a feeder empties in about six
    /// days (common practice: three days to two weeks).
    USUAL_PER_CAPACITY: f64 = 0.007, "1", [0.0023, 0.021], CommonPractice;
    /// One colony's appetite against its neighbours': a factor of about this either way.
    SPREAD: f64 = 0.8, "1", [0.27, 2.4], Chosen;
    /// A pace below this share of the neighbours' is not believed, whatever the next fill says.
    SLOWEST: f64 = 0.05, "1", [0.017, 0.15], Chosen;
    /// A pace above this many times the neighbours' is not believed, whatever the next fill says.
    FASTEST: f64 = 6.0, "1", [2.0, 18.0], Chosen;
    /// The standard deviation of what was taken is at least this share of what is left in the feeder,
    /// and that of the rate this share of the usual one.
    LEAST_SPREAD: f64 = 0.1, "1", [0.033, 0.3], Chosen;
    /// A feeder with less than this share of its capacity in it counts as empty.
    EMPTY_SHARE: f64 = 0.02, "1", [0.0067, 0.06], Chosen;
    /// How well it is known what a fill brought that nobody weighed or wrote down, as a share of the
    /// capacity.
    UNKNOWN_FILL_SD_SHARE: f64 = 0.3, "1", [0.1, 0.9], Chosen;
    /// A feeder filled to the brim holds this share of its capacity.
    BRIM_SHARE: f64 = 1.05, "1", [0.35, 3.1], Chosen;
}

/// What colonies with sensors in the same yard take at every node, per litre of feeder.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Appetite {
    /// Median over the yard, l/h for each litre of capacity; NaN where none is known.
    pub per_capacity: Vec<f64>,
}

/// Runs the feeder down at the neighbours' pace, from change to change.
pub fn guess_without_sensor(
    grid: &Grid,
    changes: &[Change],
    midnights: &[bool],
    appetite: &Appetite,
    capacity_l: f64,
) -> FeederCourse {
    let n = grid.len();
    let mut course = FeederCourse {
        volume_l: vec![0.0; n],
        volume_sd: vec![0.0; n],
        rate: vec![0.0; n],
        rate_sd: vec![0.0; n],
        empty: vec![false; n],
        taken: vec![None; n],
        changes: Vec::with_capacity(changes.len()),
        sensors: Vec::new(),
    };
    let pace = |k: usize| {
        let known = appetite.per_capacity.get(k).copied().unwrap_or(f64::NAN);
        capacity_l
            * if known.is_nan() {
                USUAL_PER_CAPACITY
            } else {
                known
            }
    };
    let mut contents = Contents::default();
    let mut from = 0;
    for i in 0..=changes.len() {
        let to = changes
            .get(i)
            .map_or(n, |change| grid.at_or_after(change.time()).max(from));
        let end = changes.get(i).map(|change| end_before(change, capacity_l));
        let at_pace: f64 = (from..to).map(pace).sum::<f64>() * STEP_HOURS;
        let factor = factor_for(contents.litres, at_pace, end);
        for k in from..to {
            contents.write(&mut course, k, capacity_l);
            let rate = (factor * pace(k)).clamp(0.0, contents.litres / STEP_HOURS);
            course.rate[k] = rate;
            course.rate_sd[k] = SPREAD * rate + LEAST_SPREAD * USUAL_PER_CAPACITY * contents.litres;
            contents.at_pace += factor * pace(k) * STEP_HOURS;
            contents.take(
                &mut course,
                k,
                rate * STEP_HOURS,
                midnights[k] || k + 1 == n,
            );
        }
        if let Some(change) = changes.get(i) {
            course.changes.push(contents.apply(change, capacity_l));
        }
        from = to;
    }
    course
}

/// What must have been left just before a change.
enum End {
    /// About so much: it was weighed as it went.
    Exactly(f64),
    /// No more than this: what came then had room.
    AtMost(f64),
}

fn end_before(change: &Change, capacity_l: f64) -> End {
    match (change.kind, change.litres) {
        (ChangeKind::Lost | ChangeKind::Spill, Some((litres, _))) => End::Exactly(litres.abs()),
        (ChangeKind::Fill, Some((litres, _))) => End::AtMost((capacity_l - litres).max(0.0)),
        _ => End::AtMost(capacity_l),
    }
}

/// By how much the neighbours' pace is too slow or too fast for what must have been left.
fn factor_for(litres: f64, at_pace: f64, end: Option<End>) -> f64 {
    if at_pace <= 0.0 {
        return 1.0;
    }
    let gone = match end {
        Some(End::Exactly(left)) => litres - left,
        Some(End::AtMost(left)) if litres - at_pace > left => litres - left,
        _ => return 1.0,
    };
    (gone / at_pace).clamp(SLOWEST, FASTEST)
}

#[derive(Default)]
struct Contents {
    litres: f64,
    /// What was in it behind the last change, and what the yard's pace would have taken of that since.
    at_first: f64,
    at_pace: f64,
    poured_sd: f64,
    taken: f64,
}

impl Contents {
    fn write(&self, course: &mut FeederCourse, k: usize, capacity_l: f64) {
        course.volume_l[k] = self.litres;
        course.volume_sd[k] = self.left_sd().hypot(self.poured_sd);
        course.empty[k] = self.litres < EMPTY_SHARE * capacity_l;
    }

    /// A colony may be slower or faster than its neighbours by [`SPREAD`], so that the more should be gone
    /// the less is known of what is left: the wider side of nine in ten colonies as a standard deviation.
    fn left_sd(&self) -> f64 {
        let left = |pace: f64| (self.at_first - pace * self.at_pace).max(0.0);
        let off = (Estimate::Z90 * SPREAD).exp();
        let (slow, likely, fast) = (left(1.0 / off), left(1.0), left(off));
        (slow - likely).max(likely - fast) / Estimate::Z90
    }

    /// Takes `litres`; where a day ends, what it took so far is written first.
    fn take(&mut self, course: &mut FeederCourse, k: usize, litres: f64, day_ends: bool) {
        if day_ends {
            let sd = SPREAD * self.taken + LEAST_SPREAD * self.litres;
            course.taken[k] = Some((self.taken, sd * sd));
            self.taken = 0.0;
        }
        self.taken += litres;
        self.litres -= litres;
    }

    fn apply(&mut self, change: &Change, capacity_l: f64) -> FilledVolume {
        let (amount, sd) = change.litres.unwrap_or((
            UNKNOWN_FILL_SHARE * capacity_l,
            UNKNOWN_FILL_SD_SHARE * capacity_l,
        ));
        let before = self.litres;
        self.litres = match change.kind {
            ChangeKind::Fill => (before + amount).min(BRIM_SHARE * capacity_l),
            ChangeKind::Renewed => amount,
            ChangeKind::Spill | ChangeKind::Lost => 0.0,
        };
        (self.at_first, self.at_pace) = (self.litres, 0.0);
        self.poured_sd = sd;
        FilledVolume {
            litres: if change.kind.pours() { amount } else { -before },
            sd,
            litres_before: before,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::series::grid::PER_DAY;
    use larder_domain::{Span, Timestamp};

    /// Five litres at the first node, a litre a day by the yard's pace.
    fn left_after(days: usize) -> (f64, f64) {
        let grid = Grid::covering(Span {
            start: Timestamp(0),
            end: Timestamp(12 * 86_400_000),
        });
        let fill = Change {
            earliest: Timestamp(0),
            latest: Timestamp(0),
            kind: ChangeKind::Fill,
            litres: Some((5.0, 0.1)),
            recorded: None,
            scale_step: None,
            seen: false,
            strength: None,
        };
        let appetite = Appetite {
            per_capacity: vec![1.0 / 24.0 / 5.0; grid.len()],
        };
        let midnights = vec![false; grid.len()];
        let course = guess_without_sensor(&grid, &[fill], &midnights, &appetite, 5.0);
        let k = days * PER_DAY;
        (course.volume_l[k], course.volume_sd[k])
    }

    /// By hand: a colony slower by a factor of 3.73 (one in twenty is, for a spread of 0.8) has taken 1.34
    /// of the 5 l when the yard's pace has taken them all.
    #[test]
    fn a_feeder_that_should_be_empty_may_hold_what_a_slow_colony_left() {
        let (left, sd) = left_after(5);
        assert!(left < 0.05, "{left}");
        assert!((1.645 * sd - 3.66).abs() < 0.1, "{sd}");
        let (fresh, known) = left_after(0);
        assert!(fresh > 4.9 && known < 0.15, "{fresh} {known}");
    }
}
