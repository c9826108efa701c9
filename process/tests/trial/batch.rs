//! A batch of syrup that grows old in a feeder.

use super::sky::STEP_H;
use larder_sim::Dice;

/// How far it has come.
#[derive(Clone, Copy)]
pub struct Batch {
    pub aged: f64,
    /// Ferments when its age reaches this.
    pub ripe_at: f64,
    /// How far the fermenting has come, 0 to 1, and since when, hours.
    pub active: f64,
    pub active_h: f64,
    pub peak_k: f64,
    pub foam_m: f64,
}

impl Batch {
    /// Ages at which batches ferment spread log-normally: two in three within a factor of 1.7.
    pub fn draw(dice: &mut Dice) -> Self {
        Self {
            aged: 0.0,
            ripe_at: dice.normal(0.53).exp(),
            active: 0.0,
            active_h: 0.0,
            peak_k: dice.between(0.3, 2.0),
            foam_m: dice.between(0.0, 0.004),
        }
    }

    /// Lets a step pass in syrup of a temperature. Yeasts: twice and a half as fast for every 10 K (common
    /// practice for reactions of life), nothing below 3 °C.
    pub fn age(&mut self, celsius: f64, sour_days: f64, there: bool) {
        let pace = if celsius < 3.0 {
            0.0
        } else {
            2.5f64.powf((celsius - 25.0) / 10.0) * ((celsius - 3.0) / 5.0).min(1.0)
        };
        self.aged += pace * STEP_H / 24.0 / sour_days;
        if !there {
            self.active = 0.0;
        } else if self.aged >= self.ripe_at {
            self.active_h += STEP_H;
            let towards = if self.active_h < 24.0 * 8.0 { 1.0 } else { 0.0 };
            self.active += (towards - self.active) * STEP_H / 20.0;
        }
    }
}
