//! Draws that are the same in every run. Every thing draws from its own stream, so that a thing more
//! does not change what the others do.

use crate::common::Random;

pub struct Dice(Random);

impl Dice {
    /// The stream of the thing called `what` under a seed: the name's 64-bit FNV-1a hash.
    pub fn of(seed: u64, what: &str) -> Self {
        let bytes = seed.to_le_bytes().into_iter().chain(what.bytes());
        let hash = bytes.fold(0xcbf2_9ce4_8422_2325u64, |hash, byte| {
            (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3)
        });
        Self(Random(hash))
    }

    pub fn between(&mut self, least: f64, most: f64) -> f64 {
        least + (most - least) * self.0.uniform()
    }

    /// Evenly in the logarithm.
    pub fn log_between(&mut self, least: f64, most: f64) -> f64 {
        self.between(least.ln(), most.ln()).exp()
    }

    pub fn normal(&mut self, sd: f64) -> f64 {
        sd * self.0.normal()
    }

    pub fn chance(&mut self, probability: f64) -> bool {
        self.0.uniform() < probability
    }

    pub fn pick<T: Copy>(&mut self, of: &[T]) -> T {
        of[((self.0.uniform() * of.len() as f64) as usize).min(of.len() - 1)]
    }

    /// A whole number from `least` to `most`, both included.
    pub fn whole(&mut self, least: usize, most: usize) -> usize {
        self.between(least as f64, most as f64 + 1.0) as usize
    }
}
