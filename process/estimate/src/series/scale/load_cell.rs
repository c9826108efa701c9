//! How a load cell follows its temperature, learned from quiet nights.

#![allow(
    clippy::needless_range_loop,
    reason = "indices here are shared by several arrays"
)]

use super::steps::Disturbance;
use crate::math::robust::median;
use crate::series::clean::CleanSeries;
use crate::series::{Grid, SENSOR_REFERENCE_CEL, at_time};
use larder_domain::Timestamp;
use std::ops::Range;

crate::numbers! { "estimate.series.scale.load_cell":
    /// A night whose loss is further from the usual one than this many standard deviations is left out.
    UNUSUAL_SDS: f64 = 4.0, "1", [1.3, 12.0], Chosen;
    /// How much one night's loss per hour differs from another's, kg/h.
    SLOPE_SD: f64 = 0.012, "kg/h", [0.004, 0.036], Chosen;
    /// Load cells on cheap scales drift by up to some 20 g/K (common practice).
    COEFFICIENT_SD: f64 = 0.01, "kg/K", [0.0033, 0.03], CommonPractice;
    /// No scale's reading is better than this, kg.
    pub(super) LEAST_NOISE_KG: f64 = 0.005, "kg", [0.0017, 0.015], Chosen;
    /// A night is no longer than this, hours.
    LONGEST_NIGHT_HOURS: f64 = 14.0, "h", [4.7, 42.0], Chosen;
    /// A night needs so many readings.
    LEAST_READINGS: f64 = 12.0, "1", [4.0, 36.0], Chosen;
}

/// How a load cell follows its temperature.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct LoadCell {
    /// The scale's first and last reading; `None` where it never read.
    pub seen: Option<(Timestamp, Timestamp)>,
    /// Reading per kelvin, kg/K.
    pub kg_per_kelvin: f64,
    /// Standard deviation of `kg_per_kelvin`, kg/K.
    pub sd_kg_per_kelvin: f64,
    /// Nights that spoke for it.
    pub n_nights: usize,
}

/// Learns kg/K from quiet nights. Within one night the hive loses weight at a steady pace of its
/// own (drying, breathing) while the cell cools along a curve; over many nights the paces have
/// little to do with the cooling. Model for night n: `w = a_n + s_n t + c T + noise`, `a_n` free,
/// `s_n ~ N(s, TAU^2)`, `c ~ N(0, PRIOR^2)`; least squares with random slopes (N. M. Laird,
/// J. H. Ware, *Random-effects models for longitudinal data*, Biometrics 38 (1982) 963–974).
pub(super) fn learn_load_cell(
    grid: &Grid,
    series: &CleanSeries,
    turn: Range<usize>,
    steps: &[Disturbance],
    cell_temperature: &[f64],
    is_night: &[bool],
) -> LoadCell {
    let times = &series.times[turn.clone()];
    let seen = times.first().copied().zip(times.last().copied());
    let mut nights = night_sums(grid, series, turn, steps, cell_temperature, is_night);
    drop_unusual(&mut nights);
    let noise = series.noise_sd.max(LEAST_NOISE_KG).powi(2);
    let ratio = noise / SLOPE_SD.powi(2);
    // Normal equations of the usual slope and the coefficient, with each night's own slope integrated out.
    let (mut ss, mut sc, mut cc) = (0.0, 0.0, noise / COEFFICIENT_SD.powi(2));
    let (mut sw, mut cw) = (0.0, 0.0);
    for n in &nights {
        let own = ratio / (n.tt + ratio);
        ss += own * n.tt;
        sc += own * n.tx;
        sw += own * n.tw;
        cc += n.xx - n.tx * n.tx / (n.tt + ratio);
        cw += n.xw - n.tx * n.tw / (n.tt + ratio);
    }
    let (coefficient, information) = if ss > 0.0 {
        let information = cc - sc * sc / ss;
        ((cw - sc * sw / ss) / information, information)
    } else {
        (0.0, cc)
    };
    LoadCell {
        seen,
        kg_per_kelvin: coefficient,
        sd_kg_per_kelvin: (noise / information).sqrt(),
        n_nights: nights.len(),
    }
}

/// A night in which a feeder leaks, or a colony fans on a flow, tells nothing of the load cell.
fn drop_unusual(nights: &mut Vec<NightSums>) {
    let slope = |night: &NightSums| night.tw / night.tt.max(1e-9);
    let mut slopes: Vec<f64> = nights.iter().map(slope).collect();
    let Some(usual) = median(&mut slopes) else {
        return;
    };
    nights.retain(|night| (slope(night) - usual).abs() < UNUSUAL_SDS * SLOPE_SD);
}

/// Sums of squares and products of one night around its own means: `t` hours, `x` temperature, `w`
/// weight.
#[derive(Clone, Copy, Default)]
struct NightSums {
    n: f64,
    tt: f64,
    tx: f64,
    xx: f64,
    tw: f64,
    xw: f64,
    mean: [f64; 3],
}

impl NightSums {
    fn add(&mut self, t: f64, x: f64, w: f64) {
        self.n += 1.0;
        let d = [t - self.mean[0], x - self.mean[1], w - self.mean[2]];
        for (mean, d) in self.mean.iter_mut().zip(d) {
            *mean += d / self.n;
        }
        let e = [t - self.mean[0], x - self.mean[1], w - self.mean[2]];
        self.tt += d[0] * e[0];
        self.tx += d[0] * e[1];
        self.xx += d[1] * e[1];
        self.tw += d[0] * e[2];
        self.xw += d[1] * e[2];
    }
}

fn night_sums(
    grid: &Grid,
    series: &CleanSeries,
    turn: Range<usize>,
    steps: &[Disturbance],
    cell_temperature: &[f64],
    is_night: &[bool],
) -> Vec<NightSums> {
    let mut nights = Vec::new();
    let mut current = NightSums::default();
    let mut start: Option<Timestamp> = None;
    let first = turn.start;
    let of_turn = steps.iter().skip_while(|step| step.last < first);
    let mut upcoming = of_turn.peekable();
    for i in turn {
        let (time, kg) = (series.times[i], series.values[i]);
        let stepped = upcoming.next_if(|s| s.last <= i).is_some();
        let k = grid.nearest(time);
        let warm = at_time(grid, cell_temperature, time);
        let quiet = is_night.get(k).copied().unwrap_or(false) && !warm.is_nan();
        let same_night = start.is_some_and(|s| time.hours_since(s) < LONGEST_NIGHT_HOURS);
        if !quiet || stepped || !same_night {
            if current.n >= LEAST_READINGS {
                nights.push(current);
            }
            current = NightSums::default();
            start = quiet.then_some(time);
        }
        if let (true, Some(start)) = (quiet, start) {
            current.add(time.hours_since(start), warm, kg);
        }
    }
    if current.n >= LEAST_READINGS {
        nights.push(current);
    }
    nights
}

pub(super) fn take_temperature_out(
    grid: &Grid,
    series: &mut CleanSeries,
    turn: Range<usize>,
    cell_temperature: &[f64],
    cell: &LoadCell,
) {
    let values = &mut series.values[turn.clone()];
    for (value, &time) in values.iter_mut().zip(&series.times[turn]) {
        let warm = at_time(grid, cell_temperature, time) - SENSOR_REFERENCE_CEL;
        if !warm.is_nan() {
            *value -= cell.kg_per_kelvin * warm;
        }
    }
}
