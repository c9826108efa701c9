//! The air over a graft. The source of the weights has none: it is invented, but it rains when the real
//! hives grew wet.

use super::{HOUR_MS, STEP_MS, STEPS_A_DAY};
use larder_sim::Dice;

/// One step's.
#[derive(Clone, Copy)]
pub struct Air {
    pub celsius: f64,
    pub humidity_pct: f64,
    pub rain_mm: f64,
    pub wind_m_s: f64,
    /// 0 at night to 1 under a high sun.
    pub sun: f64,
}

/// How the air of a yard is.
pub struct Climate {
    pub first_c: f64,
    pub last_c: f64,
    pub swing_k: f64,
    pub cold_spells: bool,
}

/// The local hour of a step.
pub fn hour_of(step: usize) -> f64 {
    (step % STEPS_A_DAY) as f64 * STEP_MS as f64 / HOUR_MS as f64
}

pub fn of(climate: &Climate, days: usize, rain: &[(i64, f64)], dice: &mut Dice) -> Vec<Air> {
    let mut fallen = vec![0.0; days * STEPS_A_DAY];
    for &(ms, kg) in rain {
        let step = (ms / STEP_MS) as usize;
        let spread = step.saturating_sub(3)..step.min(fallen.len());
        fallen[spread].iter_mut().for_each(|mm| *mm += 3.0 * kg);
    }
    let (mut day_k, mut spell_k, mut breeze) = (0.0, 0.0, 2.0f64);
    let mut all = Vec::with_capacity(fallen.len());
    let mut swing = climate.swing_k;
    for (step, &rain_mm) in fallen.iter().enumerate() {
        let (day, hour) = (step / STEPS_A_DAY, hour_of(step));
        let wet = fallen[day * STEPS_A_DAY..(day + 1) * STEPS_A_DAY]
            .iter()
            .sum::<f64>();
        if step % STEPS_A_DAY == 0 {
            day_k = 0.75 * day_k + dice.normal(1.8);
            if climate.cold_spells && dice.chance(0.08) {
                spell_k = -dice.between(5.0, 10.0);
            }
            spell_k *= 0.75;
            let cloudy = if wet > 0.2 { 0.5 } else { 1.0 };
            swing = climate.swing_k * cloudy * dice.between(0.7, 1.2);
        }
        let part = step as f64 / (days * STEPS_A_DAY) as f64;
        let mean = climate.first_c + (climate.last_c - climate.first_c) * part + day_k + spell_k;
        // Coldest before sunrise, warmest in mid-afternoon.
        let wave = 0.85 * ((hour - 15.2) / 24.0 * std::f64::consts::TAU).cos()
            + 0.15 * ((hour - 3.0) / 12.0 * std::f64::consts::TAU).cos();
        let celsius = mean + swing * wave - if rain_mm > 0.0 { 2.5 } else { 0.0 };
        let sun = ((hour - 6.0) / 12.0 * std::f64::consts::PI).sin().max(0.0)
            * if wet > 0.2 { 0.6 } else { 1.0 };
        breeze = (0.97 * breeze + 0.03 * (1.2 + 3.5 * sun) + dice.normal(0.15)).max(0.0);
        let damp = if rain_mm > 0.0 { 40.0 } else { 0.0 };
        all.push(Air {
            celsius,
            humidity_pct: (62.0 - 3.2 * (celsius - mean) + damp + dice.normal(2.0))
                .clamp(8.0, 100.0),
            rain_mm,
            wind_m_s: breeze,
            sun,
        });
    }
    all
}
