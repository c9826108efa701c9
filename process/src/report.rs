//! From the analysis to what is reported.

use crate::analysis::{FeederAnalysis, YardAnalysis};
use crate::grid::PER_DAY;
use crate::input::{FeederInput, YardInput};
use crate::nights::weigh_nights;
use crate::output::{FeederNow, YardOutput};
use larder_domain::{Estimate, FillEvent, FillSource, UptakeDay};

/// Everything but the flags.
pub fn report(input: &YardInput<'_>, analysis: &YardAnalysis) -> YardOutput {
    let mut output = YardOutput::default();
    for (hive, found) in input.hives.iter().zip(&analysis.hives) {
        for (feeder, found) in hive.feeders.iter().zip(&found.feeders) {
            output
                .uptake
                .extend(uptake_days(input, analysis, feeder, found));
            output.fills.extend(fills(input, feeder, found));
            output
                .now
                .push(as_it_stands(input, analysis, feeder, found));
        }
        if !hive.weight.is_empty() {
            let nights = weigh_nights(&hive.hive.id, &found.scale, &analysis.days);
            let asked = |date| {
                analysis
                    .days
                    .iter()
                    .any(|d| d.date == date && wanted(input, d))
            };
            output
                .weight
                .extend(nights.into_iter().filter(|n| asked(n.date)));
        }
    }
    output
        .uptake
        .sort_by(|a, b| (&a.feeder, a.date).cmp(&(&b.feeder, b.date)));
    output
        .weight
        .sort_by(|a, b| (&a.hive, a.date).cmp(&(&b.hive, b.date)));
    output
        .fills
        .sort_by(|a, b| (&a.feeder, a.time).cmp(&(&b.feeder, b.time)));
    output.now.sort_by(|a, b| a.feeder.cmp(&b.feeder));
    output
}

fn wanted(input: &YardInput<'_>, day: &crate::days::Day) -> bool {
    day.span.intersect(input.span).is_some() && day.span.start <= input.now
}

fn uptake_days(
    input: &YardInput<'_>,
    analysis: &YardAnalysis,
    feeder: &FeederInput<'_>,
    found: &FeederAnalysis,
) -> Vec<UptakeDay> {
    let days = analysis.days.iter().filter(|day| wanted(input, day));
    days.map(|day| {
        let course = &found.course;
        let taken = course.taken[day.end_node];
        let uptake_l = taken.map(|(mean, variance)| {
            Estimate::normal(mean, variance.sqrt() * INTERVAL_FACTOR + 0.002).at_least(0.0)
        });
        let end = day.end_node;
        let remaining = Estimate::normal(course.volume_l[end], course.volume_sd[end]);
        let strength = sugar_of(found, day.span.end);
        UptakeDay {
            date: day.date,
            feeder: feeder.feeder.id.clone(),
            uptake_l,
            remaining_l: Some(remaining.at_least(0.0)),
            sugar_kg: uptake_l.zip(strength).map(|(u, kg)| u.value * kg),
            sensed_share: sensed_share(found, day.first_node, day.end_node),
        }
    })
    .collect()
}

/// Noise that is not quite what the model thinks: real intervals must be this much wider.
const INTERVAL_FACTOR: f64 = 1.25;

/// Sugar in a litre of what was in it at `at`, kg; `None` where no strength is known.
fn sugar_of(found: &FeederAnalysis, at: larder_domain::Timestamp) -> Option<f64> {
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

fn fills(
    input: &YardInput<'_>,
    feeder: &FeederInput<'_>,
    found: &FeederAnalysis,
) -> Vec<FillEvent> {
    let pairs = found.evidence.changes.iter().zip(&found.course.changes);
    pairs
        .filter(|(change, _)| change.kind.pours())
        .filter(|(change, _)| input.span.contains(change.time()))
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
    let course = &found.course;
    let last = analysis.grid.nearest(input.now);
    let day = &course.rate[last.saturating_sub(PER_DAY)..=last];
    let mean = day.iter().sum::<f64>() / day.len() as f64;
    let sd = course.rate_sd[last.saturating_sub(PER_DAY)..=last]
        .iter()
        .sum::<f64>()
        / day.len() as f64
        * (7.0f64 / 24.0).sqrt();
    let hours = 24.0;
    FeederNow {
        feeder: feeder.feeder.id.clone(),
        seen_at: found.level.series.times.last().copied(),
        remaining_l: course
            .volume_l
            .get(last)
            .map(|&v| Estimate::normal(v, course.volume_sd[last]).at_least(0.0)),
        rate_l_per_day: Some(Estimate::normal(mean * hours, sd * hours).at_least(0.0)),
    }
}
