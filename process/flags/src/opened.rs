//! A hive was opened: a fact, not an alarm. What a keeper puts on or takes off, or pours in, is seen
//! by the scale or the level sensor; all of one visit is one flag, and it closes when the visit is
//! over. Rain, swarms and feeders that fell are no visits.

use super::{Details, Episode, RuleContext};
use larder_domain::{Evidence, Flag, FlagKind, Measure, Severity, Timestamp};
use larder_estimate::events::ChangeKind;
use larder_estimate::series::scale::ScaleStep;
use larder_syrup::Estimate;

larder_estimate::numbers! { "flags.opened":
    /// A visit is over when nothing happened for so long, hours.
    OVER_HOURS: f64 = 1.0, "h", [0.33, 3.0], Chosen;
    /// A hand is quick: so much of a step falls between two readings.
    SHARP_SHARE: f64 = 0.45, "1", [0.2, 1.0], Chosen;
    /// Rain within so many hours may be a load on the scale.
    RAIN_HOURS: f64 = 2.0, "h", [0.67, 6.0], Chosen;
    /// More rain than this is a load, mm.
    RAIN_MM: f64 = 0.2, "mm", [0.067, 0.6], Chosen;
    /// How sure it is by a feed that was poured in.
    FED: f64 = 0.97, "1", [0.32, 1.0], Chosen;
    /// How sure it is by a load that came or went.
    LOADED: f64 = 0.8, "1", [0.27, 1.0], Chosen;
}

/// One thing that hands did.
struct Touch {
    earliest: Timestamp,
    latest: Timestamp,
    kg: f64,
    fed: bool,
}

/// Raises the flags. `others` holds for each hive what else takes weight at once.
pub(super) fn raise(context: &RuleContext<'_>, others: &[Vec<Episode>], flags: &mut Vec<Flag>) {
    for (h, others) in others.iter().enumerate() {
        let mut touches = touches(context, h, others);
        touches.sort_by_key(|touch| touch.latest);
        let near = |a: &Touch, b: &Touch| b.earliest.hours_since(a.latest) < OVER_HOURS;
        for visit in touches.chunk_by(near) {
            let (Some(first), Some(last)) = (visit.first(), visit.last()) else {
                continue;
            };
            let grid = &context.signals.grid;
            let over = last.latest.plus_hours(OVER_HOURS);
            let episode = Episode {
                opened: grid.at_or_after(first.latest).min(context.signals.last),
                from: first.latest,
                until: (over <= context.input.now).then_some(over),
            };
            let net_kg: f64 = visit.iter().map(|touch| touch.kg).sum();
            let sd_kg = context.signals.hives[h].noise_kg * 2f64.sqrt();
            let fed = visit.iter().any(|touch| touch.fed);
            let evidence = if context.signals.hives[h].weighed && net_kg != 0.0 {
                let net = Estimate::normal(net_kg, sd_kg);
                Evidence::new(
                    "Its weight changed by {net} at once, {touches} time(s) in this visit.",
                )
                .with_estimate("net", net, Measure::Mass)
            } else {
                Evidence::new("Its feeder was filled, {touches} time(s) in this visit.")
            };
            let details = Details {
                severity: Severity::Info,
                probability: if fed { FED } else { LOADED },
                evidence: evidence.with("touches", visit.len() as f64, Measure::Number),
            };
            flags.push(context.hive_flag(FlagKind::Opened, h, episode, details));
        }
    }
}

fn touches(context: &RuleContext<'_>, h: usize, others: &[Episode]) -> Vec<Touch> {
    let found = &context.analysis.hives[h];
    let parameters = &context.parameters(h).opened;
    let wait = context.parameters(h).tipped.stays_hours + OVER_HOURS;
    let other = |time: Timestamp| {
        let near = |episode: &Episode| {
            let hours = episode.from.hours_since(time);
            (hours >= 0.0 && hours < wait) || episode.holds_at(time)
        };
        others.iter().any(near)
    };
    let changes = || {
        found
            .feeders
            .iter()
            .flat_map(|feeder| &feeder.events.changes)
    };
    let fed = |i: usize| {
        changes().any(|c| c.scale_step == Some(i) && (c.kind.pours() || c.recorded.is_some()))
    };
    let steps = found
        .scale
        .steps
        .iter()
        .enumerate()
        .filter_map(|(i, step)| {
            let fed = fed(i);
            let by_hand =
                fed || step.kg.abs() >= parameters.least_kg && step.sharp_share >= SHARP_SHARE;
            let seen = by_hand && (fed || !rain(context, step)) && !other(step.latest);
            seen.then_some(Touch {
                earliest: step.earliest,
                latest: step.latest,
                kg: step.kg,
                fed,
            })
        });
    let mut all: Vec<Touch> = steps.collect();
    let poured =
        changes().filter(|c| c.scale_step.is_none() && c.seen && c.kind == ChangeKind::Fill);
    all.extend(poured.map(|change| Touch {
        earliest: change.earliest,
        latest: change.latest,
        kg: 0.0,
        fed: true,
    }));
    all
}

/// Whether a load may be water: it rained, or several hives became heavier at once and nobody filled them.
fn rain(context: &RuleContext<'_>, step: &ScaleStep) -> bool {
    if step.kg < 0.0 {
        return false;
    }
    let k = context.signals.grid.at_or_after(step.latest);
    let k = k.min(context.signals.last);
    let weather = &context.signals.weather;
    let from = k.saturating_sub(super::signals::nodes(RAIN_HOURS));
    if weather.has_gauge {
        return weather.rain_between(from, k) > RAIN_MM;
    }
    let with = context.analysis.hives.iter().filter(|hive| {
        let mut steps = hive.scale.steps.iter();
        steps
            .any(|other| other.kg > 0.0 && other.time().hours_since(step.time()).abs() < RAIN_HOURS)
    });
    with.count() > 1
}
