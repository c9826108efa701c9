//! The moments at which everything is estimated: every half hour of UTC. In nearly every zone local
//! midnights lie on it, and a half hour is short against what a colony's appetite does in a day.

use larder_domain::{Sample, Span, Timestamp};

/// Milliseconds from one node to the next.
pub const STEP_MS: i64 = 30 * 60 * 1000;
/// Hours from one node to the next.
pub const STEP_HOURS: f64 = 0.5;
/// Nodes in an hour.
pub const PER_HOUR: usize = 2;
/// Hours in a day of 24.
pub const HOURS_PER_DAY: f64 = 24.0;
/// Nodes in 24 hours.
pub const PER_DAY: usize = 24 * PER_HOUR;

/// Which readings a node may know.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Look {
    /// The readings of the half hour around a node: estimates of a past that is known on both sides.
    Around,
    /// The readings of the half hour that ends at a node: flags, which say only what was known by then,
    /// so that a run over old readings says what the live one said.
    UpTo,
}

/// Evenly spaced moments.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Grid {
    start: Timestamp,
    len: usize,
}

impl Grid {
    /// The nodes that lie in `span`, with one more at each end.
    pub fn covering(span: Span) -> Self {
        let first = span.start.0.div_euclid(STEP_MS);
        let last = span.end.0.div_euclid(STEP_MS) + 1;
        Self {
            start: Timestamp(first * STEP_MS),
            len: usize::try_from(last - first + 1).unwrap_or(0),
        }
    }

    /// How many nodes there are.
    pub fn len(&self) -> usize {
        self.len
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.len == 0
    }

    /// When node `k` is.
    pub fn time(&self, k: usize) -> Timestamp {
        self.start.plus_ms(k as i64 * STEP_MS)
    }

    /// The first node at `at` or after it, held within the grid.
    pub fn at_or_after(&self, at: Timestamp) -> usize {
        let steps = (at.0 - self.start.0 + STEP_MS - 1).div_euclid(STEP_MS);
        self.held(steps)
    }

    /// The node nearest to `at`, held within the grid.
    pub fn nearest(&self, at: Timestamp) -> usize {
        self.held((at.0 - self.start.0 + STEP_MS / 2).div_euclid(STEP_MS))
    }

    fn held(&self, steps: i64) -> usize {
        usize::try_from(steps.max(0)).map_or(0, |k| k.min(self.len.saturating_sub(1)))
    }

    /// The node that a reading at `at` belongs to; `None`: it lies outside the grid.
    pub fn node(&self, at: Timestamp, look: Look) -> Option<usize> {
        let offset = at.0 - self.start.0;
        let k = match look {
            Look::Around => (offset + STEP_MS / 2).div_euclid(STEP_MS),
            Look::UpTo if offset < 0 => return None,
            Look::UpTo => (offset + STEP_MS - 1).div_euclid(STEP_MS),
        };
        usize::try_from(k).ok().filter(|&k| k < self.len)
    }

    /// The mean of the readings that belong to each node; NaN where there are none.
    pub fn means(&self, readings: impl Iterator<Item = (Timestamp, f64)>, look: Look) -> Vec<f64> {
        let mut sums = vec![(0.0, 0u32); self.len];
        for (time, value) in readings {
            if let Some(sum) = self.node(time, look).and_then(|k| sums.get_mut(k)) {
                sum.0 += value;
                sum.1 += 1;
            }
        }
        let mean = |&(sum, n): &(f64, u32)| if n > 0 { sum / f64::from(n) } else { f64::NAN };
        sums.iter().map(mean).collect()
    }

    /// The sum of the readings that belong to each node: what fell or came since the node before.
    pub fn sums(&self, samples: &[Sample], look: Look) -> Vec<f64> {
        let mut sums = vec![0.0; self.len];
        for sample in samples {
            if let Some(sum) = self.node(sample.time, look).and_then(|k| sums.get_mut(k)) {
                *sum += sample.value.max(0.0);
            }
        }
        sums
    }

    /// A slowly changing series at every node: the means of its readings, and over gaps of up to
    /// `most_gap_hours` what is known on both sides, drawn straight, or the last value, where nothing
    /// later may be known; NaN beyond.
    pub fn resample(&self, samples: &[Sample], most_gap_hours: f64, look: Look) -> Vec<f64> {
        let readings = samples.iter().map(|sample| (sample.time, sample.value));
        let mut values = self.means(readings, look);
        let most = (most_gap_hours * PER_HOUR as f64) as usize;
        match look {
            Look::Around => bridge_gaps(&mut values, most),
            Look::UpTo => carry_on(&mut values, most),
        }
        values
    }
}

/// Nodes in so many hours, to the nearest.
pub const fn nodes(hours: f64) -> usize {
    (hours * PER_HOUR as f64 + 0.5) as usize
}

/// Carries the last value over up to `most` nodes of NaN.
fn carry_on(values: &mut [f64], most: usize) {
    let (mut last, mut age) = (f64::NAN, usize::MAX);
    for value in values {
        if value.is_nan() {
            age = age.saturating_add(1);
            if age <= most {
                *value = last;
            }
        } else {
            (last, age) = (*value, 0);
        }
    }
}

/// Draws straight lines over runs of NaN of up to `most` nodes; the nearest value goes on for that
/// long at the ends.
pub fn bridge_gaps(values: &mut [f64], most: usize) {
    let mut last: Option<usize> = None;
    for k in 0..=values.len() {
        let known = k < values.len() && !values[k].is_nan();
        if !known && k < values.len() {
            continue;
        }
        let from = last.map_or(0, |l| l + 1);
        if k - from <= most && k > from {
            for j in from..k {
                values[j] = match (last, values.get(k)) {
                    (Some(l), Some(&next)) => {
                        let share = (j - l) as f64 / (k - l) as f64;
                        values[l] + share * (next - values[l])
                    }
                    (Some(l), None) => values[l],
                    (None, Some(&next)) => next,
                    (None, None) => f64::NAN,
                };
            }
        }
        last = Some(k);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nodes_are_found_from_times() {
        let span = Span {
            start: Timestamp(STEP_MS * 10 + 1),
            end: Timestamp(STEP_MS * 20),
        };
        let grid = Grid::covering(span);
        assert_eq!((grid.time(0).0, grid.len()), (STEP_MS * 10, 12));
        assert_eq!(grid.at_or_after(Timestamp(STEP_MS * 12)), 2);
        assert_eq!(grid.at_or_after(Timestamp(STEP_MS * 12 + 1)), 3);
        assert_eq!(grid.nearest(Timestamp(STEP_MS * 12 + STEP_MS / 3)), 2);
        assert_eq!(grid.nearest(Timestamp(0)), 0);
        assert_eq!(grid.nearest(Timestamp(STEP_MS * 99)), 11);
    }

    #[test]
    fn a_node_knows_what_lies_around_it_or_what_came_before() {
        let span = Span {
            start: Timestamp(0),
            end: Timestamp(STEP_MS * 3),
        };
        let grid = Grid::covering(span);
        let at = |ms| Sample {
            time: Timestamp(ms),
            value: ms as f64,
        };
        let samples = [at(STEP_MS + 1), at(STEP_MS + STEP_MS / 2)];
        let known = |look| {
            let means = grid.resample(&samples, 0.0, look);
            means.iter().map(|v| v.is_nan()).collect::<Vec<_>>()
        };
        assert_eq!(known(Look::Around), [true, false, false, true, true]);
        assert_eq!(known(Look::UpTo), [true, true, false, true, true]);
        assert_eq!(grid.node(Timestamp(-1), Look::UpTo), None);
        assert_eq!(grid.node(Timestamp(STEP_MS * 9), Look::Around), None);
    }

    #[test]
    fn what_may_not_be_known_is_carried_on_and_not_drawn_straight() {
        let nan = f64::NAN;
        let mut values = [nan, 1.0, nan, 3.0, nan, nan, nan];
        carry_on(&mut values, 2);
        assert_eq!(values[1..6], [1.0, 1.0, 3.0, 3.0, 3.0]);
        assert!(values[0].is_nan() && values[6].is_nan());
    }

    #[test]
    fn short_gaps_are_bridged_and_long_ones_are_not() {
        let nan = f64::NAN;
        let mut values = [nan, 1.0, nan, 3.0, nan, nan, nan, 5.0, nan];
        bridge_gaps(&mut values, 2);
        assert_eq!(values[..4], [1.0, 1.0, 2.0, 3.0]);
        assert!(values[4..7].iter().all(|v| v.is_nan()));
        assert_eq!(values[7..], [5.0, 5.0]);
    }
}
