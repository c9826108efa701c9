//! A feeder without a level sensor: what was poured in is known from the scale or the notes, when
//! it was taken is not. The neighbours say roughly how fast; the answer stays wide.

#![allow(
    clippy::needless_range_loop,
    reason = "indices here are nodes or states shared by several arrays"
)]

use super::model::{FeederCourse, FilledVolume};
use crate::evidence::{Change, ChangeKind};
use crate::grid::{Grid, STEP_HOURS};

/// What colonies with sensors in the same yard take, per litre of feeder, at every node: median and
/// spread. NaN where none is known.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Appetite {
    /// l/h for each litre of capacity.
    pub per_capacity: Vec<f64>,
}

/// Taken where no neighbour tells, l/h for each litre of capacity: a feeder empties in about six
/// days (common practice: three days to two weeks).
const USUAL_PER_CAPACITY: f64 = 0.007;
/// One colony's appetite against its neighbours': a factor of about this either way.
const SPREAD: f64 = 0.8;

/// Runs the feeder down at the neighbours' pace.
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
        changes: Vec::new(),
        sensor: None,
    };
    let mut upcoming = changes.iter().peekable();
    let (mut litres, mut taken, mut poured_var) = (0.0f64, 0.0, 0.0);
    for k in 0..n {
        while let Some(change) = upcoming.next_if(|c| grid.at_or_after(c.time()) <= k) {
            let (amount, sd) = change
                .litres
                .unwrap_or((0.5 * capacity_l, 0.3 * capacity_l));
            let before = litres;
            litres = match change.kind {
                ChangeKind::Fill => litres + amount,
                ChangeKind::Spill => (litres + amount).max(0.0),
                ChangeKind::Lost => 0.0,
                ChangeKind::Renewed => amount,
            };
            poured_var = sd * sd;
            course.changes.push(FilledVolume {
                litres: amount,
                sd,
                litres_before: before,
            });
        }
        let pace = appetite.per_capacity.get(k).copied().unwrap_or(f64::NAN);
        let pace = if pace.is_nan() {
            USUAL_PER_CAPACITY
        } else {
            pace
        };
        let rate = (pace * capacity_l).min(litres / STEP_HOURS).max(0.0);
        course.volume_l[k] = litres;
        // Anything between all gone and nothing taken: the spread of a flat guess.
        course.volume_sd[k] = (0.3 * litres).hypot(poured_var.sqrt());
        course.rate[k] = rate;
        course.rate_sd[k] = SPREAD * rate + 0.1 * USUAL_PER_CAPACITY * litres;
        course.empty[k] = litres < 0.02 * capacity_l;
        if midnights[k] || k + 1 == n {
            let sd = SPREAD * taken + 0.1 * litres;
            course.taken[k] = Some((taken, sd * sd));
        }
        if midnights[k] {
            taken = 0.0;
        }
        taken += rate * STEP_HOURS;
        litres -= rate * STEP_HOURS;
    }
    course
}
