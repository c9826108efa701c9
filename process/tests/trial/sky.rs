//! Weather over one yard, drawn for its season and its place on earth, every five minutes.

use chrono::{Datelike, NaiveDate, NaiveTime, Timelike};
use chrono_tz::Tz;
use larder_domain::{Timestamp, time::local_moment};
use larder_sim::Dice;
use std::f64::consts::TAU;

/// Steps of the trial.
pub const STEP_MS: i64 = 300_000;
pub const STEP_H: f64 = 1.0 / 12.0;
pub const PER_HOUR: usize = 12;
pub const PER_DAY: usize = 288;

/// Where a yard lies.
#[derive(Clone, Copy)]
pub struct Place {
    pub zone: Tz,
    pub latitude: f64,
    pub longitude: f64,
}

impl Place {
    /// Zones west and east, north and south, three of them half an hour or more off the full hour.
    pub const ALL: [Self; 10] = [
        Self::at(chrono_tz::America::Denver, 39.5, -105.2),
        Self::at(chrono_tz::America::Halifax, 45.0, -63.5),
        Self::at(chrono_tz::America::St_Johns, 47.6, -52.9),
        Self::at(chrono_tz::Europe::Helsinki, 60.4, 24.5),
        Self::at(chrono_tz::Europe::Madrid, 40.7, -3.9),
        Self::at(chrono_tz::Asia::Kolkata, 31.2, 77.1),
        Self::at(chrono_tz::Asia::Tokyo, 36.3, 138.6),
        Self::at(chrono_tz::Australia::Adelaide, -35.1, 138.8),
        Self::at(chrono_tz::Pacific::Auckland, -41.2, 175.1),
        Self::at(chrono_tz::America::Santiago, -36.6, -72.0),
    ];

    const fn at(zone: Tz, latitude: f64, longitude: f64) -> Self {
        Self {
            zone,
            latitude,
            longitude,
        }
    }
}

/// What is fed for, which sets the time of the year.
#[derive(Clone, Copy, PartialEq, Eq)]
pub enum Season {
    Autumn,
    Spring,
}

/// When a yard is watched.
#[derive(Clone, Copy)]
pub struct When {
    pub place: Place,
    pub season: Season,
    /// A local midnight.
    pub start: Timestamp,
    pub days: usize,
}

impl When {
    pub fn draw(place: Place, season: Season, days: usize, dice: &mut Dice) -> Self {
        let month = match (season, place.latitude > 0.0) {
            (Season::Autumn, true) | (Season::Spring, false) => 9,
            (Season::Spring, true) => 4,
            (Season::Autumn, false) => 3,
        };
        let date = NaiveDate::from_ymd_opt(2025, month, 1).expect("a date");
        let shift = dice.between(-18.0, 14.0) as i64;
        let date = date + chrono::Duration::days(shift);
        Self {
            place,
            season,
            start: local_moment(place.zone, date, NaiveTime::MIN),
            days,
        }
    }

    pub fn steps(&self) -> usize {
        self.days * PER_DAY
    }

    pub fn time(&self, step: usize) -> Timestamp {
        self.start.plus_ms(step as i64 * STEP_MS)
    }

    pub fn end(&self) -> Timestamp {
        self.time(self.steps())
    }

    pub fn local_hour(&self, step: usize) -> f64 {
        let local = self.time(step).to_utc().with_timezone(&self.place.zone);
        f64::from(local.num_seconds_from_midnight()) / 3600.0
    }

    /// Sine of the sun's height. Declination by a cosine through the solstices, hour angle from mean
    /// solar time: good to a degree or two.
    fn sun(&self, step: usize) -> f64 {
        let utc = self.time(step).to_utc();
        let hour = f64::from(utc.num_seconds_from_midnight()) / 3600.0;
        let tilt =
            -23.44f64.to_radians() * (TAU * (f64::from(utc.ordinal()) + 10.0) / 365.25).cos();
        let angle = TAU * (hour - 12.0 + self.place.longitude / 15.0) / 24.0;
        let latitude = self.place.latitude.to_radians();
        latitude.sin() * tilt.sin() + latitude.cos() * tilt.cos() * angle.cos()
    }
}

/// The air at one step.
#[derive(Clone, Copy, Default)]
pub struct Sky {
    pub air_c: f64,
    pub humidity_pct: f64,
    /// In this step.
    pub rain_mm: f64,
    pub wind_m_s: f64,
    /// Sine of the sun's height, 0 at night.
    pub sun: f64,
    /// 0 clear to 1 overcast.
    pub cloud: f64,
}

impl Sky {
    /// How fully foragers fly, 0 to 1: not in the dark, in rain or in the cold (none under some 10 °C,
    /// common practice).
    pub fn flight(&self) -> f64 {
        let warm = ((self.air_c - 10.0) / 6.0).clamp(0.0, 1.0);
        let dry = if self.rain_mm > 0.02 { 0.0 } else { 1.0 };
        warm * dry * (self.sun / 0.35).clamp(0.0, 1.0)
    }
}

/// Every step of the season.
pub fn skies(when: &When, seed: u64) -> Vec<Sky> {
    let mut dice = Dice::of(seed, "sky");
    let days = Days::draw(when, &mut dice);
    let mut gust = 0.0;
    (0..when.steps())
        .map(|step| {
            gust += -gust * 0.02 + dice.normal(0.2);
            days.sky(when, step, gust)
        })
        .collect()
}

/// What is drawn once for every day.
struct Days {
    mean_c: Vec<f64>,
    cloud: Vec<f64>,
    wind_m_s: Vec<f64>,
    /// First step, last step, mm an hour.
    showers: Vec<(usize, usize, f64)>,
    swing_c: f64,
}

impl Days {
    fn draw(when: &When, dice: &mut Dice) -> Self {
        let n = when.days + 2;
        let (from_c, to_c) = match when.season {
            Season::Autumn => (dice.between(16.0, 22.0), dice.between(9.0, 15.0)),
            Season::Spring => (dice.between(9.0, 14.0), dice.between(14.0, 20.0)),
        };
        let spells: Vec<(f64, f64, f64)> = (0..dice.whole(0, 3))
            .map(|_| {
                let at = dice.between(3.0, when.days as f64);
                (at, dice.between(0.7, 2.2), dice.between(5.0, 11.0))
            })
            .collect();
        let (mut odd_c, mut cloudy) = (0.0, 0.0);
        let (mut mean_c, mut cloud) = (Vec::new(), Vec::new());
        let mut showers = Vec::new();
        for day in 0..n {
            odd_c = 0.7 * odd_c + dice.normal(1.6);
            cloudy = 0.5 * cloudy + dice.normal(0.35);
            let cold: f64 = spells
                .iter()
                .map(|(at, width, kelvin)| kelvin * (-((day as f64 - at) / width).powi(2)).exp())
                .sum();
            let season = from_c + (to_c - from_c) * day as f64 / n as f64;
            mean_c.push(season + odd_c - cold);
            cloud.push((0.5f64 + cloudy).clamp(0.0, 1.0));
            if dice.chance(0.15 + 0.4 * f64::from(u8::from(cloud[day] > 0.65))) {
                for _ in 0..dice.whole(1, 3) {
                    let from = day * PER_DAY + dice.whole(0, PER_DAY - 1);
                    let steps = (dice.log_between(0.3, 7.0) * PER_HOUR as f64) as usize;
                    showers.push((from, from + steps, dice.log_between(0.3, 8.0)));
                }
            }
        }
        Self {
            wind_m_s: (0..n).map(|_| dice.log_between(0.6, 8.0)).collect(),
            swing_c: dice.between(3.5, 8.0),
            mean_c,
            cloud,
            showers,
        }
    }

    fn sky(&self, when: &When, step: usize, gust: f64) -> Sky {
        let (day, part) = (step / PER_DAY, (step % PER_DAY) as f64 / PER_DAY as f64);
        let along = |daily: &[f64]| daily[day] * (1.0 - part) + daily[day + 1] * part;
        let cloud = along(&self.cloud);
        let sun = when.sun(step).max(0.0);
        let warmest_at_15 = (TAU * (when.local_hour(step) - 15.0) / 24.0).cos();
        let air_c = along(&self.mean_c) + self.swing_c * (1.0 - 0.6 * cloud) * warmest_at_15;
        let falling = self.showers.iter().filter(|s| (s.0..s.1).contains(&step));
        let rain_mm: f64 = falling.map(|s| s.2 * STEP_H).sum();
        let wet = if rain_mm > 0.0 { 20.0 } else { 0.0 };
        let by_warmth = 70.0 - 2.8 * self.swing_c * (1.0 - 0.6 * cloud) * warmest_at_15;
        Sky {
            air_c,
            humidity_pct: (by_warmth + 12.0 * cloud + wet).clamp(20.0, 100.0),
            rain_mm,
            wind_m_s: along(&self.wind_m_s)
                * (0.4 + 0.9 * sun.sqrt())
                * gust.clamp(-1.0, 1.5).exp(),
            sun,
            cloud,
        }
    }
}
