//! A feeder was blown or knocked off.
//!
//! The scale drops at once by the syrup and the feeder itself, and the level sensor sees the floor,
//! the far ground or nonsense. A keeper who tips syrup out leaves the feeder: the step is the syrup
//! alone. Where the scale was not watching, a sensor that sees nonsense from one reading on is all
//! there is, and the flag says so with its probability.

use super::parameters::Displaced;
use super::sensor_fault::Judged;
use super::{Details, Episode, RuleContext, food_reserves};
use larder_domain::{Evidence, Flag, FlagKind, Measure, Severity, Timestamp};
use larder_estimate::events::ChangeKind;
use larder_estimate::math::robust::median_of_few;
use larder_estimate::series::scale::ScaleStep;
use larder_syrup::Estimate;
use larder_syrup::physics::kg_per_litre;

larder_estimate::numbers! { "flags.displaced":
    /// This many readings behind a step say where the level went.
    LOOKED_AT: usize = 3, "1", [1.0, 9.0], Chosen;
    /// Readings that say where the level went lie within so many hours of the step.
    LOOK_HOURS: f64 = 1.0, "h", [0.33, 3.0], Chosen;
    /// A feeder may be gone when this share of what was in it is.
    GONE_SHARE: f64 = 0.75, "1", [0.25, 1.0], Chosen;
    /// A step is larger than the syrup by at least this, kg: the feeder went with it.
    TARE_MARGIN_KG: f64 = 0.25, "kg", [0.083, 0.75], Chosen;
    /// A feeder with less than this in it leaves nothing to tell by, l.
    LEAST_LITRES: f64 = 0.3, "l", [0.1, 0.9], Chosen;
    /// Nonsense in so many readings in a row, with no scale to ask, means that the sensor hangs free.
    NONSENSE_RUN: usize = 8, "1", [2.0, 24.0], Chosen;
    /// Feeders that weigh less than this share of a full one are not worth a flag.
    HALF_FULL: f64 = 0.5, "1", [0.17, 1.5], Chosen;
    /// A level jumps about when it changes by more than this share of the capacity from one reading to
    /// the next.
    ERRATIC_SHARE: f64 = 0.12, "1", [0.04, 0.36], Chosen;
    /// A fall is over between two readings; robbers take several.
    SHARP_SHARE: f64 = 0.65, "1", [0.22, 1.0], Chosen;
    /// What was in it is known when its standard deviation is below this share of the capacity.
    KNOWN_SD_SHARE: f64 = 0.15, "1", [0.05, 0.45], Chosen;
    /// A step that is smaller than the syrup by more than this share of it was not the feeder.
    SHORT_SHARE: f64 = 0.2, "1", [0.067, 0.6], Chosen;
    /// A step larger than this was the whole hive, kg.
    MOST_KG: f64 = 30.0, "kg", [10.0, 90.0], Chosen;
    /// How sure displacement is by the level's nonsense alone.
    PROBABILITY_BY_LEVEL: f64 = 0.6, "1", [0.2, 1.0], Chosen;
    /// How sure displacement is by a step of syrup and feeder.
    PROBABILITY_WITH_FEEDER: f64 = 0.97, "1", [0.32, 1.0], Chosen;
    /// How sure displacement is by a step that could be syrup alone.
    PROBABILITY_OF_SYRUP: f64 = 0.7, "1", [0.23, 1.0], Chosen;
    /// A load of this share of what went is the feeder back on the hive.
    BACK_SHARE: f64 = 0.3, "1", [0.1, 0.9], Chosen;
}

/// Raises the flags and returns the spells for each hive and feeder.
pub(super) fn raise(context: &RuleContext<'_>, flags: &mut Vec<Flag>) -> Vec<Vec<Vec<Episode>>> {
    let mut all: Vec<Vec<Vec<Episode>>> = Vec::with_capacity(context.input.hives.len());
    for (h, hive) in context.input.hives.iter().enumerate() {
        let mut of_hive = vec![Vec::new(); hive.feeders.len()];
        for (f, episodes) in of_hive.iter_mut().enumerate() {
            for found in find(context, h, f) {
                episodes.push(found.episode);
                let details = found.details(context, h, f);
                flags.push(context.feeder_flag(
                    FlagKind::Displaced,
                    (h, f),
                    found.episode,
                    details,
                ));
            }
        }
        all.push(of_hive);
    }
    all
}

struct Found {
    episode: Episode,
    litres: f64,
    litres_sd: f64,
    step_kg: Option<f64>,
    probability: f64,
}

impl Found {
    fn details(&self, context: &RuleContext<'_>, h: usize, f: usize) -> Details {
        let feeder = &context.feeder(h, f).id;
        let held = Estimate::normal(self.litres, self.litres_sd).at_least(0.0);
        let noise_kg = context.signals.hives[h].noise_kg;
        let step = |kg: f64| Estimate::normal(-kg, 2f64.sqrt() * noise_kg);
        let evidence = match self.step_kg {
            Some(kg) => Evidence::new(format!(
                "{{step}} left the scale at once while {feeder} held {{held}}, more than the syrup weighs, and its sensor no longer sees syrup."
            ))
            .with_estimate("step", step(kg), Measure::Mass)
            .with_estimate("held", held, Measure::Volume),
            None => Evidence::new(format!(
                "The sensor of {feeder} sees nonsense from one reading on, with {{held}} in it before, and no scale was heard. The feeder may have been knocked off."
            ))
            .with_estimate("held", held, Measure::Volume),
        };
        Details {
            severity: Severity::Urgent,
            probability: self.probability,
            evidence,
        }
    }
}

fn find(context: &RuleContext<'_>, h: usize, f: usize) -> Vec<Found> {
    let feeder = &context.input.hives[h].feeders[f];
    let judged = &context.judged[h][f];
    let mut found: Vec<Found> = Vec::new();
    let steps = &context.analysis.hives[h].scale.steps;
    if feeder.feeder.on_scale {
        let least_kg = least_step_kg(&context.parameters(h).displaced, feeder.feeder.capacity_l);
        for step in steps.iter().filter(|step| -step.kg >= least_kg) {
            let free = found
                .last()
                .is_none_or(|last| !last.episode.holds_at(step.latest));
            if free && let Some(new) = from_step(context, h, f, step, judged) {
                found.push(new);
            }
        }
    }
    for new in from_nonsense(context, h, f, judged) {
        let apart = found.iter().all(|old| {
            new.episode
                .until
                .is_some_and(|until| until < old.episode.from)
                || old
                    .episode
                    .until
                    .is_some_and(|until| until < new.episode.from)
        });
        if apart {
            found.push(new);
        }
    }
    found.sort_by_key(|found| found.episode.from);
    found
}

/// The least step that may be a feeder of a capacity: a jar weighs less than a tray.
fn least_step_kg(parameters: &Displaced, capacity_l: f64) -> f64 {
    let full_kg = capacity_l * (kg_per_litre(None) + parameters.tare_kg_per_litre);
    parameters.least_step_kg.min(HALF_FULL * full_kg)
}

/// What was in the feeder shortly before `at`, l.
fn litres_before(
    context: &RuleContext<'_>,
    h: usize,
    f: usize,
    at: Timestamp,
) -> Option<(f64, f64)> {
    let grid = &context.signals.grid;
    let k = grid.at_or_after(at).checked_sub(1)?;
    let filtered = &context.signals.hives[h].feeders[f].filtered[k];
    (filtered.litres_sd < KNOWN_SD_SHARE * context.feeder(h, f).capacity_l)
        .then_some((filtered.litres, food_reserves::left_sd(context, h, f, k)))
}

fn from_step(
    context: &RuleContext<'_>,
    h: usize,
    f: usize,
    step: &ScaleStep,
    judged: &[Judged],
) -> Option<Found> {
    let before = litres_before(context, h, f, step.earliest);
    let (litres, litres_sd) = before.filter(|before| before.0 > LEAST_LITRES)?;
    let k = context.signals.grid.at_or_after(step.earliest);
    let syrup_kg = litres * kg_per_litre(context.signals.hives[h].feeders[f].strength[k]);
    let excess = -step.kg - syrup_kg;
    if excess < -SHORT_SHARE * syrup_kg || step.sharp_share < SHARP_SHARE {
        return None;
    }
    let from = judged.partition_point(|j| j.time < step.latest);
    let within_hour = judged[from..]
        .iter()
        .take_while(|j| j.time.hours_since(step.latest) <= LOOK_HOURS);
    let within_hour: Vec<_> = within_hour.take(2 * LOOKED_AT).collect();
    let behind = &within_hour[..within_hour.len().min(LOOKED_AT)];
    let capacity_l = context.feeder(h, f).capacity_l;
    let erratic = jumps_about(&within_hour, ERRATIC_SHARE * capacity_l);
    let gone = |j: &&Judged| j.absurd || erratic || j.litres < (1.0 - GONE_SHARE) * litres;
    let agree = behind.iter().filter(|j| gone(j)).count();
    let (probability, known_at) = if behind.is_empty() {
        // The level sensor went dark at that moment: only the feeder's own weight speaks.
        let tare = context.parameters(h).displaced.tare_kg_per_litre * capacity_l;
        if excess < tare.max(TARE_MARGIN_KG) || step.kg < -MOST_KG {
            return None;
        }
        (PROBABILITY_BY_LEVEL, step.latest)
    } else if 2 * agree > behind.len() {
        let likely = if excess > TARE_MARGIN_KG {
            PROBABILITY_WITH_FEEDER
        } else {
            PROBABILITY_OF_SYRUP
        };
        let looked_at = if erratic { &within_hour } else { behind };
        (likely, looked_at.last().map_or(step.latest, |j| j.time))
    } else {
        return None;
    };
    let nonsense = erratic || behind.iter().any(|j| j.absurd);
    let probability = if excess > TARE_MARGIN_KG || nonsense {
        probability
    } else {
        return None;
    };
    Some(Found {
        episode: Episode {
            opened: k,
            from: known_at,
            until: back_on(context, h, f, step),
        },
        litres,
        litres_sd,
        step_kg: Some(step.kg),
        probability,
    })
}

/// Whether readings jump about by more than `limit`, l: a sensor that hangs free, where one over syrup
/// shows its level again and again.
fn jumps_about(readings: &[&Judged], limit: f64) -> bool {
    let jumps = readings
        .windows(2)
        .map(|pair| (pair[1].litres - pair[0].litres).abs());
    readings.len() >= LOOKED_AT && median_of_few(jumps).is_some_and(|jump| jump > limit)
}

/// The feeder is back when a load comes on that is at least half of what went, or it is filled.
fn back_on(context: &RuleContext<'_>, h: usize, f: usize, step: &ScaleStep) -> Option<Timestamp> {
    let found = &context.analysis.hives[h];
    let mut steps = found.scale.steps.iter();
    let load =
        steps.find(|later| later.earliest >= step.latest && later.kg > BACK_SHARE * -step.kg);
    let mut changes = found.feeders[f].events.changes.iter();
    let fill = changes.find(|c| c.kind == ChangeKind::Fill && c.earliest >= step.latest);
    let load = load.map(|later| later.latest);
    let fill = fill.map(|change| change.latest);
    [load, fill].into_iter().flatten().min()
}

fn from_nonsense(context: &RuleContext<'_>, h: usize, f: usize, judged: &[Judged]) -> Vec<Found> {
    let mut found = Vec::new();
    let mut start = 0;
    for i in 0..=judged.len() {
        if i < judged.len() && judged[i].absurd && !judged[i].repeated {
            continue;
        }
        let long = i - start >= NONSENSE_RUN;
        if long {
            let from = judged[start].time;
            let opened = judged[start + NONSENSE_RUN - 1].time;
            let before =
                litres_before(context, h, f, from).filter(|before| before.0 > LEAST_LITRES);
            let k = context.signals.grid.at_or_after(opened);
            let scale = &context.signals.hives[h].gross_kg;
            let watched = scale[k.saturating_sub(4)..=k].iter().any(|v| !v.is_nan());
            if let Some((litres, litres_sd)) = before.filter(|_| !watched) {
                found.push(Found {
                    episode: Episode {
                        opened: k,
                        from: opened,
                        until: judged.get(i).map(|j| j.time),
                    },
                    litres,
                    litres_sd,
                    step_kg: None,
                    probability: PROBABILITY_BY_LEVEL,
                });
            }
        }
        start = i + 1;
    }
    found
}
