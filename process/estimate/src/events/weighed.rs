//! Steps on the scale: which of them were syrup, in which feeder and how much.

use super::weighing::{MOST_FULL_SHARE, Weighing, lost_all};
use super::{
    Change, ChangeKind, FeederEvents, NOTE_HOURS, NOTE_VOLUME_SHARE, nearest_note, strength_of,
};
use crate::input::{FeederInput, HiveInput};
use crate::series::level::LevelTrack;
use crate::series::scale::{ScaleStep, ScaleTrack};
use crate::series::strengths::Strengths;
use larder_domain::{Span, Timestamp};
use larder_syrup::physics::kg_per_litre;

crate::numbers! { "estimate.events.weighed":
    /// A level on both sides of a step is read within so many hours of it.
    pub(super) LEVEL_HOURS: f64 = 4.0, "h", [1.3, 12.0], Chosen;
    /// A level on both sides of a step across an outage is read within so many hours of it.
    pub(super) OUTAGE_HOURS: f64 = 120.0, "h", [40.0, 360.0], Chosen;
    /// An empty feeder with its lid weighs up to this, kg (common practice).
    pub(super) MOST_TARE_KG: f64 = 3.0, "kg", [1.0, 9.0], CommonPractice;
    /// By how much another step must fit a note better, kg.
    CLEARLY_BETTER_KG: f64 = 0.5, "kg", [0.17, 1.5], Chosen;
    /// A feeder that comes back weighs at least this share of what it weighed empty when it went.
    BACK_SHARE: f64 = 0.6, "1", [0.2, 1.0], Chosen;
    /// A feeder that comes back weighs at least this, kg.
    BACK_KG: f64 = 0.25, "kg", [0.083, 0.75], Chosen;
    /// A feeder that comes back was refilled when more than this share of its capacity, and `REFILL_L`,
    /// came with it; the share is also how well that is known.
    REFILL_SHARE: f64 = 0.04, "1", [0.013, 0.12], Chosen;
    /// A feeder that comes back was refilled when more than this, and `REFILL_SHARE` of its capacity,
    /// came with it, l.
    REFILL_L: f64 = 0.2, "l", [0.067, 0.6], Chosen;
    /// More than this must be left of a step when one feeder has had its part, kg.
    SHARED_LEAST_KG: f64 = 0.6, "kg", [0.2, 1.8], Chosen;
    /// How well it is known how two feeders without sensors share a step, as a share.
    SHARED_SHARE: f64 = 0.3, "1", [0.1, 0.9], Chosen;
    /// How firmly a step is believed to be a feeder that went off the hive with all that was in it.
    GONE_BELIEF: f64 = 9.0, "1", [3.0, 27.0], Chosen;
}

/// One hive's witnesses.
pub(super) struct HiveWitnesses<'a> {
    pub hive: &'a HiveInput<'a>,
    pub levels: &'a [LevelTrack],
    pub strengths: &'a Strengths,
    pub until: Timestamp,
}

/// A feeder that is off the hive since a step.
#[derive(Clone, Copy)]
struct Off {
    since: Timestamp,
    tare_kg: f64,
}

/// Explains each step of the scale by one feeder, where one explains it.
pub(super) fn explain_steps(
    case: &HiveWitnesses<'_>,
    scale: &ScaleTrack,
    found: &mut [FeederEvents],
    notes: &mut [Vec<bool>],
) {
    let mut off: Vec<Option<Off>> = vec![None; found.len()];
    for (index, step) in scale.steps.iter().enumerate() {
        if let Some(f) = off
            .iter()
            .position(|off| off.is_some_and(|o| put_back(&o, step)))
        {
            let was = off[f].take();
            let tare_kg = was.map_or(0.0, |o| o.tare_kg);
            let since = was.map_or(step.earliest, |o| o.since);
            let away = Span {
                start: since,
                end: step.latest,
            };
            found[f].masked.push(away);
            found[f].displaced.push(away);
            let rest = refill_after(case, f, index, step, tare_kg, &notes[f]);
            take(rest.map(|change| (f, change)), found, notes);
            continue;
        }
        let change = explain_step(case, index, &scale.steps, notes);
        if let Some((f, change)) = &change
            && change.kind == ChangeKind::Lost
            && change.litres.is_none()
        {
            off[*f] = Some(Off {
                since: step.latest,
                tare_kg: tare_of(case, *f, step),
            });
        }
        let shared = match &change {
            None => share_among(case, step, None, notes),
            Some((f, change)) if change.kind == ChangeKind::Fill && change.litres.is_none() => {
                share_among(case, step, Some(*f), notes)
            }
            Some(_) => Vec::new(),
        };
        take(change, found, notes);
        for change in shared {
            take(
                Some((
                    change.0,
                    Change {
                        scale_step: Some(index),
                        ..change.1
                    },
                )),
                found,
                notes,
            );
        }
    }
    for (f, off) in off.iter().enumerate() {
        let Some(off) = off else { continue };
        let back = case.levels[f].steady_again(off.since);
        let away = Span {
            start: off.since,
            end: back.unwrap_or(case.until),
        };
        found[f].masked.push(away);
        found[f].displaced.push(away);
    }
}

fn take(change: Option<(usize, Change)>, found: &mut [FeederEvents], notes: &mut [Vec<bool>]) {
    let Some((f, change)) = change else { return };
    if let Some(note) = change.recorded {
        notes[f][note] = true;
    }
    found[f].changes.push(change);
}

/// The feeder came back onto the hive with this step.
fn put_back(off: &Off, step: &ScaleStep) -> bool {
    step.kg > (BACK_SHARE * off.tare_kg).max(BACK_KG)
}

/// What the feeder itself weighs, from the step with which it went.
fn tare_of(case: &HiveWitnesses<'_>, f: usize, step: &ScaleStep) -> f64 {
    let feeder = case.hive.feeders[f].feeder;
    let density = kg_per_litre(case.strengths.at(&feeder.id, step.earliest));
    let before = case.levels[f]
        .level_before(step.earliest, LEVEL_HOURS)
        .unwrap_or(0.0);
    (-step.kg - before.max(0.0) * density).clamp(0.0, MOST_TARE_KG)
}

/// What was poured in when the feeder was put back.
fn refill_after(
    case: &HiveWitnesses<'_>,
    f: usize,
    index: usize,
    step: &ScaleStep,
    tare_kg: f64,
    notes: &[bool],
) -> Option<Change> {
    let feeder = &case.hive.feeders[f];
    let span = span_of(step);
    let note = nearest_note(feeder, notes, span);
    let strength = strength_of(feeder, note, case.strengths, step.time());
    let density = kg_per_litre(strength);
    let litres = (step.kg - tare_kg) / density;
    let least = REFILL_SHARE * feeder.feeder.capacity_l + REFILL_L;
    (litres > least || note.is_some()).then(|| Change {
        earliest: step.earliest,
        latest: step.latest,
        kind: ChangeKind::Fill,
        // The tare comes from a level that was off by its own errors.
        litres: Some((
            litres.max(0.0),
            REFILL_SHARE * feeder.feeder.capacity_l / density,
        )),
        recorded: note,
        scale_step: Some(index),
        seen: true,
        strength,
    })
}

fn span_of(step: &ScaleStep) -> Span {
    Span {
        start: step.earliest,
        end: step.latest,
    }
}

/// What a step on the scale did to which feeder; `None`: something else was put on or taken off.
fn explain_step(
    case: &HiveWitnesses<'_>,
    index: usize,
    steps: &[ScaleStep],
    notes: &[Vec<bool>],
) -> Option<(usize, Change)> {
    let step = &steps[index];
    let span = span_of(step);
    let on_scale = case.hive.feeders.iter().enumerate();
    let on_scale = on_scale.filter(|(_, feeder)| feeder.feeder.on_scale);
    let mut best: Option<(f64, usize, Change)> = None;
    for (f, feeder) in on_scale {
        let note = nearest_note(feeder, &notes[f], span)
            .filter(|&note| is_meant(case, feeder, note, index, steps));
        let poured = strength_of(feeder, note, case.strengths, step.time());
        let inside = case.strengths.at(&feeder.feeder.id, step.earliest);
        let level = &case.levels[f];
        let weighing = Weighing {
            feeder,
            noted: note.and_then(|i| feeder.recorded[i].volume_l),
            has_note: note.is_some(),
            litres: step.kg / kg_per_litre(poured),
            lost_litres: -step.kg / kg_per_litre(inside),
            sd: step.sd_kg / kg_per_litre(poured),
            level: level.change_between(span, LEVEL_HOURS, between_steps(steps, index)),
        };
        let verdict = if lost_all(&weighing, level, step, inside) {
            Some((GONE_BELIEF, ChangeKind::Lost, None))
        } else {
            weighing.judge(level.change_across(span, OUTAGE_HOURS))
        };
        let Some((belief, kind, litres)) = verdict else {
            continue;
        };
        let change = Change {
            earliest: step.earliest,
            latest: step.latest,
            kind,
            litres,
            recorded: note.filter(|_| kind.pours()),
            scale_step: Some(index),
            seen: true,
            strength: poured.filter(|_| kind.pours()),
        };
        if best.as_ref().is_none_or(|b| belief > b.0) {
            best = Some((belief, f, change));
        }
    }
    best.map(|(_, f, change)| (f, change))
}

/// What came onto a hive at one visit and was more than one feeder took: the feeders that nothing sees into
/// share what is left of it when `seen`, whose level rose, has had its part.
fn share_among(
    case: &HiveWitnesses<'_>,
    step: &ScaleStep,
    seen: Option<usize>,
    notes: &[Vec<bool>],
) -> Vec<(usize, Change)> {
    let span = span_of(step);
    let feeders = case.hive.feeders.iter().enumerate();
    let open: Vec<usize> = feeders
        .filter(|(_, feeder)| feeder.feeder.on_scale && feeder.levels.is_empty())
        .map(|(f, _)| f)
        .collect();
    let capacity = |f: usize| case.hive.feeders[f].feeder.capacity_l;
    let all: f64 = open.iter().map(|&f| capacity(f)).sum();
    let by_level = seen.and_then(|f| {
        let change = case.levels[f].change_across(span, LEVEL_HOURS)?;
        let feeder = &case.hive.feeders[f].feeder.id;
        Some(change.litres() * kg_per_litre(case.strengths.poured(feeder, step.time())))
    });
    let rest_kg = step.kg - by_level.unwrap_or(0.0);
    let several = open.len() + usize::from(seen.is_some()) > 1;
    let unseen = seen.is_some() && by_level.is_none();
    if !several || unseen || rest_kg < SHARED_LEAST_KG {
        return Vec::new();
    }
    let poured = |f: usize| {
        let feeder = &case.hive.feeders[f];
        let note = nearest_note(feeder, &notes[f], span);
        let strength = strength_of(feeder, note, case.strengths, step.time());
        let litres = rest_kg / kg_per_litre(strength) * capacity(f) / all;
        (note, strength, litres)
    };
    if open
        .iter()
        .any(|&f| poured(f).2 > MOST_FULL_SHARE * capacity(f))
    {
        return Vec::new();
    }
    let sd = if open.len() > 1 {
        SHARED_SHARE
    } else {
        NOTE_VOLUME_SHARE
    };
    let of_feeder = |f: usize| {
        let (recorded, strength, litres) = poured(f);
        let change = Change {
            earliest: step.earliest,
            latest: step.latest,
            kind: ChangeKind::Fill,
            litres: Some((litres, sd * litres)),
            recorded,
            scale_step: None,
            seen: true,
            strength,
        };
        (f, change)
    };
    open.into_iter().map(of_feeder).collect()
}

/// From the step before to the step after.
fn between_steps(steps: &[ScaleStep], index: usize) -> Span {
    let before = index.checked_sub(1).and_then(|i| steps.get(i));
    Span {
        start: before.map_or(Span::ALWAYS.start, |step| step.latest),
        end: steps
            .get(index + 1)
            .map_or(Span::ALWAYS.end, |step| step.earliest),
    }
}

/// Whether a note means this step and not another one of the same visit that fits it better.
fn is_meant(
    case: &HiveWitnesses<'_>,
    feeder: &FeederInput<'_>,
    note: usize,
    index: usize,
    steps: &[ScaleStep],
) -> bool {
    let note = &feeder.recorded[note];
    let strength = note
        .strength
        .or(case.strengths.poured(&feeder.feeder.id, note.time));
    let noted_kg = note.volume_l.map(|litres| litres * kg_per_litre(strength));
    let misfit = |step: &ScaleStep| match noted_kg {
        Some(kg) => (step.kg - kg).abs(),
        None => -step.kg,
    };
    let near = |step: &&ScaleStep| step.time().hours_since(note.time).abs() <= NOTE_HOURS;
    let mut others = steps.iter().enumerate().filter(|(i, _)| *i != index);
    let own = misfit(&steps[index]);
    !others.any(|(_, other)| near(&other) && misfit(other) < own - CLEARLY_BETTER_KG)
}
