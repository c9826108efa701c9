//! Rain, dew and snow on the hives: every hive of a yard gains at once what no bee carried in.
//!
//! The gauge says when, where there is one; the scales say how much. Followed are the water `W` on a
//! hive and what the hives' own weight `H` strays from the usual course of a dry day, kg, from node
//! to node: `W' = d W + a rain + noise`, `H' = H + noise`. Observed is the yard's common course of
//! weight, less the usual one, `y = W + H + noise`: closely in the dark, when bees are in, loosely by
//! day. So what lay on the hives at night is known from the dry nights on both sides of a rain. `d`
//! follows how well the air dries (H. L. Penman, *Natural evaporation from open water, bare soil and
//! grass*, Proc. R. Soc. A 193 (1948) 120-145). Filter and smoother as in [`crate::kalman`].

use crate::clean::CleanSeries;
use crate::climate::Climate;
use crate::grid::{Grid, PER_DAY, STEP_HOURS};
use crate::kalman::{Adjoint, Matrix, State, Update};
use crate::robust::{mad_sd, median};

/// On a square metre a millimetre weighs a kilogram; a hive's roof has some 0.2 m2, and part of it runs
/// off at once, kg/mm.
const KG_PER_MM: f64 = 0.08;
/// How far that is off, as a share, and as snow, which stays, kg/mm.
const KG_PER_MM_SHARE: f64 = 0.7;
const SNOW_KG_PER_MM_SD: f64 = 0.15;
/// Wood and roof hold so much, kg, more or less; all other rain runs off (a store that fills: A. J.
/// Rutter and others, Agric. Meteorol. 9 (1971) 367-384, there for leaves).
const HOLDS_KG: f64 = 0.3;
const HOLDS_SD_KG: f64 = 0.1;
/// Below this it snows, Cel.
const SNOW_BELOW: f64 = 1.0;
/// A roof that holds about so much is wet all over, kg: what evaporates is that of a wet surface, and
/// less in proportion when less is left.
const WET_ROOF_KG: f64 = 0.25;
/// And a hive's roof and damp walls are about so large, m2.
const WET_M2: f64 = 0.2;
/// Drying has a time constant within these, hours.
const DRYING_HOURS: [f64; 2] = [1.5, 60.0];
/// How far that is off, as a share; errors of some hours go together.
const DRYING_SHARE: f64 = 2.0;
/// How exactly the common course of weight is read, kg.
const READING_SD_KG: f64 = 0.008;
/// How much bees in flight, wind and a flow move it by day against the usual, kg, and for how long,
/// hours; in the dark and in rain they are in.
const FLIGHT_SD_KG: [f64; 2] = [0.008, 0.10];
const FLIGHT_HOURS: [f64; 2] = [0.7, 2.5];
/// What the hives themselves may stray from their usual course, kg a day, at least and at most.
const OWN_SD_KG: [f64; 2] = [0.05, 0.5];
/// Part of it in the dark.
const OWN_NIGHT_SHARE: f64 = 0.3;
/// The usual course is that of so many days on each side.
const USUAL_DAYS: usize = 8;
/// It takes so many dry days to know it.
const LEAST_DAYS: usize = 4;
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

/// The common course is the median over the hives of each one's own course, hands taken out, less its
/// usual distance from the common one: a gust on one scale is gone with the next reading, where a sum
/// of median changes would keep it.
fn common_changes(grid: &Grid, scales: &[CleanSeries], rain_mm: &[f64]) -> Vec<Common> {
    let at_nodes: Vec<Vec<f64>> = scales.iter().map(|scale| node_means(grid, scale)).collect();
    let mut courses = vec![OwnCourse::default(); scales.len()];
    let mut levels = Vec::with_capacity(scales.len());
    let mut changes = Vec::with_capacity(scales.len());
    let mut common = Vec::with_capacity(grid.len());
    let mut level = 0.0;
    for k in 0..grid.len() {
        levels.clear();
        changes.clear();
        let rain = rain_mm[k].max(rain_mm[k.saturating_sub(1)]);
        let most = MOST_BY_BEES_KG + MOST_KG_PER_MM * rain;
        for (course, kg) in courses.iter_mut().zip(&at_nodes) {
            if let Some(change) = course.follow(k, kg[k], most) {
                changes.push(change);
                levels.push(course.kg - course.apart);
            }
        }
        let n = levels.len();
        let before = level;
        level = median(&mut levels).unwrap_or(level);
        let kg = if n > 0 { level - before } else { f64::NAN };
        let spread = mad_sd(&mut changes).unwrap_or(0.0);
        let sd = 1.25 * spread / (n.max(1) as f64).sqrt();
        common.push(Common { kg, sd, n });
        for course in &mut courses {
            course.compare(k, level);
        }
    }
    common
}

/// One hive's weight with what hands did taken out.
#[derive(Clone, Default)]
struct OwnCourse {
    /// Node and weight when it was last read.
    last: Option<(usize, f64)>,
    /// The course, kg.
    kg: f64,
    /// Its distance from the yard's common one, kg.
    apart: f64,
    /// Whether it has been silent for too long to be compared.
    joins: bool,
}

impl OwnCourse {
    /// Takes in the weight at node `k`; returns the change, if it tells anything.
    fn follow(&mut self, k: usize, weight: f64, most: f64) -> Option<f64> {
        if weight.is_nan() {
            return None;
        }
        let (last, before) = self.last.replace((k, weight)).unwrap_or((0, weight));
        self.joins = k - last > SILENT_NODES || k == last;
        let change = weight - before;
        if self.joins || change.abs() > most {
            return None;
        }
        self.kg += change;
        Some(change)
    }

    fn compare(&mut self, k: usize, level: f64) {
        if self.joins {
            self.apart = self.kg - level;
        } else if self.last.is_some_and(|(last, _)| last == k) {
            self.apart += (self.kg - level - self.apart) / PER_DAY as f64;
        }
    }
}

/// A scale silent for longer than this starts anew.
const SILENT_NODES: usize = 6;

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

/// Nodes at which nothing has fallen for half a day.
fn dry_nodes(rain: &[f64]) -> Vec<bool> {
    let mut last_wet: Option<usize> = None;
    let mut dry = Vec::with_capacity(rain.len());
    for (k, &mm) in rain.iter().enumerate() {
        if mm > 0.0 {
            last_wet = Some(k);
        }
        dry.push(last_wet.is_none_or(|wet| k - wet > PER_DAY / 2));
    }
    dry
}

/// What the hives usually change from one node to the next at that time of a dry day, kg.
fn usual_course(common: &[Common], dry: &[bool]) -> Vec<f64> {
    let n = common.len();
    let mut near = Vec::new();
    let mut usual = vec![0.0; n];
    for k in 0..n {
        near.clear();
        let first = k.checked_sub(USUAL_DAYS * PER_DAY).unwrap_or(k % PER_DAY);
        let nodes = (first..n.min(k + USUAL_DAYS * PER_DAY + 1)).step_by(PER_DAY);
        near.extend(
            nodes
                .filter(|&j| dry[j] && common[j].n > 0)
                .map(|j| common[j].kg),
        );
        if near.len() < LEAST_DAYS {
            let nodes = (k % PER_DAY..n).step_by(PER_DAY);
            near.clear();
            near.extend(nodes.filter(|&j| common[j].n > 0).map(|j| common[j].kg));
        }
        usual[k] = median(&mut near).unwrap_or(0.0);
    }
    usual
}

/// How far the hives stray from that from one dry day to the next at every node, kg a day: a flow
/// makes it large.
fn own_sd(common: &[Common], usual: &[f64], dry: &[bool]) -> Vec<f64> {
    const EVERY: usize = PER_DAY / 4;
    let mut days: Vec<f64> = Vec::new();
    for first in (0..common.len().saturating_sub(PER_DAY)).step_by(EVERY) {
        let nodes = first..first + PER_DAY;
        let dry = nodes.clone().all(|k| dry[k] && common[k].n > 0);
        let strayed = nodes.map(|k| common[k].kg - usual[k]).sum();
        days.push(if dry { strayed } else { f64::NAN });
    }
    let mut near: Vec<f64> = Vec::new();
    let spreads: Vec<f64> = (0..days.len().max(1))
        .map(|i| {
            let reach = USUAL_DAYS * PER_DAY / EVERY;
            near.clear();
            let around = i.saturating_sub(reach)..days.len().min(i + reach + 1);
            near.extend(days[around].iter().filter(|d| !d.is_nan()));
            let known = near.len() >= LEAST_DAYS;
            let square = near.iter().map(|d| d * d).sum::<f64>() / near.len().max(1) as f64;
            let spread = if known { square.sqrt() } else { 0.1 };
            spread.clamp(OWN_SD_KG[0], OWN_SD_KG[1])
        })
        .collect();
    let at = |k: usize| spreads[(k / EVERY).saturating_sub(2).min(spreads.len() - 1)];
    (0..common.len()).map(at).collect()
}

/// The time constant with which a wet hive dries at every node, hours.
fn drying_hours(climate: &Climate) -> Vec<f64> {
    let hours = climate.drying_mm_per_hour.iter().map(|mm| {
        let hours = WET_ROOF_KG / (WET_M2 * mm);
        hours.clamp(DRYING_HOURS[0], DRYING_HOURS[1])
    });
    hours.collect()
}

const WATER: usize = 0;
const OWN: usize = 1;
const FLIGHT: usize = 2;

fn smooth_water(climate: &Climate, common: &[Common], rain: &[f64]) -> Vec<f64> {
    let n = common.len();
    let dry = dry_nodes(rain);
    let usual = usual_course(common, &dry);
    let own_sds = own_sd(common, &usual, &dry);
    let hours = drying_hours(climate);
    let mut state = State {
        mean: [0.0; 3],
        covariance: [[0.01, 0.0, 0.0], [0.0, 1e-4, 0.0], [0.0, 0.0, 1e-4]],
    };
    let mut filtered: Vec<State<3>> = Vec::with_capacity(n);
    let mut transitions: Vec<Matrix<3>> = Vec::with_capacity(n);
    let mut updates: Vec<Option<Update<3>>> = Vec::with_capacity(n);
    let mut course = 0.0;
    for k in 0..n {
        let dark = climate.dark[k];
        let mm = rain[k].max(0.3 * rain[k.saturating_sub(1)]);
        let drying = if mm > 0.0 { DRYING_HOURS[1] } else { hours[k] };
        let stays = (-STEP_HOURS / drying).exp();
        let by_day = usize::from(!dark && mm <= INDOORS_MM);
        let lasts = (-STEP_HOURS / FLIGHT_HOURS[by_day]).exp();
        let snow = climate.air[k] < SNOW_BELOW;
        let room = if snow {
            1.0
        } else {
            (-KG_PER_MM * mm / HOLDS_KG).exp()
        };
        let held = if snow {
            KG_PER_MM * mm
        } else {
            HOLDS_KG * (1.0 - room)
        };
        let transition = [[stays * room, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, lasts]];
        let fallen = if snow {
            SNOW_KG_PER_MM_SD * mm
        } else {
            (KG_PER_MM_SHARE * held).hypot(HOLDS_SD_KG * (1.0 - room * room).sqrt())
        };
        let loose = DRYING_SHARE * (1.0 - stays) * state.mean[WATER].max(0.0) + 5e-4;
        let own_by_day = own_sds[k] / (0.6 * PER_DAY as f64).sqrt();
        let mut own = if by_day == 1 {
            own_by_day
        } else {
            OWN_NIGHT_SHARE * own_by_day
        };
        if common[k].n == 0 {
            // Nobody saw this step.
            own = own.max(UNSEEN_SD_KG);
        } else {
            course += common[k].kg - usual[k];
        }
        let mut noise = [[0.0; 3]; 3];
        noise[WATER][WATER] = loose.powi(2) + fallen.powi(2);
        noise[OWN][OWN] = own.powi(2) + (0.15 * common[k].sd).powi(2);
        noise[FLIGHT][FLIGHT] = FLIGHT_SD_KG[by_day].powi(2) * (1.0 - lasts * lasts);
        state.predict(&transition, &[held, 0.0, 0.0], &noise);
        let mut update = None;
        if common[k].n > 0 {
            let row = [1.0; 3];
            let residual = course - state.mean.iter().sum::<f64>();
            let noise = READING_SD_KG.powi(2) + (0.7 * common[k].sd).powi(2);
            let gate = 5.0 * state.variance_through(&row, noise).sqrt();
            if residual.abs() < gate || mm > 0.0 {
                update = Some(state.update(&row, residual, noise));
            } else {
                // Hands, or foragers in numbers: no water, and no news of it.
                course -= residual;
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

/// In more rain than this in half an hour bees stay in, mm.
const INDOORS_MM: f64 = 0.1;
/// What a step that no scale saw leaves open, kg.
const UNSEEN_SD_KG: f64 = 0.05;
