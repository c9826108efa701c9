//! Fewer samples for a chart, with every peak kept: each bucket of time gives its least and its
//! greatest value, and the first and the last sample stand.

use super::blocks::{self, Summary};
use super::day::Day;
use super::range::Wanted;
use crate::embedded::fault::Fault;
use larder_domain::{Sample, Timestamp};
use rusqlite::Connection;
use std::ops::RangeInclusive;

/// Two ends and the extremes of one bucket.
const FEWEST_POINTS: usize = 4;

/// Reduces to `points` samples at most. Where a bucket is a whole number of days the days'
/// summaries are enough and hardly any day is unpacked.
pub(super) fn reduced(
    wanted: &Wanted,
    db: &Connection,
    points: usize,
) -> Result<Vec<Sample>, Fault> {
    let Some(extent) = wanted.extent() else {
        return Ok(Vec::new());
    };
    if !is_by_days(&extent, points) {
        return Ok(reduce(wanted.whole(db)?, points));
    }
    let days = wanted.summaries(db)?;
    let n: usize = days.iter().map(|(_, summary)| summary.n).sum();
    let (Some((first_day, _)), Some((last_day, _))) = (days.first(), days.last()) else {
        return Ok(Vec::new());
    };
    if n <= points.max(FEWEST_POINTS) {
        return wanted.whole(db);
    }
    let first = wanted.day(db, *first_day)?.first().copied();
    let last = wanted.day(db, *last_day)?.last().copied();
    Ok(by_days(&days, first, last, points))
}

/// Reduces samples as [`reduced`] does, from samples in order of time of a series that lies between
/// `first` and `last` within the span asked for.
pub(crate) fn reduce_between(
    samples: Vec<Sample>,
    first: Timestamp,
    last: Timestamp,
    points: usize,
) -> Vec<Sample> {
    let is_whole = samples.len() <= points.max(FEWEST_POINTS);
    if is_whole || !is_by_days(&blocks::days_between(first, last), points) {
        return reduce(samples, points);
    }
    let of_days = samples.chunk_by(|a, b| Day::of(a.time) == Day::of(b.time));
    let days: Vec<(Day, Summary)> = of_days
        .filter_map(|day| Some((Day::of(day[0].time), Summary::of(day)?)))
        .collect();
    by_days(
        &days,
        samples.first().copied(),
        samples.last().copied(),
        points,
    )
}

fn n_buckets(points: usize) -> i64 {
    (points.max(FEWEST_POINTS) / 2 - 1) as i64
}

/// Whether buckets are whole days: there are more days than buckets.
fn is_by_days(extent: &RangeInclusive<Day>, points: usize) -> bool {
    extent.end().0 - extent.start().0 + 1 > n_buckets(points)
}

fn by_days(
    days: &[(Day, Summary)],
    first: Option<Sample>,
    last: Option<Sample>,
    points: usize,
) -> Vec<Sample> {
    let (Some((first_day, _)), Some((last_day, _))) = (days.first(), days.last()) else {
        return Vec::new();
    };
    let n_buckets = n_buckets(points);
    let bucket_days = (last_day.0 - first_day.0 + 1 + n_buckets - 1) / n_buckets;
    let bucket = |day: Day| (day.0 - first_day.0) / bucket_days;
    let buckets = days.chunk_by(|a, b| bucket(a.0) == bucket(b.0));
    let extremes = buckets.flat_map(|days| extremes(days.iter().map(|(_, summary)| *summary)));
    in_order(first.into_iter().chain(extremes).chain(last))
}

/// At most so many of some samples, in order of time; every peak is kept.
pub fn reduce(samples: Vec<Sample>, points: usize) -> Vec<Sample> {
    let points = points.max(FEWEST_POINTS);
    let (Some(&first), Some(&last)) = (samples.first(), samples.last()) else {
        return samples;
    };
    if samples.len() <= points {
        return samples;
    }
    let n_buckets = (points / 2 - 1) as i128;
    let since_first = |time: Timestamp| i128::from(time.0) - i128::from(first.time.0);
    let length = since_first(last.time) + 1;
    let bucket = |sample: &Sample| since_first(sample.time) * n_buckets / length;
    let buckets = samples.chunk_by(|a, b| bucket(a) == bucket(b));
    let extremes = buckets.flat_map(|bucket| extremes(Summary::of(bucket).into_iter()));
    let all = std::iter::once(first).chain(extremes);
    in_order(all.chain(std::iter::once(last)))
}

fn extremes(summaries: impl Iterator<Item = Summary>) -> Vec<Sample> {
    let whole = summaries.reduce(Summary::and);
    whole.map_or(Vec::new(), |whole| vec![whole.least, whole.most])
}

fn in_order(samples: impl Iterator<Item = Sample>) -> Vec<Sample> {
    let mut samples: Vec<Sample> = samples.collect();
    samples.sort_by_key(|sample| sample.time);
    samples.dedup_by_key(|sample| sample.time);
    samples
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn peaks_and_ends_stay(map in prop::collection::btree_map(0i64..100_000, -1e3..1e3f64, 1..400), points in 0usize..60) {
            let samples: Vec<Sample> = map.into_iter().map(|(ms, value)| Sample { time: Timestamp(ms), value }).collect();
            let few = reduce(samples.clone(), points);
            prop_assert!(few.len() <= samples.len().min(points.max(FEWEST_POINTS)));
            prop_assert!(few.windows(2).all(|pair| pair[0].time < pair[1].time));
            prop_assert!(few.iter().all(|sample| samples.contains(sample)));
            prop_assert_eq!((few.first(), few.last()), (samples.first(), samples.last()));
            let extremes = |s: &[Sample]| Summary::of(s).map(|s| (s.least.value, s.most.value));
            prop_assert_eq!(extremes(&few), extremes(&samples));
        }
    }
}
