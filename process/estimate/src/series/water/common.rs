//! What the hives of a yard do in common, and what is usual for them on a dry day.

use crate::math::robust::{mad_sd, median};
use crate::series::Look;
use crate::series::clean::CleanSeries;
use crate::series::grid::{Grid, PER_DAY};

crate::numbers! { "estimate.series.water.common":
    /// What the hives themselves may stray from their usual course, kg a day, at least and at most.
    OWN_SD_KG: [f64; 2] = [0.05, 0.5], "kg", [0.017, 1.5], Chosen;
    /// The usual course is that of so many days on each side.
    USUAL_DAYS: usize = 8, "d", [2.0, 24.0], Chosen;
    /// The usual course is known from so many dry days on.
    LEAST_DAYS: usize = 4, "d", [1.0, 12.0], Chosen;
    /// Without a gauge a common gain in half an hour above this is rain, if it also stands out by
    /// `RAIN_SPREADS`, kg.
    UNGAUGED_KG: f64 = 0.1, "kg", [0.033, 0.3], Chosen;
    /// It takes so many scales to tell rain from hands without a gauge.
    LEAST_HIVES: usize = 3, "1", [1.0, 9.0], Chosen;
    /// A change in half an hour above this, and above what rain can bring, is a hand's, kg.
    MOST_BY_BEES_KG: f64 = 0.2, "kg", [0.067, 0.6], Chosen;
    /// A millimetre of rain brings no more than this onto a hive, kg/mm.
    MOST_KG_PER_MM: f64 = 0.3, "kg/mm", [0.1, 0.9], Chosen;
    /// A visit to the yard is taken to reach so many nodes before and after the steps that hands made.
    VISIT_NODES: usize = 2, "1", [1.0, 6.0], Chosen;
    /// During a visit a common gain of the hives that hands did not load is rain only above this, kg: a
    /// cloudburst.
    VISITED_KG: f64 = 0.4, "kg", [0.13, 1.2], Chosen;
    /// More than rain or bees bring or take from one reading to the next, kg.
    SURELY_HANDS_KG: f64 = 1.3, "kg", [0.43, 3.9], Chosen;
    /// A scale silent for longer than this starts anew.
    SILENT_NODES: usize = 6, "1", [2.0, 18.0], Chosen;
    /// A median is this much noisier than a mean (normal noise).
    MEDIAN_SD: f64 = 1.25, "1", [1.25, 1.25], Defined;
    /// Without a gauge a common gain is rain when it is more than so many times the usual spread at
    /// that time of day.
    RAIN_SPREADS: f64 = 5.0, "1", [1.7, 15.0], Chosen;
    /// What hives stray where too few days tell, kg a day.
    UNKNOWN_OWN_SD_KG: f64 = 0.1, "kg", [0.033, 0.3], Chosen;
}

/// What the hives of a yard gained in common from one node to the next.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) struct Common {
    /// Median over the hives, kg; NaN where none is known.
    pub kg: f64,
    /// Standard deviation of `kg` as the hives' spread tells, kg.
    pub sd: f64,
    /// How many hives spoke.
    pub n: usize,
}

/// A hive's weight at every node, kg; NaN where it is not known or hands put on or took off a load: a
/// node's mean would make a ramp of that, as rain is one. These nodes are marked in `hands`.
pub fn undisturbed(grid: &Grid, series: &CleanSeries, hands: &mut [bool]) -> Vec<f64> {
    let mut weights = grid.means(series.readings(), Look::Around);
    let (times, values) = (&series.times, &series.values);
    for i in 1..values.len() {
        if (values[i] - values[i - 1]).abs() > SURELY_HANDS_KG {
            let nodes = grid.nearest(times[i - 1])..=grid.nearest(times[i]);
            weights[nodes.clone()].fill(f64::NAN);
            hands[nodes].fill(true);
        }
    }
    weights
}

/// The common course is the median over the hives of each one's own course, hands taken out, less its
/// usual distance from the common one: a gust on one scale is gone with the next reading, where a sum
/// of median changes would keep it.
pub(super) fn common_changes(at_nodes: &[Vec<f64>], rain_mm: &[f64], most_kg: f64) -> Vec<Common> {
    let mut courses = vec![OwnCourse::default(); at_nodes.len()];
    let mut levels = Vec::with_capacity(at_nodes.len());
    let mut changes = Vec::with_capacity(at_nodes.len());
    let mut common = Vec::with_capacity(rain_mm.len());
    let mut level = 0.0;
    for k in 0..rain_mm.len() {
        levels.clear();
        changes.clear();
        let rain = rain_mm[k].max(rain_mm[k.saturating_sub(1)]);
        let most = |last: usize| {
            let nodes = (k - last).max(1) as f64;
            (nodes * (MOST_BY_BEES_KG + MOST_KG_PER_MM * rain)).min(most_kg)
        };
        for (course, kg) in courses.iter_mut().zip(at_nodes) {
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
        let sd = MEDIAN_SD * spread / (n.max(1) as f64).sqrt();
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
    /// The hive's distance from the yard's common course, kg.
    apart: f64,
    /// Whether it has been silent for too long to be compared.
    joins: bool,
}

impl OwnCourse {
    /// Takes in the weight at node `k`; returns the change, if it tells anything.
    fn follow(&mut self, k: usize, weight: f64, most: impl Fn(usize) -> f64) -> Option<f64> {
        if weight.is_nan() {
            return None;
        }
        let (last, before) = self.last.replace((k, weight)).unwrap_or((0, weight));
        self.joins = k - last > SILENT_NODES || k == last;
        let change = weight - before;
        if self.joins || change.abs() > most(last) {
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

/// Millimetres that would explain common gains far above the usual of the same time of day.
pub(super) fn rain_without_gauge(common: &[Common], hands: &[bool], kg_per_mm: f64) -> Vec<f64> {
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
            let around = k.saturating_sub(VISIT_NODES)..common.len().min(k + VISIT_NODES + 1);
            let visited = hands.get(around).is_some_and(|near| near.contains(&true));
            let least = if visited { VISITED_KG } else { UNGAUGED_KG };
            if common[k].n >= LEAST_HIVES && more > least.max(RAIN_SPREADS * spread) {
                rain[k] = more / kg_per_mm;
            }
        }
    }
    rain
}

/// Nodes at which nothing has fallen for half a day.
pub(super) fn dry_nodes(rain: &[f64]) -> Vec<bool> {
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
pub(super) fn usual_course(common: &[Common], dry: &[bool]) -> Vec<f64> {
    let n = common.len();
    let mut near = Vec::new();
    let mut usual = vec![0.0; n];
    for (k, usual) in usual.iter_mut().enumerate() {
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
        *usual = median(&mut near).unwrap_or(0.0);
    }
    usual
}

/// How far the hives stray from that from one dry day to the next at every node, kg a day: a flow
/// makes it large.
pub(super) fn own_sd(common: &[Common], usual: &[f64], dry: &[bool]) -> Vec<f64> {
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
            let spread = if known {
                square.sqrt()
            } else {
                UNKNOWN_OWN_SD_KG
            };
            spread.clamp(OWN_SD_KG[0], OWN_SD_KG[1])
        })
        .collect();
    let at = |k: usize| spreads[(k / EVERY).saturating_sub(2).min(spreads.len() - 1)];
    (0..common.len()).map(at).collect()
}
