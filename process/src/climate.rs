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
        let quiet_night = quiet_nights(&dark, &rain_mm);
        Self {
            air,
            rain_mm,
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
