//! Nothing left in a feeder.

use super::{Sign, spells};
use crate::analysis::FeederAnalysis;
use crate::grid::Grid;
use crate::input::{FeederInput, YardInput};
use larder_domain::{Flag, FlagKind, Severity};

/// Less than this share of the capacity, or this many litres, is empty.
const EMPTY_SHARE: f64 = 0.02;
const EMPTY_LITRES: f64 = 0.05;
/// More than twice of that is not.
const FILLED_FACTOR: f64 = 2.5;
/// Empty for so long, hours.
const STAYS_HOURS: f64 = 2.0;

/// Opens when the feeder has been empty for a while, closes when something is in it again. Only
/// feeders that have been filled in what is known are judged.
pub fn raise(
    input: &YardInput<'_>,
    grid: &Grid,
    feeder: &FeederInput<'_>,
    found: &FeederAnalysis,
    flags: &mut Vec<Flag>,
) {
    let Some(first_fill) = found.evidence.changes.first() else {
        return;
    };
    let limit = (EMPTY_SHARE * feeder.feeder.capacity_l).max(EMPTY_LITRES);
    let from = grid.at_or_after(first_fill.before);
    let course = &found.course;
    let nodes = from..grid.len().min(course.volume_l.len());
    let signs = nodes.map(|k| {
        let sign = match course.volume_l[k] {
            _ if course.empty[k] => Sign::Holds,
            left if left < limit => Sign::Holds,
            left if left > FILLED_FACTOR * limit => Sign::Gone,
            _ => Sign::Between,
        };
        (grid.time(k), sign)
    });
    for spell in spells(signs, STAYS_HOURS, 0.0) {
        let k = from + spell.opened;
        let spread = course.volume_sd[k];
        let filled = found.evidence.changes.iter().rev();
        let mut filled = filled.filter(|change| change.before <= spell.from);
        let days = filled
            .next()
            .map_or(0.0, |c| spell.from.hours_since(c.before) / 24.0);
        flags.push(Flag {
            kind: FlagKind::Empty,
            yard: Some(input.yard.id.clone()),
            hive: Some(feeder.feeder.hive.clone()),
            feeder: Some(feeder.feeder.id.clone()),
            device: None,
            opened_at: spell.from,
            closed_at: spell.until,
            severity: Severity::Info,
            probability: if spread < limit { 0.95 } else { 0.8 },
            evidence: format!(
                "{:.2} l left of {:.1} l, {days:.0} days after the last fill.",
                course.volume_l[k].max(0.0),
                feeder.feeder.capacity_l
            ),
        });
    }
}
