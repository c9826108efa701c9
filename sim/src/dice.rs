//! Seeded draws. Every thing in a simulated apiary draws from its own stream, named after it, so
//! adding a hive does not change what its neighbours do.

use rand::rngs::StdRng;
use rand::{Rng, SeedableRng};

/// One thing's stream of draws.
#[derive(Clone, Debug)]
pub struct Dice(StdRng);

impl Dice {
    /// The stream of the thing called `what` under `seed`.
    pub fn of(seed: u64, what: &str) -> Self {
        let bytes = seed.to_le_bytes().into_iter().chain(what.bytes());
        Self(StdRng::seed_from_u64(fnv1a(bytes)))
    }

    /// Evenly between `least` and `most`.
    pub fn between(&mut self, least: f64, most: f64) -> f64 {
        least + (most - least) * self.0.random::<f64>()
    }

    /// Evenly in the logarithm.
    pub fn log_between(&mut self, least: f64, most: f64) -> f64 {
        self.between(least.ln(), most.ln()).exp()
    }

    /// One of several, each as likely; `of` is not empty.
    pub fn pick<T: Copy>(&mut self, of: &[T]) -> T {
        of[self.0.random_range(0..of.len())]
    }

    /// A whole number from `least` to `most`, both included.
    pub fn whole(&mut self, least: usize, most: usize) -> usize {
        self.0.random_range(least..=most)
    }

    /// True with the given probability.
    pub fn chance(&mut self, probability: f64) -> bool {
        self.0.random::<f64>() < probability
    }

    /// Normally distributed around zero (Box and Muller 1958).
    pub fn normal(&mut self, sd: f64) -> f64 {
        let radius = (-2.0 * (1.0 - self.0.random::<f64>()).ln()).sqrt();
        sd * radius * (std::f64::consts::TAU * self.0.random::<f64>()).cos()
    }
}

/// The 64-bit FNV-1a hash.
fn fnv1a(bytes: impl Iterator<Item = u8>) -> u64 {
    bytes.fold(0xcbf2_9ce4_8422_2325, |hash, byte| {
        (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fnv1a_gives_its_published_values() {
        // Test vectors of draft-eastlake-fnv, appendix C.
        assert_eq!(fnv1a("".bytes()), 0xcbf2_9ce4_8422_2325);
        assert_eq!(fnv1a("a".bytes()), 0xaf63_dc4c_8601_ec8c);
        assert_eq!(fnv1a("foobar".bytes()), 0x8594_4171_f739_67e8);
    }

    #[test]
    fn normal_draws_have_their_mean_and_spread() {
        let mut dice = Dice::of(7, "normal");
        let draws: Vec<f64> = (0..20_000).map(|_| dice.normal(2.0)).collect();
        let mean = draws.iter().sum::<f64>() / 20_000.0;
        let variance = draws.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / 20_000.0;
        // Five standard errors each.
        assert!(mean.abs() < 5.0 * 2.0 / 20_000f64.sqrt(), "{mean}");
        assert!((variance.sqrt() - 2.0).abs() < 5.0 * 2.0 / 40_000f64.sqrt());
    }

    #[test]
    fn streams_differ_by_name_and_seed() {
        let first = |seed, what| Dice::of(seed, what).between(0.0, 1.0).to_bits();
        assert_ne!(first(1, "a"), first(1, "b"));
        assert_ne!(first(1, "a"), first(2, "a"));
        assert_eq!(first(1, "a"), first(1, "a"));
    }
}
