//! What was learned of the instruments, for people to see.

use crate::analysis::{FeederAnalysis, HiveAnalysis, YardAnalysis};
use crate::input::{FeederInput, HiveInput, YardInput};
use chrono::NaiveDate;
use larder_domain::{Assignment, Learned, Timestamp, Trait};
use larder_syrup::Estimate;

/// Of every instrument of the yard, as of `date`; of one that was exchanged, both.
pub fn learned(input: &YardInput<'_>, analysis: &YardAnalysis, date: NaiveDate) -> Vec<Learned> {
    let mut all = Vec::new();
    for (hive, found) in input.hives.iter().zip(&analysis.hives) {
        of_scales(hive, found, date, &mut all);
        for (feeder, found) in hive.feeders.iter().zip(&found.feeders) {
            of_level_sensors(hive, feeder, found, analysis, date, &mut all);
        }
    }
    all
}

fn of_scales(hive: &HiveInput<'_>, found: &HiveAnalysis, date: NaiveDate, all: &mut Vec<Learned>) {
    for cell in &found.scale.load_cells {
        let Some((since, until)) = cell.seen else {
            continue;
        };
        let Some(assignment) = standing(hive.hive.scales.iter(), until) else {
            continue;
        };
        let per_kelvin = Estimate::normal(cell.kg_per_kelvin, cell.sd_kg_per_kelvin);
        let noise = Estimate::normal(found.scale.series.noise_sd, 0.0);
        let values = [(Trait::PerKelvin, per_kelvin), (Trait::Noise, noise)];
        all.extend(values.map(of(hive, assignment, date, since)));
    }
}

fn of_level_sensors(
    hive: &HiveInput<'_>,
    feeder: &FeederInput<'_>,
    found: &FeederAnalysis,
    yard: &YardAnalysis,
    date: NaiveDate,
    all: &mut Vec<Learned>,
) {
    let grid = &yard.grid;
    let track = &found.level;
    let mut ends = track.turns.iter().skip(1).map(|turn| turn.first);
    for (turn, traits) in track.turns.iter().zip(&found.course.sensors) {
        let end = ends.next().unwrap_or(track.series.times.len());
        let until = track.series.times[end - 1];
        let assignments = feeder.feeder.sensors.iter().map(|s| &s.assignment);
        let Some(assignment) = standing(assignments, until) else {
            continue;
        };
        let normal = |(mean, sd): (f64, f64)| Estimate::normal(mean, sd);
        let mut values = vec![
            (Trait::Offset, normal(traits.offset)),
            (Trait::PerKelvin, normal(traits.per_kelvin)),
            (Trait::GeometryShare, normal(traits.geometry_share)),
        ];
        let nodes = grid.nearest(turn.since)..grid.nearest(until) + 1;
        if let Some(litres_per_unit) = found.observations.mean_litres_per_unit(nodes) {
            let noise = traits.noise_l / litres_per_unit;
            values.push((Trait::Noise, Estimate::normal(noise, 0.0)));
        }
        let values = values.into_iter();
        all.extend(values.map(of(hive, assignment, date, turn.since)));
    }
}

/// What was learned of one instrument as of one day.
fn of<'a>(
    hive: &'a HiveInput<'_>,
    assignment: &'a Assignment,
    date: NaiveDate,
    since: Timestamp,
) -> impl FnMut((Trait, Estimate)) -> Learned + 'a {
    move |(what, value)| Learned {
        hive: hive.hive.id.clone(),
        source: assignment.source.clone(),
        what,
        date,
        since,
        value,
    }
}

fn standing<'a>(
    mut assignments: impl Iterator<Item = &'a Assignment>,
    at: Timestamp,
) -> Option<&'a Assignment> {
    assignments.find(|assignment| assignment.during.contains(at))
}
