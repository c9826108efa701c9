//! Roots of functions that only grow or only fall, for physics that has no closed inverse.

/// The `x` between `lo` and `hi` at which the growing function `f` reaches `target`; the nearer
/// end where it never does. Halving is slow and certain: 100 steps reach the last bit.
pub(crate) fn increasing(f: impl Fn(f64) -> f64, target: f64, lo: f64, hi: f64) -> f64 {
    const STEPS: usize = 100;
    let (mut lo, mut hi) = (lo, hi);
    for _ in 0..STEPS {
        let middle = 0.5 * (lo + hi);
        if f(middle) < target {
            lo = middle;
        } else {
            hi = middle;
        }
    }
    0.5 * (lo + hi)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn finds_the_root_and_stops_at_the_ends() {
        assert!((increasing(|x| x * x, 2.0, 0.0, 2.0) - 2f64.sqrt()).abs() < 1e-15);
        assert!((increasing(|x| x, 9.0, 0.0, 1.0) - 1.0).abs() < 1e-15);
        assert!(increasing(|x| x, -9.0, 0.0, 1.0) < 1e-15);
    }
}
