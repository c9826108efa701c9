//! The demo's weather: an autumn that cools, days and nights, clouds, showers and one cold spell.
//! A function of the seed and the moment only, so it can go on for ever.

use crate::dice::Dice;
use larder_domain::Timestamp;
use std::collections::BTreeMap;
use std::f64::consts::TAU;

/// A moment as the yards' clocks show it.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct LocalClock {
    /// Number of the local day, counted from any fixed day.
    pub day: i64,
    /// Hours since local midnight, 0 to 24.
    pub hour: f64,
}

/// The air over one yard.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Sky {
    /// Air temperature, Cel.
    pub air_c: f64,
    /// Relative humidity, %RH.
    pub humidity_pct: f64,
    /// Rain, mm an hour.
    pub rain_mm_per_h: f64,
    /// Wind, m/s.
    pub wind_m_s: f64,
    /// Global irradiance, W/m2.
    pub irradiance_w_m2: f64,
    /// How high the sun stands: 0 at night, 1 at noon.
    pub daylight: f64,
}

impl Sky {
    /// How fully the foragers fly, 0 to 1. Bees cluster near 14 °C and below; few fly under 10 °C,
    /// none in rain or in the dark (common practice; the numbers from memory).
    pub fn flight(&self) -> f64 {
        let warm = 1.0 / (1.0 + (-(self.air_c - 12.0) / 1.2).exp());
        let dry = if self.rain_mm_per_h > 0.2 { 0.0 } else { 1.0 };
        warm * dry * self.daylight.sqrt()
    }
}

/// How one yard differs from the region.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Exposure {
    /// Warmer or colder all day, K.
    pub warmer_k: f64,
    /// Colder by night where cold air gathers, K.
    pub frost_hollow_k: f64,
    /// Share of the region's wind that reaches it.
    pub windy: f64,
}

#[derive(Clone, Debug)]
struct DaySky {
    cloud: f64,
    wind_m_s: f64,
    /// (first hour, last hour, mm an hour)
    showers: Vec<(f64, f64, f64)>,
}

/// The region's weather.
#[derive(Clone, Debug)]
pub struct Climate {
    seed: u64,
    start: Timestamp,
    history_days: f64,
    phases: [f64; 2],
    days: BTreeMap<i64, DaySky>,
}

/// Days of which the sky is remembered; older ones are drawn again when asked for.
const DAYS_REMEMBERED: usize = 8;

impl Climate {
    /// Weather for a history from `start` over `history_days`, and on from there.
    pub fn new(seed: u64, start: Timestamp, history_days: f64) -> Self {
        let mut dice = Dice::of(seed, "climate");
        let phases = [dice.between(0.0, TAU), dice.between(0.0, TAU)];
        Self {
            seed,
            start,
            history_days,
            phases,
            days: BTreeMap::new(),
        }
    }

    /// The sky over a yard.
    pub fn sky(&mut self, exposure: Exposure, at: Timestamp, clock: LocalClock) -> Sky {
        let mean_c = self.mean_temperature_c(at);
        let day = self.day(clock.day);
        let overcast = day.cloud;
        let daylight = (TAU * (clock.hour - 6.0) / 24.0).sin().max(0.0);
        let warmest_at_15 = (TAU * (clock.hour - 15.0) / 24.0).cos();
        let hollow = exposure.frost_hollow_k * (-warmest_at_15).max(0.0) * (1.0 - overcast);
        let swing_c = 6.0 * (1.0 - 0.55 * overcast) * warmest_at_15;
        let rain_mm_per_h = day
            .showers
            .iter()
            .filter(|(from, to, _)| (*from..*to).contains(&clock.hour))
            .map(|(_, _, rate)| rate)
            .sum();
        let wet = if rain_mm_per_h > 0.0 { 8.0 } else { 0.0 };
        Sky {
            air_c: mean_c + exposure.warmer_k + swing_c - hollow,
            humidity_pct: (72.0 - 3.0 * swing_c + 10.0 * overcast + wet).clamp(25.0, 100.0),
            rain_mm_per_h,
            wind_m_s: exposure.windy * day.wind_m_s * (0.5 + 0.8 * daylight),
            irradiance_w_m2: 720.0 * daylight * (1.0 - 0.78 * overcast),
            daylight,
        }
    }

    /// Cooling autumn, two slow waves, and a cold spell about a week before the history ends.
    fn mean_temperature_c(&self, at: Timestamp) -> f64 {
        let days = at.hours_since(self.start) / 24.0;
        let season = 15.5 - 3.0 * (days / self.history_days).clamp(0.0, 1.0);
        let waves = 1.3 * (TAU * days / 5.7 + self.phases[0]).sin()
            + 0.9 * (TAU * days / 3.1 + self.phases[1]).sin();
        let from_spell = days - (self.history_days - 7.0).max(self.history_days * 0.6);
        season + waves - 9.0 * (-(from_spell / 1.0).powi(2)).exp()
    }

    fn day(&mut self, number: i64) -> &DaySky {
        if !self.days.contains_key(&number) {
            let day = draw_day(self.seed, number);
            self.days.insert(number, day);
            if self.days.len() > DAYS_REMEMBERED {
                self.days.pop_first();
            }
        }
        self.days
            .entry(number)
            .or_insert_with(|| draw_day(self.seed, number))
    }
}

fn draw_day(seed: u64, number: i64) -> DaySky {
    let mut dice = Dice::of(seed, &format!("day {number}"));
    let cloud = dice.between(0.0, 1.0);
    let wind_m_s = 0.8 + 5.0 * dice.between(0.0, 1.0).powi(2);
    let n_showers = if cloud > 0.62 { 2 } else { 0 };
    let showers = (0..n_showers)
        .map(|_| {
            let from = dice.between(0.0, 22.0);
            let rate = dice.between(0.4, 3.5);
            (from, from + dice.between(0.5, 3.5), rate)
        })
        .collect();
    DaySky {
        cloud,
        wind_m_s,
        showers,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const LEVEL_GROUND: Exposure = Exposure {
        warmer_k: 0.0,
        frost_hollow_k: 2.0,
        windy: 1.0,
    };

    fn season(seed: u64) -> Vec<(i64, f64, Sky)> {
        let mut climate = Climate::new(seed, Timestamp(0), 21.0);
        (0..21 * 24)
            .map(|h| {
                let clock = LocalClock {
                    day: h / 24,
                    hour: (h % 24) as f64,
                };
                let at = Timestamp(h * 3_600_000);
                (h / 24, clock.hour, climate.sky(LEVEL_GROUND, at, clock))
            })
            .collect()
    }

    #[test]
    fn an_autumn_has_cold_nights_mild_days_and_rain() {
        for seed in 1..=10 {
            let hours = season(seed);
            let coldest = hours.iter().map(|h| h.2.air_c).fold(f64::MAX, f64::min);
            let warmest = hours.iter().map(|h| h.2.air_c).fold(f64::MIN, f64::max);
            assert!((-8.0..4.0).contains(&coldest), "seed {seed}: {coldest}");
            assert!((15.0..27.0).contains(&warmest), "seed {seed}: {warmest}");
            assert!(hours.iter().any(|h| h.2.rain_mm_per_h > 0.0), "seed {seed}");
        }
    }

    #[test]
    fn noon_is_bright_and_night_is_dark() {
        for (_, hour, sky) in season(3) {
            if (11.5..12.5).contains(&hour) {
                assert!(sky.irradiance_w_m2 > 100.0);
            }
            if !(6.0..=18.0).contains(&hour) {
                assert!(sky.irradiance_w_m2.abs() < 1e-9 && sky.flight().abs() < 1e-9);
            }
        }
    }

    #[test]
    fn the_sky_does_not_depend_on_what_was_asked_before() {
        let mut climate = Climate::new(5, Timestamp(0), 21.0);
        let clock = LocalClock { day: 2, hour: 9.5 };
        let at = Timestamp(57 * 3_600_000);
        let first = climate.sky(LEVEL_GROUND, at, clock);
        for day in 0..40 {
            climate.sky(LEVEL_GROUND, at, LocalClock { day, hour: 1.0 });
        }
        assert_eq!(climate.sky(LEVEL_GROUND, at, clock), first);
    }
}
