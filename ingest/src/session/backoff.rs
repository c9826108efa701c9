//! How long to wait before the next attempt.

use std::time::Duration;

/// Doubles from `first` to `longest`; the caller's random number spreads many clients apart.
#[derive(Clone, Debug)]
pub(super) struct Backoff {
    first: Duration,
    longest: Duration,
    failures: u32,
}

impl Backoff {
    pub fn new(first: Duration, longest: Duration) -> Self {
        Self {
            first,
            longest,
            failures: 0,
        }
    }

    /// The next wait. `random` is in 0..1; the wait is three quarters to five quarters of the step.
    pub fn next(&mut self, random: f64) -> Duration {
        let factor = 2_u32.saturating_pow(self.failures.min(20));
        self.failures = self.failures.saturating_add(1);
        let step = self.first.saturating_mul(factor).min(self.longest);
        step.mul_f64(0.75 + 0.5 * random.clamp(0.0, 1.0))
            .min(self.longest)
    }

    /// It worked: the next wait is the first again.
    pub fn reset(&mut self) {
        self.failures = 0;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn waits_double_up_to_the_longest() {
        let mut backoff = Backoff::new(Duration::from_millis(500), Duration::from_secs(30));
        let waits: Vec<u128> = (0..9).map(|_| backoff.next(0.5).as_millis()).collect();
        assert_eq!(
            waits,
            [500, 1000, 2000, 4000, 8000, 16_000, 30_000, 30_000, 30_000]
        );
        backoff.reset();
        assert_eq!(backoff.next(0.0).as_millis(), 375);
        for _ in 0..100 {
            assert!(backoff.next(1.0) <= Duration::from_secs(30));
        }
    }
}
