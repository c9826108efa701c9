//! The yard's weather on the grid: what all hives share.

use super::grid::nodes;
use super::sun::{light, settled_night};
use super::{Grid, Look, lagged};
use crate::input::YardInput;
use crate::math::robust::median_of_few;
use crate::series::grid::HOURS_PER_DAY;

crate::numbers! { "estimate.series.weather":
    /// Gaps of the weather station up to this are bridged, hours.
    GAP_HOURS: f64 = 6.0, "h", [2.0, 18.0], Chosen;
    /// Gaps of wind and sun up to this are bridged, hours: they change faster than the rest.
    FAST_GAP_HOURS: f64 = 3.0, "h", [1.0, 9.0], Chosen;
    /// After rain a hive dries for about this long, hours.
    WET_HOURS: f64 = 8.0, "h", [2.7, 24.0], Chosen;
    /// More rain than this while a hive dries blurs what it weighs, mm.
    WET_MM: f64 = 0.5, "mm", [0.17, 1.5], Chosen;
    /// A load cell follows the air with this lag (aluminium and a board beside it), hours.
    pub LOAD_CELL_LAG_HOURS: f64 = 1.1, "h", [0.37, 3.3], Chosen;
    /// A litre takes so much to evaporate, Wh for each mm on a square metre (2.45 MJ/kg).
    LATENT_W_HOURS_PER_MM: f64 = 680.0, "W.h/(m2.mm)", [670.0, 700.0], Published;
    /// A roof sends so much more heat to the sky than it gets back, W/m2 (common: 20 to 60).
    LONG_WAVE_W: f64 = 25.0, "W/m2", [8.3, 75.0], CommonPractice;
    /// The wind where the station does not measure it, m/s.
    USUAL_WIND: f64 = 1.0, "m/s", [0.33, 3.0], Chosen;
    /// The sun by day where the station does not measure it, W/m2.
    USUAL_SUN: f64 = 300.0, "W/m2", [100.0, 900.0], Chosen;
    /// What the air dries where the station measures too little to tell, mm/h.
    USUAL_BY_AIR: f64 = 0.05, "mm/h", [0.017, 0.15], Chosen;
    /// About this share of the sun on a light roof goes into drying it.
    SUN_SHARE: f64 = 0.4, "1", [0.13, 1.0], Chosen;
    /// Tetens' saturation pressure at 0 Cel, hPa.
    TETENS_HPA: f64 = 6.108, "hPa", [6.1, 6.12], Published;
    /// The first coefficient of Tetens' saturation pressure.
    TETENS_A: f64 = 17.27, "1", [17.2, 17.7], Published;
    /// The second coefficient of Tetens' saturation pressure, Cel.
    TETENS_B: f64 = 237.3, "Cel", [237.0, 244.0], Published;
    /// Penman's wind function: mm a day for each hPa in still air.
    PENMAN_MM: f64 = 0.26, "mm/(d.hPa)", [0.26, 0.263], Published;
    /// Penman's wind function: what each metre a second of wind adds, as a share.
    PENMAN_WIND: f64 = 0.54, "s/m", [0.53, 0.55], Published;
    /// Per cent in a whole.
    PER_CENT: f64 = 100.0, "1", [100.0, 100.0], Defined;
}

/// Weather at every node.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Weather {
    /// Air temperature, Cel; NaN where unknown.
    pub air: Vec<f64>,
    /// Wind, m/s; NaN where unknown.
    pub wind: Vec<f64>,
    /// Rain in the node's half hour, mm; 0 where unknown.
    pub rain_mm: Vec<f64>,
    /// Node of the newest rain at or before each node.
    pub(crate) rained: Vec<Option<usize>>,
    /// Whether the yard has a rain gauge.
    pub has_gauge: bool,
    /// How fast a wet surface dries, mm/h; what is usual where the station does not tell.
    pub drying_mm_per_hour: Vec<f64>,
    /// Whether bees can see to fly.
    pub light: Vec<bool>,
    /// Whether it is night and all is quiet: the bees are in, and evening's fanning has slowed down.
    pub settled_night: Vec<bool>,
}

impl Weather {
    /// Reads the yard's station; where it has no thermometer the scales' own stand in.
    pub fn of(input: &YardInput<'_>, grid: &Grid, look: Look) -> Self {
        let mut air = grid.resample(input.weather.temperature, GAP_HOURS, look);
        fill_from_scales(input, grid, look, &mut air);
        let rain_mm = grid.sums(input.weather.rain, look);
        let mut last = None;
        let rained = rain_mm.iter().enumerate().map(|(k, &mm)| {
            last = if mm > 0.0 { Some(k) } else { last };
            last
        });
        let rained = rained.collect();
        let light = light(input, grid, look);
        let wind = grid.resample(input.weather.wind, FAST_GAP_HOURS, look);
        Self {
            drying_mm_per_hour: drying(input, grid, look, &air, &wind, &light),
            has_gauge: !input.weather.rain.is_empty(),
            settled_night: settled_night(input, &light),
            air,
            wind,
            rain_mm,
            rained,
            light,
        }
    }

    /// Rain from one node to another, mm.
    pub fn rain_between(&self, from: usize, until: usize) -> f64 {
        match self.rained[until] {
            Some(last) if last >= from => self.rain_mm[from..=last].iter().sum(),
            _ => 0.0,
        }
    }

    /// Whether hives may have been wet at some time between two nodes.
    pub fn wet(&self, from: usize, until: usize) -> bool {
        self.rain_between(from.saturating_sub(nodes(WET_HOURS)), until) > WET_MM
    }

    /// Nodes in quiet nights: bees in, no hands, no rain then or shortly before.
    pub fn quiet_nights(&self) -> Vec<bool> {
        let quiet = |(k, &settled): (usize, &bool)| settled && !self.wet(k, k);
        self.settled_night.iter().enumerate().map(quiet).collect()
    }

    /// The temperature of a load cell that measures `own` beside itself, or stands in the yard's
    /// air where it measures none.
    pub fn of_load_cell(&self, own: &[f64]) -> Vec<f64> {
        let air = own.iter().zip(&self.air);
        let outside: Vec<f64> = air.map(|(&o, &a)| if o.is_nan() { a } else { o }).collect();
        lagged(&outside, LOAD_CELL_LAG_HOURS)
    }
}

/// Evaporation from a wet surface (H. L. Penman, 1948): the share of the sun's energy that goes into
/// it, and what the dry air takes up, by the saturation deficit and the wind (Penman's wind function,
/// 0.26 (1 + 0.54 u) mm a day for each hPa; saturation after O. Tetens, 1930).
fn drying(
    input: &YardInput<'_>,
    grid: &Grid,
    look: Look,
    air: &[f64],
    wind: &[f64],
    light: &[bool],
) -> Vec<f64> {
    let humidity = grid.resample(input.weather.humidity, GAP_HOURS, look);
    let sun = grid.resample(input.weather.irradiance, FAST_GAP_HOURS, look);
    let or = |value: f64, other: f64| if value.is_nan() { other } else { value };
    let at = |k: usize| {
        let celsius = air[k];
        let saturated = TETENS_HPA * (TETENS_A * celsius / (celsius + TETENS_B)).exp();
        let deficit = saturated * (1.0 - humidity[k].min(PER_CENT) / PER_CENT);
        let by_air =
            PENMAN_MM * (1.0 + PENMAN_WIND * or(wind[k], USUAL_WIND)) * deficit / HOURS_PER_DAY;
        let usual_sun = if light[k] { USUAL_SUN } else { 0.0 };
        let net = SUN_SHARE * or(sun[k], usual_sun) - LONG_WAVE_W;
        (or(by_air, USUAL_BY_AIR) + net / LATENT_W_HOURS_PER_MM).max(0.0)
    };
    (0..grid.len()).map(at).collect()
}

fn fill_from_scales(input: &YardInput<'_>, grid: &Grid, look: Look, air: &mut [f64]) {
    if air.iter().all(|a| !a.is_nan()) {
        return;
    }
    let with_thermometer = input
        .hives
        .iter()
        .filter(|h| !h.scale_temperature.is_empty());
    let scales: Vec<Vec<f64>> = with_thermometer
        .map(|hive| grid.resample(hive.scale_temperature, GAP_HOURS, look))
        .collect();
    for (k, value) in air.iter_mut().enumerate().filter(|(_, v)| v.is_nan()) {
        let known = scales.iter().map(|scale| scale[k]).filter(|v| !v.is_nan());
        *value = median_of_few(known).unwrap_or(f64::NAN);
    }
}
