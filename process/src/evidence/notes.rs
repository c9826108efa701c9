//! Notes that nothing has confirmed: believed only where nothing could have seen the fill.

use super::{
    Change, ChangeKind, FeederEvidence, NOTE_HOURS, NOTE_VOLUME_SHARE, WATCH_HOURS, Witnesses,
    scale_watched, strength_of,
};
use larder_domain::Span;

crate::numbers! { "evidence.notes":
    /// How exact the time of a note is taken to be, ms.
    NOTE_TIME_MS: i64 = 10 * 60 * 1000, "ms", [200000.0, 1800000.0], Chosen;
    /// Readings this far apart still tell whether the level rose across an outage, hours.
    OUTAGE_HOURS: f64 = 96.0, "h", [32.0, 290.0], Chosen;
    /// A level that fell by so many standard deviations refutes a note.
    FALLEN_SDS: f64 = 3.0, "1", [1.0, 9.0], Chosen;
}

/// Adds a fill for each free note that the witnesses do not refute.
pub(super) fn believe_notes(witnesses: &Witnesses<'_>, found: &mut FeederEvidence, used: &[bool]) {
    let feeder = witnesses.feeder;
    let level = witnesses.level;
    for (i, note) in feeder
        .recorded
        .iter()
        .enumerate()
        .filter(|&(i, _)| !used[i])
    {
        let around = Span {
            start: note.time.plus_hours(-NOTE_HOURS),
            end: note.time.plus_hours(NOTE_HOURS),
        };
        let seen_by_scale = witnesses
            .scale
            .is_some_and(|scale| scale_watched(scale, around));
        let seen_by_level = level.watches(note.time, WATCH_HOURS)
            && !found.masked.iter().any(|span| span.contains(note.time));
        if seen_by_scale || seen_by_level {
            continue;
        }
        // Across the outage the level must have risen, or at least not fallen by all that it could.
        let change = level.change_across(around, OUTAGE_HOURS);
        if change.is_some_and(|change| change.litres() < -FALLEN_SDS * change.sd) {
            continue;
        }
        found.changes.push(Change {
            after: note.time.plus_ms(-NOTE_TIME_MS),
            before: note.time.plus_ms(NOTE_TIME_MS),
            kind: ChangeKind::Fill,
            litres: note.volume_l.map(|v| (v, NOTE_VOLUME_SHARE * v)),
            recorded: Some(i),
            scale_step: None,
            seen: change.is_some(),
            strength: strength_of(feeder, Some(i), witnesses.strengths, note.time),
        });
    }
}
