//! At which temperature of the syrup colonies take it: from nothing to freely along a straight line,
//! which starts and ends elsewhere from place to place.
//!
//! Common practice says about where; a yard's own feeders say more. Every half day in which a feeder
//! was watched is held against what each possible line expects of it, by what that colony took before,
//! so that nothing later is in what is believed at a node. A line that foretold the yard's half days
//! better weighs more, and what is believed is the mean of them all.

use super::pace::{uptake, uptake_sd};
use super::signals::FeederSignals;
use super::{Episode, Exclusions, RuleContext, goal};
use larder_estimate::series::grid::PER_DAY;
use larder_syrup::Estimate;

larder_estimate::numbers! { "flags.taking":
    /// Half days are held against what is expected of them.
    WINDOW_NODES: usize = 24, "1", [8.0, 72.0], Chosen;
    /// Colonies may start to take so much above or below what is common, K.
    STARTS_K: [f64; 7] = [-6.0, -4.0, -2.0, 0.0, 2.0, 4.0, 6.0], "K", [-18.0, 18.0], Chosen;
    /// Colonies take freely at so many times the common distance above where they start.
    WIDTHS: [f64; 5] = [0.5, 0.75, 1.0, 1.4, 1.9], "1", [0.17, 5.7], Chosen;
    /// How far places lie apart in where colonies start, K (common practice: 8 to 12 Cel).
    START_SD_K: f64 = 2.5, "K", [0.83, 7.5], CommonPractice;
    /// How far places lie apart in how much more warmth makes them take freely, logarithm (common
    /// practice: 16 to 24 Cel).
    WIDTH_LOG_SD: f64 = 0.4, "1", [0.13, 1.2], CommonPractice;
    /// Half days of one colony differ by this share of what it takes.
    APPETITE_SD: f64 = 0.5, "1", [0.17, 1.5], Chosen;
    /// This share of half days tells nothing of warmth: brood, hands, a change of mind.
    STRANGE_SHARE: f64 = 0.1, "1", [0.033, 0.3], Chosen;
    /// In this share of half days nothing is taken whatever the warmth: a colony that is full, a flow
    /// that nobody saw.
    IDLE_SHARE: f64 = 0.1, "1", [0.033, 0.3], Chosen;
    /// A strange half day lies anywhere within so many times what is expected.
    STRANGE_REACH: f64 = 3.0, "1", [1.0, 9.0], Chosen;
    /// Half days of neighbours, and half days in a row, have their weather in common: each counts so
    /// much of one that stands alone.
    APART: f64 = 0.25, "1", [0.083, 0.75], Chosen;
    /// A feeder with less than this share of its capacity in it says nothing of appetite.
    LEAST_SHARE: f64 = 0.1, "1", [0.033, 0.3], Chosen;
    /// The goal's pace counts as so many half days at full ease.
    PAR_WINDOWS: f64 = 2.0, "1", [0.67, 6.0], Chosen;
    /// A temperature may be off by so many standard deviations: the middles of five equal shares of a
    /// normal distribution.
    SHIFT_SDS: [f64; 5] = [-1.28, -0.52, 0.0, 0.52, 1.28], "1", [-1.3, 1.3], Defined;
    /// The least that is expected, l in half a day: nothing is foretold to nothing.
    LEAST_L: f64 = 0.005, "l", [0.0017, 0.015], Chosen;
}

const LINES: usize = STARTS_K.len() * WIDTHS.len();

/// A straight line from nothing to freely.
#[derive(Clone, Copy)]
struct Line {
    none_cel: f64,
    free_cel: f64,
}

impl Line {
    fn ease(&self, celsius: f64) -> f64 {
        ((celsius - self.none_cel) / (self.free_cel - self.none_cel)).clamp(0.0, 1.0)
    }
}

/// What is believed of a yard's colonies, node by node.
pub(super) struct Taking {
    /// For each hive and feeder the mean ease of the 24 hours before each node; NaN where less than
    /// half of it is known.
    easy: Vec<Vec<Vec<f64>>>,
    /// For each hive its lines.
    lines: Vec<[Line; LINES]>,
    /// How much each line weighs in each half day.
    weights: Vec<[f64; LINES]>,
}

impl Taking {
    /// Learns it from the yard's watched feeders.
    pub(super) fn of(
        context: &RuleContext<'_>,
        exclusions: &Exclusions,
        flow: &[Vec<Episode>],
    ) -> Self {
        let hives = 0..context.signals.hives.len();
        let lines: Vec<_> = hives.map(|h| lines(context, h)).collect();
        let weights = weights(context, exclusions, flow, &lines);
        let easy = context
            .signals
            .hives
            .iter()
            .zip(&lines)
            .map(|(hive, lines)| {
                let feeders = hive.feeders.iter();
                feeders
                    .map(|feeder| easy(feeder, lines, &weights))
                    .collect()
            });
        Self {
            easy: easy.collect(),
            lines,
            weights,
        }
    }

    /// How easily a feeder's syrup was taken in the 24 hours before each node, 0 to 1.
    pub(super) fn easy(&self, (h, f): (usize, usize)) -> &[f64] {
        &self.easy[h][f]
    }

    /// How likely it is that in the 24 hours before a node a feeder's syrup was taken less easily than
    /// `ease`, by what was seen up to it: lines differ, and so may the syrup from what is thought of it.
    pub(super) fn harder_than(&self, feeder: &FeederSignals, h: usize, k: usize, ease: f64) -> f64 {
        let day = &feeder.syrup[k.saturating_sub(PER_DAY - 1)..=k];
        let doubts = SHIFT_SDS.map(|sds| sds * feeder.celsius_sd());
        let pairs = self.lines[h].iter().zip(&self.weights[k / WINDOW_NODES]);
        pairs
            .map(|(line, weight)| {
                let harder = doubts.iter().filter(|&&doubt| {
                    let known = day.iter().filter(|v| !v.is_nan());
                    let each = known.map(|&celsius| line.ease(celsius + doubt));
                    let (sum, n) = each.fold((0.0, 0usize), |(sum, n), e| (sum + e, n + 1));
                    sum < ease * n as f64
                });
                weight * harder.count() as f64 / doubts.len() as f64
            })
            .sum()
    }

    /// Below which temperature a hive's colony takes nothing, by what was seen up to a node, Cel.
    pub(super) fn none_cel(&self, h: usize, k: usize) -> Estimate {
        let weights = &self.weights[k / WINDOW_NODES];
        let each = || self.lines[h].iter().zip(weights);
        let mean: f64 = each().map(|(line, w)| w * line.none_cel).sum();
        let variance: f64 = each()
            .map(|(line, w)| w * (line.none_cel - mean).powi(2))
            .sum();
        Estimate::normal(mean, variance.sqrt())
    }
}

/// The lines that are possible about the hive's thresholds.
fn lines(context: &RuleContext<'_>, h: usize) -> [Line; LINES] {
    let cold = &context.parameters(h).cold;
    std::array::from_fn(|i| {
        let none_cel = cold.none_cel + STARTS_K[i / WIDTHS.len()];
        Line {
            none_cel,
            free_cel: none_cel + WIDTHS[i % WIDTHS.len()] * (cold.free_cel - cold.none_cel),
        }
    })
}

/// How likely each line is before anything was seen, logarithm.
fn before(i: usize) -> f64 {
    let start = STARTS_K[i / WIDTHS.len()] / START_SD_K;
    let width = WIDTHS[i % WIDTHS.len()].ln() / WIDTH_LOG_SD;
    -(start * start + width * width) / 2.0
}

/// What is known of one colony by each line: litres taken and ease had in half days before.
struct Colony {
    at: (usize, usize),
    sd_l: f64,
    taken: f64,
    eased: [f64; LINES],
    par: f64,
}

fn weights(
    context: &RuleContext<'_>,
    exclusions: &Exclusions,
    flow: &[Vec<Episode>],
    lines: &[[Line; LINES]],
) -> Vec<[f64; LINES]> {
    let watched = context.feeders().filter(|found| found.3.sensed);
    let mut colonies: Vec<Colony> = watched
        .map(|(h, f, _, feeder)| Colony {
            at: (h, f),
            sd_l: uptake_sd(feeder, context.feeder(h, f).capacity_l),
            taken: 0.0,
            eased: [0.0; LINES],
            par: f64::NAN,
        })
        .collect();
    let mut logs: [f64; LINES] = std::array::from_fn(before);
    let mut found = Vec::with_capacity(context.signals.last / WINDOW_NODES + 1);
    for k in (0..=context.signals.last).step_by(WINDOW_NODES) {
        for colony in &mut colonies {
            let Some(taken) = seen(context, exclusions, flow, colony.at, k) else {
                continue;
            };
            let (h, f) = colony.at;
            let syrup = &context.signals.hives[h].feeders[f].syrup[k - WINDOW_NODES..=k];
            if syrup.iter().any(|v| v.is_nan()) {
                continue;
            }
            let first = colony.par.is_nan();
            if first {
                let days = WINDOW_NODES as f64 / PER_DAY as f64;
                colony.par = days * goal::litres_per_day(context, h, f, k);
            }
            for (i, line) in lines[h].iter().enumerate() {
                let ease = syrup.iter().map(|&t| line.ease(t)).sum::<f64>() / syrup.len() as f64;
                let usual =
                    (PAR_WINDOWS * colony.par + colony.taken) / (PAR_WINDOWS + colony.eased[i]);
                if !first {
                    logs[i] += APART * foretold(taken, usual, ease, colony.sd_l);
                }
                colony.eased[i] += ease;
            }
            colony.taken += taken.max(0.0);
        }
        let most = logs.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let mut weights = logs.map(|log| (log - most).exp());
        let sum: f64 = weights.iter().sum();
        weights.iter_mut().for_each(|w| *w /= sum);
        found.push(weights);
    }
    found
}

/// What went out of a feeder in the half day before `k`, l, where that tells of warmth.
fn seen(
    context: &RuleContext<'_>,
    exclusions: &Exclusions,
    flow: &[Vec<Episode>],
    (h, f): (usize, usize),
    k: usize,
) -> Option<f64> {
    let from = k.checked_sub(WINDOW_NODES)?;
    let feeder = &context.signals.hives[h].feeders[f];
    let at = context.signals.grid.time(k);
    let flows = flow[h].iter().any(|episode| episode.holds_at(at));
    let blind = exclusions.level(context, h, f, k) || exclusions.off(context, h, f, k);
    let least_l = LEAST_SHARE * context.feeder(h, f).capacity_l;
    let scarce = feeder.filtered[from].litres < least_l || feeder.filtered[k].litres < least_l;
    if flows || blind || scarce || feeder.filled[from].is_none() {
        return None;
    }
    let taken = uptake(context, h, f, k, WINDOW_NODES);
    (!taken.is_nan()).then_some(taken)
}

/// How well a line foretold a half day, logarithm of a density.
fn foretold(taken: f64, usual: f64, ease: f64, sd_l: f64) -> f64 {
    let density =
        |off: f64, sd: f64| (-(off / sd).powi(2) / 2.0).exp() / (sd * std::f64::consts::TAU.sqrt());
    let expected = usual * ease;
    let noise = sd_l.max(LEAST_L);
    let plain = density(taken - expected, noise.hypot(APPETITE_SD * expected));
    let strange = 1.0 / (STRANGE_REACH * usual.max(LEAST_L));
    ((1.0 - STRANGE_SHARE - IDLE_SHARE) * plain
        + STRANGE_SHARE * strange
        + IDLE_SHARE * density(taken, noise))
    .ln()
}

/// The mean ease of the 24 hours before each node.
fn easy(feeder: &FeederSignals, lines: &[Line; LINES], weights: &[[f64; LINES]]) -> Vec<f64> {
    let each = feeder.syrup.iter().enumerate().map(|(k, &celsius)| {
        let weights = &weights[(k / WINDOW_NODES).min(weights.len() - 1)];
        let pairs = lines.iter().zip(weights);
        pairs.map(|(line, w)| w * line.ease(celsius)).sum::<f64>()
    });
    // NaN.clamp is NaN, so that what is not known stays so.
    let ease: Vec<f64> = each.collect();
    mean_of_day(&ease)
}

/// Means of the 24 hours up to each node; NaN where less than half of them is known.
pub(super) fn mean_of_day(values: &[f64]) -> Vec<f64> {
    let day = PER_DAY;
    let (mut sum, mut n) = (0.0, 0usize);
    (0..values.len())
        .map(|k| {
            if !values[k].is_nan() {
                sum += values[k];
                n += 1;
            }
            if k >= day && !values[k - day].is_nan() {
                sum -= values[k - day];
                n -= 1;
            }
            if n * 2 < day {
                f64::NAN
            } else {
                sum / n as f64
            }
        })
        .collect()
}
