//! Whether a hive was losing syrup in an hour: a hidden Markov model over a few rates of loss,
//! with forward and backward passes (L. R. Rabiner, *A tutorial on hidden Markov models*, Proc.
//! IEEE 77 (1989) 257–286).

use super::{BalanceHour, HiveBalance};
use larder_syrup::physics::kg_per_litre;

crate::numbers! { "estimate.losses.hmm":
    /// The powers that `emission` writes out, of the scale's and of the appetite's likelihood.
    WRITTEN_OUT: [f64; 2] = [1.5, 0.375], "1", [0.375, 1.5], Defined;
    /// Rates of loss that are told apart, kg/h: none, drips, streams. Between them the expected value
    /// interpolates.
    LEVELS_KG: [f64; 10] = [0.0, 0.02, 0.03, 0.045, 0.07, 0.14, 0.28, 0.45, 0.65, 0.9], "kg", [0.0, 2.7], Chosen;
    /// A loss starts about once in so many hours of one hive.
    START_HOURS: f64 = 24.0 * 20.0, "h", [160.0, 1400.0], Chosen;
    /// A drip goes on for about so many hours.
    DRIP_HOURS: f64 = 50.0, "h", [17.0, 150.0], Chosen;
    /// A stream goes on for about so many hours.
    STREAM_HOURS: f64 = 5.0, "h", [1.7, 15.0], Chosen;
    /// A loss from this rate on is a stream, below it a drip, kg/h.
    STREAM_KG: f64 = 0.1, "kg", [0.033, 0.3], Chosen;
    /// Hours that follow each other err alike; so much of each counts.
    INDEPENDENT_SHARE: f64 = 0.6, "1", [0.2, 1.0], Chosen;
    /// At least this share of what is lost was syrup from a feeder (robbers take honey too, and a
    /// smoothed outflow lags behind).
    FEEDER_SHARE: f64 = 0.3, "1", [0.1, 0.9], Chosen;
    /// Usually about this share of what is lost was syrup from a feeder.
    USUAL_FEEDER_SHARE: f64 = 0.7, "1", [0.23, 1.0], Chosen;
    /// How far a colony's appetite strays from its usual, as a share of it; `APPETITE_L` comes on top.
    APPETITE_SHARE: f64 = 0.7, "1", [0.23, 1.0], Chosen;
    /// How far a colony's appetite strays from its usual, l/h, on top of `APPETITE_SHARE`.
    APPETITE_L: f64 = 0.01, "l", [0.0033, 0.03], Chosen;
    /// Appetite changes for many reasons (a fill, a warm day): it counts so much against the scale.
    APPETITE_WEIGHT: f64 = 0.25, "1", [0.083, 0.75], Chosen;
    /// Degrees of freedom of an hour's error: gusts and traffic have long tails.
    DEGREES_OF_FREEDOM: f64 = 4.0, "1", [1.3, 12.0], Chosen;
    /// No state is less likely than this in an hour: nothing is impossible.
    LEAST_LIKELIHOOD: f64 = 1e-30, "1", [3.3e-31, 3e-30], Chosen;
    /// An exponent beyond this is not worth an exponential: the negated logarithm of
    /// `LEAST_LIKELIHOOD`, and a little more.
    MOST_AGAINST: f64 = 70.0, "1", [23.0, 210.0], Chosen;
    /// How likely a stream changes its rate in an hour.
    STREAM_DRIFT: f64 = 0.25, "1", [0.083, 0.75], Chosen;
    /// How likely a drip changes its rate in an hour.
    DRIP_DRIFT: f64 = 0.01, "1", [0.0033, 0.03], Chosen;
    /// Outflow is not known better than this, l.
    LEAST_OUTFLOW_SD_L: f64 = 0.004, "l", [0.0013, 0.012], Chosen;
}

const K: usize = LEVELS_KG.len();

/// Fills in the losses of every hour.
pub fn find_losses(balance: &mut HiveBalance) {
    let n = balance.hours.len();
    if balance.hours.iter().all(|hour| hour.gain_kg.is_nan()) {
        // No scale, no claim.
        return;
    }
    let moves = transitions();
    let back = transposed(&moves);
    // What leaves several feeders at once is compared with the loss as syrup of the middle strength.
    let kg_per_litre = kg_per_litre(None);
    let emissions = balance
        .hours
        .iter()
        .map(|hour| emission(hour, kg_per_litre));
    let emissions: Vec<[f64; K]> = emissions.collect();
    let mut forward = Vec::with_capacity(n);
    let mut current = [0.0; K];
    current[0] = 1.0;
    for emission in &emissions {
        current = times(&carried(&moves, &current), emission);
        normalise(&mut current);
        forward.push(current);
    }
    let mut backward = [1.0; K];
    for ((hour, forward), emission) in balance.hours.iter_mut().zip(&forward).zip(&emissions).rev()
    {
        record(hour, &times(forward, &backward), kg_per_litre);
        backward = carried(&back, &times(&backward, emission));
        normalise(&mut backward);
    }
}

/// Each state's weight carried along its row of `moves`.
fn carried(moves: &[[f64; K]; K], weights: &[f64; K]) -> [f64; K] {
    let mut sums = [0.0; K];
    for (row, weight) in moves.iter().zip(weights) {
        for (sum, share) in sums.iter_mut().zip(row) {
            *sum += weight * share;
        }
    }
    sums
}

fn times(a: &[f64; K], b: &[f64; K]) -> [f64; K] {
    std::array::from_fn(|i| a[i] * b[i])
}

fn transposed(moves: &[[f64; K]; K]) -> [[f64; K]; K] {
    std::array::from_fn(|i| std::array::from_fn(|j| moves[j][i]))
}

/// Writes down what an hour's states of these weights mean.
fn record(hour: &mut BalanceHour, weights: &[f64; K], kg_per_litre: f64) {
    let (mut sum, mut mean, mut square) = (0.0, 0.0, 0.0);
    for (weight, kg) in weights.iter().zip(LEVELS_KG) {
        sum += weight;
        mean += weight * kg;
        square += weight * kg * kg;
    }
    let (mean, square) = (mean / sum, square / sum);
    let most = kg_per_litre * hour.outflow_l.max(0.0);
    hour.probability = 1.0 - weights[0] / sum;
    hour.lost_kg = mean.min(most);
    hour.lost_sd_kg = (square - mean * mean).max(0.0).sqrt().min(most);
}

fn normalise(weights: &mut [f64; K]) {
    let sum: f64 = weights.iter().sum();
    weights.iter_mut().for_each(|w| *w *= 1.0 / sum);
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
        let drift = if stream { STREAM_DRIFT } else { DRIP_DRIFT };
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
fn emission(hour: &BalanceHour, kg_per_litre: f64) -> [f64; K] {
    let mut likelihood = [1.0; K];
    if hour.gain_kg.is_nan() {
        // Without the scale a colony that takes much looks like a leak.
        return likelihood;
    }
    let missing = (hour.gain_kg - hour.expected_kg, 1.0 / hour.sd_kg);
    let appetite_sd = (APPETITE_SHARE * hour.usual_outflow_l + APPETITE_L).hypot(hour.outflow_sd_l);
    let more = (hour.outflow_l - hour.usual_outflow_l, 1.0 / appetite_sd);
    for (likelihood, lost) in likelihood.iter_mut().zip(LEVELS_KG) {
        let scale = tail((missing.0 + lost) * missing.1);
        let appetite = tail((more.0 - USUAL_FEEDER_SHARE / kg_per_litre * lost) * more.1);
        // To the powers 1.5 and 0.375: half the degrees of freedom and one, times the weights.
        let cube = scale * scale * scale * appetite.sqrt().sqrt() * appetite.sqrt();
        *likelihood = 1.0 / cube.sqrt();
    }
    let per_sd = 1.0 / (hour.outflow_sd_l + LEAST_OUTFLOW_SD_L);
    for (likelihood, lost) in likelihood.iter_mut().zip(LEVELS_KG) {
        let short = (FEEDER_SHARE / kg_per_litre * lost - hour.outflow_l) * per_sd;
        let against = 0.5 * INDEPENDENT_SHARE * short * short;
        if short > 0.0 {
            *likelihood *= if against < MOST_AGAINST {
                (-against).exp()
            } else {
                0.0
            };
        }
        *likelihood = likelihood.max(LEAST_LIKELIHOOD);
    }
    likelihood
}

/// What a density of Student's t is one over a power of.
fn tail(off: f64) -> f64 {
    1.0 + off * off / DEGREES_OF_FREEDOM
}

/// The powers in [`emission`] are written out for these weights.
const _: () = {
    let power = 0.5 * (DEGREES_OF_FREEDOM + 1.0) * INDEPENDENT_SHARE;
    assert!(power == WRITTEN_OUT[0] && power * APPETITE_WEIGHT == WRITTEN_OUT[1]);
};
