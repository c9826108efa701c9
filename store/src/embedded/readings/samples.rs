//! Samples of one series in order of time, each time once.

use larder_domain::{Sample, Span, Timestamp};

/// The sample at `time`.
pub(super) fn find(samples: &[Sample], time: Timestamp) -> Option<Sample> {
    let at = samples.binary_search_by_key(&time, |sample| sample.time);
    at.ok().map(|at| samples[at])
}

/// The part that lies in `span`.
pub(super) fn within(samples: &[Sample], span: Span) -> &[Sample] {
    let start = samples.partition_point(|sample| sample.time < span.start);
    let end = samples.partition_point(|sample| sample.time < span.end);
    samples.get(start..end).unwrap_or_default()
}

/// Puts `newer` in; where both have a time, `newer` stands.
pub(crate) fn merge_into(samples: &mut Vec<Sample>, newer: &[Sample]) {
    let Some(first) = newer.first() else { return };
    let overlap = samples.partition_point(|sample| sample.time < first.time);
    let old = samples.split_off(overlap);
    let mut newer = newer.iter().copied().peekable();
    for sample in old {
        while let Some(earlier) = newer.next_if(|new| new.time < sample.time) {
            samples.push(earlier);
        }
        match newer.next_if(|new| new.time == sample.time) {
            Some(instead) => samples.push(instead),
            None => samples.push(sample),
        }
    }
    samples.extend(newer);
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use std::collections::BTreeMap;

    fn series(map: &BTreeMap<i64, f64>) -> Vec<Sample> {
        map.iter()
            .map(|(&ms, &value)| Sample {
                time: Timestamp(ms),
                value,
            })
            .collect()
    }

    fn some_series() -> impl Strategy<Value = BTreeMap<i64, f64>> {
        prop::collection::btree_map(0i64..60, -9.0..9.0f64, 0..40)
    }

    proptest! {
        #[test]
        fn merging_is_what_a_map_does(old in some_series(), newer in some_series()) {
            let mut merged = series(&old);
            merge_into(&mut merged, &series(&newer));
            let mut expected = old;
            expected.extend(newer);
            prop_assert_eq!(merged, series(&expected));
        }

        #[test]
        fn the_part_within_a_span(map in some_series(), start in 0i64..60, end in 0i64..60) {
            let span = Span { start: Timestamp(start), end: Timestamp(end) };
            let all = series(&map);
            let expected: Vec<Sample> = all.iter().copied().filter(|s| span.contains(s.time)).collect();
            prop_assert_eq!(within(&all, span), &expected[..]);
            prop_assert_eq!(find(&all, span.start).map(|s| s.value), map.get(&start).copied());
        }
    }
}
