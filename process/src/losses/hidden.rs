//! Whether a hive was losing syrup in an hour: a hidden Markov model over a few rates of loss,
//! with forward and backward passes (L. R. Rabiner, *A tutorial on hidden Markov models*, Proc.
//! IEEE 77 (1989) 257–286).

use super::{BalanceHour, HiveBalance};

/// Rates of loss that are told apart, kg/h: none, drips, streams. Between them the expected value
/// interpolates.
const LEVELS_KG: [f64; 10] = [0.0, 0.02, 0.03, 0.045, 0.07, 0.14, 0.28, 0.45, 0.65, 0.9];
const K: usize = LEVELS_KG.len();
/// A loss starts about once in so many hours of one hive.
const START_HOURS: f64 = 24.0 * 20.0;
/// And goes on for about so many hours: a drip, a stream.
const DRIP_HOURS: f64 = 50.0;
const STREAM_HOURS: f64 = 5.0;
/// What is a stream, kg/h.
const STREAM_KG: f64 = 0.1;
/// Hours that follow each other err alike; so much of each counts.
const INDEPENDENT_SHARE: f64 = 0.6;
/// At least this share of what is lost was syrup from a feeder (robbers take honey too, and a
/// smoothed outflow lags behind).
const FEEDER_SHARE: f64 = 0.3;
/// And usually about this share.
const USUAL_FEEDER_SHARE: f64 = 0.7;
/// How far a colony's appetite strays from its usual, as a share and in l/h.
const APPETITE_SHARE: f64 = 0.7;
const APPETITE_L: f64 = 0.01;
/// Appetite changes for many reasons (a fill, a warm day): it counts so much against the scale.
const APPETITE_WEIGHT: f64 = 0.25;
/// Kilograms in a litre of syrup, roughly: only for comparing outflow and loss.
const KG_PER_LITRE: f64 = 1.28;
/// Degrees of freedom of an hour's error: gusts and traffic have long tails.
const DEGREES_OF_FREEDOM: f64 = 4.0;

/// Fills in the losses of every hour.
pub fn find_losses(balance: &mut HiveBalance) {
    let n = balance.hours.len();
    if balance.hours.iter().all(|hour| hour.gain_kg.is_nan()) {
        // No scale, no claim.
        return;
    }
    let moves = transitions();
    let emissions: Vec<[f64; K]> = balance.hours.iter().map(emission).collect();
    let mut forward = vec![[0.0; K]; n];
    let mut current = [0.0; K];
    current[0] = 1.0;
    for t in 0..n {
        let mut next = [0.0; K];
        for (j, next) in next.iter_mut().enumerate() {
            let arrive: f64 = (0..K).map(|i| current[i] * moves[i][j]).sum();
            *next = arrive * emissions[t][j];
        }
        normalise(&mut next);
        forward[t] = next;
        current = next;
    }
    let mut backward = [1.0; K];
    for t in (0..n).rev() {
        let mut posterior = [0.0; K];
        for i in 0..K {
            posterior[i] = forward[t][i] * backward[i];
        }
        normalise(&mut posterior);
        record(&mut balance.hours[t], &posterior);
        let mut before = [0.0; K];
        for (i, before) in before.iter_mut().enumerate() {
            *before = (0..K)
                .map(|j| moves[i][j] * emissions[t][j] * backward[j])
                .sum();
        }
        normalise(&mut before);
        backward = before;
    }
}

fn record(hour: &mut BalanceHour, posterior: &[f64; K]) {
    let mean: f64 = posterior.iter().zip(LEVELS_KG).map(|(p, kg)| p * kg).sum();
    let square: f64 = posterior
        .iter()
        .zip(LEVELS_KG)
        .map(|(p, kg)| p * kg * kg)
        .sum();
    hour.probability = 1.0 - posterior[0];
    let most = KG_PER_LITRE * hour.outflow_l.max(0.0);
    hour.lost_kg = mean.min(most);
    hour.lost_sd_kg = (square - mean * mean).max(0.0).sqrt().min(most);
}

fn normalise(weights: &mut [f64; K]) {
    let sum: f64 = weights.iter().sum();
    if sum > 0.0 {
        weights.iter_mut().for_each(|w| *w /= sum);
    } else {
        *weights = [1.0 / K as f64; K];
    }
}

fn transitions() -> [[f64; K]; K] {
    let mut moves = [[0.0; K]; K];
    let start = 1.0 / START_HOURS;
    moves[0] = [start / (K - 1) as f64; K];
    moves[0][0] = 1.0 - start;
    for i in 1..K {
        let stream = LEVELS_KG[i] >= STREAM_KG;
        let end = 1.0 / if stream { STREAM_HOURS } else { DRIP_HOURS };
        // A stream swells and shrinks; a drip stays a drip.
        let drift = if stream { 0.25 } else { 0.01 };
        moves[i][0] = end;
        for j in [i - 1, i + 1] {
            if (1..K).contains(&j) {
                moves[i][j] = drift / 2.0;
            }
        }
        moves[i][i] = 1.0 - moves[i].iter().sum::<f64>();
    }
    moves
}

/// How well each rate of loss explains the hour: what the scale misses, and what left the feeders.
fn emission(hour: &BalanceHour) -> [f64; K] {
    let mut likelihood = [1.0; K];
    if hour.gain_kg.is_nan() {
        // Without the scale a colony that takes much looks like a leak.
        return likelihood;
    }
    let appetite_sd = (APPETITE_SHARE * hour.usual_outflow_l + APPETITE_L).hypot(hour.outflow_sd_l);
    for (k, likelihood) in likelihood.iter_mut().enumerate() {
        let lost = LEVELS_KG[k];
        let scale = tail((hour.gain_kg - hour.expected_kg + lost) / hour.sd_kg);
        let from_feeder = USUAL_FEEDER_SHARE * lost / KG_PER_LITRE;
        let appetite = tail((hour.outflow_l - hour.usual_outflow_l - from_feeder) / appetite_sd);
        // To the powers 1.5 and 0.375: half the degrees of freedom and one, times the weights.
        *likelihood = scale * scale.sqrt() * appetite.sqrt().sqrt() * appetite.sqrt().sqrt().sqrt();
        let needed = FEEDER_SHARE * lost / KG_PER_LITRE;
        let short = (needed - hour.outflow_l) / (hour.outflow_sd_l + 0.004);
        if short > 0.0 {
            *likelihood *= (-0.5 * INDEPENDENT_SHARE * short * short).exp();
        }
        *likelihood = likelihood.max(LEAST_LIKELIHOOD);
    }
    likelihood
}

/// Nothing is impossible.
const LEAST_LIKELIHOOD: f64 = 1e-30;

/// The part of a density of Student's t that its powers are made of.
fn tail(off: f64) -> f64 {
    1.0 / (1.0 + off * off / DEGREES_OF_FREEDOM)
}

/// The powers in [`emission`] are written out for these weights.
#[expect(clippy::float_cmp, reason = "these numbers are exact in binary")]
const _: () = {
    let power = 0.5 * (DEGREES_OF_FREEDOM + 1.0) * INDEPENDENT_SHARE;
    assert!(power == 1.5 && power * APPETITE_WEIGHT == 0.375);
};
