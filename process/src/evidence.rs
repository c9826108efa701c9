//! What happened to a feeder's contents by hand or by accident: the steps on the scale, the jumps
//! of the level and the keeper's notes, put together.
//!
//! The scale is the judge where it can see: a load that came on is there, a level that rose without
//! a load is comb or foam in the beam. The level decides what the load was: syrup or a box.

use crate::input::{FeederInput, HiveInput};
use crate::level::{LevelChange, LevelTrack};
use crate::scale::{LEAST_STEP_KG, ScaleStep, ScaleTrack};
use crate::strengths::{Strengths, kg_per_litre};
use larder_domain::{Span, Strength, Timestamp};

/// A sudden change of what is in a feeder.
#[derive(Clone, PartialEq, Debug)]
pub struct Change {
    /// It was not yet so then.
    pub after: Timestamp,
    /// It was so then.
    pub before: Timestamp,
    /// What happened.
    pub kind: ChangeKind,
    /// How much came in (or went out, negative), l at 20 Cel, with its standard deviation, from
    /// witnesses other than the level sensor; `None`: only the level can say.
    pub litres: Option<(f64, f64)>,
    /// Which of the keeper's notes it is, by index.
    pub recorded: Option<usize>,
    /// Which of the scale's steps it is, by index.
    pub scale_step: Option<usize>,
    /// Whether a sensor saw it.
    pub seen: bool,
    /// What was poured.
    pub strength: Option<Strength>,
}

/// The kinds of sudden change.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum ChangeKind {
    /// Syrup was poured in.
    Fill,
    /// Syrup went out at once: tipped out, dumped, or the feeder blown off.
    Spill,
}

impl Change {
    /// The middle of the time in which it happened.
    pub fn time(&self) -> Timestamp {
        self.after.plus_ms((self.before.0 - self.after.0) / 2)
    }
}

/// All that is known of one feeder's sudden changes.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct FeederEvidence {
    /// In order of time.
    pub changes: Vec<Change>,
    /// When the level sensor tells of something else than syrup.
    pub masked: Vec<Span>,
}

/// A note belongs to a change up to this far from it: people write things down when they are back
/// at the truck, hours.
const NOTE_HOURS: f64 = 1.0;
/// Readings on both sides within this prove that a witness was watching, hours.
const WATCH_HOURS: f64 = 1.1;
/// Comb, foam or a bee before the sensor goes within this, hours.
const ANOMALY_HOURS: f64 = 20.0;
/// How well a note of the volume is meant, as a share of it.
const NOTE_VOLUME_SHARE: f64 = 0.10;
/// What a ruler gets wrong about a feeder, as a share.
const GEOMETRY_SHARE: f64 = 0.05;

/// Puts together what one hive's witnesses say; one entry for each feeder.
pub fn gather(
    hive: &HiveInput<'_>,
    scale: &ScaleTrack,
    levels: &[LevelTrack],
    strengths: &Strengths,
) -> Vec<FeederEvidence> {
    let mut found = vec![FeederEvidence::default(); levels.len()];
    let mut notes: Vec<Vec<bool>> = hive
        .feeders
        .iter()
        .map(|feeder| vec![false; feeder.recorded.len()])
        .collect();
    for (index, step) in scale.steps.iter().enumerate() {
        if let Some((f, change)) = explain_step(hive, levels, strengths, index, step, &notes) {
            if let Some(note) = change.recorded {
                notes[f][note] = true;
            }
            found[f].changes.push(change);
        }
    }
    for (f, feeder) in hive.feeders.iter().enumerate() {
        let weighed = feeder.feeder.on_scale.then_some(scale);
        explain_jumps(
            feeder,
            weighed,
            &levels[f],
            strengths,
            &mut found[f],
            &mut notes[f],
        );
        believe_notes(
            feeder,
            weighed,
            &levels[f],
            strengths,
            &mut found[f],
            &notes[f],
        );
        found[f].changes.sort_by_key(Change::time);
    }
    found
}

fn nearest_note(feeder: &FeederInput<'_>, used: &[bool], span: Span) -> Option<usize> {
    let outside = |at: Timestamp| {
        (span.start.hours_since(at))
            .max(at.hours_since(span.end))
            .max(0.0)
    };
    let free = (0..feeder.recorded.len()).filter(|&i| !used[i]);
    free.map(|i| (i, outside(feeder.recorded[i].time)))
        .filter(|&(_, hours)| hours <= NOTE_HOURS)
        .min_by(|a, b| a.1.total_cmp(&b.1))
        .map(|(i, _)| i)
}

fn strength_of(
    feeder: &FeederInput<'_>,
    note: Option<usize>,
    strengths: &Strengths,
    at: Timestamp,
) -> Option<Strength> {
    note.and_then(|i| feeder.recorded[i].strength)
        .or_else(|| strengths.poured(&feeder.feeder.id, at))
}

/// What a step on the scale did to which feeder; `None`: something else was put on or taken off.
fn explain_step(
    hive: &HiveInput<'_>,
    levels: &[LevelTrack],
    strengths: &Strengths,
    index: usize,
    step: &ScaleStep,
    notes: &[Vec<bool>],
) -> Option<(usize, Change)> {
    let span = Span {
        start: step.after,
        end: step.before,
    };
    let on_scale = hive.feeders.iter().enumerate();
    let on_scale = on_scale.filter(|(_, feeder)| feeder.feeder.on_scale);
    let mut best: Option<(f64, usize, Change)> = None;
    for (f, feeder) in on_scale {
        let note = nearest_note(feeder, &notes[f], span);
        let strength = strength_of(feeder, note, strengths, step.time());
        let weighed = Weighed {
            litres: step.kg / kg_per_litre(strength),
            sd: step.sd_kg / kg_per_litre(strength),
        };
        let level = levels[f].change_across(span, 4.0);
        let Some((belief, kind, litres)) = judge(feeder, note, &weighed, level) else {
            continue;
        };
        let change = Change {
            after: step.after,
            before: step.before,
            kind,
            litres,
            recorded: note.filter(|_| kind == ChangeKind::Fill),
            scale_step: Some(index),
            seen: true,
            strength: if kind == ChangeKind::Fill {
                strength
            } else {
                None
            },
        };
        if best.as_ref().is_none_or(|b| belief > b.0) {
            best = Some((belief, f, change));
        }
    }
    best.map(|(_, f, change)| (f, change))
}

struct Weighed {
    litres: f64,
    sd: f64,
}

type Verdict = (f64, ChangeKind, Option<(f64, f64)>);

/// Whether a step on the scale was this feeder's, how surely, and how much it was.
fn judge(
    feeder: &FeederInput<'_>,
    note: Option<usize>,
    weighed: &Weighed,
    level: Option<LevelChange>,
) -> Option<Verdict> {
    let capacity = feeder.feeder.capacity_l;
    let noted = note.and_then(|i| feeder.recorded[i].volume_l);
    let Some(level) = level else {
        let fits = weighed.litres > 0.0 && weighed.litres <= 1.1 * capacity;
        return match (note, fits) {
            (Some(_), true) => Some((2.0, ChangeKind::Fill, Some((weighed.litres, weighed.sd)))),
            // A box came with it: only the note can say.
            (Some(_), false) if weighed.litres > 0.0 => {
                let guess = noted.map(|v| (v, NOTE_VOLUME_SHARE * v));
                Some((1.0, ChangeKind::Fill, guess))
            }
            (None, true) if feeder.levels.is_empty() => {
                Some((0.5, ChangeKind::Fill, Some((weighed.litres, weighed.sd))))
            }
            _ => None,
        };
    };
    let slack = (level.sd.powi(2) + weighed.sd.powi(2)).sqrt();
    let agree = (weighed.litres - level.litres()).abs()
        <= 3.5 * slack + GEOMETRY_SHARE * weighed.litres.abs();
    let rose = level.litres() > (3.0 * level.sd).max(0.25 * weighed.litres.abs());
    let fell = level.litres() < -(3.0 * level.sd).max(0.25 * weighed.litres.abs());
    let sure = level.litres().abs() / level.sd.max(0.01);
    if weighed.litres > 0.0 && (rose || (agree && note.is_some())) {
        let litres = agree.then_some((weighed.litres, weighed.sd));
        return Some((sure, ChangeKind::Fill, litres));
    }
    if weighed.litres < 0.0 && fell {
        return Some((
            sure,
            ChangeKind::Spill,
            agree.then_some((weighed.litres, weighed.sd)),
        ));
    }
    None
}

/// Jumps of the level that no step on the scale explains.
fn explain_jumps(
    feeder: &FeederInput<'_>,
    scale: Option<&ScaleTrack>,
    level: &LevelTrack,
    strengths: &Strengths,
    found: &mut FeederEvidence,
    notes: &mut [bool],
) {
    let mut hidden_until = Timestamp(i64::MIN);
    for (i, jump) in level.jumps.iter().enumerate() {
        let span = Span {
            start: jump.after,
            end: jump.before,
        };
        let explained = found.changes.iter().any(|change| {
            let apart = change.after.0.max(span.start.0) - change.before.0.min(span.end.0);
            apart <= 40 * 60 * 1000
        });
        if explained || jump.before <= hidden_until {
            continue;
        }
        let weight = jump.litres * kg_per_litre(strengths.at(&feeder.feeder.id, jump.before));
        let scale_refutes =
            weight.abs() > 1.4 * LEAST_STEP_KG && scale.is_some_and(|scale| watched(scale, span));
        let note = nearest_note(feeder, notes, span);
        let back = level.jumps[i + 1..].iter().find(|later| {
            let share = -later.litres / jump.litres;
            later.after.hours_since(jump.before) <= ANOMALY_HOURS && (0.4..2.0).contains(&share)
        });
        if jump.litres > 0.0 && (scale_refutes || (note.is_none() && back.is_some())) {
            let end = back.map_or_else(
                || jump.before.plus_ms((ANOMALY_HOURS * 3.6e6) as i64),
                |later| later.before,
            );
            found.masked.push(Span {
                start: jump.before,
                end,
            });
            hidden_until = end;
        } else if jump.litres > 0.0 {
            if let Some(note) = note {
                notes[note] = true;
            }
            found.changes.push(Change {
                after: jump.after,
                before: jump.before,
                kind: ChangeKind::Fill,
                litres: None,
                recorded: note,
                scale_step: None,
                seen: true,
                strength: strength_of(feeder, note, strengths, jump.before),
            });
        } else if !scale_refutes && -jump.litres > SPILL_LITRES {
            found.changes.push(Change {
                after: jump.after,
                before: jump.before,
                kind: ChangeKind::Spill,
                litres: None,
                recorded: None,
                scale_step: None,
                seen: true,
                strength: None,
            });
        }
    }
}

/// More than a colony, or a hole, takes out between two readings, l.
const SPILL_LITRES: f64 = 0.45;

fn watched(scale: &ScaleTrack, span: Span) -> bool {
    let t = &scale.series.times;
    let last = t.partition_point(|&time| time <= span.start);
    let first = t.partition_point(|&time| time < span.end);
    last > 1
        && span.start.hours_since(t[last - 1]) <= WATCH_HOURS
        && t.get(first + 1)
            .is_some_and(|time| time.hours_since(span.end) <= WATCH_HOURS)
}

/// Notes that nothing has confirmed: believed only where nothing could have seen the fill.
fn believe_notes(
    feeder: &FeederInput<'_>,
    scale: Option<&ScaleTrack>,
    level: &LevelTrack,
    strengths: &Strengths,
    found: &mut FeederEvidence,
    used: &[bool],
) {
    for (i, note) in feeder
        .recorded
        .iter()
        .enumerate()
        .filter(|&(i, _)| !used[i])
    {
        let around = Span {
            start: note.time.plus_ms((-NOTE_HOURS * 3.6e6) as i64),
            end: note.time.plus_ms((NOTE_HOURS * 3.6e6) as i64),
        };
        let seen_by_scale = scale.is_some_and(|scale| watched(scale, around));
        let seen_by_level = level.watches(note.time, WATCH_HOURS)
            && !found.masked.iter().any(|span| span.contains(note.time));
        if seen_by_scale || seen_by_level {
            continue;
        }
        let litres = note.volume_l.map(|v| (v, NOTE_VOLUME_SHARE * v));
        let change = level.change_across(around, 96.0);
        // Across the gap the level must have risen, or at least not fallen by all that it could.
        if change.is_some_and(|change| change.litres() < -3.0 * change.sd) {
            continue;
        }
        found.changes.push(Change {
            after: note.time.plus_ms(-600_000),
            before: note.time.plus_ms(600_000),
            kind: ChangeKind::Fill,
            litres,
            recorded: Some(i),
            scale_step: None,
            seen: change.is_some(),
            strength: strength_of(feeder, Some(i), strengths, note.time),
        });
    }
}
