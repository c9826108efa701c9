//! Hour by hour: what a hive gained, and what it should have gained.

use super::BalanceHour;
use crate::math::robust::Sorted;
use crate::series::grid::{Grid, PER_HOUR};

crate::numbers! { "estimate.losses.balance":
    /// A colony dries syrup over about this time, hours.
    DRYING_HOURS: f64 = 24.0, "h", [8.0, 72.0], Chosen;
    /// Of a kilogram eaten this much goes as water and as breath, before a yard shows its own: syrup
    /// between 1:1 and 2:1 down to honey loses 0.19 to 0.39 (mass balance), and brood costs some more.
    DRIED_SHARE: f64 = 0.32, "1", [0.11, 0.96], Chosen;
    /// How far a yard's own share of what dries off strays from the usual `DRIED_SHARE`, standard
    /// deviation.
    DRIED_SHARE_SD: f64 = 0.10, "1", [0.033, 0.3], Chosen;
    /// A hive's usual difference from its neighbours is learned from so many days on each side.
    USUAL_DAYS: i64 = 8, "d", [2.7, 24.0], Chosen;
    /// What the balance misses in common over hours, kg/h.
    MODEL_SD_KG: f64 = 0.006, "kg", [0.002, 0.018], Chosen;
    /// What the balance misses in common over hours of daylight, as a share of what the yard gains or
    /// loses in that hour.
    MODEL_SHARE: f64 = 0.35, "1", [0.12, 1.0], Chosen;
    /// The usual outflow is that of so many days on each side.
    OUTFLOW_DAYS: usize = 4, "d", [1.0, 12.0], Chosen;
    /// How often the usual outflow is worked out again, hours.
    OUTFLOW_EVERY: usize = 6, "1", [2.0, 18.0], Chosen;
    /// How often the usual difference is looked at again, days.
    USUAL_EVERY: usize = 3, "1", [1.0, 9.0], Chosen;
    /// The spread of an hour's difference where none is known, kg.
    UNKNOWN_SD_KG: f64 = 0.08, "kg", [0.027, 0.24], Chosen;
    /// The spread of an hour's difference is at least this, kg.
    LEAST_SD_KG: f64 = 0.008, "kg", [0.0027, 0.024], Chosen;
    /// How far a hive with no neighbour to compare it with strays in an hour, kg.
    ALONE_SD_KG: f64 = 0.03, "kg", [0.01, 0.09], Chosen;
    /// Less than this in an hour is no flow, l.
    FLOWS_L: f64 = 0.001, "l", [0.00033, 0.003], Chosen;
    /// An hour's gain strays by this, kg.
    HOUR_SD_KG: f64 = 0.03, "kg", [0.01, 0.09], Chosen;
    /// What breathing usually changes in an hour, kg.
    USUAL_LEVEL_KG: f64 = -0.004, "kg", [-0.012, -0.0013], Chosen;
    /// This many hours in a row tell as much as one that is independent.
    HOURS_THAT_GO_TOGETHER: f64 = 20.0, "1", [6.7, 60.0], Chosen;
    /// A yard's own share is not learned from fewer hours than this.
    LEAST_HOURS: f64 = 50.0, "h", [17.0, 150.0], Chosen;
    /// No yard dries less or more than these shares.
    DRIED_SHARES: [f64; 2] = [0.1, 0.6], "1", [0.033, 1.0], Chosen;
    /// An hour that lies further off the line than so many standard deviations counts less (Huber's weights).
    HUBER_SDS: f64 = 1.0, "1", [0.33, 3.0], Chosen;
}

/// One hive's series on the grid, as the balance needs them.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct BalanceInput {
    /// Weight at every node, steps taken out, kg; NaN where not known or disturbed.
    pub weight_kg: Vec<f64>,
    /// What left its feeders towards the colony, kg/h.
    pub eaten_kg: Vec<f64>,
    /// The part of it from feeders that do not stand on the scale, kg/h.
    pub brought_kg: Vec<f64>,
    /// What left its feeders, l/h, and the standard deviation.
    pub outflow: Vec<(f64, f64)>,
}

/// One hive's mass balance.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct HiveBalance {
    /// One for each full hour of the grid.
    pub hours: Vec<BalanceHour>,
    /// How many nodes the grid has.
    pub nodes: usize,
}

/// Balances all hives of a yard against each other. One entry for each input, in order.
pub fn balance_yard(grid: &Grid, hives: &[BalanceInput]) -> Vec<HiveBalance> {
    let n_hours = grid.len() / PER_HOUR;
    let gains: Vec<Vec<f64>> = hives
        .iter()
        .map(|hive| hourly_gain(hive, n_hours))
        .collect();
    let drying: Vec<Vec<f64>> = hives
        .iter()
        .map(|hive| hourly_drying(hive, n_hours))
        .collect();
    let brought: Vec<Vec<f64>> = hives
        .iter()
        .map(|hive| hourly_mean(&hive.brought_kg, n_hours))
        .collect();
    let share = dried_share(&gains, &drying, &brought);
    let rest = |h: usize, t: usize| gains[h][t] + share * drying[h][t] - brought[h][t];
    let yard: Vec<Sorted> = (0..n_hours)
        .map(|t| Sorted::of((0..hives.len()).map(|h| rest(h, t))))
        .collect();
    let mut results = Vec::with_capacity(hives.len());
    for h in 0..hives.len() {
        let control: Vec<(f64, usize)> = yard
            .iter()
            .enumerate()
            .map(|(t, yard)| control_group(yard, rest(h, t)))
            .collect();
        let usual = usual_of_day(h, n_hours, &rest, &control);
        let usual_outflow = usual_outflow(&hives[h], n_hours);
        let hours = (0..n_hours).map(|t| {
            let common = if control[t].0.is_nan() {
                0.0
            } else {
                control[t].0
            };
            let known = control[t].0.is_nan();
            let expected = common + usual[t].0 - share * drying[h][t] + brought[h][t];
            let alone = if known {
                ALONE_SD_KG
            } else {
                MODEL_SHARE * common.abs()
            };
            let sd = usual[t].1.hypot(MODEL_SD_KG).hypot(alone);
            let (outflow_l, outflow_sd_l) = mean_outflow(&hives[h], t);
            BalanceHour {
                gain_kg: gains[h][t],
                expected_kg: expected,
                sd_kg: sd,
                outflow_l,
                outflow_sd_l,
                usual_outflow_l: usual_outflow[t],
                ..BalanceHour::default()
            }
        });
        results.push(HiveBalance {
            hours: hours.collect(),
            nodes: grid.len(),
        });
    }
    results
}

fn hourly_gain(hive: &BalanceInput, n_hours: usize) -> Vec<f64> {
    let w = &hive.weight_kg;
    let at = |k: usize| w.get(k).copied().unwrap_or(f64::NAN);
    (0..n_hours)
        .map(|t| at(PER_HOUR * (t + 1)) - at(PER_HOUR * t))
        .collect()
}

fn hourly_mean(values: &[f64], n_hours: usize) -> Vec<f64> {
    let of = |t: usize| &values[PER_HOUR * t..PER_HOUR * (t + 1)];
    let mean = |slice: &[f64]| slice.iter().sum::<f64>() / slice.len() as f64;
    (0..n_hours).map(|t| mean(of(t))).collect()
}

fn mean_outflow(hive: &BalanceInput, t: usize) -> (f64, f64) {
    let of = &hive.outflow[PER_HOUR * t..PER_HOUR * (t + 1)];
    let n = of.len() as f64;
    let mean = of.iter().map(|o| o.0).sum::<f64>() / n;
    (mean, of.iter().map(|o| o.1).sum::<f64>() / n)
}

/// The median outflow of the days around each hour while anything flowed, l/h.
fn usual_outflow(hive: &BalanceInput, n_hours: usize) -> Vec<f64> {
    let reach = 24 * OUTFLOW_DAYS;
    let flows: Vec<f64> = (0..n_hours)
        .map(|t| mean_outflow(hive, t).0)
        .map(|flow| if flow > FLOWS_L { flow } else { f64::NAN })
        .collect();
    let mut usual = Vec::with_capacity(n_hours);
    let mut window = Sorted::default();
    let mut seen = 0..0;
    for block in 0..n_hours.div_ceil(OUTFLOW_EVERY) {
        let middle = block * OUTFLOW_EVERY + OUTFLOW_EVERY / 2;
        let around = middle.saturating_sub(reach)..n_hours.min(middle + reach);
        let (gone, come) = (seen.start..around.start, seen.end..around.end);
        flows[come].iter().for_each(|&flow| window.insert(flow));
        flows[gone].iter().for_each(|&flow| window.remove(flow));
        seen = around;
        let found = window.median().unwrap_or(0.0);
        usual.extend(std::iter::repeat_n(found, OUTFLOW_EVERY));
    }
    usual.truncate(n_hours);
    usual
}

/// What was eaten, spread over the time in which it dries, kg/h: a first-order lag.
fn hourly_drying(hive: &BalanceInput, n_hours: usize) -> Vec<f64> {
    let eaten = hourly_mean(&hive.eaten_kg, n_hours);
    let share = 1.0 - (-1.0 / DRYING_HOURS).exp();
    let mut pool = 0.0;
    let follow = |&kg: &f64| {
        pool += share * (kg.max(0.0) - pool);
        pool
    };
    eaten.iter().map(follow).collect()
}

/// The yard's own share of what is eaten that goes as water: a line through gains of all hives and
/// hours against the drying expected, by weighted least squares with doubt of far-off points
/// (Huber's weights) and with the usual share as prior.
fn dried_share(gains: &[Vec<f64>], drying: &[Vec<f64>], brought: &[Vec<f64>]) -> f64 {
    let noise = HOUR_SD_KG;
    let (mut share, mut level) = (DRIED_SHARE, USUAL_LEVEL_KG);
    for _ in 0..6 {
        let mut s = [0.0; 5];
        for (h, gain) in gains.iter().enumerate() {
            for (t, &gain) in gain.iter().enumerate() {
                let (x, y) = (drying[h][t], gain - brought[h][t]);
                if y.is_nan() {
                    continue;
                }
                let off = (y - level + share * x).abs() / noise;
                let w = if off > HUBER_SDS {
                    HUBER_SDS / off
                } else {
                    1.0
                };
                for (sum, add) in s.iter_mut().zip([w, w * x, w * x * x, w * y, w * x * y]) {
                    *sum += add;
                }
            }
        }
        // Hours of one day go together: some twenty of them say what one independent one would.
        let prior = HOURS_THAT_GO_TOGETHER * noise * noise / (DRIED_SHARE_SD * DRIED_SHARE_SD);
        let (n, x, xx, y, xy) = (s[0], s[1], s[2] + prior, s[3], s[4] - prior * DRIED_SHARE);
        let determinant = n * xx - x * x;
        if n < LEAST_HOURS || determinant <= 0.0 {
            return DRIED_SHARE;
        }
        share = -(n * xy - x * y) / determinant;
        level = (y + share * x) / n;
    }
    share.clamp(DRIED_SHARES[0], DRIED_SHARES[1])
}

/// What the other hives of the yard gained beyond what they were expected to: median and how many.
fn control_group(yard: &Sorted, own: f64) -> (f64, usize) {
    match yard.median_beside(own) {
        (n, Some(median)) if n > 1 => (median, n),
        (n, _) => (f64::NAN, n),
    }
}

/// How a hive usually differs from its control group at each hour, from the same time of day (an
/// hour either way) of the days around: median and spread.
fn usual_of_day(
    own: usize,
    n_hours: usize,
    rest: &impl Fn(usize, usize) -> f64,
    control: &[(f64, usize)],
) -> Vec<(f64, f64)> {
    let common = |t: usize| {
        if control[t].0.is_nan() {
            0.0
        } else {
            control[t].0
        }
    };
    let difference: Vec<f64> = (0..n_hours).map(|t| rest(own, t) - common(t)).collect();
    let difference = |t: i64| {
        let known = usize::try_from(t).ok().and_then(|t| difference.get(t));
        known.copied().unwrap_or(f64::NAN)
    };
    let mut usual = vec![(0.0, UNKNOWN_SD_KG); n_hours];
    for hour in 0..24 {
        let around = |day: i64| {
            (-1..=1)
                .map(move |near| 24 * day + hour + near)
                .map(&difference)
        };
        let mut window = Sorted::default();
        let mut seen = -USUAL_DAYS..-USUAL_DAYS;
        for first in (0..n_hours).step_by(24 * USUAL_EVERY) {
            let middle = (first / 24 + USUAL_EVERY / 2) as i64;
            let days = middle - USUAL_DAYS..middle + USUAL_DAYS + 1;
            let (come, gone) = (seen.end..days.end, seen.start..days.start);
            come.flat_map(around).for_each(|kg| window.insert(kg));
            gone.flat_map(around).for_each(|kg| window.remove(kg));
            seen = days;
            if window.len() < 6 {
                continue;
            }
            let (centre, sd) = window.median_and_sd().unwrap_or((0.0, UNKNOWN_SD_KG));
            for day in 0..USUAL_EVERY {
                if let Some(slot) = usual.get_mut(first + 24 * day + hour as usize) {
                    *slot = (centre, sd.max(LEAST_SD_KG));
                }
            }
        }
    }
    usual
}
