//! The yard's weather on the grid: what all hives share.

use crate::days::Day;
use crate::grid::{Grid, PER_HOUR};
use crate::input::YardInput;
use crate::robust::median_of_few;
use crate::scale::{LOAD_CELL_LAG_HOURS, lagged};

/// Weather at every node.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Climate {
    /// Air temperature, Cel; NaN where unknown.
    pub air: Vec<f64>,
    /// Rain in the half hour around the node, mm; 0 where unknown.
    pub rain_mm: Vec<f64>,
    /// How fast a wet surface dries, mm/h; what is usual where the station does not tell.
    pub drying_mm_per_hour: Vec<f64>,
    /// Whether the yard has a rain gauge.
    pub has_gauge: bool,
    /// Nodes between 21:00 and 05:00 by the clock: bees stay in.
    pub dark: Vec<bool>,
    /// Nodes in quiet nights: bees in, no hands, no rain then or shortly before.
    pub quiet_night: Vec<bool>,
}

/// Gaps of the weather station up to this are bridged, hours.
const BRIDGED_HOURS: f64 = 6.0;
/// After rain a hive dries for about this long, hours.
const DRYING_HOURS: usize = 10;
/// More than this in the drying time makes a night wet, mm.
const WET_MM: f64 = 0.3;

impl Climate {
    /// Reads the yard's station; where there is none the scales' own thermometers stand in.
    pub fn of(input: &YardInput<'_>, grid: &Grid, days: &[Day]) -> Self {
        let mut air = grid.resample(input.weather.temperature, BRIDGED_HOURS);
        fill_from_scales(input, grid, &mut air);
        let mut rain_mm = vec![0.0; grid.len()];
        for sample in input.weather.rain {
            rain_mm[grid.nearest(sample.time)] += sample.value.max(0.0);
        }
        let dark = dark_nodes(grid, days);
        let drying_mm_per_hour = drying(input, grid, &air, &dark);
        let quiet_night = quiet_nights(&dark, &rain_mm);
        Self {
            air,
            rain_mm,
            drying_mm_per_hour,
            has_gauge: !input.weather.rain.is_empty(),
            dark,
            quiet_night,
        }
    }

    /// The temperature of a load cell that measures `own` beside itself, or stands in the yard's
    /// air where it measures none.
    pub fn of_load_cell(&self, own: Vec<f64>) -> Vec<f64> {
        let air = own.iter().zip(&self.air);
        let outside: Vec<f64> = air.map(|(&o, &a)| if o.is_nan() { a } else { o }).collect();
        lagged(&outside, LOAD_CELL_LAG_HOURS)
    }
}

/// Evaporation from a wet surface (H. L. Penman, 1948): the share of the sun's energy that goes into
/// it, and what the dry air takes up, by the saturation deficit and the wind (Penman's wind function,
/// 0.26 (1 + 0.54 u) mm a day for each hPa; saturation after O. Tetens, 1930).
fn drying(input: &YardInput<'_>, grid: &Grid, air: &[f64], dark: &[bool]) -> Vec<f64> {
    let humidity = grid.resample(input.weather.humidity, BRIDGED_HOURS);
    let sun = grid.resample(input.weather.irradiance, BRIDGED_HOURS);
    let wind = grid.resample(input.weather.wind, BRIDGED_HOURS);
    let or = |value: f64, other: f64| if value.is_nan() { other } else { value };
    let at = |k: usize| {
        let celsius = air[k];
        let saturated = 6.108 * (17.27 * celsius / (celsius + 237.3)).exp();
        let deficit = saturated * (1.0 - humidity[k].min(100.0) / 100.0);
        let by_air = 0.26 * (1.0 + 0.54 * or(wind[k], USUAL_WIND)) * deficit / 24.0;
        let usual_sun = if dark[k] { 0.0 } else { USUAL_SUN };
        let net = SUN_SHARE * or(sun[k], usual_sun) - LONG_WAVE_W;
        (or(by_air, USUAL_BY_AIR) + net / LATENT_W_HOURS_PER_MM).max(0.0)
    };
    (0..grid.len()).map(at).collect()
}

/// A litre takes so much to evaporate, Wh for each mm on a square metre (2.45 MJ/kg).
const LATENT_W_HOURS_PER_MM: f64 = 680.0;
/// A roof sends so much more heat to the sky than it gets back, W/m2 (common: 20 to 60).
const LONG_WAVE_W: f64 = 25.0;
/// Taken where the station does not measure it: m/s, W/m2 by day, and mm/h.
const USUAL_WIND: f64 = 1.0;
const USUAL_SUN: f64 = 300.0;
const USUAL_BY_AIR: f64 = 0.05;
/// About this share of the sun on a light roof goes into drying it.
const SUN_SHARE: f64 = 0.4;

fn fill_from_scales(input: &YardInput<'_>, grid: &Grid, air: &mut [f64]) {
    if air.iter().all(|a| !a.is_nan()) {
        return;
    }
    let with_thermometer = input
        .hives
        .iter()
        .filter(|h| !h.scale_temperature.is_empty());
    let scales: Vec<Vec<f64>> = with_thermometer
        .map(|hive| grid.resample(hive.scale_temperature, BRIDGED_HOURS))
        .collect();
    for (k, value) in air.iter_mut().enumerate().filter(|(_, v)| v.is_nan()) {
        let known = scales.iter().map(|scale| scale[k]).filter(|v| !v.is_nan());
        *value = median_of_few(known).unwrap_or(f64::NAN);
    }
}

fn dark_nodes(grid: &Grid, days: &[Day]) -> Vec<bool> {
    let mut dark = vec![false; grid.len()];
    for day in days {
        let from = grid.nearest(day.night.start.plus_ms(-4 * 3_600_000));
        let to = grid.nearest(day.night.end.plus_ms(3_600_000));
        dark[from..=to].iter_mut().for_each(|node| *node = true);
    }
    dark
}

fn quiet_nights(dark: &[bool], rain_mm: &[f64]) -> Vec<bool> {
    let drying = DRYING_HOURS * PER_HOUR;
    let dry = |k: usize| rain_mm[k.saturating_sub(drying)..=k].iter().sum::<f64>() <= WET_MM;
    dark.iter()
        .enumerate()
        .map(|(k, &dark)| dark && dry(k))
        .collect()
}
