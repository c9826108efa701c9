//! How wide intervals are: what the models say, and what they leave open.

use crate::analysis::FeederAnalysis;
use crate::days::Day;
use crate::feeder::FilledVolume;
use crate::losses::HiveBalance;
use crate::parameters::IntervalParameters;
use crate::series::grid::{PER_HOUR, STEP_HOURS};
use larder_domain::{Estimate, Span};

/// What the colony took on a day, l.
pub fn uptake(
    day: &Day,
    found: &FeederAnalysis,
    capacity_l: f64,
    balance: &HiveBalance,
    open: &IntervalParameters,
) -> Option<Estimate> {
    let (mean, variance) = found.course.taken.get(day.end_node).copied().flatten()?;
    let sd = day_sd(day, found, capacity_l, variance, open);
    let missing_l = (deficit_kg(day, balance) - open.usual_deficit_kg) / found.kg_per_litre;
    let doubt = open.doubt_share * missing_l.max(0.0);
    // A colony gives nothing back. A mean that noise has pushed below zero is brought to zero
    // with its uncertainty, not cut off together with it.
    let mean = mean.max(0.0);
    let mut estimate = Estimate::normal(mean, sd);
    estimate.lo = mean - Estimate::Z90 * sd.hypot(doubt);
    Some(estimate.at_least(0.0))
}

/// What the hive should have gained on this day and did not, beyond what is accounted for as lost, kg.
fn deficit_kg(day: &Day, balance: &HiveBalance) -> f64 {
    let hours = day.first_node / PER_HOUR..day.end_node / PER_HOUR;
    let hours = balance.hours.get(hours).unwrap_or(&[]);
    let known = hours.iter().filter(|hour| !hour.gain_kg.is_nan());
    let missing = known.map(|hour| hour.expected_kg - hour.gain_kg - hour.lost_kg);
    missing.sum()
}

/// The standard deviation of one day's uptake: the model's, what may have been lost, and what a
/// disturbance leaves open. Errors of the loss within a day go together.
fn day_sd(
    day: &Day,
    found: &FeederAnalysis,
    capacity_l: f64,
    variance: f64,
    open: &IntervalParameters,
) -> f64 {
    let nodes = day.first_node..day.end_node;
    let loss_sd = found.losses.sd.get(nodes.clone()).unwrap_or(&[]);
    let lost: f64 = loss_sd.iter().sum::<f64>() * STEP_HOURS;
    let touches = |span: &Span| span.intersect(day.span).is_some();
    let mut spans = found.evidence.masked.iter();
    let mut displaced = found.evidence.displaced.iter();
    let disturbed = if spans.any(touches) || displaced.any(touches) {
        open.disturbed_share * capacity_l
    } else {
        0.0
    };
    let unseen = 1.0 - found.observations.seen_share(nodes);
    let factor = open.factor + open.gap_factor * unseen;
    let modelled = (factor * variance.sqrt()).hypot(lost).hypot(disturbed);
    modelled + open.least_sd_l + open.unseen_sd_l * unseen
}

/// What is left at a node, l, with what the sensor's offset and the colony leave open.
pub fn left(
    found: &FeederAnalysis,
    capacity_l: f64,
    node: usize,
    open: &IntervalParameters,
) -> Option<Estimate> {
    let volume = *found.course.volume_l.get(node)?;
    let sd = *found.course.volume_sd.get(node)?;
    let share = if found.course.empty[node] {
        open.dregs_share
    } else {
        open.left_share
    };
    let sd = sd.hypot(share * capacity_l);
    Some(Estimate::normal(volume.max(0.0), sd).at_least(0.0))
}

/// What was poured in, l.
pub fn fill(filled: &FilledVolume, open: &IntervalParameters) -> Estimate {
    let sd = filled.sd.hypot(open.pouring_share * filled.litres);
    Estimate::normal(filled.litres, sd).at_least(0.0)
}
