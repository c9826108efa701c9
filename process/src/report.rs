//! From the analysis to what is reported.

use crate::analysis::{FeederAnalysis, YardAnalysis};
use crate::days::Day;
use crate::grid::{PER_DAY, PER_HOUR, STEP_HOURS};
use crate::input::{FeederInput, YardInput};
use crate::losses::HiveBalance;
use crate::nights::weigh_nights;
use crate::output::{FeederNow, YardOutput};
use larder_domain::{Estimate, FillEvent, FillSource, Flag, Span, Timestamp, UptakeDay};

/// Everything but the flags, for the local days that `asked` touches.
pub fn report(input: &YardInput<'_>, analysis: &YardAnalysis, asked: Span) -> YardOutput {
    let mut output = YardOutput::default();
    let wanted = |day: &&Day| day.span.intersect(asked).is_some() && day.span.start < input.now;
    let days: Vec<&Day> = analysis.days.iter().filter(wanted).collect();
    for (hive, found) in input.hives.iter().zip(&analysis.hives) {
        let balance = &found.balance;
        for (feeder, found) in hive.feeders.iter().zip(&found.feeders) {
            let rows = days
                .iter()
                .map(|day| uptake_day(day, feeder, found, balance));
            output.uptake.extend(rows);
            output.fills.extend(fills(feeder, found, asked));
            output
                .now
                .push(as_it_stands(input, analysis, feeder, found));
        }
        if !hive.weight.is_empty() {
            let nights = weigh_nights(&hive.hive.id, &found.scale, &analysis.days);
            let asked = |date| days.iter().any(|day| day.date == date);
            output
                .weight
                .extend(nights.into_iter().filter(|night| asked(night.date)));
        }
    }
    output
}

/// The flags that were open at some time in `asked`.
pub fn within(mut flags: Vec<Flag>, asked: Span) -> Vec<Flag> {
    flags.retain(|flag| {
        flag.opened_at < asked.end && flag.closed_at.is_none_or(|at| at > asked.start)
    });
    flags
}

fn uptake_day(
    day: &Day,
    feeder: &FeederInput<'_>,
    found: &FeederAnalysis,
    balance: &HiveBalance,
) -> UptakeDay {
    let course = &found.course;
    let uptake_l = course.taken.get(day.end_node).copied().flatten();
    let uptake_l = uptake_l.map(|(mean, variance)| {
        let sd = day_sd(day, found, feeder.feeder.capacity_l, variance);
        let doubt = DOUBT_SHARE * deficit_l(day, balance, found.kg_per_litre);
        // A colony gives nothing back. A mean that noise has pushed below zero is brought to zero
        // with its uncertainty, not cut off together with it.
        let mean = mean.max(0.0);
        let mut estimate = Estimate::normal(mean, sd);
        estimate.lo = mean - Estimate::Z90 * sd.hypot(doubt);
        estimate.at_least(0.0)
    });
    let sugar = sugar_per_litre(found, day.span.end);
    UptakeDay {
        date: day.date,
        feeder: feeder.feeder.id.clone(),
        uptake_l,
        remaining_l: remaining(found, feeder.feeder.capacity_l, day.end_node),
        sugar_kg: uptake_l.zip(sugar).map(|(u, kg)| u.value * kg),
        sensed_share: sensed_share(found, day.first_node, day.end_node),
    }
}

/// What the hive should have gained on this day and did not, beyond what days differ by anyway and
/// beyond what is accounted for as lost, as litres of syrup: uptake may be less by that.
fn deficit_l(day: &Day, balance: &HiveBalance, kg_per_litre: f64) -> f64 {
    let hours = day.first_node / PER_HOUR..day.end_node / PER_HOUR;
    let hours = balance.hours.get(hours).unwrap_or(&[]);
    let known = hours.iter().filter(|hour| !hour.gain_kg.is_nan());
    let missing = known.map(|hour| hour.expected_kg - hour.gain_kg - hour.lost_kg);
    ((missing.sum::<f64>() - USUAL_DEFICIT_KG) / kg_per_litre).max(0.0)
}

/// A day's balance is off by this much without anything being wrong, kg.
const USUAL_DEFICIT_KG: f64 = 0.2;
/// How much of a deficit beyond that is taken for syrup that may not have reached the colony.
const DOUBT_SHARE: f64 = 0.8;

/// Noise is not quite what the model thinks (it comes in runs): intervals are this much wider, and
/// wider still over gaps, where appetite may have changed unseen.
const INTERVAL_FACTOR: f64 = 1.3;
const GAP_FACTOR: f64 = 0.6;
/// And at least this wide: rounding, evaporation, a bee on the sensor, l.
const LEAST_SD_L: f64 = 0.002;
/// And over a day that nobody saw at least this wide, l: a sensor drifts between the readings on
/// either side of a gap, and what the bees drank and it rained in is not told apart.
const UNSEEN_SD_L: f64 = 0.01;
/// What a feeder that was knocked off, or masked by comb, leaves unknown, as a share of what it
/// holds.
const DISTURBED_SHARE: f64 = 0.015;

/// The standard deviation of one day's uptake: the model's, what may have been lost, and what a
/// disturbance leaves open. Errors of the loss within a day go together.
fn day_sd(day: &Day, found: &FeederAnalysis, capacity_l: f64, variance: f64) -> f64 {
    let nodes = day.first_node..day.end_node;
    let loss_sd = found.losses.sd.get(nodes).unwrap_or(&[]);
    let lost: f64 = loss_sd.iter().sum::<f64>() * STEP_HOURS;
    let touches = |span: &Span| span.intersect(day.span).is_some();
    let spans = found
        .evidence
        .masked
        .iter()
        .chain(&found.evidence.displaced);
    let disturbed = if spans.into_iter().any(touches) {
        DISTURBED_SHARE * capacity_l
    } else {
        0.0
    };
    let unseen = 1.0 - sensed_share(found, day.first_node, day.end_node);
    let factor = INTERVAL_FACTOR + GAP_FACTOR * unseen;
    (factor * variance.sqrt()).hypot(lost).hypot(disturbed) + LEAST_SD_L + UNSEEN_SD_L * unseen
}

/// What is left, with what the sensor's offset leaves open.
fn remaining(found: &FeederAnalysis, capacity_l: f64, node: usize) -> Option<Estimate> {
    let volume = *found.course.volume_l.get(node)?;
    let sd = *found.course.volume_sd.get(node)?;
    let sd = if found.course.empty[node] {
        sd
    } else {
        sd.hypot(OFFSET_SHARE * capacity_l)
    };
    Some(Estimate::normal(volume.max(0.0), sd).at_least(0.0))
}

/// A level is not better known than this share of the capacity: a ruler, a tilted hive, foam.
const OFFSET_SHARE: f64 = 0.03;

/// Sugar in a litre of what was in it at `at`, kg; `None` where no strength is known.
fn sugar_per_litre(found: &FeederAnalysis, at: Timestamp) -> Option<f64> {
    let fills = found.evidence.changes.iter().rev();
    let mut poured = fills.filter(|c| c.kind.pours() && c.before <= at);
    let strength = poured.find_map(|c| c.strength)?;
    let kg = crate::strengths::kg_per_litre(Some(strength));
    Some(strength.mass_fraction().value() * kg)
}

fn sensed_share(found: &FeederAnalysis, from: usize, to: usize) -> f64 {
    let nodes = found.observations.nodes.get(from..to).unwrap_or(&[]);
    if nodes.is_empty() {
        return 0.0;
    }
    nodes.iter().filter(|node| node.n > 0).count() as f64 / nodes.len() as f64
}

fn fills(feeder: &FeederInput<'_>, found: &FeederAnalysis, asked: Span) -> Vec<FillEvent> {
    let pairs = found.evidence.changes.iter().zip(&found.course.changes);
    pairs
        .filter(|(change, _)| change.kind.pours() && asked.contains(change.time()))
        .map(|(change, filled)| FillEvent {
            feeder: feeder.feeder.id.clone(),
            time: change.time(),
            volume_l: Some(filled.estimate()),
            strength: change.strength,
            source: match (change.recorded, change.seen) {
                (None, _) => FillSource::Detected,
                (Some(_), true) => FillSource::Both,
                (Some(_), false) => FillSource::Recorded,
            },
        })
        .collect()
}

fn as_it_stands(
    input: &YardInput<'_>,
    analysis: &YardAnalysis,
    feeder: &FeederInput<'_>,
    found: &FeederAnalysis,
) -> FeederNow {
    let last = analysis.grid.nearest(input.now);
    FeederNow {
        feeder: feeder.feeder.id.clone(),
        seen_at: found.level.series.times.last().copied(),
        remaining_l: remaining(found, feeder.feeder.capacity_l, last),
        rate_l_per_day: rate_of_last_day(found, last),
    }
}

/// The mean rate of the last day, l a day; what half of a day tells about the other goes into its
/// spread.
fn rate_of_last_day(found: &FeederAnalysis, last: usize) -> Option<Estimate> {
    let day = last.saturating_sub(PER_DAY)..last + 1;
    let rates = found.course.rate.get(day.clone())?;
    let sds = found.course.rate_sd.get(day)?;
    let n = rates.len().max(1) as f64;
    let mean = rates.iter().sum::<f64>() / n;
    let sd = sds.iter().sum::<f64>() / n * INDEPENDENT_SHARE;
    Some(Estimate::normal(24.0 * mean.max(0.0), 24.0 * sd).at_least(0.0))
}

/// Errors of the rate remember some seven hours: a day holds about three and a half of them.
const INDEPENDENT_SHARE: f64 = 0.53;
