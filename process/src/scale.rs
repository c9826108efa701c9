//! A hive's scale: what it weighed, with faults and the load cell's temperature taken out, and the
//! sudden steps in it.

#![allow(
    clippy::needless_range_loop,
    reason = "indices here are nodes or states shared by several arrays"
)]

use crate::clean::{CleanSeries, Sanity, clean};
use crate::grid::{Grid, STEP_HOURS, STEP_MS};
use crate::robust::median_of_few;
use larder_domain::{Sample, Timestamp};

/// A sudden change of weight.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct ScaleStep {
    /// Last reading before it.
    pub after: Timestamp,
    /// First reading behind it.
    pub before: Timestamp,
    /// How much heavier the hive became, kg.
    pub kg: f64,
    /// Standard deviation of `kg`.
    pub sd_kg: f64,
}

impl ScaleStep {
    /// The middle of the time in which it happened.
    pub fn time(&self) -> Timestamp {
        self.after.plus_ms((self.before.0 - self.after.0) / 2)
    }
}

/// How a load cell follows its temperature.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct LoadCell {
    /// Reading per kelvin, kg/K.
    pub kg_per_kelvin: f64,
    /// Its standard deviation.
    pub sd_kg_per_kelvin: f64,
    /// Nights that spoke for it.
    pub n_nights: usize,
}

/// One hive's scale over the whole record.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct ScaleTrack {
    /// Cleaned readings; the load cell's temperature is taken out.
    pub series: CleanSeries,
    /// What was learned of the load cell.
    pub load_cell: LoadCell,
    /// Sudden changes, in order of time.
    pub steps: Vec<ScaleStep>,
}

/// A hive is heavier than this and lighter than that, kg; what lies outside is a fault. An empty
/// nucleus box weighs some 4 kg, a full hive with supers up to 200 kg (common practice).
const SANITY: Sanity = Sanity {
    least: 4.0,
    most: 300.0,
    spike_sds: 8.0,
    spike_least: 0.4,
    stuck_hours: 8.0,
};
/// A step smaller than this is not told from bees coming and going, kg.
pub const LEAST_STEP_KG: f64 = 0.25;
/// And it stands out from the noise of single readings by this factor.
const STEP_SDS: f64 = 7.0;
/// Readings within this on each side tell how large a step was.
const STEP_SIDE_MS: i64 = 2 * 3_600_000;
/// A load cell follows the air with this lag (aluminium and a board beside it), hours.
pub const LOAD_CELL_LAG_HOURS: f64 = 1.1;
/// The temperature at which a load cell is taken to be right, Cel.
pub const LOAD_CELL_REFERENCE: f64 = 15.0;

/// Cleans the readings, takes the temperature out and finds the steps. `cell_temperature` holds
/// the load cell's own (lagged) temperature at every node; `is_night` marks nodes at which bees
/// stay in and hands stay off.
pub fn track_scale(
    grid: &Grid,
    samples: &[Sample],
    cell_temperature: &[f64],
    is_night: &[bool],
    scratch: &mut Vec<f64>,
) -> ScaleTrack {
    let mut series = clean(samples.iter().copied(), &SANITY, scratch);
    let found = find_steps(&series);
    let load_cell = learn_load_cell(grid, &series, &found, cell_temperature, is_night);
    take_temperature_out(grid, &mut series, cell_temperature, &load_cell);
    let steps = (0..found.len())
        .filter_map(|i| measure_step(&series, &found, i))
        .collect();
    ScaleTrack {
        series,
        load_cell,
        steps,
    }
}

/// The temperature of something that follows `air` with a lag: a first-order low pass.
pub fn lagged(air: &[f64], lag_hours: f64) -> Vec<f64> {
    let share = 1.0 - (-STEP_HOURS / lag_hours).exp();
    let mut inside = f64::NAN;
    let follow = |&outside: &f64| {
        if inside.is_nan() {
            inside = outside;
        } else if !outside.is_nan() {
            inside += share * (outside - inside);
        }
        inside
    };
    air.iter().map(follow).collect()
}

/// `values` at `at`, on a straight line between nodes; NaN where unknown.
pub fn at_time(grid: &Grid, values: &[f64], at: Timestamp) -> f64 {
    let offset = (at.0 - grid.time(0).0).max(0);
    let k = (offset / STEP_MS) as usize;
    let share = (offset % STEP_MS) as f64 / STEP_MS as f64;
    match (values.get(k), values.get(k + 1)) {
        (Some(&a), Some(&b)) if !b.is_nan() => a + share * (b - a),
        (Some(&a), _) => a,
        _ => f64::NAN,
    }
}

fn take_temperature_out(
    grid: &Grid,
    series: &mut CleanSeries,
    cell_temperature: &[f64],
    cell: &LoadCell,
) {
    for (value, &time) in series.values.iter_mut().zip(&series.times) {
        let warm = at_time(grid, cell_temperature, time) - LOAD_CELL_REFERENCE;
        if !warm.is_nan() {
            *value -= cell.kg_per_kelvin * warm;
        }
    }
}

/// Between which readings steps lie: index of the first reading behind each.
fn find_steps(series: &CleanSeries) -> Vec<usize> {
    let limit = LEAST_STEP_KG.max(STEP_SDS * series.noise_sd);
    let v = &series.values;
    let mut found: Vec<(usize, f64)> = Vec::new();
    for i in 2..v.len().saturating_sub(1) {
        let jump = v[i] - v[i - 1];
        if jump.abs() < 0.5 * limit {
            continue;
        }
        let before = median_of_few(v[i.saturating_sub(3)..i].iter().copied());
        let behind = median_of_few(v[i..v.len().min(i + 3)].iter().copied());
        let change = behind.unwrap_or(v[i]) - before.unwrap_or(v[i]);
        let apart = series.times[i].hours_since(series.times[i - 1]);
        // Over an outage weight drifts by itself: bees, drying and flow together below 3 kg a day.
        let enough = change.abs() > limit + 0.12 * (apart - 0.5).max(0.0);
        if !enough || jump * change < 0.0 || jump.abs() < 0.4 * change.abs() {
            continue;
        }
        match found.last_mut() {
            Some(last) if i - last.0 <= 1 && jump * last.1 > 0.0 => {
                if jump.abs() > last.1.abs() {
                    *last = (i, jump);
                }
            }
            _ => found.push((i, jump)),
        }
    }
    found.into_iter().map(|(i, _)| i).collect()
}

/// The size of a step: a straight line with one slope on both sides, least squares, from the
/// readings within two hours that no other step cuts off.
fn measure_step(series: &CleanSeries, all: &[usize], which: usize) -> Option<ScaleStep> {
    let at = all[which];
    let (t, v) = (&series.times, &series.values);
    let (after, before) = (t[at - 1], t[at]);
    let lowest = if which > 0 { all[which - 1] } else { 0 };
    let highest = all.get(which + 1).copied().unwrap_or(t.len());
    let from = (lowest..at).find(|&i| after.0 - t[i].0 <= STEP_SIDE_MS)?;
    let to = (at..highest)
        .rev()
        .find(|&i| t[i].0 - before.0 <= STEP_SIDE_MS)?
        + 1;
    let hours = |i: usize| t[i].hours_since(before);
    let mean = |range: std::ops::Range<usize>, of: &dyn Fn(usize) -> f64| {
        let n = range.len() as f64;
        range.map(of).sum::<f64>() / n
    };
    let (h0, h1) = (mean(from..at, &hours), mean(at..to, &hours));
    let (v0, v1) = (mean(from..at, &|i| v[i]), mean(at..to, &|i| v[i]));
    let (mut hh, mut hv) = (0.0, 0.0);
    for i in from..to {
        let (h, w) = if i < at {
            (hours(i) - h0, v[i] - v0)
        } else {
            (hours(i) - h1, v[i] - v1)
        };
        hh += h * h;
        hv += h * w;
    }
    // A slope beyond what bees do is noise on too few readings: shrink towards none.
    let noise = series.noise_sd.max(0.005).powi(2);
    let shrink = noise / BEES_KG_PER_HOUR.powi(2);
    let slope = hv / (hh + shrink);
    let slope_variance = noise / (hh + shrink);
    let kg = (v1 - v0) - slope * (h1 - h0);
    let variance = noise * (1.0 / (at - from) as f64 + 1.0 / (to - at) as f64)
        + slope_variance * (h1 - h0).powi(2)
        + BEES_WOBBLE_KG.powi(2);
    Some(ScaleStep {
        after,
        before,
        kg,
        sd_kg: variance.sqrt(),
    })
}

/// How fast flight changes a hive's weight on an ordinary day, kg/h.
const BEES_KG_PER_HOUR: f64 = 0.08;
/// What a straight line misses of flight within two hours, kg.
const BEES_WOBBLE_KG: f64 = 0.012;

/// Learns kg/K from quiet nights. Within one night the hive loses weight at a steady pace of its
/// own (drying, breathing) while the cell cools along a curve; over many nights the paces have
/// little to do with the cooling. Model for night n: `w = a_n + s_n t + c T + noise`, `a_n` free,
/// `s_n ~ N(s, TAU^2)`, `c ~ N(0, PRIOR^2)`; least squares with random slopes (N. M. Laird,
/// J. H. Ware, *Random-effects models for longitudinal data*, Biometrics 38 (1982) 963–974).
fn learn_load_cell(
    grid: &Grid,
    series: &CleanSeries,
    steps: &[usize],
    cell_temperature: &[f64],
    is_night: &[bool],
) -> LoadCell {
    let nights = night_sums(grid, series, steps, cell_temperature, is_night);
    let noise = series.noise_sd.max(0.005).powi(2);
    let ratio = noise / SLOPE_SD.powi(2);
    let mut slope = -0.01;
    let mut coefficient = 0.0;
    let mut information = 1.0;
    for _ in 0..4 {
        let (mut a, mut b) = (noise / COEFFICIENT_SD.powi(2), 0.0);
        let (mut slopes, mut weight) = (0.0, 0.0);
        for n in &nights {
            let tw = n.tw - slope * n.tt;
            let xw = n.xw - slope * n.tx;
            a += n.xx - n.tx * n.tx / (n.tt + ratio);
            b += xw - n.tx * tw / (n.tt + ratio);
            let w = n.tt / (n.tt + ratio);
            slopes += w * (n.tw - coefficient * n.tx) / n.tt.max(1e-9);
            weight += w;
        }
        coefficient = b / a;
        information = a;
        if weight > 0.0 {
            slope = slopes / weight;
        }
    }
    LoadCell {
        kg_per_kelvin: coefficient,
        sd_kg_per_kelvin: (noise / information).sqrt(),
        n_nights: nights.len(),
    }
}

/// How much one night's loss per hour differs from another's, kg/h.
const SLOPE_SD: f64 = 0.012;
/// Load cells on cheap scales drift by up to some 20 g/K (common practice).
const COEFFICIENT_SD: f64 = 0.01;

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
    steps: &[usize],
    cell_temperature: &[f64],
    is_night: &[bool],
) -> Vec<NightSums> {
    let mut nights = Vec::new();
    let mut current = NightSums::default();
    let mut start: Option<Timestamp> = None;
    let mut upcoming = steps.iter().peekable();
    for (i, (&time, &kg)) in series.times.iter().zip(&series.values).enumerate() {
        let stepped = upcoming.next_if(|&&s| s == i).is_some();
        let k = grid.nearest(time);
        let warm = at_time(grid, cell_temperature, time);
        let quiet = is_night.get(k).copied().unwrap_or(false) && !warm.is_nan();
        let same_night = start.is_some_and(|s| time.hours_since(s) < 14.0);
        if !quiet || stepped || !same_night {
            if current.n >= 12.0 {
                nights.push(current);
            }
            current = NightSums::default();
            start = quiet.then_some(time);
        }
        if let (true, Some(start)) = (quiet, start) {
            current.add(time.hours_since(start), warm, kg);
        }
    }
    if current.n >= 12.0 {
        nights.push(current);
    }
    nights
}
