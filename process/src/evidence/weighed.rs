//! Steps on the scale: which of them were syrup, in which feeder and how much.

use super::{
    Change, ChangeKind, FeederEvidence, GEOMETRY_SHARE, NOTE_HOURS, NOTE_VOLUME_SHARE,
    nearest_note, strength_of,
};
use crate::input::{FeederInput, HiveInput};
use crate::level::{LevelChange, LevelTrack};
use crate::scale::{ScaleStep, ScaleTrack};
use crate::strengths::{Strengths, kg_per_litre};
use larder_domain::{Span, Strength, Timestamp};

/// A level on both sides of a step is read within so many hours; across an outage within so many.
const LEVEL_HOURS: f64 = 4.0;
const OUTAGE_HOURS: f64 = 120.0;
/// An empty feeder with its lid weighs up to this, kg (common practice).
const MOST_TARE_KG: f64 = 3.0;
/// A feeder that is off or knocked over shows its old level in at most this share of readings.
const OFF_SHARE: f64 = 0.25;

/// One hive's witnesses.
pub(super) struct Case<'a> {
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
    case: &Case<'_>,
    scale: &ScaleTrack,
    found: &mut [FeederEvidence],
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
            let since = was.map_or(step.after, |o| o.since);
            let away = Span {
                start: since,
                end: step.before,
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
                since: step.before,
                tare_kg: tare_of(case, *f, step),
            });
        }
        take(change, found, notes);
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

fn take(change: Option<(usize, Change)>, found: &mut [FeederEvidence], notes: &mut [Vec<bool>]) {
    let Some((f, change)) = change else { return };
    if let Some(note) = change.recorded {
        notes[f][note] = true;
    }
    found[f].changes.push(change);
}

/// The feeder came back onto the hive with this step.
fn put_back(off: &Off, step: &ScaleStep) -> bool {
    step.kg > (0.6 * off.tare_kg).max(0.25)
}

/// What the feeder itself weighs, from the step with which it went.
fn tare_of(case: &Case<'_>, f: usize, step: &ScaleStep) -> f64 {
    let feeder = case.hive.feeders[f].feeder;
    let density = kg_per_litre(case.strengths.at(&feeder.id, step.after));
    let before = case.levels[f]
        .level_before(step.after, LEVEL_HOURS)
        .unwrap_or(0.0);
    (-step.kg - before.max(0.0) * density).clamp(0.0, MOST_TARE_KG)
}

/// What was poured in when the feeder was put back.
fn refill_after(
    case: &Case<'_>,
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
    let least = 0.04 * feeder.feeder.capacity_l + 0.2;
    (litres > least || note.is_some()).then(|| Change {
        after: step.after,
        before: step.before,
        kind: ChangeKind::Fill,
        // The tare comes from a level that was off by its own errors.
        litres: Some((litres.max(0.0), 0.04 * feeder.feeder.capacity_l / density)),
        recorded: note,
        scale_step: Some(index),
        seen: true,
        strength,
    })
}

fn span_of(step: &ScaleStep) -> Span {
    Span {
        start: step.after,
        end: step.before,
    }
}

/// What a step on the scale did to which feeder; `None`: something else was put on or taken off.
fn explain_step(
    case: &Case<'_>,
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
        let inside = case.strengths.at(&feeder.feeder.id, step.after);
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
            Some((9.0, ChangeKind::Lost, None))
        } else {
            weighing.judge(level.change_across(span, OUTAGE_HOURS))
        };
        let Some((belief, kind, litres)) = verdict else {
            continue;
        };
        let change = Change {
            after: step.after,
            before: step.before,
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

/// From the step before to the step after.
fn between_steps(steps: &[ScaleStep], index: usize) -> Span {
    let before = index.checked_sub(1).and_then(|i| steps.get(i));
    Span {
        start: before.map_or(Span::ALWAYS.start, |step| step.before),
        end: steps
            .get(index + 1)
            .map_or(Span::ALWAYS.end, |step| step.after),
    }
}

/// Whether a note means this step and not another one of the same visit that fits it better.
fn is_meant(
    case: &Case<'_>,
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

/// By how much another step must fit a note better, kg.
const CLEARLY_BETTER_KG: f64 = 0.5;

/// Whether the feeder went off the hive with all that was in it: the step is what was in it and a
/// little more, and the level has not been seen since.
fn lost_all(
    weighing: &Weighing<'_>,
    level: &LevelTrack,
    step: &ScaleStep,
    inside: Option<Strength>,
) -> bool {
    let recent = level.level_before(step.after, LEVEL_HOURS);
    let Some(before) = recent.or_else(|| level.level_before(step.after, OUTAGE_HOURS)) else {
        return false;
    };
    let slack = GEOMETRY_SHARE * weighing.feeder.feeder.capacity_l + 4.0 * level.noise_l();
    let tare = (weighing.lost_litres - before.max(0.0)) * kg_per_litre(inside);
    let fits = step.kg < 0.0 && tare > -slack && tare < MOST_TARE_KG + slack;
    let enough = before > 0.08 * weighing.feeder.feeder.capacity_l || tare > 0.3;
    let still_there = level.share_near(step.before, 5.0, before, slack);
    fits && enough && still_there < OFF_SHARE && !holds_some(weighing, level, step, before)
}

/// Whether the level stays steadily at something well above empty: the feeder is still there.
fn holds_some(weighing: &Weighing<'_>, level: &LevelTrack, step: &ScaleStep, before: f64) -> bool {
    let Some(change) = weighing.level else {
        return false;
    };
    let noise = 4.0 * level.noise_l();
    let steady = level.share_near(step.before, 3.0, change.to, noise) > 2.0 * OFF_SHARE;
    steady && change.to > 0.3 * before.max(0.0) + noise
}

struct Weighing<'a> {
    feeder: &'a FeederInput<'a>,
    noted: Option<f64>,
    has_note: bool,
    /// The step as syrup that was poured, l.
    litres: f64,
    /// The step as syrup that was in it and went, l.
    lost_litres: f64,
    sd: f64,
    level: Option<LevelChange>,
}

/// How surely, what, and how much as far as the scale can say.
type Verdict = (f64, ChangeKind, Option<(f64, f64)>);

impl Weighing<'_> {
    /// Whether a step on the scale was this feeder's; `outage` is its level on both sides of it
    /// where the sensor was out at the time.
    fn judge(&self, outage: Option<LevelChange>) -> Option<Verdict> {
        let Some(level) = self.level else {
            return self.judge_unseen(outage);
        };
        let slack = level.sd.hypot(self.sd);
        let agree = (self.litres - level.litres()).abs()
            <= 3.5 * slack + GEOMETRY_SHARE * self.litres.abs();
        let clear = (3.0 * level.sd).max(0.25 * self.litres.abs());
        let sure = level.litres().abs() / level.sd.max(0.01);
        let weighed = Some((self.litres, self.sd));
        if let Some(renewed) = self.renewed(&level) {
            return Some((sure + 1.0, ChangeKind::Renewed, Some(renewed)));
        }
        if self.litres > 0.0 && (level.litres() > clear || (agree && self.has_note)) {
            return Some((sure, ChangeKind::Fill, weighed.filter(|_| agree)));
        }
        if self.litres < 0.0 && level.litres() < -clear {
            let agree = (self.lost_litres + level.litres()).abs()
                <= 3.5 * slack + GEOMETRY_SHARE * self.lost_litres;
            let lost = (-self.lost_litres, self.sd);
            return Some((sure, ChangeKind::Spill, agree.then_some(lost)));
        }
        None
    }

    /// The note says more than came on: what was in the feeder was thrown out first. How much was
    /// poured follows from the level before and the step.
    fn renewed(&self, level: &LevelChange) -> Option<(f64, f64)> {
        let noted = self.noted?;
        let before = level.from.max(0.0);
        let slack = 2.0 * NOTE_VOLUME_SHARE * noted + 2.0 * level.sd;
        let all = self.litres + before;
        let topped_up = (self.litres - noted).abs();
        let fits = (all - noted).abs() <= slack && all <= 1.1 * self.feeder.feeder.capacity_l;
        let large = before > 0.1 * self.feeder.feeder.capacity_l;
        (large && fits && topped_up > 1.5 * slack).then(|| {
            let sd = (GEOMETRY_SHARE * before).hypot(self.sd).hypot(level.sd);
            let note_sd = NOTE_VOLUME_SHARE * noted;
            let weight = note_sd.powi(2) / (note_sd.powi(2) + sd.powi(2));
            (noted + weight * (all - noted), sd * weight.sqrt())
        })
    }

    fn could_be_thrown_out(&self) -> bool {
        let capacity = self.feeder.feeder.capacity_l;
        self.lost_litres > 0.05 * capacity && self.lost_litres <= 1.05 * capacity
    }

    fn judge_unseen(&self, outage: Option<LevelChange>) -> Option<Verdict> {
        let fits = self.litres > 0.0 && self.litres <= 1.1 * self.feeder.feeder.capacity_l;
        let weighed = Some((self.litres, self.sd));
        let rose = outage.is_some_and(|level| level.to > 0.3 * self.litres);
        match (self.has_note, fits) {
            (true, true) => Some((2.0, ChangeKind::Fill, weighed)),
            // A box came with it: only the note can say.
            (true, false) if self.litres > 0.0 => {
                let guess = self.noted.map(|v| (v, NOTE_VOLUME_SHARE * v));
                Some((1.0, ChangeKind::Fill, guess))
            }
            (false, true) if rose || self.feeder.levels.is_empty() => {
                Some((0.5, ChangeKind::Fill, weighed))
            }
            // Nothing sees into it: a load that went may be syrup thrown out, all of it.
            _ if self.feeder.levels.is_empty() && self.could_be_thrown_out() => {
                Some((0.3, ChangeKind::Lost, Some((-self.lost_litres, self.sd))))
            }
            _ => None,
        }
    }
}
