//! Rain, dew and snow on the hives: every hive of a yard gains at once what no bee carried in.
//!
//! The gauge says when, where there is one; the scales say how much. Model of the water `W` on a hive, kg, from node to
//! node: `W' = d W + a rain + noise`, `d` the drying of half an hour; observed is the yard's common
//! change of weight, `c = W' - W + bees`, a median over the hives, trusted while bees stay in (rain,
//! night) and hardly otherwise. Filter and smoother as in [`crate::kalman`].

use crate::clean::CleanSeries;
use crate::climate::Climate;
use crate::grid::{Grid, PER_DAY, STEP_HOURS};
use crate::kalman::{Adjoint, Matrix, State, Update};
use crate::robust::{mad_sd, median};

/// On a square metre a millimetre weighs a kilogram; a hive's roof has some 0.2 m2, and most of it
/// runs off.
const KG_PER_MM: f64 = 0.06;
/// How far that is off, kg/mm: nothing stays on a steep roof, everything as snow.
const KG_PER_MM_SD: f64 = 0.12;
/// A wet hive dries with this time constant, hours: in the sun, and at night.
const DRYING_HOURS: [f64; 2] = [4.0, 12.0];
/// What the hives themselves change in common in half an hour, kg: bees in, and in flight.
const COMMON_SD_KG: [f64; 2] = [0.012, 0.08];
/// And what they lose at night, kg in half an hour.
const NIGHT_LOSS_KG: f64 = 0.005;
/// Without a gauge a common gain in half an hour above this and well above the usual of that time
/// of day is rain, kg.
const UNGAUGED_KG: f64 = 0.1;
/// It takes so many scales to tell rain from hands without a gauge.
const LEAST_HIVES: usize = 3;

/// Water on each hive at every node, kg.
pub fn water_on_hives(grid: &Grid, scales: &[CleanSeries], climate: &Climate) -> Vec<f64> {
    let (common, rain) = if climate.has_gauge {
        let rain = climate.rain_mm.clone();
        (common_changes(grid, scales, &rain), rain)
    } else {
        let common = common_changes(grid, scales, &vec![f64::INFINITY; grid.len()]);
        let rain = rain_without_gauge(&common);
        (common, rain)
    };
    if common.iter().all(|c| c.n == 0) || rain.iter().all(|&mm| mm <= 0.0) {
        return vec![0.0; grid.len()];
    }
    smooth_water(climate, &common, &rain)
}

/// What the hives of a yard gained in common from one node to the next.
#[derive(Clone, Copy, PartialEq, Debug)]
struct Common {
    /// Median over the hives, kg; NaN where none is known.
    kg: f64,
    /// Its standard deviation as the hives' spread tells, kg.
    sd: f64,
    /// How many hives spoke.
    n: usize,
}

/// A change in half an hour that no rain of so many millimetres can make is a hand's: kg and kg/mm.
const MOST_BY_BEES_KG: f64 = 0.2;
const MOST_KG_PER_MM: f64 = 0.3;

fn common_changes(grid: &Grid, scales: &[CleanSeries], rain_mm: &[f64]) -> Vec<Common> {
    let at_nodes: Vec<Vec<f64>> = scales.iter().map(|scale| node_means(grid, scale)).collect();
    let mut changes = Vec::new();
    let mut common = Vec::with_capacity(grid.len());
    for k in 0..grid.len() {
        changes.clear();
        if k > 0 {
            let most = MOST_BY_BEES_KG + MOST_KG_PER_MM * rain_mm[k].max(rain_mm[k - 1]);
            let known = at_nodes.iter().map(|kg| kg[k] - kg[k - 1]);
            changes.extend(known.filter(|change| change.abs() <= most));
        }
        let n = changes.len();
        let kg = median(&mut changes).unwrap_or(f64::NAN);
        let spread = mad_sd(&mut changes).unwrap_or(0.0);
        let sd = 1.25 * spread / (n.max(1) as f64).sqrt();
        common.push(Common { kg, sd, n });
    }
    common
}

/// Means around the nodes; NaN where a node has no readings.
pub fn node_means(grid: &Grid, series: &CleanSeries) -> Vec<f64> {
    let mut sums = vec![(0.0, 0u32); grid.len()];
    for (&time, &value) in series.times.iter().zip(&series.values) {
        let sum = &mut sums[grid.nearest(time)];
        sum.0 += value;
        sum.1 += 1;
    }
    let mean = |&(sum, n): &(f64, u32)| if n > 0 { sum / f64::from(n) } else { f64::NAN };
    sums.iter().map(mean).collect()
}

/// Millimetres that would explain common gains far above the usual of the same time of day.
fn rain_without_gauge(common: &[Common]) -> Vec<f64> {
    let mut rain = vec![0.0; common.len()];
    let mut usual = Vec::new();
    for of_day in 0..PER_DAY.min(common.len()) {
        let nodes = || (of_day..common.len()).step_by(PER_DAY);
        usual.clear();
        usual.extend(nodes().map(|k| common[k].kg).filter(|c| !c.is_nan()));
        let Some(centre) = median(&mut usual) else {
            continue;
        };
        let spread = mad_sd(&mut usual).unwrap_or(0.0);
        for k in nodes() {
            let more = common[k].kg - centre;
            if common[k].n >= LEAST_HIVES && more > UNGAUGED_KG.max(5.0 * spread) {
                rain[k] = more / KG_PER_MM;
            }
        }
    }
    rain
}

const WATER: usize = 0;
const BEFORE: usize = 1;

fn smooth_water(climate: &Climate, common: &[Common], rain: &[f64]) -> Vec<f64> {
    let n = common.len();
    let mut state = State {
        mean: [0.0; 2],
        covariance: [[0.0; 2]; 2],
    };
    let mut filtered: Vec<State<2>> = Vec::with_capacity(n);
    let mut transitions: Vec<Matrix<2>> = Vec::with_capacity(n);
    let mut updates: Vec<Option<Update<2>>> = Vec::with_capacity(n);
    for k in 0..n {
        let dark = climate.dark[k];
        let mm = rain[k].max(0.3 * rain[k.saturating_sub(1)]);
        let drying = if dark || mm > 0.0 {
            DRYING_HOURS[1]
        } else {
            DRYING_HOURS[0]
        };
        let stays = (-STEP_HOURS / drying).exp();
        let transition = [[stays, 0.0], [1.0, 0.0]];
        let loose = 0.5 * (1.0 - stays) * state.mean[WATER].max(0.0) + 5e-4;
        let noise = [
            [loose.powi(2) + (KG_PER_MM_SD * mm).powi(2), 0.0],
            [0.0, 0.0],
        ];
        state.predict(&transition, &[KG_PER_MM * mm, 0.0], &noise);
        let mut update = None;
        if common[k].n > 0 {
            let indoors = dark || mm > 0.1;
            let (sd, loss) = match indoors {
                true => (COMMON_SD_KG[0].hypot(common[k].sd), NIGHT_LOSS_KG),
                false => (COMMON_SD_KG[1].hypot(common[k].sd), 0.0),
            };
            let row = [1.0, -1.0];
            let residual = common[k].kg + loss - (state.mean[WATER] - state.mean[BEFORE]);
            let gate = 5.0 * state.variance_through(&row, sd.powi(2)).sqrt();
            if residual.abs() < gate || (mm > 0.0 && residual > 0.0) {
                update = Some(state.update(&row, residual, sd.powi(2)));
            }
        }
        transitions.push(transition);
        updates.push(update);
        filtered.push(state);
    }
    let mut water = vec![0.0; n];
    let mut adjoint = Adjoint::nothing();
    for k in (0..n).rev() {
        water[k] = filtered[k].smoothed_one(&adjoint, WATER).0.max(0.0);
        if let Some(update) = &updates[k] {
            adjoint.before_update(update);
        }
        adjoint.before_predict(&transitions[k]);
    }
    water
}
