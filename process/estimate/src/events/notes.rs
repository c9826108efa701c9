//! Notes that nothing has confirmed: believed only where nothing could have seen the fill.

use super::{
    Change, ChangeKind, FeederEvents, NOTE_HOURS, NOTE_VOLUME_SHARE, WATCH_HOURS, Witnesses,
    scale_watched, strength_of,
};
use larder_domain::Span;

crate::numbers! { "estimate.events.notes":
    /// How exact the time of a note is taken to be, ms.
    NOTE_TIME_MS: i64 = 10 * 60 * 1000, "ms", [200000.0, 1800000.0], Chosen;
    /// Readings this far apart still tell whether the level rose across an outage, hours.
    OUTAGE_HOURS: f64 = 96.0, "h", [32.0, 290.0], Chosen;
    /// Notes are written down up to so long before or after where nothing else is near: at the end of a
    /// day's round, hours.
    LATE_HOURS: f64 = 6.0, "h", [2.0, 12.0], CommonPractice;
    /// A feeder that held less than this share of its capacity before and behind a note was not emptied and
    /// filled again.
    LEAST_HELD_SHARE: f64 = 0.1, "1", [0.033, 0.3], Chosen;
    /// How well a volume is known that was written down and that the scale does not show, as a share.
    DOUBTED_SHARE: f64 = 0.3, "1", [0.1, 0.9], Chosen;
    /// A level that fell by so many standard deviations refutes a note.
    FALLEN_SDS: f64 = 3.0, "1", [1.0, 9.0], Chosen;
}

/// Gives notes that were written down late to the fills that they mean, and adds a fill for each other
/// one: what a keeper wrote down may be doubted, never hidden.
pub(super) fn believe_notes(
    witnesses: &Witnesses<'_>,
    found: &mut FeederEvents,
    used: &mut [bool],
) {
    match_late(witnesses, found, used);
    let feeder = witnesses.feeder;
    let free = feeder
        .recorded
        .iter()
        .enumerate()
        .filter(|&(i, _)| !used[i]);
    for (i, note) in free {
        let around = Span {
            start: note.time.plus_hours(-NOTE_HOURS),
            end: note.time.plus_hours(NOTE_HOURS),
        };
        let level = witnesses.level;
        let masked = found.masked.iter().any(|span| span.contains(note.time));
        let seen_by_level = level.watches(note.time, WATCH_HOURS) && !masked;
        let seen_by_scale = witnesses
            .scale
            .is_some_and(|scale| scale_watched(scale, around));
        // Across an outage the level must have risen, or at least not fallen by all that it could.
        let change = level.change_across(around, OUTAGE_HOURS);
        let fallen = change.is_some_and(|change| change.litres() < -FALLEN_SDS * change.sd);
        let noted = note.volume_l.map(|v| (v, NOTE_VOLUME_SHARE * v));
        let least = LEAST_HELD_SHARE * feeder.feeder.capacity_l;
        let held = change.is_none_or(|change| change.from > least && change.to > least);
        let (kind, litres) = if !seen_by_level && !seen_by_scale && !fallen {
            (ChangeKind::Fill, noted)
        } else if held && (seen_by_level || note.volume_l.is_some()) {
            // Nothing came on, so as much as was poured in was thrown out first.
            let by_scale = note.volume_l.map(|v| (v, DOUBTED_SHARE * v));
            (ChangeKind::Renewed, by_scale.filter(|_| !seen_by_level))
        } else {
            (ChangeKind::Fill, (!seen_by_level).then_some((0.0, least)))
        };
        found.changes.push(Change {
            earliest: note.time.plus_ms(-NOTE_TIME_MS),
            latest: note.time.plus_ms(NOTE_TIME_MS),
            kind,
            litres,
            recorded: Some(i),
            scale_step: None,
            seen: change.is_some(),
            strength: strength_of(feeder, Some(i), witnesses.strengths, note.time),
        });
    }
}

/// A note that is written down hours later still means the fill that was seen.
fn match_late(witnesses: &Witnesses<'_>, found: &mut FeederEvents, used: &mut [bool]) {
    let feeder = witnesses.feeder;
    for (i, note) in feeder.recorded.iter().enumerate() {
        if used[i] {
            continue;
        }
        let changes = found.changes.iter_mut();
        let free = changes.filter(|change| change.kind.pours() && change.recorded.is_none());
        let apart = |change: &&mut Change| change.time().hours_since(note.time).abs();
        let nearest = free.min_by(|a, b| apart(a).total_cmp(&apart(b)));
        if let Some(change) = nearest.filter(|change| apart(change) <= LATE_HOURS) {
            used[i] = true;
            change.recorded = Some(i);
            change.strength = strength_of(feeder, Some(i), witnesses.strengths, change.time());
        }
    }
}
