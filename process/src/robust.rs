//! Statistics that a few absurd values do not move.
//!
//! Sources: F. R. Hampel, *The influence curve and its role in robust estimation*, JASA 69 (1974)
//! 383–393 (median absolute deviation); P. J. Rousseeuw, C. Croux, *Alternatives to the median
//! absolute deviation*, JASA 88 (1993) 1273–1283 (the factor 1.4826).

/// From the median absolute deviation to the standard deviation of a normal distribution.
pub const MAD_TO_SD: f64 = 1.482_602_218_505_602;

/// The median; reorders `values`. `None` where there are none.
pub fn median(values: &mut [f64]) -> Option<f64> {
    if values.is_empty() {
        return None;
    }
    let middle = values.len() / 2;
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

/// The median absolute deviation around the median, as a standard deviation; reorders `values`
/// and leaves the deviations in it. `None` where there are none.
pub fn mad_sd(values: &mut [f64]) -> Option<f64> {
    let centre = median(values)?;
    for value in values.iter_mut() {
        *value = (*value - centre).abs();
    }
    median(values).map(|mad| MAD_TO_SD * mad)
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
    median(scratch).map(|mad| MAD_TO_SD * mad / 1.5f64.sqrt())
}

/// The median of at most nine values without allocating; `None` where there are none.
pub fn median_of_few(values: impl Iterator<Item = f64>) -> Option<f64> {
    let mut kept = [0.0; 9];
    let mut count = 0;
    for value in values.take(kept.len()) {
        let mut at = count;
        while at > 0 && kept[at - 1] > value {
            kept[at] = kept[at - 1];
            at -= 1;
        }
        kept[at] = value;
        count += 1;
    }
    match count {
        0 => None,
        odd if odd % 2 == 1 => Some(kept[odd / 2]),
        even => Some(0.5 * (kept[even / 2 - 1] + kept[even / 2])),
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
            prop_assert_eq!(few, median(&mut values));
        }
    }
}
