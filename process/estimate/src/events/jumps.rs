//! Jumps of the level that no step on the scale explains: fills where the scale cannot see, spills,
//! and things in the sensor's beam.

use super::{
    Change, ChangeKind, FeederEvents, Witnesses, nearest_note, scale_watched, strength_of,
};
use crate::series::level::LevelJump;
use crate::series::scale::{ScaleStep, least_step_kg};
use larder_domain::{Span, Timestamp};
use larder_syrup::physics::kg_per_litre;

crate::numbers! { "estimate.events.jumps":
    /// Comb, foam or a bee before the sensor goes within this, hours.
    ANOMALY_HOURS: f64 = 20.0, "h", [6.7, 60.0], Chosen;
    /// More than a colony, or a hole, takes out between two readings, l.
    SPILL_LITRES: f64 = 0.45, "l", [0.15, 1.4], Chosen;
    /// A change this close explains a jump, minutes.
    SAME_MINUTES: i64 = 40, "min", [13.0, 120.0], Chosen;
    /// A load of so many times the least step that a scale shows cannot hide from it.
    SURELY_WEIGHED_STEPS: f64 = 1.4, "1", [0.47, 4.2], Chosen;
    /// What falls back is this share of what rose.
    BACK_SHARE: std::ops::Range<f64> = 0.4..2.0, "1", [0.13, 6.0], Chosen;
}

/// Goes through the jumps in order of time.
pub(super) fn explain_jumps(
    witnesses: &Witnesses<'_>,
    found: &mut FeederEvents,
    notes: &mut [bool],
) {
    let feeder = witnesses.feeder;
    let jumps = &witnesses.level.jumps;
    let mut hidden_until = Timestamp(i64::MIN);
    for (i, jump) in jumps.iter().enumerate() {
        let span = Span {
            start: jump.earliest,
            end: jump.latest,
        };
        let hidden = jump.latest <= hidden_until
            || found
                .displaced
                .iter()
                .any(|away| away.contains(jump.latest));
        if hidden || is_explained(found, span) {
            continue;
        }
        let density = kg_per_litre(witnesses.strengths.at(&feeder.feeder.id, jump.latest));
        let refuted = witnesses.scale.is_some_and(|scale| {
            jump.litres.abs() * density > SURELY_WEIGHED_STEPS * least_step_kg(&scale.series)
                && scale_watched(scale, span)
                && !hands_were_there(&scale.steps, span)
        });
        let note = nearest_note(feeder, notes, span);
        let back = goes_back(&jumps[i + 1..], jump);
        if jump.litres > 0.0 && (refuted || (note.is_none() && back.is_some())) {
            let longest = jump.latest.plus_hours(ANOMALY_HOURS);
            hidden_until = back.unwrap_or(longest);
            found.masked.push(Span {
                start: jump.latest,
                end: hidden_until,
            });
        } else if jump.litres > 0.0 {
            if let Some(note) = note {
                notes[note] = true;
            }
            let strength = strength_of(feeder, note, witnesses.strengths, jump.latest);
            found.changes.push(Change {
                recorded: note,
                strength,
                ..unweighed(jump, ChangeKind::Fill)
            });
        } else if !refuted && -jump.litres > SPILL_LITRES {
            found.changes.push(unweighed(jump, ChangeKind::Spill));
        }
    }
}

/// Whether anything was put on or taken off the hive about then: the load that a level's rise asks
/// for may hide in it.
fn hands_were_there(steps: &[ScaleStep], span: Span) -> bool {
    steps.iter().any(|step| {
        let apart = step.earliest.0.max(span.start.0) - step.latest.0.min(span.end.0);
        apart <= SAME_MINUTES * 60 * 1000
    })
}

fn unweighed(jump: &LevelJump, kind: ChangeKind) -> Change {
    Change {
        earliest: jump.earliest,
        latest: jump.latest,
        kind,
        litres: None,
        recorded: None,
        scale_step: None,
        seen: true,
        strength: None,
    }
}

fn is_explained(found: &FeederEvents, span: Span) -> bool {
    found.changes.iter().any(|change| {
        let apart = change.earliest.0.max(span.start.0) - change.latest.0.min(span.end.0);
        apart <= SAME_MINUTES * 60 * 1000
    })
}

/// When the level falls back by about what it rose.
fn goes_back(later: &[LevelJump], jump: &LevelJump) -> Option<Timestamp> {
    let mut soon = later
        .iter()
        .take_while(|next| next.earliest.hours_since(jump.latest) <= ANOMALY_HOURS);
    soon.find(|next| BACK_SHARE.contains(&(-next.litres / jump.litres)))
        .map(|next| next.latest)
}
