//! Statistics that a few absurd values do not move.
//!
//! Sources: F. R. Hampel, *The influence curve and its role in robust estimation*, JASA 69 (1974)
//! 383–393 (median absolute deviation); P. J. Rousseeuw, C. Croux, *Alternatives to the median
//! absolute deviation*, JASA 88 (1993) 1273–1283 (the factor 1.4826).

crate::numbers! { "robust":
    /// From the median absolute deviation to the standard deviation of a normal distribution.
    pub MAD_TO_SD: f64 = 1.482_602_218_505_602, "1", [1.48, 1.49], Defined;
    /// Up to so many values are sorted faster without a branch for each comparison (measured).
    FEW: usize = 20, "1", [6.0, 60.0], Measured;
    /// The variance of a value against the mean of its neighbours, in variances of one value.
    SECOND_DIFFERENCE_VARIANCE: f64 = 1.5, "1", [1.5, 1.5], Defined;
}

/// The median; reorders `values`. `None` where there are none.
pub fn median(values: &mut [f64]) -> Option<f64> {
    let middle = values.len() / 2;
    if values.len() <= FEW {
        sort_few(values);
        return middle_of_sorted(values);
    }
    let (_, upper, _) = values.select_nth_unstable_by(middle, f64::total_cmp);
    let upper = *upper;
    if values.len() % 2 == 1 {
        return Some(upper);
    }
    let lower = values[..middle]
        .iter()
        .copied()
        .fold(f64::NEG_INFINITY, f64::max);
    Some(0.5 * (lower + upper))
}

/// Sorts numbers (no NaN) by exchanging neighbours: more comparisons than others, but none that a
/// processor could guess wrong.
fn sort_few(values: &mut [f64]) {
    for i in 1..values.len() {
        let (sorted, rest) = values.split_at_mut(i);
        let mut greatest = rest[0];
        for value in sorted {
            let (a, b) = (*value, greatest);
            *value = if a < b { a } else { b };
            greatest = if a < b { b } else { a };
        }
        rest[0] = greatest;
    }
}

fn middle_of_sorted(values: &[f64]) -> Option<f64> {
    let middle = values.len() / 2;
    match values.len() {
        0 => None,
        odd if odd % 2 == 1 => Some(values[middle]),
        _ => Some(0.5 * (values[middle - 1] + values[middle])),
    }
}

/// The median, and the median absolute deviation around it as a standard deviation; reorders
/// `values` and leaves the deviations in it. `None` where there are none.
pub fn median_and_sd(values: &mut [f64]) -> Option<(f64, f64)> {
    let centre = median(values)?;
    for value in values.iter_mut() {
        *value = (*value - centre).abs();
    }
    median(values).map(|mad| (centre, MAD_TO_SD * mad))
}

/// The second of [`median_and_sd`].
pub fn mad_sd(values: &mut [f64]) -> Option<f64> {
    median_and_sd(values).map(|(_, sd)| sd)
}

/// The value below which a share `q` (0 to 1) of `values` lies; reorders them. `None` where there
/// are none.
pub fn quantile(values: &mut [f64], q: f64) -> Option<f64> {
    if values.is_empty() {
        return None;
    }
    let at = (q.clamp(0.0, 1.0) * (values.len() - 1) as f64).round() as usize;
    let (_, found, _) = values.select_nth_unstable_by(at, f64::total_cmp);
    Some(*found)
}

/// The noise of a slowly changing series: each value against the mean of its two neighbours. A
/// straight trend cancels, and so does a step except beside it. `None` under three values.
pub fn noise_sd(values: &[f64], scratch: &mut Vec<f64>) -> Option<f64> {
    scratch.clear();
    let against = |w: &[f64]| (w[1] - 0.5 * (w[0] + w[2])).abs();
    scratch.extend(values.windows(3).map(against));
    // var(x1 - (x0 + x2)/2) = 1.5 var(x)
    median(scratch).map(|mad| MAD_TO_SD * mad / SECOND_DIFFERENCE_VARIANCE.sqrt())
}

/// The median of at most nine values (no NaN) without allocating; `None` where there are none.
pub fn median_of_few(values: impl Iterator<Item = f64>) -> Option<f64> {
    let mut kept = [0.0; 9];
    let mut count = 0;
    for (slot, value) in kept.iter_mut().zip(values) {
        *slot = value;
        count += 1;
    }
    sort_few(&mut kept[..count]);
    middle_of_sorted(&kept[..count])
}

/// Values kept in order, for medians of a window that moves along.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Sorted {
    values: Vec<f64>,
}

impl Sorted {
    /// Of numbers in any order, without what is not known (NaN).
    pub fn of(values: impl Iterator<Item = f64>) -> Self {
        let mut values: Vec<f64> = values.filter(|v| !v.is_nan()).collect();
        if values.len() <= FEW {
            sort_few(&mut values);
        } else {
            values.sort_unstable_by(f64::total_cmp);
        }
        Self { values }
    }

    /// How many there are.
    pub fn len(&self) -> usize {
        self.values.len()
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.values.is_empty()
    }

    /// Puts one more in; NaN is none.
    pub fn insert(&mut self, value: f64) {
        if !value.is_nan() {
            self.values.insert(self.at(value), value);
        }
    }

    /// Takes one out that was put in; NaN is none.
    pub fn remove(&mut self, value: f64) {
        if !value.is_nan() {
            self.values.remove(self.at(value));
        }
    }

    fn at(&self, value: f64) -> usize {
        self.values.partition_point(|kept| *kept < value)
    }

    /// The median; `None` where there are none.
    pub fn median(&self) -> Option<f64> {
        middle_of_sorted(&self.values)
    }

    /// The median, and the median absolute deviation around it as a standard deviation.
    pub fn median_and_sd(&self) -> Option<(f64, f64)> {
        let centre = self.median()?;
        // Deviations grow outwards on both sides: the nearer one comes next, until half are passed.
        let (mut below, mut above) = self.values.split_at(self.at(centre));
        let mut deviations = std::iter::from_fn(|| {
            let down = below.split_last().map(|(v, rest)| (centre - v, rest));
            let up = above.split_first().map(|(v, rest)| (v - centre, rest));
            match (down, up) {
                (Some((down, rest)), Some((up, _))) if down < up => (Some(down), below = rest).0,
                (Some((down, rest)), None) => (Some(down), below = rest).0,
                (_, Some((up, rest))) => (Some(up), above = rest).0,
                (None, None) => None,
            }
        });
        let lower = deviations.nth((self.len() - 1) / 2)?;
        let mad = if self.len() % 2 == 1 {
            lower
        } else {
            0.5 * (lower + deviations.next()?)
        };
        Some((centre, MAD_TO_SD * mad))
    }

    /// How many others there are beside `own`, one of them or NaN, and their median.
    pub fn median_beside(&self, own: f64) -> (usize, Option<f64>) {
        if own.is_nan() {
            return (self.len(), self.median());
        }
        let (own, others) = (self.at(own), self.len() - 1);
        let other = |i: usize| self.values[i + usize::from(i >= own)];
        let median = match others {
            0 => None,
            odd if odd % 2 == 1 => Some(other(odd / 2)),
            even => Some(0.5 * (other(even / 2 - 1) + other(even / 2))),
        };
        (others, median)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn medians_by_hand() {
        assert_eq!(median(&mut []), None);
        assert_eq!(median(&mut [3.0]), Some(3.0));
        assert_eq!(median(&mut [4.0, 1.0, 3.0]), Some(3.0));
        assert_eq!(median(&mut [4.0, 1.0, 3.0, 2.0]), Some(2.5));
        assert_eq!(median_of_few([4.0, 1.0, 3.0, 2.0].into_iter()), Some(2.5));
    }

    #[test]
    fn a_trend_and_a_step_are_not_noise() {
        let mut values: Vec<f64> = (0..200).map(|i| 0.3 * f64::from(i)).collect();
        values[100..].iter_mut().for_each(|v| *v += 50.0);
        assert!(noise_sd(&values, &mut Vec::new()).expect("many values") < 1e-9);
    }

    proptest! {
        #[test]
        fn small_and_large_medians_agree(mut values in prop::collection::vec(-9.0f64..9.0, 1..9)) {
            let few = median_of_few(values.iter().copied());
            values.sort_by(f64::total_cmp);
            let (lower, upper) = (values[(values.len() - 1) / 2], values[values.len() / 2]);
            prop_assert_eq!(few, Some(0.5 * (lower + upper)));
            prop_assert_eq!(few, median(&mut values));
        }

        #[test]
        fn medians_of_many_are_the_middle(mut values in prop::collection::vec(-9.0f64..9.0, 1..80)) {
            let found = median(&mut values);
            values.sort_by(f64::total_cmp);
            let (lower, upper) = (values[(values.len() - 1) / 2], values[values.len() / 2]);
            prop_assert_eq!(found, Some(0.5 * (lower + upper)));
        }

        #[test]
        fn a_window_that_moves_has_the_median_of_what_is_in_it(
            values in prop::collection::vec(-9i8..9, 1..60), width in 1usize..12,
        ) {
            let values: Vec<f64> = values.into_iter().map(f64::from).collect();
            let mut sorted = Sorted::default();
            for (i, value) in values.iter().enumerate() {
                sorted.insert(*value);
                if i >= width {
                    sorted.remove(values[i - width]);
                }
                let window = &values[(i + 1).saturating_sub(width)..=i];
                prop_assert_eq!(sorted.median(), median(&mut window.to_vec()));
                prop_assert_eq!(sorted.median_and_sd(), median_and_sd(&mut window.to_vec()));
                let (others, beside) = sorted.median_beside(*value);
                let mut rest = window[..window.len() - 1].to_vec();
                prop_assert_eq!((others, beside), (rest.len(), median(&mut rest)));
            }
        }
    }
}
