//! Readings that are elsewhere for a while and come back to where they were: echoes, a loose plug, a value
//! that stands for none. A step that stays does not come back.

use larder_domain::Timestamp;
use larder_estimate::math::robust::{median_of_few, quantile};
use larder_estimate::series::runs::same;
use std::collections::VecDeque;

larder_estimate::numbers! { "flags.sensor_fault.excursions":
    /// Where a value should be is the median of so many sound ones before.
    REFERENCE: usize = 5, "1", [3.0, 9.0], Chosen;
    /// So many readings that agree with each other are a new place.
    SETTLED: usize = 4, "1", [3.0, 8.0], Chosen;
    /// What comes back later than this went and came for a reason, hours.
    BACK_HOURS: f64 = 8.0, "h", [3.0, 12.0], Chosen;
    /// Readings behind a gap of this are not held against those before, hours.
    GAP_HOURS: f64 = 4.0, "h", [2.0, 12.0], Chosen;
    /// This quantile of the changes from one reading to the next is the habit.
    HABIT_QUANTILE: f64 = 0.9, "1", [0.75, 0.97], Chosen;
    /// A reading is elsewhere that lies so many habitual changes off.
    HABITS: f64 = 4.0, "1", [2.0, 8.0], Chosen;
    /// A reading is elsewhere that lies so many changes of the hours before off: gusts make all readings jump.
    LOCAL_CHANGES: f64 = 6.0, "1", [3.0, 12.0], Chosen;
    /// Changes of so many sound readings tell what is usual in these hours.
    LOCAL: usize = 9, "1", [5.0, 9.0], Chosen;
    /// Readings that change direction so often, each time by more than the limit, jump about.
    TURNS: usize = 4, "1", [3.0, 8.0], Chosen;
}

/// What a reading says of those before it.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) struct Marked {
    /// How many of them were elsewhere.
    pub away: usize,
    /// One of them.
    pub example: f64,
}

impl Marked {
    pub const NOTHING: Self = Self {
        away: 0,
        example: f64::NAN,
    };
}

/// From how far off on a reading is elsewhere, by the instrument's own changes; `least` at least.
pub(super) fn limit(values: impl Iterator<Item = f64>, least: f64) -> f64 {
    let mut before = f64::NAN;
    let changes = values.filter_map(|value| {
        let change = (value - before).abs();
        before = if value.is_nan() { before } else { value };
        (!change.is_nan()).then_some(change)
    });
    let mut changes: Vec<f64> = changes.collect();
    let habit = quantile(&mut changes, HABIT_QUANTILE).unwrap_or(0.0);
    least.max(HABITS * habit)
}

/// For each reading what became known with it. `coarse`: the instrument repeats its values when all is well.
pub(super) fn mark(
    readings: impl Iterator<Item = (Timestamp, f64)>,
    limit: f64,
    coarse: bool,
) -> Vec<Marked> {
    let mut course = Course {
        sound: VecDeque::new(),
        changes: VecDeque::new(),
        away: Vec::new(),
        last: None,
        limit,
        coarse,
    };
    readings
        .map(|(time, value)| course.take(time, value))
        .collect()
}

struct Course {
    sound: VecDeque<f64>,
    changes: VecDeque<f64>,
    away: Vec<(Timestamp, f64)>,
    last: Option<Timestamp>,
    limit: f64,
    coarse: bool,
}

impl Course {
    fn take(&mut self, time: Timestamp, value: f64) -> Marked {
        if value.is_nan() {
            return Marked::NOTHING;
        }
        if self
            .last
            .is_some_and(|last| time.hours_since(last) > GAP_HOURS)
        {
            self.sound.clear();
            self.away.clear();
        }
        self.last = Some(time);
        let place = median_of_few(self.sound.iter().copied());
        let usual = median_of_few(self.changes.iter().copied()).unwrap_or(0.0);
        let limit = self.limit.max(LOCAL_CHANGES * usual);
        let near = place.is_none_or(|place| (value - place).abs() <= limit);
        if near || self.sound.len() < REFERENCE / 2 {
            let back = self
                .away
                .first()
                .is_some_and(|(since, _)| time.hours_since(*since) <= BACK_HOURS);
            let found = if back {
                self.all_away()
            } else {
                Marked::NOTHING
            };
            self.away.clear();
            if let Some(before) = self.sound.back() {
                self.changes.push_back((value - before).abs());
                if self.changes.len() > LOCAL {
                    self.changes.pop_front();
                }
            }
            self.sound.push_back(value);
            if self.sound.len() > REFERENCE {
                self.sound.pop_front();
            }
            return found;
        }
        self.away.push((time, value));
        if self.jumps_about() {
            let found = self.all_away();
            self.away.clear();
            return found;
        }
        if self.settled(time) {
            let new = self.away.iter().rev().take(SETTLED).map(|(_, v)| *v);
            self.sound = new.collect();
            self.away.clear();
        }
        Marked::NOTHING
    }

    fn all_away(&self) -> Marked {
        Marked {
            away: self.away.len(),
            example: self.away.last().map_or(f64::NAN, |(_, value)| *value),
        }
    }

    fn jumps_about(&self) -> bool {
        let mut turns = 0;
        let mut direction = 0.0;
        for pair in self.away.windows(2) {
            let change = pair[1].1 - pair[0].1;
            if change.abs() > self.limit {
                turns += usize::from(change * direction < 0.0);
                direction = change;
            }
        }
        turns >= TURNS
    }

    /// Whether the newest readings agree on a new place. The very same value again and again is none, from
    /// an instrument that does not repeat itself.
    fn settled(&self, now: Timestamp) -> bool {
        let n = self.away.len();
        if n < SETTLED {
            return false;
        }
        let newest = &self.away[n - SETTLED..];
        let first = newest[0].1;
        let agree = newest.iter().all(|(_, v)| (v - first).abs() <= self.limit);
        let one = newest.iter().all(|(_, v)| same(*v, first));
        let long = now.hours_since(self.away[0].0) > BACK_HOURS;
        agree && (self.coarse || !one || long)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn away(values: &[f64]) -> usize {
        let times = (0..).map(|i| Timestamp(i * 900_000));
        let marked = mark(times.zip(values.iter().copied()), 0.5, false);
        marked.iter().map(|m| m.away).sum()
    }

    #[test]
    fn a_step_that_stays_is_none_and_one_that_comes_back_is() {
        let course = |n: i32, at: f64| (0..n).map(move |i| at + 0.01 * f64::from(i % 3));
        let all = |parts: &[(i32, f64)]| -> Vec<f64> {
            parts.iter().flat_map(|&(n, at)| course(n, at)).collect()
        };
        assert_eq!(away(&all(&[(20, 3.0), (20, 8.0)])), 0);
        assert_eq!(away(&all(&[(20, 3.0), (2, 8.0), (20, 3.0)])), 2);
        let stands_for_none = [&all(&[(20, 3.0)])[..], &[0.0; 9], &all(&[(9, 3.0)])].concat();
        assert_eq!(away(&stands_for_none), 9);
    }
}
