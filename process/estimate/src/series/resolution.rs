//! The steps in which an instrument shows its values: a converter's, a strip's of marks, a display's
//! last digit.

use larder_domain::Sample;

crate::numbers! { "estimate.series.resolution":
    /// A uniform error within one step has this standard deviation, as a share of the step: one over
    /// the square root of twelve.
    pub UNIFORM_SD: f64 = 0.288_675_134_594_812_9, "1", [0.288, 0.289], Defined;
    /// Values closer than this share of their size are one value written twice.
    SAME_SHARE: f64 = 1e-9, "1", [1e-12, 1e-6], Chosen;
    /// Values come back at least so many times each on average where they lie on steps.
    LEAST_REPEATS: usize = 3, "1", [2.0, 10.0], Chosen;
    /// This share of the gaps between neighbouring values may be narrower than a step: glitches.
    NARROW_SHARE: f64 = 0.1, "1", [0.0, 0.3], Chosen;
}

/// The step in which values lie, in their own unit; zero where they hardly ever repeat themselves, so
/// that no step matters. Values that came once are left out: one absurd reading makes no step.
pub fn resolution(samples: &[Sample]) -> f64 {
    let mut values: Vec<f64> = samples.iter().map(|sample| sample.value).collect();
    values.retain(|value| value.is_finite());
    values.sort_unstable_by(f64::total_cmp);
    let mut levels: Vec<f64> = Vec::new();
    let mut from = 0;
    for i in 1..=values.len() {
        let same = i < values.len()
            && values[i] - values[from] <= SAME_SHARE * values[i].abs().max(values[from].abs());
        if !same {
            if i - from > 1 {
                levels.push(values[from]);
            }
            from = i;
        }
    }
    if levels.len() < 2 || values.len() < LEAST_REPEATS * levels.len() {
        return 0.0;
    }
    let mut gaps: Vec<f64> = levels.windows(2).map(|pair| pair[1] - pair[0]).collect();
    gaps.sort_unstable_by(f64::total_cmp);
    gaps[(NARROW_SHARE * (gaps.len() - 1) as f64).floor() as usize]
}

#[cfg(test)]
mod tests {
    use super::*;
    use larder_domain::Timestamp;

    fn samples(values: impl Iterator<Item = f64>) -> Vec<Sample> {
        let times = (0..).map(Timestamp);
        let both = times.zip(values);
        both.map(|(time, value)| Sample { time, value }).collect()
    }

    /// A depth that falls by 0.13 mm a reading and wavers by a millimetre, shown in steps of 5 mm.
    #[test]
    fn a_sensor_of_five_millimetres_is_known_by_its_values() {
        let depth = (0..600).map(|i| 0.08 - 0.000_13 * f64::from(i) + 0.001 * f64::from(i % 3));
        let shown = samples(depth.map(|d| (d / 0.005).round() * 0.005));
        assert!((resolution(&shown) - 0.005).abs() < 1e-9);
    }

    #[test]
    fn values_that_never_repeat_themselves_have_no_step() {
        let fine = samples((0..600).map(|i| 0.08 - 0.000_13 * f64::from(i)));
        assert!(resolution(&fine).abs() < 1e-12);
    }

    #[test]
    fn an_absurd_value_makes_no_step() {
        let mut shown = samples((0..600).map(|i| 0.005 * f64::from(i / 40)));
        shown[17].value = 0.0712;
        assert!((resolution(&shown) - 0.005).abs() < 1e-9);
    }
}
